"""The fused pass against the plain way through the library's own value functions, in double precision."""
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from negconv import invert as fused
from negconv.balance import Balance
from negconv.base import FilmBase
from negconv.capture import Capture, Meta
from negconv.conversion import Plan, apply, stages
from negconv.density import Curve, TableCurve
from negconv.encode import Encoder
from negconv.film import Film
from negconv.flat import panel_field
from negconv.resample import Cut, cut
from negconv.tone import ToneCurve

pytestmark = pytest.mark.usefixtures("inner_loops")

SHAPE = (90, 130)
BASE = FilmBase((0.55, 0.33, 0.16))
CAMERA = Meta(make="Invented", model="Copy A", kind="raw",
              camera_matrix=((0.7034, -0.2019, -0.0587), (-0.4126, 1.2371, 0.1984), (-0.0963, 0.2110, 0.6145)))
FILMS = {
    "generic colour": Film.colour(),
    "generic mono": Film.mono(),
    "unmixed": Film("unmixed", unmix=((1.1, -0.08, -0.02), (-0.05, 1.2, -0.1), (0.01, -0.2, 1.3)),
                    curves=(Curve(0.55, -2, 0.2), Curve(0.6, -2.1, 0.1, 2.4, 0.2),
                            TableCurve(((-0.1, -3), (0.6, -1), (1.8, 0.7)))),
                    matrix=((1.3, -0.2, -0.1), (-0.15, 1.3, -0.15), (0.0, -0.3, 1.3))),
    "mono, one channel": Film("green", "mono", unmix=((0.0, 1.0, 0.0),), curves=(Curve(0.62, -2, 0.18),),
                              matrix=((1.0,),)),
}
BALANCES = {
    "plain": lambda layers: Balance(slope=(1.0,) * layers, offset=(-1.5,) * layers, gain=(1.0,) * layers,
                                    black=(0.0,) * layers),
    "all": lambda layers: Balance(slope=(0.96, 1.0, 1.05)[:layers], offset=(-1.4, -1.5, -1.3)[:layers],
                                  gain=(1.2, 0.9, 1.1)[:layers],
                                  black=(0.004, 0.006, 0.002)[:layers]),
    "combined": lambda layers: Balance((1.0,), (-1.2,), (1.0,), (0.01,), combine=((0.2, 0.5, 0.3),)),
}
CUTS = {
    "upright": Cut.rectangle(11, 7, 100, 70),
    "turned by a quarter": Cut(((0.0, -1.0, 100.0), (1.0, 0.0, 10.0)), (80, 60)),
    "half a turn, mirrored": Cut(((1.0, 0.0, 10.0), (0.0, -1.0, 80.0)), (70, 100)),
    "turned": Cut(((0.9994, -0.03490, 14.3), (0.03490, 0.9994, 6.8)), (70, 95)),
    "turned and a quarter": Cut(((0.02, -0.9998, 100.2), (0.9998, 0.02, 8.6)), (80, 60)),
    "over the edge": Cut.rectangle(-5, -4, 140, 100),
    "one pixel": Cut.rectangle(40, 30, 1, 1),
    "one row": Cut(((0.9994, -0.0349, 14.3), (0.0349, 0.9994, 6.8)), (1, 90)),
}


