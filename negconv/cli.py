"""The command: parses, calls, prints. No image is touched here."""
from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from contextlib import contextmanager

from . import __version__
from .errors import InputError, one_line

DONE, SOME_FAILED, UNUSABLE = 0, 1, 2
#: More than this is the number of the signal that ended the command, as shells have it (2 is Ctrl-C's).
STOPPED = 128

# Strips and frames are what runs side by side; threads of the linear algebra below them would only get in each other's way.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_EPILOG = """\
examples:
  negconv demo glasshouse                          an invented roll, converted: look at glasshouse/positives
  negconv convert captures -o positives            a folder of captures; the panel frame in it is found by itself
  negconv convert captures -o positives --film colour --format 6x9 --spots repair
  negconv inspect captures/frame03.dng --picture found
  negconv recipe > roll.toml                       every setting with its default, to edit and give to --recipe

exit status: 0 all done; 1 some inputs failed, each named with its reason; 2 unusable arguments
"""


def main(argv: list[str] | None = None) -> int:
    """Run the command; returns the exit status."""
    words = sys.argv[1:] if argv is None else argv
    args = build_parser(words).parse_args(words)
    try:
        return args.run(args)
    except BaseException as error:
        stop = _interrupt_behind(error)
        if stop is not None:
            print("negconv: stopped; frames that were finished are whole, nothing half-written is left", file=sys.stderr)
            return STOPPED + (stop.args[0] if stop.args else 2)
        if isinstance(error, InputError):
            print(f"negconv: {error}", file=sys.stderr)
            return UNUSABLE
        if isinstance(error, BrokenPipeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return DONE
        if isinstance(error, OSError):  # files have lines of their own; this is what was to be printed
            print(f"negconv: cannot write what it has to say ({(error.strerror or str(error)).lower()})", file=sys.stderr)
            return UNUSABLE
        raise


def _interrupt_behind(error: BaseException | None) -> KeyboardInterrupt | None:
    """The interrupt that an exception is, or that led to it: one that comes while a lock is taken has its release fail."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__context__
    return error


