"""Spots that stay at one place in the capture through a roll: dirt on the sensor or the panel, not on the film."""
from __future__ import annotations


import numpy as np

from ..values import frozen
from .table import Spots

ADVICE = ("The same spots lie at {places} in {frames} captures: this is dirt on the sensor or on the panel, not on the "
          "film. Clean both and take the captures again, or take a new panel frame.")


@frozen
class Track:
    """One place in the capture that is dirty in several frames.

    Attributes
    ----------
    x, y : float
        Capture coordinates.
    length : float
        Median length of the spot in capture pixels.
    frames : tuple of int
        Numbers (0 ..) of the frames in which it was found.
    rows : tuple of int
        Its row in each of them.
    """

    x: float
    y: float
    length: float
    frames: tuple[int, ...]
    rows: tuple[int, ...]

    def to_dict(self) -> dict:
        return {"x": self.x, "y": self.y, "length": self.length, "frames": list(self.frames), "rows": list(self.rows)}

    @classmethod
    def from_dict(cls, values: dict) -> Track:
        """The inverse of `to_dict`."""
        return cls(**{**values, "frames": tuple(values["frames"]), "rows": tuple(values["rows"])})


@frozen
class Tracked:
    """What `track` found over a roll: the places, and one line of advice ("" if there are none)."""

    places: tuple[Track, ...]
    advice: str

    def of_frame(self, frame: int) -> tuple[int, ...]:
        """Rows of a frame that are no dirt on the film."""
        return tuple(t.rows[t.frames.index(frame)] for t in self.places if frame in t.frames)


def track(spots, transforms, *, least: int = 3, reach: float = 3.0) -> Tracked:
    """Tell dirt on the sensor or the panel from dirt on the film.

    Parameters
    ----------
    spots : sequence of Spots (or of sequences of Spot)
        Of the frames of a roll.
    transforms : sequence of 2x3
        `Positive.to_capture` of each frame: picture x, y, 1 to capture x, y.
    least : int
        Frames in which a place must be dirty.
    reach : float
        Capture pixels within which two spots lie at one place; spots longer than that may differ by half their length.

    Returns
    -------
    Tracked

    Notes
    -----
    Film moves between captures, so that dust on film lies at another place on the sensor each time. By chance two of
    n spots in one frame fall within `reach` of a given place with n * pi * reach^2 / (pixels of the frame), 0.0002 for
    a hundred spots in 24 megapixels; in two more frames with the square of that.
    """
    spots = list(spots)
    places = []
    for frame, (rows, matrix) in enumerate(zip(spots, transforms, strict=True)):
        m = np.asarray(matrix, float)
        scale = np.sqrt(abs(np.linalg.det(m[:, :2])))
        for s in rows.rows if isinstance(rows, Spots) else rows:
            x, y = m @ (s.x, s.y, 1.0)
            places.append((x, y, s.length * scale, frame, s.row, s.light))
    if not places:
        return Tracked((), "")
    data = np.array([p[:3] for p in places])
    cell = 4 * reach
    grid: dict[tuple[int, int], list[int]] = {}
    for i, (x, y, _) in enumerate(data):
        grid.setdefault((int(x // cell), int(y // cell)), []).append(i)
    used = np.zeros(len(places), bool)
    found = []
    for i in np.argsort(-data[:, 2], kind="stable"):
        if used[i]:
            continue
        x, y, length = data[i]
        radius = max(reach, min(0.5 * length, cell))
        gx, gy = int(x // cell), int(y // cell)
        near = [j for a in (-1, 0, 1) for b in (-1, 0, 1) for j in grid.get((gx + a, gy + b), ())
                if not used[j] and np.hypot(*(data[j, :2] - (x, y))) <= radius
                and 0.4 <= (data[j, 2] + 3) / (length + 3) <= 2.5 and places[j][5] == places[i][5]]
        best: dict[int, int] = {}
        for j in sorted(near, key=lambda j: np.hypot(*(data[j, :2] - (x, y)))):
            best.setdefault(places[j][3], j)
        if len(best) >= least:
            members = [best[f] for f in sorted(best)]
            used[members] = True
            cx, cy, long = np.median(data[members], axis=0)
            found.append(Track(round(float(cx), 1), round(float(cy), 1), round(float(long), 1), tuple(sorted(best)),
                               tuple(places[j][4] for j in members)))
    found.sort(key=lambda t: (t.y, t.x))
    if not found:
        return Tracked((), "")
    shown = ", ".join(f"({t.x:.0f}, {t.y:.0f})" for t in found[:5]) + (f" and {len(found) - 5} more" if len(found) > 5 else "")
    frames = len({f for t in found for f in t.frames})
    return Tracked(tuple(found), ADVICE.format(places=shown, frames=frames))
