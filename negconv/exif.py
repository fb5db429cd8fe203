"""What is said about a picture inside its file: EXIF (CIPA DC-008, Exif 2.32) and XMP (ISO 16684-1) as bytes."""
from __future__ import annotations

import struct
from fractions import Fraction
from html import escape

from . import __version__
from .capture import Meta
from .values import frozen

#: TIFF field types (TIFF 6.0, section 2) and the struct code of one value.
ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 2, 3, 4, 5, 7
_CODES = {SHORT: "H", LONG: "I"}
#: IPTC NewsCodes, digital source type: "digitised from a negative on film".
_FROM_NEGATIVE = "http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm"
SOFTWARE = f"negconv {__version__}"


@frozen(kw_only=True)
class Metadata:
    """What goes into a picture's standard fields; empty and ``None`` are left out.

    Attributes
    ----------
    make, model, lens, exposure_s, aperture, iso, focal_mm
        The camera that copied the film.
    digitized : str
        When the film was copied, ``YYYY:MM:DD HH:MM:SS``.
    taken : str
        When the film was exposed, as ISO 8601: ``2026``, ``2026-03``, ``2026-03-14`` or with ``T10:30:00``;
        two with a slash between are a span.
    title, description, remarks, artist, copyright : str
    pixel_um : float or None
        Size of a pixel on the film, for the resolution.
    """

    make: str = ""
    model: str = ""
    lens: str = ""
    exposure_s: float | None = None
    aperture: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    digitized: str = ""
    taken: str = ""
    title: str = ""
    description: str = ""
    remarks: str = ""
    artist: str = ""
    copyright: str = ""
    pixel_um: float | None = None

    @classmethod
    def of(cls, meta: Meta, **more) -> Metadata:
        """From what a capture's file said."""
        return cls(make=meta.make, model=meta.model, lens=meta.lens, exposure_s=meta.exposure_s, aperture=meta.aperture,
                   iso=meta.iso, focal_mm=meta.focal_mm, digitized=meta.time, **more)

    @property
    def per_inch(self) -> float | None:
        """Pixels per inch of film."""
        return 25400 / self.pixel_um if self.pixel_um else None


def entries(data: Metadata) -> dict[int, tuple]:
    """Tags of the main directory as ``{tag: (type, value)}``."""
    per_inch = data.per_inch or 300.0
    return _filled({
        270: (ASCII, data.description or data.title), 271: (ASCII, data.make), 272: (ASCII, data.model),
        274: (SHORT, 1), 282: (RATIONAL, per_inch), 283: (RATIONAL, per_inch), 296: (SHORT, 2), 305: (ASCII, SOFTWARE),
        315: (ASCII, data.artist), 33432: (ASCII, data.copyright)})


def exif_entries(data: Metadata, space: str, size: tuple[int, int]) -> dict[int, tuple]:
    """Tags of the EXIF directory; `size` is height, width."""
    iso = data.iso and min(round(data.iso), 65535)
    return _filled({
        33434: (RATIONAL, data.exposure_s), 33437: (RATIONAL, data.aperture), 34855: (SHORT, iso),
        36864: (UNDEFINED, b"0232"), 36867: (ASCII, _exif_date(data.taken) if data.taken else data.digitized),
        36868: (ASCII, data.digitized), 37386: (RATIONAL, data.focal_mm),
        37510: (UNDEFINED, b"UNICODE\0" + data.remarks.encode("utf-16-le") if data.remarks else b""),
        40961: (SHORT, 1 if space == "srgb" else 65535), 40962: (LONG, size[1]), 40963: (LONG, size[0]),
        42036: (ASCII, data.lens)})


def _filled(tags: dict[int, tuple]) -> dict[int, tuple]:
    return {tag: (kind, value) for tag, (kind, value) in tags.items() if value not in ("", b"", None, 0)}


def _exif_date(date: str) -> str:
    """Exif 2.32, DateTimeOriginal: what is unknown is blank between the colons, and a span of days has no place."""
    if "/" in date:
        return ""
    day, _, time = date.partition("T")
    time = time[:8] if len(time) >= 8 else time and f"{time}:  "
    year, month, rest = (day.split("-") + ["  ", "  "])[:3]
    return f"{year}:{month}:{rest} {time or '  :  :  '}"