def build_parser(words: Sequence[str] | None = None) -> argparse.ArgumentParser:
    """The arguments of every subcommand, or, for the words of one call, of those among them: the others are only named."""
    asked = None if words is None else set(words)
    parser = argparse.ArgumentParser(prog="negconv", epilog=_EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter,
                                     description="Camera captures of film negatives into finished positives.")
    parser.add_argument("--version", action="version", version=f"negconv {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    if p := _command(commands, asked, "convert", convert, "convert captures: files, or folders with a roll in each",
                 "Finds the panel frame, each frame and its rebate, balances the roll and writes positives with a sidecar "
                 "each (what was done, as JSON). A second run does only what is missing or changed."):
        _inputs(p)
        p.add_argument("-o", "--out", metavar="DIR", required=True, help="folder for the positives (made if missing)")
        _settings(p)
        p.add_argument("--output", choices=("tiff", "png", "jpeg"), help="file type (default: tiff, 16 bits)")
        p.add_argument("--space", metavar="NAME", help="srgb, display-p3, rec2020, romm or linear (default: srgb)")
        p.add_argument("--balance", metavar="HOW", help="frame: each frame to the same anchor (default); roll: exposures of "
                       "the roll kept; or a number between, 0 frame to 1 roll")
        p.add_argument("--spots", choices=("off", "mark", "repair"), help="dust and scratches: leave (default), list in the "
                       "sidecar and on the proof page, or repair")
        p.add_argument("--sheet", metavar="FILE", help="also write a contact sheet (.jpg, .png or .html)")
        p.add_argument("--jobs", type=_positive, metavar="N", help="processes (default: by cores and memory)")
        p.add_argument("--overwrite", action="store_true", help="replace outputs that are there already")
        p.add_argument("--quiet", action="store_true", help="no progress bar")

    if p := _command(commands, asked, "inspect", inspect, "say what is in a capture and how good it is",
                 "Frames, base densities, exposure, clipping; what to do better at the copy stand. Writes nothing unless "
                 "--picture is given."):
        _inputs(p)
        _settings(p, base=False)
        p.add_argument("--json", action="store_true", help="print a JSON list, one entry a capture")
        p.add_argument("--picture", metavar="DIR", help="write a small JPEG of each capture with what was found drawn on it")
        p.add_argument("--overwrite", action="store_true", help="replace pictures that are there already")

    if p := _command(commands, asked, "spots", spots, "map dust, hairs, scratches and drying marks for the retoucher",
                 "For each capture: an 8-bit mask aligned with the positive, a CSV, and an overlay picture."):
        _inputs(p)
        p.add_argument("-o", "--out", metavar="DIR", required=True, help="folder for masks, lists and overlays")
        _settings(p)
        p.add_argument("--sensitivity", type=float, metavar="S", help="0 only the plainest to 1 everything (default 0.5)")
        p.add_argument("--overwrite", action="store_true", help="replace outputs that are there already")

    if p := _command(commands, asked, "calibrate", calibrate, "make a film file from a photographed chart",
                 "The chart must be on film of the same stock and development, captured with the same camera and panel."):
        p.add_argument("chart", metavar="CHART", help="capture of the chart's negative")
        p.add_argument("--patches", metavar="CSV", required=True, help="columns x,y,w,h (capture pixels) and X,Y,Z (CIE, D50, "
                       "diffuser Y = 1)")
        p.add_argument("-o", "--out", metavar="FILE", required=True, help="film file to write (.toml)")
        p.add_argument("--panel", metavar="FILE", help="capture of the bare panel")
        p.add_argument("--base", metavar="FILE|X,Y,W,H", help="capture of blank leader, or a rectangle of rebate")
        p.add_argument("--film", choices=("mono", "colour"), help="kind of film (default: told from the capture)")
        p.add_argument("--name", default="", help="a name for the film")
        p.add_argument("--overwrite", action="store_true", help="replace the file if it is there already")

    if p := _command(commands, asked, "sheet", sheet, "a contact sheet of positives",
                 "JPEG or PNG, or a self-contained HTML proof page with what was found and done, by the ending of FILE."):
        p.add_argument("paths", metavar="PATH", nargs="+", help="positives, or folders of them")
        p.add_argument("-o", "--out", metavar="FILE", required=True, help="file to write (.jpg, .png or .html)")
        p.add_argument("--title", default="", help="written above the frames")
        p.add_argument("--captures", metavar="PATH", nargs="+", default=[], help="captures to show beside their positives on the "
                       "proof page")
        p.add_argument("--columns", type=_positive, metavar="N", help="frames a row (default: to fit paper)")
        p.add_argument("--overwrite", action="store_true", help="replace the file if it is there already")

    _command(commands, asked, "recipe", recipe, "print a commented recipe with every default",
                 "Edit what you want to change and give the file to --recipe.")

    if p := _command(commands, asked, "demo", demo, "an invented roll, rendered and converted",
                 "Raw captures and a panel frame in DIR/captures, positives and a contact sheet in DIR/positives."):
        p.add_argument("dir", metavar="DIR", help="folder to make")
        p.add_argument("--frames", type=_positive, default=8, metavar="N", help="frames on the roll (default 8)")
        p.add_argument("--megapixels", type=float, default=6.0, metavar="MP", help="size of each picture (default 6)")
        p.add_argument("--seed", type=int, default=0, help="another roll")
        p.add_argument("--jobs", type=_positive, metavar="N", help="processes (default: by cores and memory)")
    return parser


def _command(commands, asked: set[str] | None, name: str, run, summary: str, more: str):
    """The parser of a subcommand whose arguments are to be added; None of one that is only named."""
    if asked is not None and name not in asked:
        commands.add_parser(name, help=summary, add_help=False)
        return None
    parser = commands.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}. {more}")
    parser.set_defaults(run=run)
    return parser


def _inputs(p) -> None:
    p.add_argument("paths", metavar="PATH", nargs="+", help="captures (raw, TIFF, PNG, JPEG) or folders of them")


