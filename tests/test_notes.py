"""Notes of a roll: what is accepted, what is said of what is not, and where it goes."""
from __future__ import annotations

import datetime

import pytest

from negconv.capture import Meta
from negconv.errors import InputError
from negconv.notes import Notes

FULL = '''
title = "Benches and tiles"
photographer = "the workshop"
rights = "free to use"
film = "Glasshouse P 100"
speed = 80
format = "6x9"
camera = "Folding camera no. 2"
lens = "105 mm"
dates = [2026-03-14, 2026-03-16]
developer = "one bath"
dilution = "1+31"
minutes = 8.5
degrees = 20
remarks = """frame 3 twice
by mistake"""
'''


def test_full_notes():
    notes = Notes.from_toml(FULL)
    assert notes.minutes == 8.5 and notes.dates == ("2026-03-14", "2026-03-16") and "\n" in notes.remarks
    assert Notes.from_dict(notes.to_dict()) == notes
    assert notes.description == ("Glasshouse P 100, exposed at 80, 6x9, Folding camera no. 2, 105 mm; "
                                 "developed: one bath 1+31, 8.5 min at 20 °C")


def test_empty_notes_say_nothing(tmp_path):
    assert Notes.load(tmp_path) == Notes() and Notes().to_dict() == {} and Notes().description == ""


@pytest.mark.parametrize("text, kept", [('dates = 2026-03-14', ("2026-03-14",)), ('dates = "2026-03"', ("2026-03",)),
                                        ('dates = 2026-03-14T10:30:00', ("2026-03-14T10:30:00",)), ('dates = "2026"', ("2026",))])
def test_dates(text, kept):
    assert Notes.from_toml(text).dates == kept


@pytest.mark.parametrize("text, line, key", [
    ('film = "a"\nminutes = "ten"', 2, "minutes"), ('\n\nspeed = true', 3, "speed"), ('film = 3', 1, "film"),
    ('film = "a"\ndegrees = 400', 2, "degrees"), ('dates = "14.3.2026"', 1, "dates"), ('dates = "2026-02-31"', 1, "dates"),
    ('dates = [2026-03-16, 2026-03-14]', 1, "dates"), ('lens = "a\\nb"', 1, "lens"), ('speed = nan', 1, "speed"),
    ('# a\nremarks = ["x"]', 2, "remarks"), ('film = "a"\n[camera]\nx = 1', 2, "camera")])
def test_errors_name_line_and_key(text, line, key):
    with pytest.raises(InputError) as caught:
        Notes.from_toml(text, name="x/roll.toml")
    said = str(caught.value)
    assert said.startswith(f"x/roll.toml: line {line}: {key} ") and "\n" not in said


def test_unknown_key_suggests_the_nearest():
    with pytest.raises(InputError, match="line 2: devloper .*did you mean developer"):
        Notes.from_toml('film = "a"\ndevloper = "b"')


@pytest.mark.parametrize("data", [b"film = ", b"\xff\xfe", b"a = " + b"[" * 5000, b"x" * 300_000, b'film = "a"\nfilm = "b"'])
def test_hostile_files(tmp_path, data):
    (tmp_path / "roll.toml").write_bytes(data)
    with pytest.raises(InputError) as caught:
        Notes.load(tmp_path)
    assert "\n" not in str(caught.value)


def test_notes_reach_standard_fields(tmp_path):
    import numpy as np
    from PIL import Image

    from negconv.output import write_image

    meta = Meta(make="Invented", model="Copy A", time="2026:04:01 09:00:00")
    for dates, original in (("2026-03-14T10:30:00", "2026:03:14 10:30:00"), ("2026-03", "2026:03:     :  :  "),
                            ([datetime.date(2026, 3, 14), datetime.date(2026, 3, 16)], None), ("", "2026:04:01 09:00:00")):
        notes = Notes.from_toml(FULL).changed({"dates": dates})
        write_image(tmp_path / "a.tif", np.zeros((4, 4), np.uint8), metadata=notes.metadata(meta, 10.0), overwrite=True)
        exif = Image.open(tmp_path / "a.tif").getexif()
        # Exif 2.32: 270 ImageDescription, 271 Make, 315 Artist, 33432 Copyright, 36867/8 DateTimeOriginal/Digitized
        assert exif[271] == "Invented" and exif[315] == "the workshop" and exif[33432] == "free to use"
        assert exif[270].encode("latin-1").decode().startswith("Benches and tiles. Glasshouse P 100, exposed at 80")
        inner = exif.get_ifd(0x8769)
        assert inner.get(36867) == original and inner[36868] == "2026:04:01 09:00:00"
    assert b"2026-03-14" not in (tmp_path / "a.tif").read_bytes()
