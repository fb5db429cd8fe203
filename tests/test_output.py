"""Files read back by other libraries, and what happens when they cannot be written."""
from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
import zlib

import numpy as np
import pytest

from negconv import files, output
from negconv.capture import Meta
from negconv.errors import InputError
from negconv.exif import Metadata
from negconv.icc import icc_profile
from negconv.positive import Positive

DATA = Metadata(make="Invented", model="Copy A", lens="Makro 60 µm", exposure_s=1 / 250, aperture=8.0, iso=100.0,
                focal_mm=60.0, digitized="2026:03:14 10:00:00", taken="2026-02-28", title="Benches",
                description="Glas & <Grün>", remarks="the third ‘bench’", artist="Glasshouse", copyright="none",
                pixel_um=10.0)


def picture(shape, dtype, seed=0):
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max + 1, shape).astype(dtype)


def read_png(path):
    """A PNG by its standard (ISO/IEC 15948), for filter types 0 and 2 alone."""
    data, chunks, at = path.read_bytes(), [], 8
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    while at < len(data):
        n = int.from_bytes(data[at:at + 4], "big")
        kind, body = data[at + 4:at + 8], data[at + 8:at + 8 + n]
        assert int.from_bytes(data[at + 8 + n:at + 12 + n], "big") == zlib.crc32(kind + body)
        chunks.append((kind, body))
        at += 12 + n
    head = chunks[0][1]
    w, h, depth, colour = int.from_bytes(head[:4], "big"), int.from_bytes(head[4:8], "big"), head[8], head[9]
    samples = 3 if colour == 2 else 1
    rows = np.frombuffer(zlib.decompress(b"".join(b for k, b in chunks if k == b"IDAT")), np.uint8).reshape(h, -1).copy()
    for y in range(h):
        assert rows[y, 0] in (0, 2)
        if rows[y, 0] == 2 and y:
            rows[y, 1:] += rows[y - 1, 1:]
    pixels = np.ascontiguousarray(rows[:, 1:]).view(">u2" if depth == 16 else np.uint8).reshape(h, w, samples)
    return (pixels if samples == 3 else pixels[..., 0]), dict(chunks)


