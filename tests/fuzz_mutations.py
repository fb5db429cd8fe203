"""Damage to files: bits, lengths, and structures, so that the damage gets past checksums and into the decoders."""
from __future__ import annotations

import json
import random
import re
import struct
import zlib

from fuzz_seeds import chunk

#: Numbers at which counts, offsets and sizes go wrong.
EDGES = (0, 1, 2, 3, 4, 7, 8, 16, 127, 128, 255, 256, 32767, 32768, 65500, 65535, 65536, 1 << 20, 30000, 100000,
         (1 << 31) - 1, 1 << 31, (1 << 32) - 2, (1 << 32) - 1)
#: Values that mean something in a TIFF directory (TIFF 6.0, DNG 1.4), by tag.
TAG_VALUES = {
    258: (0, 1, 2, 4, 7, 8, 10, 12, 14, 16, 24, 32, 64, 128),
    259: (0, 1, 2, 3, 4, 5, 6, 7, 8, 32773, 32946, 34712, 34892, 52546),
    262: (0, 1, 2, 3, 4, 5, 6, 8, 9, 10, 32803, 34892, 65000), 274: (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 255),
    277: (0, 1, 2, 3, 4, 5, 6, 255), 284: (0, 1, 2, 3), 317: (0, 1, 2, 3, 34892), 339: (0, 1, 2, 3, 4, 5, 6),
    50717: (0, 1, 512, 65535), 50714: (0, 16383, 65535),
}
TAGS = (*TAG_VALUES, 256, 257, 273, 278, 279, 322, 323, 324, 325, 330, 338, 700, 33421, 33422, 34665, 34675, 34853,
        50706, 50712, 50713, 50718, 50719, 50720, 50721, 50728, 50829, 50830, 50831, 51008, 51009, 51022, 37393)
WORDS = ("nan", "inf", "-inf", "1e308", "-1e308", "1e-308", "1e999", "9" * 400, "0", "-0.0", "-1", "true", '""', "[]",
         "{}", "[[[]]]", "null", '"nan"', "\'\'\'", '"""', '"../../etc/passwd"', '"/etc/passwd"', '"/dev/zero"',
         '"<script>"', '"\\u0000"', "2026-99-99", "0x10", "1_000", "\x00", "\u202e", "\ufeff", "\U0001f331", "a.b.c",
         "=", ",", ";", "\n", "#", "[", "]", "]]", "}")

#: Numbers that may well be allowed, to reach the far ends of what settings mean.
NUMBERS = ("0", "1", "-1", "2", "3", "10", "100", "1000", "0.5", "0.001", "1e-6", "-0.5", "-10", "0.999", "1.5", "90",
           "1e6", "nan", "9" * 5000)


def mutated(data: bytes, kind: str, rng: random.Random, others: list[bytes]) -> bytes:
    """`data` of a file with the ending `kind`, damaged once or several times over."""
    ways = {".png": (_png,), ".jpg": (_jpeg, _tiff), ".tif": (_tiff, _profile, _floats), ".dng": (_tiff,),
            ".json": (_json,) * 5}.get(kind, (_text,) * 3)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        way = rng.choice((*ways, *ways, _bits, _bytes, _cut, _block)) if rng.random() < 0.97 else _splice
        data = _splice(data, rng, others) if way is _splice else way(data, rng)
    return data


# --- any file ------------------------------------------------------------------------------------------------------

def _bits(data: bytes, rng) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 4, 30)) if out else 0):
        out[_place(out, rng)] ^= 1 << rng.randrange(8)
    return bytes(out)


def _bytes(data: bytes, rng) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 8)) if len(out) > 4 else 0):
        size, order = rng.choice("BHI"), rng.choice("<>")
        struct.pack_into(order + size, out, min(_place(out, rng), len(out) - 4),
                         rng.choice(EDGES) & (1 << 8 * struct.calcsize(size)) - 1)
    return bytes(out)


