"""`Spots`: a label image and a table of the same spots."""
from __future__ import annotations

import csv
import io
from dataclasses import field, fields, replace
from pathlib import Path

import numpy as np

from ..reading import read_mask
from ..errors import InputError
from ..textfile import read_text
from ..values import frozen

#: Bytes a list of spots may have.
MAX_LIST = 4_000_000
#: Pixels beyond an outline that are filled with it.
BLUR = 2
#: Kinds of spot, in the order they are listed and drawn.
KINDS = ("speck", "fibre", "scratch", "drying mark")


@frozen
class Spot:
    """One row of the table.

    Attributes
    ----------
    row : int
        Number of the row and value in `Spots.labels`.
    x, y : float
        Centre of gravity, pixel centres at integers.
    area : int
        Pixels.
    length, width : float
        Extent along the spot and mean extent across it, pixels.
    length_um, width_um : float or None
        The same on the film in micrometres, where the format is known.
    box : tuple
        Bounding box x, y, w, h in pixels.
    kind : str
        One of `KINDS`.
    light : bool
        True where it is lighter than the picture around it.
    confidence : float
        0 to 1: the share of spots like this one that are dirt.
    doubtful : bool
        True for a spot that is listed but neither masked nor repaired unless accepted.
    source : str
        "found", or "own" for a mask or list of the user's.
    """

    row: int
    x: float
    y: float
    area: int
    length: float
    width: float
    length_um: float | None
    width_um: float | None
    box: tuple[int, int, int, int]
    kind: str
    light: bool
    confidence: float
    doubtful: bool = False
    source: str = "found"

    def to_dict(self) -> dict:
        """As plain values for JSON."""
        return {f.name: list(v) if isinstance(v := getattr(self, f.name), tuple) else v for f in fields(self)}

    @classmethod
    def from_dict(cls, values: dict) -> Spot:
        """The inverse of `to_dict`."""
        return cls(**{**values, "box": tuple(values["box"])})


_COLUMNS = ("row", "x", "y", "area", "length", "width", "length_um", "width_um", "box_x", "box_y", "box_w", "box_h",
            "kind", "tone", "confidence", "doubtful", "source")


