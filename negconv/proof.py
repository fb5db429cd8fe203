"""The proof page: one HTML file with the contact sheet, every frame larger, and what was found and done.

No script, no link to anything outside: pictures are data in the page, and its policy forbids everything else.
"""
from __future__ import annotations

import base64
import io
from html import escape
from typing import Sequence

import numpy as np

from .sheet import Proof

#: Long sides in pixels of the pictures on the sheet, of the positives and of the captures.
THUMB, LARGE, BEFORE = 320, 1200, 800
QUALITY = 85

_STYLE = """
:root { color-scheme: dark; --ground: #111; --text: #eee; --soft: #b4b4b4; --line: #3a3a3a; --mark: #ffb000; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 90rem; background: var(--ground); color: var(--text);
  font: 1rem/1.5 system-ui, sans-serif; }
a { color: inherit; }
a:focus-visible, summary:focus-visible, input:focus-visible, [tabindex]:focus-visible { outline: 3px solid var(--mark); outline-offset: 3px; }
.skip { position: absolute; left: -100vw; }
.skip:focus { position: static; }
h1 { font-size: 1.5rem; margin: 0; } h2 { font-size: 1.2rem; margin: 0; } h3 { font-size: 1rem; margin: 1rem 0 .25rem; }
h1, h2 { min-width: 0; overflow-wrap: anywhere; }
header p, figcaption, footer { color: var(--soft); margin: .25rem 0; }
img, svg { display: block; width: 100%; height: auto; }
.sheet { list-style: none; margin: 1rem 0 3rem; padding: 0; display: grid; gap: 1rem .75rem; align-items: start;
  grid-template-columns: repeat(auto-fill, minmax(min(14rem, 44%), 1fr)); background: #000; }
.sheet a { display: block; text-decoration: none; overflow-wrap: anywhere; }
.sheet b { margin-right: .4em; }
.none { aspect-ratio: 3 / 2; border: 1px solid var(--line); display: grid; place-items: center; color: var(--soft); }
.frame { border-top: 1px solid var(--line); padding: 1.25rem 0 2rem; }
.frame > header { display: flex; flex-wrap: wrap; gap: .25rem 1.5rem; justify-content: space-between; margin-bottom: .75rem; }
.pictures { display: grid; gap: 1rem; align-items: start; }
figure { margin: 0; position: relative; }
.over { position: relative; }
.over svg { position: absolute; inset: 0; height: 100%; }
.over polygon { fill: none; stroke: var(--mark); stroke-width: 2; vector-effect: non-scaling-stroke; }
.over circle { fill: none; stroke: var(--mark); stroke-width: 1.5; vector-effect: non-scaling-stroke; }
body:has(#marks:not(:checked)) .over svg { display: none; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem 1rem; margin: .5rem 0; }
dt { color: var(--soft); } dd { margin: 0; overflow-wrap: anywhere; }
.warnings { border-left: 4px solid var(--mark); padding: .1rem 0 .1rem 1.9rem; margin: .5rem 0; }
pre { overflow-x: auto; background: #000; padding: .75rem; font-size: .85rem; }
summary { cursor: pointer; padding: .25rem 0; }
@media (min-width: 60rem) { .pictures.two { grid-template-columns: 3fr 2fr; } }
@media print { :root { color-scheme: light; --ground: #fff; --text: #000; --soft: #444; } .skip, .ways, .marks, details { display: none; }
  .sheet, pre { background: #fff; } .sheet li, figure { break-inside: avoid; } .frame { break-before: page; border: 0; }
  .pictures.two { grid-template-columns: 3fr 2fr; } }
"""


def proof_page(proofs: Sequence[Proof], *, title: str = "", notes: str = "", warnings: Sequence[str] = ()) -> bytes:
    """A self-contained HTML page of a roll.

    Parameters
    ----------
    proofs : sequence of Proof
        In the order of the roll.
    title, notes : str
        Heading, and the line under it.
    warnings : sequence of str
        What concerns the whole roll.

    Returns
    -------
    bytes
        UTF-8.

    Examples
    --------
    >>> page = proof_page([Proof(1, "frame01.tif", np.full((20, 30), 128, np.uint8))], title="Glasshouse roll")
    >>> b"http" in page.replace(b"http-equiv", b"")
    False
    """
    title = title or "Contact sheet"
    count = f"{len(proofs)} frame{'s' * (len(proofs) != 1)}"
    body = [
        "<!DOCTYPE html>", '<html lang="en">', "<head>", '<meta charset="utf-8">',
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">",
        '<meta name="viewport" content="width=device-width, initial-scale=1">', f"<title>{_text(title)}</title>",
        f"<style>{_STYLE}</style>", "</head>", "<body>", '<a class="skip" href="#frames">Skip the contact sheet</a>',
        "<header>", f"<h1>{_text(title)}</h1>", f"<p>{_text('. '.join(filter(None, (notes, count))))}</p>",
        _warnings(warnings, "Warnings of the roll"), "</header>", "<main>",
        '<nav id="sheet" aria-label="Contact sheet">', '<ol class="sheet">']
    for proof in proofs:
        body.append(f'<li><a href="#frame-{proof.number}">{_thumb(proof)}<b>{proof.number}</b>{_text(proof.name)}'
                    f'{" (warnings)" if proof.warnings else ""}</a></li>')
    body += ["</ol>", "</nav>", '<div id="frames">']
    if any(p.spots or p.outline for p in proofs):
        body.append('<p class="marks"><label><input type="checkbox" id="marks" checked> Show outlines and spots on the pictures</label></p>')
    for i, proof in enumerate(proofs):
        body += _frame(proof, proofs[i - 1] if i else None, proofs[i + 1] if i + 1 < len(proofs) else None)
    body += ["</div>", "</main>", "<footer><p>Made by negconv. This page needs no network.</p></footer>", "</body>", "</html>", ""]
    return "\n".join(line for line in body if line != "").encode("utf-8", "replace") + b"\n"