def directory(tags: dict[int, tuple], start: int, following: int = 0) -> bytes:
    """A little-endian image file directory (TIFF 6.0, section 2) with its values, to stand at offset `start`."""
    table, values = b"", b""
    place = start + 2 + 12 * len(tags) + 4
    for tag in sorted(tags):
        kind, value = tags[tag]
        count, data = _packed(kind, value)
        if len(data) <= 4:
            field = data.ljust(4, b"\0")
        else:
            values += b"\0" * ((place + len(values)) % 2)
            field = struct.pack("<I", place + len(values))
            values += data
        table += struct.pack("<HHI", tag, kind, count) + field
    out = struct.pack("<H", len(tags)) + table + struct.pack("<I", following) + values
    return out + b"\0" * (len(out) % 2)


def _packed(kind: int, value) -> tuple[int, bytes]:
    if kind == ASCII:
        data = "".join(c for c in value if c.isprintable()).encode("utf-8") + b"\0"
        return len(data), data
    if kind == RATIONAL:
        ratio = Fraction(min(float(value), 4e9)).limit_denominator(1_000_000 if value < 4000 else 1)
        return 1, struct.pack("<II", ratio.numerator, ratio.denominator)
    if kind in _CODES:
        numbers = value if isinstance(value, (tuple, list)) else [value]
        return len(numbers), struct.pack(f"<{len(numbers)}{_CODES[kind]}", *numbers)
    return len(value), bytes(value)


def with_exif(tags: dict[int, tuple], inner: dict[int, tuple], start: int) -> bytes:
    """The main directory at `start`, followed by the EXIF directory it points to."""
    tags = {**tags, 34665: (LONG, 0)}
    at = start + len(directory(tags, start))
    tags[34665] = (LONG, at)
    return directory(tags, start) + directory(inner, at)


def exif_block(data: Metadata, space: str, size: tuple[int, int]) -> bytes:
    """EXIF as JPEG (after ``Exif\\0\\0``) and PNG (eXIf) carry it: a TIFF of directories alone."""
    return b"II*\0" + struct.pack("<I", 8) + with_exif(entries(data), exif_entries(data, space, size), 8)


def xmp_packet(data: Metadata) -> bytes:
    """XMP with Dublin Core, EXIF and IPTC fields (ISO 16684-1; IPTC Photo Metadata Standard 2023.2)."""
    lines = [f"  <Iptc4xmpExt:DigitalSourceType>{_FROM_NEGATIVE}</Iptc4xmpExt:DigitalSourceType>"]
    if data.lens:
        lines.append(f"  <exifEX:LensModel>{_xml(data.lens)}</exifEX:LensModel>")
    for name, value in (("dc:title", data.title), ("dc:description", data.description), ("dc:rights", data.copyright)):
        if value:
            lines.append(f'  <{name}><rdf:Alt><rdf:li xml:lang="x-default">{_xml(value)}</rdf:li></rdf:Alt></{name}>')
    for name, values in (("dc:creator", [data.artist]), ("dc:date", data.taken.split("/"))):
        items = "".join(f"<rdf:li>{_xml(value)}</rdf:li>" for value in values if value)
        if items:
            lines.append(f"  <{name}><rdf:Seq>{items}</rdf:Seq></{name}>")
    spaces = "".join(f'\n   xmlns:{prefix}="{uri}"' for prefix, uri in _NAMESPACES.items())
    return ('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
            '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
            f' <rdf:Description rdf:about=""{spaces}>\n' + "\n".join(lines) + "\n </rdf:Description>\n</rdf:RDF>\n"
            '<?xpacket end="w"?>').encode("utf-8")


_NAMESPACES = {"dc": "http://purl.org/dc/elements/1.1/", "exifEX": "http://cipa.jp/exif/1.0/",
               "Iptc4xmpExt": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"}


def png_texts(data: Metadata) -> list[tuple[str, str]]:
    """Keywords and texts for a PNG (ISO/IEC 15948, 11.3.4.2)."""
    texts = (("Title", data.title), ("Author", data.artist), ("Description", data.description),
             ("Copyright", data.copyright), ("Creation Time", data.taken), ("Software", SOFTWARE), ("Comment", data.remarks))
    return [(key, "".join(c for c in text if c.isprintable() or c == "\n")) for key, text in texts if text]


def _xml(text: str) -> str:
    """Escaped, without the characters XML 1.0 cannot hold."""
    return escape("".join(c for c in text if c.isprintable() or c in "\n\t"))