def _cut(data: bytes, rng) -> bytes:
    if rng.random() < 0.7:
        return data[:rng.randrange(min(len(data), len(data) if rng.random() < 0.7 else 64) + 1)]
    return data + rng.choice((b"\0", b"\xff", data[:100])) * rng.randrange(1, 2000)


def _block(data: bytes, rng) -> bytes:
    if len(data) < 2:
        return data
    a = rng.randrange(len(data))
    b = min(len(data), a + rng.choice((1, 2, 4, 16, 200, 3000)))
    how = rng.randrange(4)
    if how == 0:
        return data[:a] + data[b:]
    if how == 1:
        return data[:b] + data[a:b] * rng.choice((1, 2, 50)) + data[b:]
    return data[:a] + (bytes(b - a) if how == 2 else rng.randbytes(b - a)) + data[b:]


def _splice(data: bytes, rng, others: list[bytes]) -> bytes:
    other = rng.choice(others)
    return data[:rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1):]


def _place(out, rng) -> int:
    """A position, half the time near the start, where headers are."""
    return rng.randrange(min(len(out), 512) if rng.random() < 0.5 else len(out))


# --- TIFF directories, wherever they stand ----------------------------------------------------------------------------

def _tiff(data: bytes, rng) -> bytes:
    """An entry of a classic TIFF directory: its tag, type, count or value; or the pointer to the next directory."""
    starts = [m.start() for m in re.finditer(rb"II\*\0|MM\0\*", data)]
    if not starts:
        return _bytes(data, rng)
    start = rng.choice(starts)
    order = "<" if data[start:start + 1] == b"I" else ">"
    out = bytearray(data)
    directories = _directories(data, start, order)
    if not directories:
        return _bytes(data, rng)
    at = rng.choice(directories)
    number, = struct.unpack_from(order + "H", data, at)
    number = min(number, (len(data) - at - 6) // 12)
    if number < 1 or rng.random() < 0.08:
        pointer = rng.choice((at - start, 8, 0, len(data) - start, rng.choice(EDGES)))
        struct.pack_into(order + "I", out, min(at + 2 + 12 * max(number, 0), len(out) - 4), pointer & 0xFFFFFFFF)
        return bytes(out)
    entry = at + 2 + 12 * rng.randrange(number)
    tag, kind, count = struct.unpack_from(order + "HHI", data, entry)
    how = rng.random()
    if how < 0.12:
        struct.pack_into(order + "H", out, entry, rng.choice(TAGS))
    elif how < 0.24:
        struct.pack_into(order + "H", out, entry + 2, rng.choice((0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 16,
                                                                  255)))
    elif how < 0.4:
        struct.pack_into(order + "I", out, entry + 4, rng.choice((*EDGES, count + 1, max(count - 1, 0),
                                                                  count * 1000 & 0xFFFFFFFF)))
    elif how < 0.85:
        value = rng.choice(TAG_VALUES[tag]) if tag in TAG_VALUES and rng.random() < 0.7 else rng.choice(
            (*EDGES, len(data), len(data) - start - 1, at - start, 8))
        if kind == 3 and count <= 2:
            struct.pack_into(order + "H", out, entry + 8, value & 0xFFFF)
        else:
            struct.pack_into(order + "I", out, entry + 8, value & 0xFFFFFFFF)
    else:
        where, = struct.unpack_from(order + "I", data, entry + 8)
        for _ in range(rng.choice((1, 2, 6))):
            if start + where + 4 <= len(out) and where:
                struct.pack_into(order + "I", out, min(start + where + 4 * rng.randrange(6), len(out) - 4),
                                 rng.choice(EDGES))
    return bytes(out)


def _directories(data: bytes, start: int, order: str) -> list[int]:
    """Offsets of the first directories of a chain and of the EXIF directories they point to."""
    found: list[int] = []
    pending = [start + struct.unpack_from(order + "I", data, start + 4)[0]] if start + 8 <= len(data) else []
    while pending and len(found) < 8:
        at = pending.pop()
        if at in found or at + 6 > len(data):
            continue
        found.append(at)
        number, = struct.unpack_from(order + "H", data, at)
        for i in range(min(number, (len(data) - at - 2) // 12)):
            tag, _, _, value = struct.unpack_from(order + "HHII", data, at + 2 + 12 * i)
            if tag in (330, 34665):
                pending.append(start + value)
        if at + 6 + 12 * number <= len(data):
            pending.append(start + struct.unpack_from(order + "I", data, at + 2 + 12 * number)[0])
    return found


def _profile(data: bytes, rng) -> bytes:
    """Something in an ICC profile: its tag table or one of its numbers."""
    at = data.find(b"acsp") - 36
    if at < 0:
        return _tiff(data, rng)
    out = bytearray(data)
    place = at + (rng.randrange(128, 300) if rng.random() < 0.7 else rng.randrange(600))
    if place + 4 <= len(out):
        struct.pack_into(">I", out, place, rng.choice((*EDGES, 1 << 16, 0x80000000, 0x6375_7276, 0x7061_7261)))
    return bytes(out)


def _floats(data: bytes, rng) -> bytes:
    """Numbers no light has, where pixels may stand."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 10, 100))):
        at = rng.randrange(max(1, len(out) - 8)) // 4 * 4
        if at + 4 <= len(out):
            struct.pack_into("<f", out, at, rng.choice((float("nan"), float("inf"), -float("inf"), 3e38, -3e38, 1e-45,
                                                        -1.0, 1e9)))
    return bytes(out)


# --- PNG -----------------------------------------------------------------------------------------------------------

def _png(data: bytes, rng) -> bytes:
    """Chunks changed, repeated, left out, moved or put in, with their checksums right again."""
    chunks = _chunks(data)
    if not chunks:
        return _bytes(data, rng)
    i = rng.randrange(len(chunks))
    kind, body = chunks[i]
    how = rng.randrange(8)
    if how == 0 and chunks[0][0] == b"IHDR":
        i, (kind, body) = 0, chunks[0]
        field = rng.choice(((0, ">I"), (4, ">I"), (8, "B"), (9, "B"), (10, "B"), (11, "B"), (12, "B")))
        out = bytearray(body.ljust(13, b"\0"))
        struct.pack_into(field[1], out, field[0], rng.choice(EDGES)
                         if field[1] == ">I" else rng.choice((0, 1, 2, 3, 4, 6, 8, 16, 255)))
        chunks[i] = kind, bytes(out)
    elif how == 1:
        chunks.insert(rng.randrange(len(chunks)), chunks[i])
    elif how == 2:
        del chunks[i]
    elif how == 3:
        rng.shuffle(chunks)
    elif how == 4:
        name = rng.choice((b"PLTE", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"eXIf", b"zTXt", b"iTXt", b"tEXt",
                           b"pHYs", b"acTL",
                           b"fcTL", b"fdAT", b"IDAT", b"IEND", b"bKGD", b"cICP", b"\0\0\0\0"))
        added = rng.choice((b"", rng.randbytes(9), body, b"a\0\0" + zlib.compress(bytes(5000))))
        chunks.insert(rng.randrange(1, len(chunks) + 1), (name, added))
    elif how == 5 and kind == b"IDAT":
        try:
            chunks[i] = kind, zlib.compress(_bits(zlib.decompress(body), rng), 1)
        except zlib.error:
            chunks[i] = kind, _bits(body, rng)
    else:
        chunks[i] = kind, rng.choice((_bits, _bytes, _cut, _block, _tiff if kind == b"eXIf" else _bits))(body, rng)
    return data[:8] + b"".join(chunk(kind, body) for kind, body in chunks)


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 8
    while at + 12 <= len(data):
        size, = struct.unpack_from(">I", data, at)
        found.append((data[at + 4:at + 8], data[at + 8:at + 8 + size]))
        at += 12 + size
    return found


# --- JPEG ----------------------------------------------------------------------------------------------------------

def _jpeg(data: bytes, rng) -> bytes:
    """A marker segment changed, repeated, left out or given another length or size."""
    segments = _segments(data)
    if not segments:
        return _bytes(data, rng)
    start, stop = rng.choice(segments)
    out = bytearray(data)
    how = rng.randrange(6)
    if how == 0:
        return data[:stop] + data[start:stop] * rng.choice((1, 3, 100)) + data[stop:]
    if how == 1:
        return data[:start] + data[stop:]
    if how == 2:
        struct.pack_into(">H", out, start + 2, rng.choice(EDGES) & 0xFFFF)
    elif how == 3:
        frame = next((s for s in segments if data[s[0] + 1] in (0xC0, 0xC1, 0xC2)), None)
        if frame and frame[1] - frame[0] > 10:
            if rng.random() < 0.5:
                struct.pack_into(">H", out, frame[0] + rng.choice((5, 7)), rng.choice(EDGES) & 0xFFFF)
            else:
                out[frame[0] + rng.choice((4, 9, 11, 12, 14))] = rng.choice((0, 1, 3, 4, 8, 12, 0x11, 0x22, 0x41,
                                                                             0xFF)) if frame[1] - frame[0] > 14 else 0
    elif how == 4:
        out[start + 1] = rng.choice((0xC0, 0xC1, 0xC2, 0xC3, 0xC4, 0xC9, 0xCC, 0xD8, 0xD9, 0xDA, 0xDB, 0xDD, 0xE1,
                                     0xE2, 0xED, 0xEE, 0xFE))
    else:
        return data[:start + 4] + _bits(data[start + 4:stop], rng) + data[stop:]
    return bytes(out)


def _segments(data: bytes) -> list[tuple[int, int]]:
    found, at = [], 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        size, = struct.unpack_from(">H", data, at + 2)
        found.append((at, min(len(data), at + 2 + size)))
        if data[at + 1] == 0xDA:
            break
        at += 2 + size
    return found


# --- text ----------------------------------------------------------------------------------------------------------

def _text(data: bytes, rng) -> bytes:
    """A token, line or key of a text file changed for something else of the file, or for something hostile."""
    text = data.decode("utf-8", "surrogateescape")
    tokens = list(re.finditer(r"[-+.\w]+|\"[^\"\n]*\"|[^\s\w]", text))
    if not tokens:
        return data
    how = rng.randrange(6)
    if how < 3:
        numbers = [t for t in tokens if t[0][-1].isdigit()]
        if how == 0 and numbers:
            token, new = rng.choice(numbers), rng.choice(NUMBERS)
        else:
            token, new = rng.choice(tokens), rng.choice(WORDS) if rng.random() < 0.7 else rng.choice(tokens)[0]
        text = text[:token.start()] + new + text[token.end():]
    else:
        lines = text.splitlines(keepends=True)
        i = rng.randrange(len(lines))
        if how == 3:
            lines.insert(rng.randrange(len(lines) + 1), lines[i] * rng.choice((1, 1, 40)))
        elif how == 4:
            del lines[i]
        else:
            lines.insert(i, rng.choice(WORDS) + "=" + rng.choice(WORDS) + "\n")
        text = "".join(lines)
    return text.encode("utf-8", "surrogateescape")


def _json(data: bytes, rng) -> bytes:
    """One value of a JSON tree, or one key, changed for another."""
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        return _text(data, rng)
    root = node = {"": tree}
    key = ""
    while isinstance(node[key], (dict, list)) and node[key] and rng.random() < 0.85:
        node = node[key]
        key = rng.choice(list(node)) if isinstance(node, dict) else rng.randrange(len(node))
    value = rng.choice((None, True, 0, -1, 1e300, 10 ** 400, 1.5, "", "../../x", "<b>", "nan", "\ud800", [], {}, [[]],
                        {"a": 1}, [1, 2, 3], node[key]))
    if isinstance(node, dict) and rng.random() < 0.3:
        if rng.random() < 0.5:
            del node[key]
        else:
            node[rng.choice(("file", "frames", "rows", "x", "corners", "warnings", "\n"))] = value
    else:
        node[key] = value
    return json.dumps(root.get("", value)).encode("utf-8", "surrogatepass")