def _frame(proof: Proof, before: Proof | None, after: Proof | None) -> list[str]:
    ways = " ".join([f'<a href="#frame-{p.number}">{word} ({p.number})</a>' for p, word in ((before, "Previous"), (after, "Next"))
                     if p] + ['<a href="#sheet">Sheet</a>'])
    out = [f'<section class="frame" id="frame-{proof.number}" aria-labelledby="name-{proof.number}">', "<header>",
           f'<h2 id="name-{proof.number}">{proof.number}. {_text(proof.name)}</h2>', f'<div class="ways">{ways}</div>', "</header>",
           _warnings(proof.warnings, "Warnings")]
    figures = []
    if proof.picture is not None:
        marks = "".join(f'<circle cx="{x * 1000:.1f}" cy="{y * 1000 * _aspect(proof):.1f}" r="{max(r * 1000, 4):.1f}"/>'
                        for x, y, r, _ in proof.spots)
        spots = f" {_count(proof)} marked." if proof.spots else ""
        figures.append(_figure(proof.picture, LARGE, f"Positive of frame {proof.number}, {proof.name}.{spots}", "After" +
                               (f": the positive, {_count(proof)} marked" if proof.spots else ": the positive"),
                               (1000, 1000 * _aspect(proof)), marks))
    if proof.before is not None:
        h, w = proof.before.shape[:2]
        points = " ".join(f"{x + 0.5:.1f},{y + 0.5:.1f}" for x, y in proof.outline)
        outline = f'<polygon points="{points}"/>' if points else ""
        words = "Before: the capture" + (" with the outline of the frame that was found" if points else "")
        figures.append(_figure(proof.before, BEFORE, f"{words}, frame {proof.number}.", words, (w, h), outline))
    out += [f'<div class="pictures{" two" if len(figures) > 1 else ""}">', *figures, "</div>"]
    if proof.facts:
        rows = "".join(f"<dt>{_text(label)}</dt><dd>{_text(value)}</dd>" for label, value in proof.facts)
        out += ["<h3>Found</h3>", f"<dl>{rows}</dl>"]
    if proof.settings:
        out.append(f'<details><summary>Settings of frame {proof.number}</summary><pre tabindex="0">{_text(proof.settings, True)}</pre></details>')
    return [*out, "</section>"]


def _figure(picture: np.ndarray, side: int, words: str, caption: str, size: tuple[float, float], marks: str) -> str:
    over = (f'<svg viewBox="0 0 {size[0]:.1f} {size[1]:.1f}" preserveAspectRatio="none" aria-hidden="true">{marks}</svg>'
            if marks else "")
    return (f'<figure><div class="over">{_image(picture, side, words)}{over}</div>'
            f"<figcaption>{_text(caption)}</figcaption></figure>")


def _thumb(proof: Proof) -> str:
    if proof.picture is None:
        return '<span class="none">not converted</span>'
    return _image(proof.picture, THUMB, "", lazy=False)  # its name follows as text


def _image(picture: np.ndarray, side: int, words: str, *, lazy: bool = True) -> str:
    from PIL import Image

    image, file = Image.fromarray(picture), io.BytesIO()
    if max(image.size) > side:
        image.thumbnail((side, side), Image.Resampling.LANCZOS, reducing_gap=3.0)
    image.save(file, "JPEG", quality=QUALITY)
    data = base64.b64encode(file.getvalue()).decode("ascii")
    return (f'<img src="data:image/jpeg;base64,{data}" width="{image.width}" height="{image.height}" alt="{_text(words)}"'
            f'{" loading=lazy" if lazy else ""}>')


def _aspect(proof: Proof) -> float:
    return proof.picture.shape[0] / proof.picture.shape[1]


def _count(proof: Proof) -> str:
    return f"{len(proof.spots)} spot{'s' * (len(proof.spots) != 1)}"


def _warnings(warnings: Sequence[str], label: str) -> str:
    if not warnings:
        return ""
    return f'<ul class="warnings" aria-label="{label}">' + "".join(f"<li>{_text(w)}</li>" for w in warnings) + "</ul>"


def _text(words: str, lines: bool = False) -> str:
    return escape("".join(c if c.isprintable() or (lines and c in "\n\t") else "?" for c in words))