@pytest.mark.parametrize("shape", [(37, 53, 3), (37, 53), (1, 1, 3), (1, 1), (300, 2000, 3), (3, 400_000)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_pixels_come_back_exactly(tmp_path, shape, dtype):
    import tifffile
    from PIL import Image

    pixels = picture(shape, dtype)
    output.write_image(tmp_path / "a.tif", pixels)
    read = tifffile.imread(tmp_path / "a.tif")
    assert read.dtype == dtype and (read == pixels).all()
    output.write_image(tmp_path / "a.png", pixels, output="png")
    assert (read_png(tmp_path / "a.png")[0] == pixels).all()
    if dtype == np.uint8 or len(shape) == 2:
        assert (np.asarray(Image.open(tmp_path / "a.png")) == pixels).all()
        assert (np.asarray(Image.open(tmp_path / "a.tif")) == pixels).all()


@pytest.mark.parametrize("output_type, suffix", [("tiff", ".tif"), ("png", ".png"), ("jpeg", ".jpg")])
@pytest.mark.parametrize("space, grey", [("romm", False), ("srgb", True), ("srgb", False)])
def test_profile_and_exif_are_read_by_pillow(tmp_path, output_type, suffix, space, grey):
    from PIL import Image

    path = tmp_path / f"a{suffix}"
    output.write_image(path, picture((20, 30) if grey else (20, 30, 3), np.uint8), output=output_type, space=space,
                       metadata=DATA)
    image = Image.open(path)
    assert image.info["icc_profile"] == icc_profile(space, grey)
    exif = image.getexif()
    main, inner = dict(exif), dict(exif.get_ifd(0x8769))
    # Tag numbers: Exif 2.32, tables 4, 7 and 8.
    assert main[271] == "Invented" and main[272] == "Copy A" and main[274] == 1 and main[315] == "Glasshouse"
    assert inner[33434] == pytest.approx(1 / 250) and inner[33437] == 8 and inner[34855] == 100 and inner[37386] == 60
    assert inner[36867] == "2026:02:28   :  :  " and inner[36868] == "2026:03:14 10:00:00"
    assert inner[40961] == (1 if space == "srgb" else 65535) and (inner[40962], inner[40963]) == (30, 20)
    assert inner[37510][:8] == b"UNICODE\0" or inner[37510].startswith(b"UNICODE")
    assert inner[42036].encode("latin-1").decode() == "Makro 60 µm"
    # 10 um a pixel on the film
    assert image.info["dpi"][0] == pytest.approx(2540, abs=0.6)


def test_xmp_is_what_the_standard_says(tmp_path):
    from xml.etree import ElementTree

    import tifffile
    from PIL import Image

    output.write_image(tmp_path / "a.jpg", picture((8, 8, 3), np.uint8), output="jpeg", metadata=DATA)
    output.write_image(tmp_path / "a.tif", picture((8, 8, 3), np.uint8), metadata=DATA)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        in_tiff = tiff.pages[0].tags[700].value
    packet = Image.open(tmp_path / "a.jpg").info["xmp"]
    assert packet == in_tiff
    root = ElementTree.fromstring(packet.decode().strip())
    dc, rdf = "{http://purl.org/dc/elements/1.1/}", "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
    said = root.find(f"{rdf}Description")
    assert said.find(f"{dc}description/{rdf}Alt/{rdf}li").text == "Glas & <Grün>"
    assert said.find(f"{dc}date/{rdf}Seq/{rdf}li").text == "2026-02-28"
    assert said.find("{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}DigitalSourceType").text.endswith("negativeFilm")


def test_jpeg_keeps_chroma_at_full_size(tmp_path):
    from PIL import Image, JpegImagePlugin

    output.write_image(tmp_path / "a.jpg", picture((16, 16, 3), np.uint8), output="jpeg", quality=90)
    assert JpegImagePlugin.get_sampling(Image.open(tmp_path / "a.jpg")) == 0  # 4:4:4


def test_png_bytes_do_not_depend_on_threads():
    pixels = picture((700, 900, 3), np.uint16)
    parts = [b"".join(output.encoded("", pixels, output="png", space="srgb", threads=n)) for n in (1, 4)]
    assert parts[0] == parts[1]


def test_negconv_reads_its_own_files_back(tmp_path):
    from negconv import colour, read

    codes = picture((12, 18, 3), np.uint16)
    for name, kind in (("a.tif", "tiff"), ("a.png", "png")):
        output.write_image(tmp_path / name, codes, output=kind, space="display-p3", metadata=DATA)
        capture = read(tmp_path / name)
        np.testing.assert_allclose(capture.data, colour.decode(codes / 65535, "display-p3"), atol=2e-5)
        assert capture.meta.camera == "Invented Copy A" and capture.meta.exposure_s == pytest.approx(0.004)


# --- whole or not at all -------------------------------------------------------------------------------------------

def names(folder):
    return sorted(os.listdir(folder))


def test_existing_files_are_kept(tmp_path):
    path = tmp_path / "a.tif"
    path.write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        output.write_image(path, picture((4, 4), np.uint8))
    with pytest.raises(InputError, match="exists already"):  # the file system's word, without the look before
        files.place(files.stage(path, [b"new"]), overwrite=False)
    assert path.read_text() == "mine" and names(tmp_path) == ["a.tif"]
    output.write_image(path, picture((4, 4), np.uint8), overwrite=True)
    assert path.read_bytes()[:2] == b"II" and names(tmp_path) == ["a.tif"]


def test_a_link_is_replaced_and_what_it_points_to_left(tmp_path):
    (tmp_path / "capture.tif").write_text("capture")
    (tmp_path / "a.tif").symlink_to("capture.tif")
    output.write_image(tmp_path / "a.tif", picture((4, 4), np.uint8), overwrite=True)
    assert (tmp_path / "capture.tif").read_text() == "capture" and not (tmp_path / "a.tif").is_symlink()


def test_of_many_writers_one_wins(tmp_path):
    from concurrent.futures import ThreadPoolExecutor

    path = tmp_path / "a"
    staged = [files.stage(path, [bytes([i]) * 1000]) for i in range(16)]

    def attempt(one):
        try:
            files.place(one, overwrite=False)
            return one
        except InputError:
            return None

    with ThreadPoolExecutor(8) as pool:
        winners = [w for w in pool.map(attempt, staged) if w]
    assert len(winners) == 1 and files.hash_file(path)[0] == winners[0].sha256 and names(tmp_path) == ["a"]


def test_without_hard_links(tmp_path, monkeypatch):
    def no_links(*args, **kwargs):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    files.place(files.stage(tmp_path / "a", [b"1"]), overwrite=False)
    with pytest.raises(InputError, match="exists already"):
        files.place(files.stage(tmp_path / "a", [b"2"]), overwrite=False)
    assert (tmp_path / "a").read_bytes() == b"1" and names(tmp_path) == ["a"]


@pytest.mark.parametrize("limit, side", [(100_000, 400), (2_500_000, 800)])
def test_full_disk(tmp_path, limit, side):
    """A limit on file size stands for a full disk: the write fails in the middle of the pixels."""
    code = ("import numpy as np, resource, signal, sys\n"
            "from negconv.output import write_image\nfrom negconv.errors import InputError\n"
            "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
            "resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]),) * 2)\n"
            "try: write_image(sys.argv[1] + '/a.tif', np.zeros((int(sys.argv[3]),) * 2 + (3,), np.uint16))\n"
            "except InputError as error: print(error)\n")
    said = subprocess.run([sys.executable, "-c", code, str(tmp_path), str(limit), str(side)], capture_output=True, text=True,
                          check=True).stdout
    assert said.count("\n") == 1 and "cannot be written" in said and "free some space" in said
    assert names(tmp_path) == []


@pytest.mark.parametrize("refused", ["nothing", "asking", "writing"])
@pytest.mark.parametrize("size", [0, 1, files.STRAIGHT, 3 * files.STRAIGHT + 77])
def test_bytes_arrive_whatever_the_file_system_lets_past_its_cache(tmp_path, monkeypatch, refused, size):
    """Where it lets nothing past, and where it says so only when pages are written (open(2), O_DIRECT)."""
    import fcntl

    asked, real = [], fcntl.fcntl

    def ask(file, what, *args):
        if what == fcntl.F_SETFL:
            asked.append(bool(args[0] & os.O_DIRECT))
            if asked[-1] and refused == "asking":
                raise OSError(22, "Invalid argument")
        return real(file, what, *args)

    monkeypatch.setattr(fcntl, "fcntl", ask)
    data = np.random.default_rng(size).integers(0, 256, size, np.uint8).tobytes()
    with files.Writing(tmp_path / "a") as file:
        if refused == "writing":
            raw = file._file

            class Choosy:
                fileno, close = raw.fileno, raw.close

                def write(self, view):
                    if asked and asked[-1]:
                        raise OSError(22, "Invalid argument")
                    return raw.write(view)

            file._file = Choosy()
        for start in range(0, size, 300_001):
            file.write(data[start:start + 300_001])
        staged = file.finish()
    files.place(staged, overwrite=False)
    assert (tmp_path / "a").read_bytes() == data
    assert (staged.size, staged.sha256) == (size, hashlib.sha256(data).hexdigest())
    assert asked.count(True) == (size >= files.STRAIGHT and hasattr(os, "O_DIRECT"))


def test_missing_folder_and_file_in_its_place(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        output.write_image(tmp_path / "no" / "a.tif", picture((4, 4), np.uint8))
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        output.write_image(tmp_path / "file" / "a.tif", picture((4, 4), np.uint8))
    with pytest.raises(InputError, match="is a file"):
        files.make_folder(tmp_path / "file")


def test_leftovers_of_dead_runs_go_and_others_stay(tmp_path):
    run = subprocess.run([sys.executable, "-c", "from negconv import files; import sys, os\n"
                          "print(files.stage(sys.argv[1] + '/a.tif', [b'x']).temporary); os._exit(9)", str(tmp_path)],
                         capture_output=True, text=True)
    left = run.stdout.strip()
    assert os.path.exists(left) and files.is_temporary(os.path.basename(left))
    mine = files.stage(tmp_path / "b.tif", [b"y"])
    elsewhere = tmp_path / ".negconv-abcdef-1-00000000.part"
    elsewhere.write_text("another machine's, of now")
    (tmp_path / "notes.part").write_text("mine")
    assert files.sweep(tmp_path) == 1
    assert sorted(names(tmp_path)) == sorted([os.path.basename(mine.temporary), elsewhere.name, "notes.part"])
    os.utime(elsewhere, (0, 0))
    files.discard(mine.temporary)
    assert files.sweep(tmp_path) == 1 and names(tmp_path) == ["notes.part"]


# --- sidecars ------------------------------------------------------------------------------------------------------

def positive(**changes):
    from negconv.recipe import Recipe

    linear = np.random.default_rng(2).uniform(0, 1, (20, 30, 3)).astype(np.float32)
    return Positive(linear, **{"recipe": Recipe(), "meta": Meta(make="Invented", model="Copy A"), **changes})


def test_save_writes_picture_and_sidecar(tmp_path):
    source = tmp_path / "frame01.dng"
    source.write_bytes(b"capture")
    out = tmp_path / "out"
    out.mkdir()
    written = positive(path=str(source), warnings=("a word",)).save(out / "frame01.tif")
    assert written == str(out / "frame01.tif") and names(out) == ["frame01.tif", "frame01.tif.json"]
    record = output.read_sidecar(out / "frame01.tif.json")
    # FIPS 180-4, by another tool
    digest = subprocess.run(["sha256sum", written], capture_output=True, text=True, check=True).stdout.split()[0]
    assert record["output"]["sha256"] == digest and record["output"]["bytes"] == os.path.getsize(written)
    assert record["inputs"]["capture"]["path"] == "../frame01.dng" and record["warnings"] == ["a word"]
    assert record["settings"]["space"] == "srgb" and record["solved"]["tone"]["contrast"] == 1.25
    assert {"negconv", "numpy", "rawpy", "LibRaw"} <= set(record["versions"])
    positive(meta=Meta(kind="tiff")).save(out / "frame02.tif")  # LibRaw has not had to do with it
    assert "LibRaw" not in output.read_sidecar(out / "frame02.tif.json")["versions"]


def test_versions_are_those_of_the_records(tmp_path, monkeypatch):
    from importlib.metadata import version

    names = ("numpy", "scipy", "rawpy", "tifffile", "Pillow")
    assert {n: output.versions()[n] for n in names} == {n: version(n) for n in names}
    for folder, records in (("a", ("one-1.0", "two-1.0", "two-2.0")), ("b", ("One-3.0", "three-1_rc1", "four-2!1.0+x"))):
        for record in records:
            (tmp_path / folder / f"{record}.dist-info").mkdir(parents=True)
    (tmp_path / "a" / "one-9.txt").write_text("")
    monkeypatch.setattr("sys.path", [str(tmp_path / "none"), str(tmp_path / "a"), str(tmp_path / "b")])
    # The first on the path; empty, to be asked for elsewhere, where the folder's name does not tell.
    assert output._installed(["one", "two", "three", "four", "five"]) == {"one": "1.0", "two": "", "three": "", "four": "2!1.0+x"}


def test_save_again_gives_the_same_bytes(tmp_path):
    for kind in ("tif", "png", "jpg"):
        for folder in ("one", "two"):
            (tmp_path / folder).mkdir(exist_ok=True)
            positive().save(tmp_path / folder / f"a.{kind}")
        for name in (f"a.{kind}", f"a.{kind}.json"):
            assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_save_never_writes_over_the_capture(tmp_path):
    source = tmp_path / "a.tif"
    source.write_bytes(b"capture")
    with pytest.raises(InputError, match="is an input"):
        positive(path=str(source)).save(source, overwrite=True)
    os.link(source, tmp_path / "same.tif")
    with pytest.raises(InputError, match="is an input"):
        positive(path=str(source)).save(tmp_path / "same.tif", overwrite=True)
    assert source.read_bytes() == b"capture" and names(tmp_path) == ["a.tif", "same.tif"]


def test_a_foreign_file_in_the_sidecars_place_is_kept(tmp_path):
    (tmp_path / "a.tif.json").write_text('{"mine": 1}')
    with pytest.raises(InputError, match="no sidecar of negconv"):
        positive().save(tmp_path / "a.tif")
    assert names(tmp_path) == ["a.tif.json"]


@pytest.mark.parametrize("text", ["", "[]", "{", "null", '{"output": 3}', "[" * 100_000, '{"format": 1e999}',
                                  '{"format": ' + "9" * 5000 + "}",
                                  json.dumps({"negconv": "0", "format": 1, "inputs": {}, "warnings": [], "output":
                                              {"file": "../../a", "bytes": 1, "sha256": ""}})])
def test_hostile_sidecars(tmp_path, text):
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(InputError):
        output.read_sidecar(tmp_path / "a.json")


def test_huge_sidecar_is_not_read(tmp_path):
    with open(tmp_path / "a.json", "wb") as file:
        file.truncate(output.MAX_SIDECAR + 10)
    with pytest.raises(InputError, match="is over"):
        output.read_sidecar(tmp_path / "a.json")


def test_fingerprint_moves_with_everything_that_counts():
    inputs = {"capture": {"sha256": "a", "path": "x"}}
    same = output.fingerprint(inputs, {"space": "srgb", "tone": {"toe": 0.5}})
    assert same == output.fingerprint({"capture": {"sha256": "a", "path": "moved"}}, {"tone": {"toe": 0.5}, "space": "srgb"})
    assert len({same, output.fingerprint({"capture": {"sha256": "b"}}, {"space": "srgb", "tone": {"toe": 0.5}}),
                output.fingerprint(inputs, {"space": "srgb", "tone": {"toe": 0.6}}),
                output.fingerprint(inputs, {"space": "srgb", "tone": {"toe": 0.5}}, "9.9")}) == 4


def test_a_run_killed_between_picture_and_sidecar_is_finished(tmp_path):
    """The sidecar waits complete under its temporary name; the next run gives it its place."""
    code = ("import os, sys, numpy as np\nfrom negconv import files, output\nfrom negconv.positive import Positive\n"
            "p = Positive(np.ones((4, 4), np.float32))\n"
            "picture, sidecar = output.stage_positive(p, sys.argv[1] + '/a.tif')\n"
            "files.place(picture, overwrite=False); os.kill(os.getpid(), 9)\n")
    subprocess.run([sys.executable, "-c", code, str(tmp_path)])
    assert len(names(tmp_path)) == 2 and "a.tif.json" not in names(tmp_path)
    assert output.recover(tmp_path) == 1
    assert names(tmp_path) == ["a.tif", "a.tif.json"]
    assert output.read_sidecar(tmp_path / "a.tif.json")["output"]["sha256"] == files.hash_file(tmp_path / "a.tif")[0]


def test_values_that_json_does_not_know():
    data = json.loads(output.sidecar_bytes({"a": np.float32(0.5), "b": (1, np.int64(2)), "c": float("nan"), "d": "ü\ud800"}))
    assert data["a"] == 0.5 and data["b"] == [1, 2] and data["c"] is None and data["d"].startswith("ü")
    with pytest.raises(TypeError):
        output.plain(io.StringIO())