@frozen(eq=False)
class Spots:
    """What `find_spots` found.

    Attributes
    ----------
    labels : ndarray int32 (h, w)
        0 for the picture, else the row number.
    rows : tuple of Spot
        In reading order; masked and repaired.
    doubtful : tuple of Spot
        Candidates just under the sensitivity, the likeliest first; numbered on from `rows`. `accept` makes them spots.
    pixel_um : float or None
    given : int array (n,)
        Flat indices of what is of somebody's own mask or list, in rising order; all of that is filled by a repair.

    Examples
    --------
    >>> import numpy as np
    >>> mask = np.zeros((40, 60), bool)
    >>> mask[10:14, 20:25] = True
    >>> spots = Spots.from_mask(mask, pixel_um=7.0)
    >>> spots.rows[0].box, spots.rows[0].kind
    ((20, 10, 5, 4), 'speck')
    >>> len(spots.refuse(1))
    0
    """

    labels: np.ndarray = field(repr=False)
    rows: tuple[Spot, ...] = field(default=(), repr=False)
    doubtful: tuple[Spot, ...] = field(default=(), repr=False)
    pixel_um: float | None = None
    _pixels: dict[int, np.ndarray] = field(default_factory=dict, repr=False)
    #: Flat indices of what a lens blurred beyond the outlines, and the rows it belongs to.
    _beyond: tuple[np.ndarray, np.ndarray] = field(default=(np.zeros(0, np.int64), np.zeros(0, np.int64)), repr=False)
    given: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64), repr=False)

    @classmethod
    def from_mask(cls, mask, *, pixel_um: float | None = None, light: bool = True) -> Spots:
        """Spots of a user's own mask: each connected part becomes a row.

        Parameters
        ----------
        mask : array (h, w), or path of an image
            Anything above half of full scale (above 0 for bool and int labels) is a spot.
        """
        mask = _as_mask(mask)
        labels, count = _label(mask)
        return cls._of_labels(labels, count, pixel_um, light)

    @classmethod
    def from_list(cls, places, shape, *, pixel_um: float | None = None, light: bool = True) -> Spots:
        """Spots of a user's own list: round spots at ``(x, y, diameter)`` in pixels.

        Parameters
        ----------
        places : iterable of (x, y, diameter), or path of a CSV file with columns x, y and diameter (or length)
        shape : (int, int)
        """
        labels = np.zeros(shape[:2], np.int32)
        count = 0
        for x, y, diameter in _as_places(places):
            reach = max(diameter / 2, 0.5)
            y0, y1 = max(int(y - reach), 0), min(int(y + reach) + 2, shape[0])
            x0, x1 = max(int(x - reach), 0), min(int(x + reach) + 2, shape[1])
            if y0 >= y1 or x0 >= x1:
                raise InputError("list of spots", f"({x:g}, {y:g}) lies outside a picture of {shape[1]} x {shape[0]}",
                                 "give x and y in pixels of the positive")
            yy, xx = np.ogrid[y0:y1, x0:x1]
            inside = (yy - y) ** 2 + (xx - x) ** 2 <= reach ** 2
            part = labels[y0:y1, x0:x1]
            if (inside & (part == 0)).any():
                count += 1
                part[inside & (part == 0)] = count
        return cls._of_labels(labels, count, pixel_um, light)

    @classmethod
    def _of_labels(cls, labels, count, pixel_um, light) -> Spots:
        from .kinds import shapes, spot_rows

        index = np.flatnonzero(labels)
        shape = shapes(index, labels.ravel()[index] - 1, count, labels.shape[1])
        rows = spot_rows(shape, np.full(count, light), np.ones(count), pixel_um, source="own")
        return cls(labels, tuple(rows), (), pixel_um, given=index)

    @property
    def mask(self) -> np.ndarray:
        """bool (h, w), True on spots."""
        return self.labels > 0

    @property
    def reach(self) -> np.ndarray:
        """bool (h, w), True on spots and on what a lens blurred of them beyond their outlines, no further than `BLUR` pixels: what
        a repair fills."""
        out, (index, row) = self.mask, self._beyond
        index = index[np.isin(row, [s.row for s in self.rows])]
        h, w = out.shape
        y, x = np.divmod(index, w)
        near = np.zeros(len(index), bool)
        for dy in range(-BLUR, BLUR + 1):
            for dx in range(-BLUR, BLUR + 1):
                near |= out[np.clip(y + dy, 0, h - 1), np.clip(x + dx, 0, w - 1)]
        out.reshape(-1)[index[near]] = True
        return out

    @property
    def shape(self) -> tuple[int, int]:
        return self.labels.shape

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self):
        return iter(self.rows)

    def __getitem__(self, row: int) -> Spot:
        """The spot with a row number."""
        for spot in self.rows + self.doubtful:
            if spot.row == row:
                return spot
        raise KeyError(row)

    def __repr__(self) -> str:
        more = f", {len(self.doubtful)} doubtful" if self.doubtful else ""
        return f"Spots({self.shape[1]} x {self.shape[0]}: {in_words(self.counts)}{more})"

    @property
    def counts(self) -> dict[str, int]:
        """Number of spots of each kind."""
        return {kind: sum(s.kind == kind for s in self.rows) for kind in KINDS}

    def to_dict(self) -> dict:
        """The table as plain values for JSON (the label image is not in it)."""
        return {"shape": list(self.shape), "pixel_um": self.pixel_um, "rows": [s.to_dict() for s in self.rows],
                "doubtful": [s.to_dict() for s in self.doubtful]}

    def to_csv(self, path=None, *, doubtful: bool = True) -> str:
        """The table as CSV text (RFC 4180), written to `path` if one is given.

        Columns: row, x, y (centre, pixels), area (pixels), length, width (pixels), length_um, width_um (empty where
        unknown), box_x, box_y, box_w, box_h, kind, tone (light or dark), confidence, doubtful (yes or no), source.
        """
        text = io.StringIO()
        write = csv.writer(text, lineterminator="\r\n")
        write.writerow(_COLUMNS)
        for s in self.rows + (self.doubtful if doubtful else ()):
            um = ["" if v is None else f"{v:.1f}" for v in (s.length_um, s.width_um)]
            write.writerow([s.row, f"{s.x:.2f}", f"{s.y:.2f}", s.area, f"{s.length:.1f}", f"{s.width:.1f}", *um, *s.box,
                            s.kind, "light" if s.light else "dark", f"{s.confidence:.3f}",
                            "yes" if s.doubtful else "no", s.source])
        if path is not None:
            _write_bytes(path, text.getvalue().encode("utf-8"))
        return text.getvalue()

    def overlay(self, positive) -> np.ndarray:
        """The picture with every spot outlined; uint8 (h, w, 3). See `negconv.spots.overlay`."""
        from .overlay import overlay

        return overlay(positive, self)

    def refuse(self, *rows: int) -> Spots:
        """Without some rows; the others keep their numbers.

        Raises
        ------
        InputError
            If there is no such row.
        """
        self._known(rows)
        drop = set(rows)
        labels = self.labels.copy()
        for s in self.rows:
            if s.row in drop:
                x, y, w, h = s.box
                part = labels[y:y + h, x:x + w]
                part[part == s.row] = 0
        return replace(self, labels=labels, rows=tuple(s for s in self.rows if s.row not in drop),
                       doubtful=tuple(s for s in self.doubtful if s.row not in drop))

    def accept(self, *rows: int) -> Spots:
        """With some doubtful rows taken as spots; numbers stay. Rows that are spots already are left as they are.

        Raises
        ------
        InputError
            If there is no such row.
        """
        self._known(rows)
        take = [s for s in self.doubtful if s.row in set(rows)]
        if not take:
            return self
        labels = self.labels.copy()
        flat = labels.reshape(-1)
        for s in take:
            index = self._pixels[s.row]
            flat[index[flat[index] == 0]] = s.row
        rows_now = self.rows + tuple(replace(s, doubtful=False) for s in take)
        return replace(self, labels=labels, rows=rows_now, doubtful=tuple(s for s in self.doubtful if s not in take))

    def merge(self, other, *, light: bool = True) -> Spots:
        """With a user's own mask, list or Spots added.

        Parameters
        ----------
        other : bool or uint8 array (h, w), path of an image or CSV file, list of (x, y, diameter), or Spots
            Parts that touch a spot already found extend it; the rest become rows of source "own".

        Raises
        ------
        InputError
            If the mask has another size or the list cannot be read.
        """
        if not isinstance(other, Spots):
            is_list = (isinstance(other, (str, Path)) and str(other).lower().endswith(".csv")) or (
                not isinstance(other, (str, Path)) and np.ndim(other) == 2 and np.shape(other) != self.shape
                and np.shape(other)[1:] == (3,)) or (not isinstance(other, (str, Path, np.ndarray)))
            if is_list:
                other = Spots.from_list(other, self.shape, pixel_um=self.pixel_um, light=light)
            else:
                name = str(other) if isinstance(other, (str, Path)) else "mask"
                mask = _as_mask(other)
                if mask.shape != self.shape:
                    raise InputError(name, f"is {mask.shape[1]} x {mask.shape[0]} pixels, the picture "
                                     f"{self.shape[1]} x {self.shape[0]}", "give a mask of the picture's own size")
                other = Spots.from_mask(mask, pixel_um=self.pixel_um, light=light)
        if other.shape != self.shape:
            raise InputError("spots", f"are of a picture of {other.shape[1]} x {other.shape[0]} pixels, not "
                             f"{self.shape[1]} x {self.shape[0]}", "merge spots of one picture")
        from .kinds import grouped, shapes, spot_rows

        old = {s.row: s for s in self.rows}
        labels = self.labels.copy()
        last = max((s.row for s in self.rows + self.doubtful), default=0)
        flat, added = labels.reshape(-1), np.flatnonzero(other.labels)
        touched: set[int] = set()
        new_rows: list[Spot] = []
        for number, index in grouped(added, other.labels.reshape(-1)[added]):
            under = flat[index]
            hit = np.unique(under[under > 0])
            if len(hit):
                flat[index[under == 0]] = hit[0]
                touched.add(int(hit[0]))
            else:
                last += 1
                flat[index] = last
                new_rows.append(replace(other[int(number)], row=last))
        for row in touched:
            index = np.flatnonzero(flat == row)
            s = old[row]
            shape = shapes(index, np.zeros(len(index), np.int64), 1, self.shape[1])
            grown = spot_rows(shape, np.array([s.light]), np.array([s.confidence]), self.pixel_um)[0]
            old[row] = replace(grown, row=row, source=s.source)
        return replace(self, labels=labels, rows=tuple(old.values()) + tuple(new_rows),
                       given=np.union1d(self.given, other.given))

    def decide(self, *, accept=(), refuse=(), mask=None) -> Spots:
        """The retoucher's decisions in one call, as a recipe holds them: own mask merged, rows accepted, rows refused."""
        out = self.accept(*accept).refuse(*refuse)
        return out if mask is None else out.merge(mask)

    def _known(self, rows) -> None:
        there = {s.row for s in self.rows + self.doubtful}
        missing = [r for r in rows if r not in there]
        if missing:
            raise InputError("spots", f"there is no row {missing[0]}",
                             f"rows run from 1 to {max(there, default=0)}; see the CSV table")


