"""Small good files of every kind negconv reads, for tests/fuzz.py to damage; and bombs that are bad as they stand."""
from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path

import numpy as np

from negconv.colour import SPACES, matrix
from negconv.film import Film
from negconv.icc import icc_profile
from negconv.recipe import Recipe
from negconv.synthetic import rawfile

#: Relative light of holder, panel and base in the invented little captures.
HOLDER, PANEL, BASE = (0.004, 0.004, 0.004), (0.8, 0.9, 0.7), (0.52, 0.31, 0.14)


def little_negative(shape=(64, 96)) -> np.ndarray:
    """float32 (H, W, 3) linear: a dark holder, bare panel at the edge, rebate, and a picture with a range of tones."""
    h, w = shape
    light = np.empty((h, w, 3), np.float32)
    light[:] = HOLDER
    light[:, : max(1, w // 24)] = PANEL
    top, left = h // 8, w // 8
    light[top:h - top, left:w - left] = BASE
    top, left = h // 5, w // 5
    inner = light[top:h - top, left:w - left]
    if inner.size:
        y, x = np.mgrid[0:inner.shape[0], 0:inner.shape[1]]
        density = 0.1 + 1.4 * x / max(1, inner.shape[1]) + 0.1 * np.sin(y / 3) + 0.2 * ((x // 7 + y // 5) % 2)
        inner *= np.float32(10) ** -(density[..., None] * (0.9, 1.0, 1.1)).astype(np.float32)
    return light


def seeds(folder) -> list[Path]:
    """Write every good file into `folder` and return their paths, always in the same order."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made: list[Path] = []

    def name(text: str) -> Path:
        made.append(folder / text)
        return made[-1]

    _raws(name)
    _tiffs(name)
    _through_pillow(name)
    _texts(name)
    return made


def _raws(name) -> None:
    import tifffile

    for i, pattern in enumerate(rawfile.PATTERNS):
        cfa = rawfile.mosaic(little_negative((64 + i, 96 - i)), pattern)
        rawfile.write_dng(name(f"raw-{pattern.lower()}.dng"), cfa, pattern=pattern, orientation=(1, 3, 6, 8)[i],
                          active_area=(2, 2, 60, 90) if i == 2 else None)
    cfa = rawfile.mosaic(little_negative(), white=4095, black=64)
    plain = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True),
             (50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, 0, "Invented Copy B", True), (50714, 3, 1, 64, True),
             (50717, 3, 1, 4095, True)]
    tifffile.imwrite(name("raw-big-endian.dng"), cfa, photometric=32803, metadata=None, byteorder=">", extratags=plain)


def _tiffs(name) -> None:
    import tifffile

    rgb = little_negative((40, 60))
    code = (rgb * 65535).astype(np.uint16)
    profile = icc_profile("romm")
    camera = [(271, 2, 0, "Invented", True), (274, 3, 1, 6, True), (34675, 7, len(profile), profile, True)]
    write = tifffile.imwrite
    write(name("rgb16.tif"), code, photometric="rgb", extratags=camera)
    write(name("rgb8.tif"), (code >> 8).astype(np.uint8), photometric="rgb")
    write(name("rgb-float.tif"), rgb, photometric="rgb")
    write(name("rgb-half.tif"), rgb.astype(np.float16), photometric="rgb")
    write(name("rgb-double.tif"), rgb.astype(float), photometric="rgb", byteorder=">")
    write(name("grey16-white-zero.tif"), code[..., 1], photometric="miniswhite")
    write(name("grey32.tif"), code[..., 1].astype(np.uint32) << 16, photometric="minisblack")
    write(name("alpha.tif"), np.dstack([code, code[..., :1]]), photometric="rgb", extrasamples=["unassalpha"])
    write(name("planes.tif"), np.moveaxis(code, 2, 0), photometric="rgb", planarconfig="separate")
    write(name("deflate.tif"), code, photometric="rgb", compression="zlib", predictor=True, rowsperstrip=8)
    write(name("tiles.tif"), code, photometric="rgb", tile=(16, 16), compression="zlib")
    write(name("big.tif"), code, photometric="rgb", bigtiff=True, byteorder=">")
    with tifffile.TiffWriter(name("pages.tif")) as tiff:
        for _ in range(3):
            tiff.write(code, photometric="rgb")
    write(name("pixel.tif"), code[:1, :1], photometric="rgb")
    write(name("wide.tif"), np.tile(code[20:22], (1, 500, 1)), photometric="rgb")


def _through_pillow(name) -> None:
    from PIL import Image

    from negconv.colour import encode
    from negconv.exif import Metadata, exif_block
    from negconv.output import write_image

    light = little_negative((40, 60))
    code = (encode(light, "srgb") * 255).astype(np.uint8)
    picture = Image.fromarray(code)
    meta = Metadata(make="Invented", model="Copy A", lens="Copy lens", exposure_s=1 / 60, aperture=8.0, iso=100.0,
                    focal_mm=90.0, digitized="2026:03:14 10:30:00", taken="2026-03", title="Bench", remarks="a note")
    exif = b"Exif\0\0" + exif_block(meta, "srgb", code.shape[:2])
    for i, space in enumerate(SPACES):
        bits = (np.uint16, np.uint8)[i % 2]
        write_image(name(f"{space}.png"), (light * np.iinfo(bits).max).astype(bits), output="png", space=space,
                    metadata=meta)
    write_image(name("grey16.png"), (light[..., 1] * 65535).astype(np.uint16), output="png", metadata=meta)
    picture.save(name("packbits.tif"), compression="packbits")
    picture.save(name("lzw.tif"), compression="tiff_lzw")
    picture.convert("RGBA").save(name("alpha.png"), exif=exif)
    picture.convert("P").save(name("palette.png"), transparency=3)
    picture.convert("1").save(name("bilevel.png"))
    picture.convert("LA").save(name("grey-alpha.png"))
    name("grey-alpha16.png").write_bytes(_png(60, 40, 16, 4, (light[..., :2] * 65535).astype(">u2").tobytes()))
    name("interlaced.png").write_bytes(_interlaced(code))
    picture.save(name("rgb.jpg"), quality=90, exif=exif, icc_profile=icc_profile("display-p3"))
    picture.save(name("progressive.jpg"), progressive=True)
    picture.save(name("restart.jpg"), restart_marker_blocks=2, subsampling=0)
    picture.convert("L").save(name("grey.jpg"))
    picture.convert("CMYK").save(name("cmyk.jpg"))


def _texts(name) -> None:
    from negconv.conversion import convert

    Film.colour().save(name("colour.film.toml"))
    Film.mono().save(name("mono.film.toml"))
    name("plain.recipe.toml").write_text(Recipe().to_toml())
    name("busy.recipe.toml").write_text(_BUSY_RECIPE)
    name("sleeve.roll.toml").write_text(_NOTES)
    name("chart.patches.csv").write_text(_patches())
    positive = convert(little_negative(), film="colour", base=BASE)
    sidecar = name("sidecar.json")
    picture = positive.save(sidecar.with_name("picture.tif"), overwrite=True)
    os.unlink(picture)
    os.replace(picture + ".json", sidecar)


_BUSY_RECIPE = """\
film = "colour"
exposure = 0.5
neutral = [10, 10, 20, 20]
balance = 0.3
turn = 90
mirror = true
crop = [0.1, 0.1, 0.7, 0.8]
aspect = "3:2"
space = "romm"
output = "jpeg"
quality = 80
[tone]
contrast = 1.4
points = [[0, 0], [25, 20], [100, 100]]
[moves.edge_burn]
stops = 0.3
[frames."frame03"]
exposure = -0.5
tone.contrast = 1.1
[frames.2]
turn = 180
"""

_NOTES = """\
title = "Glasshouse"
photographer = "nobody"
film = "Glasshouse P 100"
speed = 80
format = "6x9"
dates = [2026-03-14, 2026-03-15]
developer = "of the workshop"
dilution = "1+31"
minutes = 8.5
degrees = 20
remarks = """ + '"""' + """
first line
second line
""" + '"""' + """
"""


def little_chart() -> np.ndarray:
    """float32 (64, 96, 3) linear: a negative of 24 invented patches on a straight-line film."""
    light = np.empty((64, 96, 3), np.float32)
    light[:] = BASE
    for i, rgb in enumerate(_colours()):
        y, x = 10 * (i // 6) + 12, 12 * (i % 6) + 12
        light[y:y + 10, x:x + 12] *= 10.0 ** -(0.6 * (np.log10(rgb) + 2))
    return light


def _colours() -> np.ndarray:
    rng = np.random.default_rng(5)
    colours = rng.uniform(0.05, 0.8, (24, 3))
    colours[18:] = np.geomspace(0.9, 0.03, 6)[:, None]
    return colours


def _patches() -> str:
    """The patches of `little_chart`."""
    xyz = _colours() @ np.array(matrix("srgb", "xyz-d50")).T
    lines = [f"{12 * (i % 6) + 12},{10 * (i // 6) + 12},12,10,{x:.4f},{y:.4f},{z:.4f}"
             for i, (x, y, z) in enumerate(xyz)]
    return "\n".join(["x,y,w,h,X,Y,Z", *lines]) + "\n"


# --- PNG by hand: what Pillow does not write -----------------------------------------------------------------------

def chunk(kind: bytes, data: bytes) -> bytes:
    """A chunk of PNG (ISO/IEC 15948, 5.3)."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png(w: int, h: int, depth: int, colour: int, samples: bytes, *, interlace: int = 0, before: bytes = b"") -> bytes:
    line = len(samples) // h
    rows = b"".join(b"\0" + samples[y * line:(y + 1) * line] for y in range(h)) if not interlace else samples
    head = struct.pack(">IIBBBBB", w, h, depth, colour, 0, 0, interlace)
    return (b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + before + chunk(b"IDAT", zlib.compress(rows, 1))
            + chunk(b"IEND", b""))


def _interlaced(code: np.ndarray) -> bytes:
    """Adam7 (ISO/IEC 15948, 8.2)."""
    h, w = code.shape[:2]
    passes = ((0, 0, 8, 8), (0, 4, 8, 8), (4, 0, 8, 4), (0, 2, 4, 4), (2, 0, 4, 2), (0, 1, 2, 2), (1, 0, 2, 1))
    rows = b"".join(b"\0" + row.tobytes() for y, x, dy, dx in passes for row in code[y::dy, x::dx] if row.size)
    return _png(w, h, 8, 2, rows, interlace=1)


# --- bombs -----------------------------------------------------------------------------------------------------------

def zeros(nbytes: int) -> bytes:
    """`nbytes` of zeros under deflate, made without holding them."""
    squeeze = zlib.compressobj(1)
    block = bytes(1 << 20)
    parts = [squeeze.compress(block[:min(len(block), nbytes - at)]) for at in range(0, nbytes, len(block))]
    return b"".join(parts) + squeeze.flush()


def bombs(folder) -> dict[str, Path]:
    """Small files that declare very much, unpack to very much or lead round in circles; by name."""
    import tifffile
    from PIL import Image

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made: dict[str, Path] = {}

    def put(name: str, data: bytes) -> None:
        made[name] = folder / name
        made[name].write_bytes(data)

    def tiff(pixels, **keys) -> bytes:
        file = io.BytesIO()
        tifffile.imwrite(file, pixels, metadata=None, **keys)
        return file.getvalue()

    header = b"\x89PNG\r\n\x1a\n"
    for name, side in (("huge.png", 60000), ("large.png", 20000), ("medium.png", 5000)):
        put(name, header + chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 16, 2, 0, 0, 0))
            + chunk(b"IDAT", zeros(100_000)) + chunk(b"IEND", b""))
    grey = bytes(60 * 40)
    put("profile.png", _png(60, 40, 8, 0, grey, before=chunk(b"iCCP", b"icc\0\0" + zeros(200_000_000))))
    put("text.png", _png(60, 40, 8, 0, grey, before=chunk(b"zTXt", b"note\0\0" + zeros(200_000_000))))
    put("pixels.png", _png(60, 40, 8, 0, grey)[:33] + chunk(b"IDAT", zeros(200_000_000)) + chunk(b"IEND", b""))

    file = io.BytesIO()
    Image.new("RGB", (64, 64)).save(file, "JPEG")
    jpeg = file.getvalue()
    at = jpeg.index(b"\xff\xc0") + 5
    for name, side in (("huge.jpg", 65500), ("large.jpg", 20000), ("medium.jpg", 8000)):
        put(name, jpeg[:at] + struct.pack(">HH", side, side) + jpeg[at + 4:])
    file = io.BytesIO()
    Image.new("L", (3000, 3000)).save(file, "JPEG", progressive=True)
    jpeg = file.getvalue()
    last = jpeg.rindex(b"\xff\xda")
    put("scans.jpg", jpeg[:last] + jpeg[last:-2] * 400 + b"\xff\xd9")

    small = np.zeros((64, 64), np.uint8)
    plain = tiff(small)
    put("huge.tif", tagged(plain, {256: 100_000, 257: 100_000}))
    put("large.tif", tagged(plain, {256: 20_000, 257: 20_000, 278: 20_000}))
    put("large-deflate.tif", tagged(tiff(small, compression="zlib"), {256: 20_000, 257: 20_000, 278: 20_000}))
    packed = zeros(200_000_000)
    put("strip.tif", tagged(tiff(small, compression="zlib"), {273: len(plain) + 4096, 279: len(packed)}).ljust(
        len(plain) + 4096, b"\0") + packed)
    tiles = tiff(np.zeros((64, 64), np.uint16), tile=(64, 64), compression="zlib")
    put("tile.tif", tagged(tiles, {322: 2 ** 31 - 16, 323: 2 ** 31 - 16}))
    put("samples.tif", tagged(plain, {277: 65535}))
    put("sides.tif", plain.replace(struct.pack("<HHI", 256, 4, 1), struct.pack("<HHI", 256, 4, 900)))
    put("loop.tif", tagged(plain, {}, following=8))
    put("count.tif", tagged(plain, {}, counts=2 ** 32 - 1))
    chain = bytearray(plain)
    for _ in range(40_000):
        chain += struct.pack("<HHHIII", 1, 256, 3, 1, 64, len(chain) + 18)
    put("chain.tif", tagged(bytes(chain), {}, following=len(plain)))

    path = folder / "raw.dng"
    rawfile.write_dng(path, rawfile.mosaic(little_negative()))
    raw = path.read_bytes()
    path.unlink()
    put("huge.dng", tagged(raw, {256: 100_000, 257: 100_000}))
    put("large.dng", tagged(raw, {256: 20_000, 257: 20_000, 278: 20_000}))
    put("medium.dng", tagged(raw, {256: 5_000, 257: 5_000, 278: 5_000}))
    put("loop.dng", tagged(raw, {34665: 8}, following=8))

    put("deep.recipe.toml", b"tone.points = " + b"[" * 200_000)
    put("dotted.recipe.toml", b".".join([b"a"] * 200_000) + b" = 1")
    put("tables.recipe.toml", b"".join(b"[frames.a%d]\nexposure = 1\n" % i for i in range(3_000)))
    put("deep.film.toml", b"unmix = " + b"{a=" * 100_000)
    put("curves.film.toml", b"[[curves]]\ngamma = 0.6\nstart = -2\n" * 25_000)
    put("deep.roll.toml", b"title = " + b"[" * 100_000)
    put("rows.patches.csv", b"x,y,w,h,X,Y,Z\n" + b"10,10,5,5,0.5,0.5,0.4\n" * 500_000)
    put("deep.json", b'{"a":' * 1_000_000)
    return made


def tagged(data: bytes, values: dict[int, int], *, following: int | None = None, counts: int | None = None) -> bytes:
    """A little-endian TIFF with other values in its first directory (LONG, one each), next directory and counts."""
    out = bytearray(data)
    directory, = struct.unpack_from("<I", out, 4)
    number, = struct.unpack_from("<H", out, directory)
    for i in range(number):
        at = directory + 2 + 12 * i
        tag, = struct.unpack_from("<H", out, at)
        if tag in values:
            struct.pack_into("<HII", out, at + 2, 4, 1, values[tag])
        if counts is not None and tag in (270, 305, 258):
            struct.pack_into("<I", out, at + 4, counts)
    if following is not None:
        struct.pack_into("<I", out, directory + 2 + 12 * number, following)
    return bytes(out)
