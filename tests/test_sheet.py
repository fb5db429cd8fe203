"""The contact sheet and the proof page, taken apart again."""
from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from negconv.proof import LARGE, proof_page
from negconv.sheet import Proof, contact_sheet

COLOURS = [(250, 60, 60), (60, 250, 60), (60, 60, 250), (250, 250, 60), (60, 250, 250), (250, 60, 250), (200, 200, 200)]


def proofs(count, upright=()):
    out = []
    for i in range(count):
        h, w = (90, 60) if i in upright else (60, 90)
        picture = np.empty((h, w, 3), np.uint8)
        picture[:] = COLOURS[i % len(COLOURS)]
        out.append(Proof(i + 1, f"frame{i + 1:02d}.tif", picture))
    return out


def boxes(sheet, colour):
    """Bounding boxes x, y, w, h of the patches of one colour, in reading order."""
    from scipy.ndimage import find_objects, label

    found = find_objects(label((np.abs(sheet.astype(int) - colour) <= 2).all(axis=2))[0])
    return [(c.start, r.start, c.stop - c.start, r.stop - r.start) for r, c in found if r.stop - r.start > 5]


@pytest.mark.parametrize("count, upright", [(1, ()), (7, ()), (7, (0, 3, 4)), (36, ()), (36, tuple(range(36))), (100, (5,))])
def test_frames_stand_in_order_at_one_scale_on_black(count, upright):
    sheet = contact_sheet(proofs(count, upright), title="Glasshouse roll", notes="a note", width=1500)
    assert sheet.dtype == np.uint8 and sheet.shape[1] >= 1500
    places = []
    for k, colour in enumerate(COLOURS):
        found = boxes(sheet, colour)
        assert len(found) == len(range(k, count, len(COLOURS)))
        places += [(*box, i) for box, i in zip(sorted(found, key=lambda b: (b[1] + b[3], b[0])), range(k, count, len(COLOURS)))]
    # Rows are told apart by the lower edge, which frames of a row share.
    by_place = sorted(places, key=lambda b: (b[1] + b[3], b[0]))
    assert [b[4] for b in by_place] == list(range(count))
    for x, y, w, h, i in places:
        assert abs(w / h - (2 / 3 if i in upright else 3 / 2)) < 0.05
        assert abs(max(w, h) - max(places[0][2:4])) <= 1
    assert (sheet[:3] == 0).all() and (sheet[:, :3] == 0).all() and (sheet[:, -3:] == 0).all()


def test_numbers_and_names_are_written_and_long_names_stay_in_their_place():
    pictures = proofs(6)
    plain = contact_sheet(pictures, width=900, columns=3)
    for name in ("other.tif", "x" * 400 + ".tif", "wrong\nline\x00.tif", "\u4e2d" * 80):
        named = contact_sheet([Proof(p.number, name if p.number == 2 else p.name, p.picture) for p in pictures], width=900, columns=3)
        assert named.shape == plain.shape
        changed = (named != plain).any(axis=2)
        columns = np.flatnonzero(changed.any(axis=0))
        x, _, w, _ = boxes(plain, COLOURS[1])[0]
        assert len(columns) and columns.min() >= x and columns.max() <= x + w
    numbered = contact_sheet([Proof(p.number + 10, p.name, p.picture) for p in pictures], width=900, columns=3)
    assert (numbered != plain).any()


def test_no_frames_and_frames_that_failed():
    assert contact_sheet([], width=400).shape[1] == 400
    sheet = contact_sheet([Proof(1, "a.dng"), *proofs(2)[1:]], width=400)
    assert len(boxes(sheet, COLOURS[1])) == 1 and sheet.max() > 100


class Page(HTMLParser):
    """Elements of a page, checked for balance."""

    VOID = {"meta", "img", "input", "br", "circle", "polygon", "link"}

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.texts = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.seen if name == tag]


def rich(count=3):
    capture = np.full((80, 120, 3), 40, np.uint8)
    out = []
    for p in proofs(count):
        out.append(Proof(p.number, p.name, p.picture, capture, ((10, 8), (110, 8), (110, 72), (10, 72)),
                         ((0.5, 0.25, 0.01, "speck"),), (("Base", "density 0.2, 0.5, 0.8"),), ("no panel frame",), 'film = "auto"'))
    return [*out, Proof(count + 1, "broken.dng", warnings=("is cut short",))]