def _label(mask: np.ndarray) -> tuple[np.ndarray, int]:
    """Connected parts (diagonals connect) of a mask: labels int32 and their number."""
    from .components import connected

    index = np.flatnonzero(mask)
    part, count = connected(index, mask.shape[1])
    labels = np.zeros(mask.shape, np.int32)
    labels.reshape(-1)[index] = part + 1
    return labels, count


def _as_mask(mask) -> np.ndarray:
    if isinstance(mask, (str, Path)):
        mask = (read_mask(mask) * np.float32(255) + np.float32(0.5)).astype(np.uint8)
    mask = np.asarray(mask)
    if mask.ndim != 2:
        raise InputError("mask", f"has {mask.ndim} dimensions", "give one grey channel (h, w)")
    if mask.dtype == bool:
        return mask
    if np.issubdtype(mask.dtype, np.floating):
        return mask > 0.5
    return mask > (127 if mask.dtype == np.uint8 and mask.max(initial=0) > 1 else 0)


def _as_places(places) -> list[tuple[float, float, float]]:
    name = str(places) if isinstance(places, (str, Path)) else "list of spots"
    try:
        if isinstance(places, (str, Path)):
            text = read_text(places, most=MAX_LIST, remedy="give a CSV file with columns x, y and diameter")
            table = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline="")))
            places = [(r["x"], r["y"], r.get("diameter") or r["length"]) for r in table]
        out = [(float(x), float(y), float(d)) for x, y, d in places]
    except (KeyError, TypeError, ValueError, csv.Error):
        raise InputError(name, "is no list of spots", "give x, y and diameter in pixels for each spot") from None
    if not all(np.isfinite(v).all() and v[2] > 0 for v in map(np.array, out)):
        raise InputError(name, "has a number that is not finite or a diameter of 0", "give pixels, diameter above 0")
    return out


def _write_bytes(path, data: bytes) -> None:
    """Whole or not at all: written beside the target, then moved over it."""
    import os

    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        raise InputError(path, f"cannot be written ({error.strerror})", "choose a folder you may write to") from None
    finally:
        part.unlink(missing_ok=True)


def in_words(counts: dict[str, int]) -> str:
    """How many spots of each kind, for people.

    Examples
    --------
    >>> in_words({"speck": 2, "scratch": 2, "fibre": 1, "drying mark": 0})
    '2 specks, 2 scratches, 1 fibre'
    """
    return ", ".join(f"{n} {kind}{'' if n == 1 else 'es' if kind.endswith('ch') else 's'}" for kind, n in counts.items() if n) or "none"