def _settings(p, base: bool = True) -> None:
    p.add_argument("--panel", metavar="FILE", help="capture of the bare panel (default: found in the folder)")
    if base:
        p.add_argument("--base", metavar="FILE|X,Y,W,H", help="capture of blank leader, or a rectangle of rebate in capture "
                       "pixels (default: the rebate, found)")
    p.add_argument("--film", metavar="KIND|FILE", help="mono, colour, or a film file (.toml) made by calibrate (default: told "
                   "from base and densities)")
    p.add_argument("--format", metavar="NAME", help="film format such as 135, 6x6, 6x9, 4x5")
    p.add_argument("--recipe", metavar="FILE", action="append", default=[], help="settings; may be given again, the later "
                   "over the earlier, options over all")


def _positive(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError("must be 1 or more")
    return value


# --- commands ----------------------------------------------------------------------------------------------------

def convert(args) -> int:
    """`negconv convert`."""
    with _starting():
        begun = _begun(args)
        from . import roll  # noqa: F401
    try:
        return _convert(args.paths, args.out, _recipe(args), panel=args.panel, base=_base(args.base), jobs=args.jobs,
                        overwrite=args.overwrite, quiet=args.quiet, sheet=args.sheet, begun=begun)
    finally:
        if begun is not None:
            begun.close()


def inspect(args) -> int:
    """`negconv inspect`."""
    import json
    from pathlib import Path

    from .appraise import inspect_capture, inspect_panel
    from .gather import labels

    settings, found = _recipe(args), []
    paths, panels, panel, failed = _panels(args, settings, _captures(args.paths))
    for path, name in zip(paths, labels(paths)):
        try:
            report = (inspect_panel(path, panel, recipe=settings) if path in panels
                      else inspect_capture(path, panel=panel, recipe=settings))
            if args.picture:
                report.save_picture(Path(args.picture), name=name, overwrite=args.overwrite)
        except InputError as error:
            failed += 1
            _say(error)
            continue
        found.append(report.to_dict())
        if not args.json:
            print(report.text())
    if args.json:
        print(json.dumps(found, indent=2, allow_nan=False))
    return SOME_FAILED if failed else DONE


def spots(args) -> int:
    """`negconv spots`."""
    from pathlib import Path

    from .files import check_free, make_folder
    from .roll import Roll
    from .spots import find_spots, save_mask, save_overlay
    from .spots.table import in_words

    settings, out = _recipe(args), make_folder(args.out)
    # Surveyed as `convert` does, so that masks lie on its positives to the pixel, and rows have the numbers it knows.
    roll = Roll([os.fspath(p) for p in args.paths], panel=args.panel, base=_base(args.base), recipe=settings)
    seen = roll.survey()
    _say_of_the_roll(seen, _say)
    for _, message in seen.failed:
        _say(message)
    failed = len(seen.failed)
    for frame in seen.frames:
        names = [Path(out, frame.name + ending) for ending in ("-mask.png", "-spots.csv", "-overlay.jpg")]
        try:
            check_free(names, overwrite=args.overwrite)
            positive = roll.positive(frame, seen.panels)
            spotting = frame.recipe.spotting
            found = find_spots(positive, sensitivity=spotting.sensitivity if args.sensitivity is None else args.sensitivity)
            save_mask(names[0], found)
            found.to_csv(names[1])
            save_overlay(names[2], positive, found)
        except InputError as error:
            failed += 1
            _say(error)
            continue
        print(f"{one_line(frame.name)}: {in_words(found.counts)}")
    return SOME_FAILED if failed else DONE


def calibrate(args) -> int:
    """`negconv calibrate`."""
    from pathlib import Path

    from .chart import calibrate_file
    from .files import check_free

    check_free([args.out], overwrite=args.overwrite)
    film = calibrate_file(args.chart, args.patches, panel=_panel(args.panel), base=_base(args.base), kind=args.film,
                          name=args.name or Path(args.out).stem)
    film.save(args.out)
    print(film)
    for note in film.notes:
        print(f"note: {one_line(note)}")
    return DONE


def sheet(args) -> int:
    """`negconv sheet`."""
    from .proofs import write_sheet

    unread = write_sheet(args.paths, args.out, title=args.title, columns=args.columns, overwrite=args.overwrite,
                         captures=args.captures)
    for line in unread:
        print(f"negconv: {line}", file=sys.stderr)
    print(one_line(args.out))
    return SOME_FAILED if unread else DONE


def recipe(args) -> int:
    """`negconv recipe`."""
    from .recipe import Recipe

    print(Recipe().to_toml(), end="")
    return DONE


def demo(args) -> int:
    """`negconv demo`."""
    from pathlib import Path

    from .files import make_folder
    from .recipe import Recipe
    from .synthetic.roll import make_roll

    folder = Path(args.dir)
    if folder.exists() and any(folder.iterdir()):
        raise InputError(folder, "is there already and not empty", "name a new folder")
    make_folder(folder)
    with _bar(args.frames + 1, "rendering") as bar:
        make_roll(folder, frames=args.frames, megapixels=args.megapixels, seed=args.seed, jobs=args.jobs or os.cpu_count() or 1,
                  progress=lambda path: bar.update())
    return _convert([folder / "captures"], folder / "positives", Recipe(spots="repair", format="6x9"),
                    panel=folder / "captures" / "panel.dng", jobs=args.jobs,
                    sheet=folder / "positives" / "contact-sheet.jpg", title="Glasshouse roll (invented)")


# --- shared ------------------------------------------------------------------------------------------------------

def _convert(paths, out, settings, *, panel=None, base=None, jobs=None, overwrite=False, quiet=False, sheet=None, title="",
             begun=None) -> int:
    from .kernel import keep_memory
    from .roll import Roll, summary

    keep_memory()
    if sheet:
        from .files import check_free

        check_free([sheet], overwrite=overwrite)
    roll = Roll([os.fspath(p) for p in paths], panel=panel, base=base, recipe=settings)
    if len(roll.captures) == 1:
        _decode_on_all_cores()
    results = []
    with _bar(None, "", quiet) as bar:
        for result in roll.convert(out, jobs=jobs, overwrite=overwrite, progress=bar.stage, begun=begun,
                                   surveyed=lambda seen: _say_of_the_roll(seen, bar.write)):
            results.append(result)
            if result.status == "failed" or result.warnings:
                bar.write(str(result))
    print(f"{summary(results)}: {one_line(out)}")
    pictures = [r.output for r in sorted(results, key=lambda r: r.number) if r.ok and r.output]
    if sheet and pictures:
        from .proofs import write_sheet

        write_sheet(pictures, sheet, title=title, overwrite=True, captures=[os.fspath(p) for p in paths])
        print(one_line(sheet))
    return SOME_FAILED if any(not r.ok for r in results) else DONE


def _say_of_the_roll(seen, say) -> None:
    """What holds for no frame by itself; a single capture is no roll."""
    if len({frame.path for frame in seen.frames}) > 1:
        for warning in seen.warnings:
            say(f"the roll: {one_line(warning)}")


def _begun(args):
    """The conversion of a single capture, begun before what it takes is imported; None of a roll, or if some are there."""
    path, panel = args.paths[0], args.panel
    if len(args.paths) > 1 or not os.path.isfile(path) or not (panel is None or os.path.isfile(panel)):
        return None
    if os.path.isdir(args.out) and any(name.endswith(".json") for name in os.listdir(args.out)):
        return None
    from .hashes import Hashing

    hashing = Hashing([p for p in (path, panel) if p is not None])  # while all else is imported
    _decode_on_all_cores()
    from .kernel import keep_memory

    keep_memory()
    from .begin import Begun

    return Begun(path, panel, hashing)


@contextmanager
def _starting():
    """Imports on this thread beside work on others: that gets the interpreter's lock sooner, and no search is made for
    memory to be given back, of which there is none yet (a tenth of the time of imports)."""
    was, interval = gc.isenabled(), sys.getswitchinterval()
    gc.disable()
    sys.setswitchinterval(0.0005)
    try:
        yield
    finally:
        sys.setswitchinterval(interval)
        gc.freeze()  # what is imported stays: no later search, nor the end of the process, looks through it
        if was:
            gc.enable()


def _decode_on_all_cores() -> None:
    from .workers import count_cores

    # One capture decodes in two thirds of the time on LibRaw's own threads. Of a roll each frame has a core, and the same
    # bytes come out whatever runs beside it (`raw.libraw`).
    os.environ.setdefault("OMP_NUM_THREADS", str(count_cores()))


class _bar:
    """A progress bar with time left; lines written meanwhile stand above it."""

    def __init__(self, total: int | None, words: str, quiet: bool = False) -> None:
        self.total, self.words, self.bar = total, words, None
        self.shown = not quiet and sys.stderr.isatty()

    def __enter__(self) -> _bar:
        if self.total is not None:
            self._start(self.words, self.total)
        return self

    def __exit__(self, *exc) -> None:
        if self.bar is not None:
            self.bar.close()

    def _start(self, words: str, total: int) -> None:
        if not self.shown:  # and tqdm need not be imported
            return
        from tqdm import tqdm

        if self.bar is not None:
            self.bar.close()
        self.words = words
        self.bar = tqdm(total=total, desc=words, unit="frame", file=sys.stderr, leave=False, delay=0.5)

    def stage(self, words: str, done: int, total: int) -> None:
        """What `Roll.convert` reports."""
        if self.bar is None or words != self.words:
            self._start(words, total)
        if self.bar is not None:
            self.bar.update(done - self.bar.n)

    def update(self) -> None:
        if self.bar is not None:
            self.bar.update()

    def write(self, line: str) -> None:
        if self.bar is None:
            print(line, file=sys.stderr)
        else:
            self.bar.write(line, file=sys.stderr)


def _recipe(args):
    """The recipe files given, the later over the earlier, and the options over all."""
    from .recipe import Recipe
    from .settings import SettingError

    chosen = Recipe.load(*args.recipe) if args.recipe else Recipe()
    options = {k: getattr(args, k, None) for k in ("film", "format", "output", "space", "spots", "balance")}
    try:
        if options["balance"] is not None:
            try:
                options["balance"] = float(options["balance"])
            except ValueError:
                pass
        if options["film"] not in (None, "auto", "colour", "mono"):
            # A film file named on the command line is relative to where the user is, not to the recipe.
            options["film"] = os.path.abspath(options["film"])
        return chosen.changed({k: v for k, v in options.items() if v is not None})
    except SettingError as error:
        raise InputError(f"--{error.key}", error.fault, f"did you mean {error.near}?" if error.near else "see: negconv convert --help") from None


def _base(text: str | None):
    """A rectangle, or the path of a leader capture."""
    if text is None:
        return None
    parts = text.split(",")
    if len(parts) == 4 and not os.path.exists(text):
        try:
            x, y, w, h = map(_finite, parts)
        except ValueError:
            raise InputError("--base", f"{text!r} is neither a file nor four numbers", "give X,Y,W,H in capture pixels") from None
        if min(x, y) < 0 or min(w, h) < 1:
            raise InputError("--base", f"{text!r} is no rectangle", "give X,Y,W,H in capture pixels, W and H 1 or more")
        return (x, y, w, h)
    return text


def _finite(text: str) -> float:
    value = float(text)
    if not abs(value) < 1e9:
        raise ValueError
    return value


def _panel(given):
    """The field of a panel frame or of several; None of none."""
    from .flat import panel_field

    return panel_field(given) if given else None


def _panels(args, settings, captures):
    """Captures but for panel frames that cannot be used, each of which is said and none of which stops the others; those that
    show the bare panel, its field (the one given by option or recipe, else found among the captures), and how many were left out."""
    from .gather import MISNAMED, misnamed, usable_panels

    given = args.panel or (settings.panel and os.fspath(settings.file(settings.panel)))
    if given:
        field = _panel(given)
        return captures, tuple(p for p in captures if os.path.exists(p) and os.path.samefile(p, given)), field, 0
    found, wrong = usable_panels(captures, linearity=settings.linearity)
    for error in wrong:
        _say(error)
    for path in found:
        print(f"{one_line(path)}: the bare panel; the others are divided by it", file=sys.stderr)
    refused = {error.path for error in wrong}
    left = tuple(p for p in captures if p not in refused)
    for path in misnamed(left, found):
        print(f"{one_line(path)}: {MISNAMED}", file=sys.stderr)
    return left, found, _panel(found), len(wrong)


def _captures(paths) -> tuple[str, ...]:
    """Every capture named; one that is not there is met, and named, when it is read."""
    from .gather import find_captures

    return find_captures(paths)


def _say(error: InputError) -> None:
    print(f"negconv: {error}", file=sys.stderr)