def picture(seed: int = 0) -> np.ndarray:
    """uint16 samples of a negative under uneven light: smooth densities from -0.05 to 2.2 above base, and grain."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:SHAPE[0], 0:SHAPE[1]] / max(SHAPE)
    grain = rng.normal(0, 0.06, SHAPE + (1,)) + rng.normal(0, 0.02, SHAPE + (3,))
    density = 1.0 + 0.9 * np.sin(9 * x + 4 * y)[..., None] * (1.0, 0.97, 1.03) + grain
    tau = BASE.rgb * 10.0 ** -np.clip(density, -0.05, 2.2)
    return np.clip(tau * light()[:, :, None] * (0.8, 0.9, 0.75) * 16000, 1, 15800).astype(np.uint16)


def light() -> np.ndarray:
    y, x = np.mgrid[0:SHAPE[0], 0:SHAPE[1]]
    return 1 - 0.3 * (((x - 60) / 130) ** 2 + ((y - 50) / 90) ** 2)


def panel():
    return panel_field(Capture((light()[..., None] * (0.8, 0.9, 0.75) * 16000).astype(np.uint16), 16000.0, CAMERA))


def in_two(data: np.ndarray, where: Cut) -> np.ndarray:
    """A cut as its left and its right half: where shears turn about matters to what lies near half a cycle a pixel."""
    (h, w), (a, b) = where.shape, (where.matrix[0][:2], where.matrix[1][:2])
    halves = []
    for x0, x1 in ((0, -(-w // 2)), (-(-w // 2), w)):
        x, y = where.to_capture(x0, 0)
        if x1 > x0:
            halves.append(cut(data, Cut(((*a, x), (*b, y)), (h, x1 - x0))))
    return np.concatenate(halves, axis=1)


def plain(capture: Capture, field, plan: Plan) -> tuple[np.ndarray, np.ndarray]:
    """Linear light and mean density of a plan, step by step in double precision."""
    data = capture.samples.astype(float) / capture.white
    if field is not None:
        data /= 1 / field.rows(field.wide(capture.shape[1]).astype(float), 0, capture.shape[0]).astype(float)
    relative = in_two(data.astype(np.float32), plan.cut).astype(float)
    densities = plan.film.densities(relative, plan.base.rgb, capture.meta)
    out = plan.balance.apply(plan.film, densities)
    weights = np.full(3, 1 / 3) if plan.film.kind == "colour" else plan.balance.unmix(plan.film)[0]
    return (out if out.shape[-1] == 3 else out[..., 0]), densities @ (weights / weights.sum())


@pytest.mark.parametrize("where", CUTS)
@pytest.mark.parametrize("film", FILMS)
@pytest.mark.parametrize("with_panel", (False, True))
def test_equal_to_the_plain_way_within_one_code_value(film, where, with_panel):
    film = FILMS[film]
    capture, field = Capture(picture(), 16000.0, CAMERA), panel() if with_panel else None
    for name, make in BALANCES.items():
        if name == "combined" and film.kind == "colour":
            continue
        plan = Plan(CUTS[where], BASE, film, make(film.layers))
        got = apply(capture, plan, panel=field, threads=1)
        linear, density = plain(capture, field, plan)
        assert got.linear.dtype == np.float32
        assert got.linear.shape == linear.shape == CUTS[where].shape + (3,) * (film.layers == 3)
        assert np.isfinite(got.linear).all()
        for tone in (ToneCurve(), ToneCurve.off()):
            codes = [replace(got, linear=v.astype(np.float32), tone=tone).encode(threads=1).astype(int)
                     for v in (got.linear, linear)]
            assert np.abs(codes[0] - codes[1]).max() <= 1
        assert np.abs(got.density - density).max() < 2e-5
        assert np.abs(got.linear - linear).max() <= 1e-5 * max(1.0, np.abs(linear).max())


@pytest.mark.parametrize("where", CUTS)
@pytest.mark.parametrize("film", ("unmixed", "generic mono"))
def test_threads_do_not_change_a_byte(film, where):
    film, where = FILMS[film], CUTS[where]
    if where.shape[0] > 1:
        where = Cut(where.matrix, (where.shape[0] * 4, where.shape[1]))
    capture = Capture(np.tile(picture(1), (4, 1, 1)), 16000.0, CAMERA)
    plan = Plan(where, BASE, film, BALANCES["all"](film.layers))
    one, two, four = (apply(capture, plan, threads=n) for n in (1, 2, 4))
    assert one.linear.tobytes() == two.linear.tobytes() == four.linear.tobytes()
    assert one.density.tobytes() == two.density.tobytes()


@pytest.mark.parametrize("film", ("unmixed", "generic mono"))
@pytest.mark.parametrize("where", ("upright", "turned", "turned by a quarter"))
def test_encoding_on_the_way_gives_the_same_codes(film, where):
    """A strip encoded in the cache is what the whole linear picture would be encoded to."""
    film = FILMS[film]
    capture, plan = Capture(picture(2), 16000.0, CAMERA), Plan(CUTS[where], BASE, film, BALANCES["all"](film.layers))
    whole = apply(capture, plan, threads=1)
    for space, bits in (("srgb", 16), ("romm", 8)):
        encoder = Encoder(whole.tone, space=space, bits=bits, grey=film.layers == 1)
        codes, density = fused.invert(capture, plan.cut, stages(plan, CAMERA), threads=2, encoder=encoder)
        assert np.array_equal(codes, whole.encode(space, bits, threads=1))
        assert density.tobytes() == whole.density.tobytes()


def test_a_reduced_capture_gives_the_reduced_picture():
    """Planned on the full capture, applied to block means of it: flat light comes out the same."""
    samples = np.empty((96, 144, 3), np.uint16)
    samples[:] = (5000, 3000, 1500)
    plan = Plan(Cut.rectangle(12, 12, 96, 72), BASE, Film.colour(), BALANCES["plain"](3))
    full = apply(Capture(samples, 16000.0), plan, threads=1)
    small = apply(Capture(samples, 16000.0).proxy(48), plan, threads=1)
    assert small.linear.shape == (24, 32, 3) and full.linear.shape == (72, 96, 3)
    assert np.abs(small.linear - full.linear[0, 0]).max() < 1e-5


@pytest.mark.parametrize("film", FILMS)
def test_whatever_light_gives_finite_values(film):
    """Zero, negative (after black subtraction), saturated, far over saturation, subnormal: no NaN, no infinity."""
    values = np.float32([0, -0.01, -1e9, 1, 1e9, 3e38, 1e-45, 1e-30, 0.5, -0.0])
    rng = np.random.default_rng(3)
    data = rng.choice(values, (40, 50, 3)).astype(np.float32)
    for name, where in CUTS.items():
        where = Cut(where.matrix, (min(30, where.shape[0]), min(40, where.shape[1])))
        plan = Plan(where, BASE, FILMS[film], BALANCES["all"](FILMS[film].layers))
        got = apply(Capture(np.clip(data, -1e30, 1e30), 1.0, CAMERA), plan, threads=1)
        assert np.isfinite(got.linear).all() and np.isfinite(got.density).all(), name
        got.encode(bits=8, threads=1)


@pytest.mark.parametrize("film", ("unmixed", "generic mono", "mono, one channel"))
def test_the_negative_turned_over(film):
    """More light through the negative never prints lighter: grey steps of a straight film fall in order."""
    layers = FILMS[film].layers
    tau = np.geomspace(1.0, 0.01, 200)[None, :, None] * np.array(BASE.rgb)
    chosen = FILMS[film] if layers == 1 else replace(FILMS[film], unmix=np.eye(3))
    plan = Plan(Cut.rectangle(0, 0, 200, 4), BASE, chosen, BALANCES["plain"](layers))
    got = apply(Capture(np.repeat(tau, 4, axis=0).astype(np.float32)), plan, threads=1).linear
    grey = got if layers == 1 else got @ np.float32((0.2126, 0.7152, 0.0722))
    assert (np.diff(grey, axis=1) > 0).all()


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("where", CUTS.values(), ids=CUTS.keys())
@pytest.mark.parametrize("film", FILMS.values(), ids=FILMS.keys())
def test_rows_handed_over_are_the_picture(monkeypatch, film, where, threads):
    """From the top down, each once, whatever thread made them; memory of rows handed over is used again."""
    for name, size in (("TILE_ROWS", 16), ("TILE_COLUMNS", 40), ("MOST", 12), ("FEWEST", 8)):
        monkeypatch.setattr(fused, name, size)
    capture = Capture(picture(4), 16000.0, CAMERA)
    plan = Plan(where, BASE, film, BALANCES["plain"](film.layers))
    folded, encoder = stages(plan, CAMERA), Encoder(ToneCurve(), grey=film.kind == "mono")
    whole, _ = fused.invert(capture, where, folded, encoder=encoder)
    rows = []
    nothing, _ = fused.invert(capture, where, folded, encoder=encoder, threads=threads, done=lambda part: rows.append(part.copy()))
    assert nothing is None and len(rows) > (where.shape[0] > 16)
    assert (np.concatenate(rows) == whole).all()
