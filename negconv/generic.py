"""Constants of the generic films, as `benchmarks/generic_film.py` prints them."""
from __future__ import annotations

#: CIE XYZ (D65) to the wide channels densities are taken in; scale is free.
WIDE = ((1.3459, -0.2556, -0.0511), (-0.5446, 1.5082, 0.0205), (0.0, 0.0, 1.2123))
#: XYZ (D65) to camera of a typical camera, for captures without a matrix of their own.
TYPICAL_CAMERA = ((0.75, -0.22, -0.07), (-0.45, 1.25, 0.22), (-0.08, 0.18, 0.62))

COLOUR = {
    "name": "generic colour", "kind": "colour", "sensing": "wide", "source": "first guess",
    "unmix": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "matrix": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "curves": ({"gamma": 0.6, "start": -2.1, "toe": 0.15},) * 3,
}
MONO = {
    "name": "generic mono", "kind": "mono", "sensing": "camera", "source": "common practice, no source",
    "unmix": ((1 / 3, 1 / 3, 1 / 3),), "matrix": ((1.0,),),
    "curves": ({"gamma": 0.62, "start": -2.0, "toe": 0.18},),
}