def test_page_is_whole_and_needs_nothing_from_outside():
    text = proof_page(rich(), title="Glasshouse roll", notes="a note", warnings=("seven frames",)).decode()
    page = Page(text)
    policy = next(m["content"] for m in page.all("meta") if "http-equiv" in m)
    assert policy.startswith("default-src 'none'") and not page.all("script") and not page.all("link")
    assert all(i["src"].startswith("data:image/jpeg;base64,") for i in page.all("img"))
    assert not re.search(r"""(?:src|href)=["']?(?!["']|data:|#)""", text) and "url(" not in text and "@import" not in text
    ids = [a["id"] for _, a in page.seen if "id" in a]
    assert len(ids) == len(set(ids))
    assert all(a["href"][1:] in ids for a in page.all("a"))
    said = " ".join(page.texts)
    for words in ("Glasshouse roll", "a note", "seven frames", "frame02.tif", "density 0.2, 0.5, 0.8", "no panel frame",
                  'film = "auto"', "broken.dng", "is cut short", "not converted"):
        assert words in said


def test_page_serves_screen_readers_and_telephones():
    page = Page(proof_page(rich(), title="Glasshouse roll").decode())
    assert page.all("html")[0]["lang"] == "en" and page.all("title")
    assert any("width=device-width" in m.get("content", "") for m in page.all("meta"))
    # WCAG 2.2: 1.1.1 alternatives, 2.4.1 a way past the sheet, 2.4.6 headings, 4.1.2 names
    assert all("alt" in i for i in page.all("img"))
    assert page.all("a")[0] == {"class": "skip", "href": "#frames"}
    assert len(page.all("h1")) == 1 and len(page.all("h2")) == 4 and len(page.all("main")) == 1
    assert all(s["aria-labelledby"] for s in page.all("section"))
    pictures = [i for i in page.all("img") if i["alt"]]
    assert len(pictures) == 6 and all("frame" in i["alt"] for i in pictures)


def test_colours_of_the_page_have_contrast():
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text, 1.4.11: 3 to 1 for marks of focus."""
    from negconv import colour

    text = proof_page([]).decode()
    named = dict(re.findall(r"--(\w+): #([0-9a-f]{3,6})", text[:text.index("}")]))

    def light(code):
        code = "".join(c * 2 for c in code) if len(code) == 3 else code
        rgb = np.array([int(code[i:i + 2], 16) for i in (0, 2, 4)]) / 255
        return float(colour.decode(rgb, "srgb") @ colour.luminance("srgb"))

    for front, ratio in (("text", 4.5), ("soft", 4.5), ("mark", 3)):
        for ground in (light(named["ground"]), 0.0):
            assert (light(named[front]) + 0.05) / (ground + 0.05) >= ratio


def test_hostile_names_stay_text():
    name = '"><script>alert(1)</script><img src=x onerror=alert(1)>\x00'
    page = Page(proof_page([Proof(1, name, proofs(1)[0].picture, warnings=(name,), settings=name, facts=((name, name),))],
                           title=name, notes=name).decode())
    assert not page.all("script") and len(page.all("img")) == 2 and not any("onerror" in a for _, a in page.seen)


def test_pictures_in_the_page_are_the_frames():
    from PIL import Image

    big = np.zeros((1000, 3000, 3), np.uint8)
    big[:, 1500:] = 255
    page = Page(proof_page([Proof(1, "a", big)]).decode())
    large = Image.open(io.BytesIO(base64.b64decode(page.all("img")[1]["src"].split(",")[1])))
    assert large.size == (LARGE, LARGE // 3)
    pixels = np.asarray(large)
    assert pixels[:, :LARGE // 2 - 20].max() < 20 and pixels[:, LARGE // 2 + 20:].min() > 235


def test_a_picture_without_a_sidecar_shows_no_settings_and_spots_are_counted_in_words(tmp_path):
    import hashlib
    import json

    from negconv.output import write_image
    from negconv.proofs import proof_of

    write_image(tmp_path / "a.png", np.full((20, 30, 3), 120, np.uint8), output="png")
    assert proof_of(str(tmp_path / "a.png"), 1).settings == ""
    picture = (tmp_path / "a.png").read_bytes()
    record = {"format": 1, "negconv": "0.1.0", "inputs": {}, "warnings": [],
              "output": {"file": "a.png", "sha256": hashlib.sha256(picture).hexdigest(), "bytes": len(picture)}, "settings": {},
              "spots": {"counts": {"speck": 3, "scratch": 2, "fibre": 1}, "rows": []}}
    (tmp_path / "a.png.json").write_text(json.dumps(record))
    proof = proof_of(str(tmp_path / "a.png"), 1)
    assert "spots = " in proof.settings and dict(proof.facts)["Spots"] == "3 specks, 2 scratches, 1 fibre"


def test_on_paper_each_frame_stands_on_a_page_of_its_own_and_long_names_are_broken():
    page = proof_page(proofs(2)).decode()
    style = page[page.index("<style>"):page.index("</style>")]
    paper = style[style.index("@media print"):]
    # A heading had stood alone at the foot of a page; the dark margins were printed.
    assert ".frame { break-before: page;" in paper and "color-scheme: light" in paper and "break-inside: avoid" in paper
    assert re.search(r"h1, h2 \{[^}]*overflow-wrap: anywhere", style)
