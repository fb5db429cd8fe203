"""Films: files and their faults, wide channels, the kind of film."""
from __future__ import annotations

import json

import numpy as np
import pytest
import spectral

from negconv.capture import Meta
from negconv.density import Curve, TableCurve
from negconv.errors import InputError
from negconv.film import Film, Residuals, film_kind

META = Meta(make="Invented", model="Copy A", kind="raw")
CALIBRATED = Film("bench \"seven\"\u007f", curves=(Curve(0.6, -2, 0.2, 2.2, 0.2), Curve(), TableCurve(((0, -2), (2, 1.5)))),
                  camera="Invented Copy A", notes=("patch 3 left out",),
                  residuals=Residuals((1.0, float("nan"), 2.5), 1.75, 2.35, 2.5, 2.1))


def with_matrix(world) -> Meta:
    return Meta(kind="raw", camera_matrix=tuple(map(tuple, world.camera_matrix)))


@pytest.mark.parametrize("film", [Film.colour(), Film.mono(), CALIBRATED], ids=lambda f: f.name)
def test_a_film_file_gives_the_film_back(film, tmp_path):
    film.save(tmp_path / "film.toml")
    back = Film.load(tmp_path / "film.toml")
    assert back.to_dict() == film.to_dict()
    assert Film.from_dict(json.loads(json.dumps(film.to_dict()))).to_dict() == film.to_dict()


@pytest.mark.parametrize("change, says", [
    ('kind = "color"', 'kind must be "colour" or "mono"'),
    ("unmix = [[1, 0], [0, 1]]", "unmix must be"),
    ("unmix = [[1, 0, 0], [0, nan, 0], [0, 0, 1]]", "unmix must be"),
    ('matrix = "none"', "matrix must be"),
    ("matrix = [[true, 0, 0], [0, 1, 0], [0, 0, 1]]", "matrix must be"),
    ('sensing = "far"', "sensing must be"),
    ("gamma = 2", "gamma is not a key"),
    ("unmx = 1", "did you mean unmix?"),
    ("notes = [1]", "notes must be a list of texts"),
    ("name = ", "Invalid value"),
])
def test_a_bad_film_file_gets_one_line(change, says, tmp_path):
    key = change.split(" =")[0]
    path = tmp_path / "film.toml"
    Film.colour().save(path)
    lines = [line for line in path.read_text().splitlines() if not line.startswith(key + " =")]
    path.write_text("\n".join([change, *lines]))
    with pytest.raises(InputError) as error:
        Film.load(path)
    assert says in str(error.value) and str(path) in str(error.value) and "\n" not in str(error.value)


@pytest.mark.parametrize("curve, says", [("gamma = 0.6", "curves.start is missing"), ("gamma = 0\nstart = 0", "curve"),
                                         ("gamma = 0.6\nstart = -2\nknee = 1", "curves.knee is not a key"),
                                         ("points = [[0, 0]]", "curves.points must be")])
def test_a_bad_curve_gets_one_line(curve, says, tmp_path):
    path = tmp_path / "film.toml"
    Film.mono().save(path)
    path.write_text(path.read_text().split("[[curves]]")[0] + "[[curves]]\n" + curve + "\n")
    with pytest.raises(InputError) as error:
        Film.load(path)
    assert says in str(error.value) and "\n" not in str(error.value)


def test_what_is_no_text_gets_one_line(tmp_path):
    for content in (b"\xff\xfe\x00", b"x" * 2_000_000):
        (tmp_path / "film.toml").write_bytes(content)
        with pytest.raises(InputError):
            Film.load(tmp_path / "film.toml")
    with pytest.raises(InputError, match="no such file"):
        Film.load(tmp_path / "missing.toml")


def test_a_calibrated_film_refuses_another_camera():
    CALIBRATED.check_camera(META)
    other = Meta(make="Invented", model="Copy B", kind="raw")
    with pytest.raises(InputError, match="Invented Copy B.*Invented Copy A"):
        CALIBRATED.check_camera(other, path="a.dng")
    CALIBRATED.check_camera(other, any_camera=True)
    Film.colour().check_camera(other)


@pytest.mark.parametrize("index", [0, 1])
def test_wide_channels_keep_the_panel_and_part_what_the_camera_mixes(index):
    world = spectral.World(spectral.STOCKS[0], spectral.light("LED-B4"), spectral.camera(index))
    film, meta = Film.colour(), with_matrix(world)
    through = film.channels(meta, world.base)
    np.testing.assert_allclose(through.sum(axis=1), 1, atol=1e-12)
    scaled = Meta(kind="raw", camera_matrix=tuple(tuple(3 * v for v in row) for row in meta.camera_matrix))
    np.testing.assert_allclose(film.channels(scaled, world.base), through, atol=1e-9)
    # The single dye layers, each alone at density 1: the wide channels see them further apart than the camera's own.
    seen = world._seen(np.eye(3))
    own = -np.log10(seen / world.base)
    wide = film.densities(seen, world.base, meta)

    def apart(d):
        return np.linalg.cond(d / np.linalg.norm(d, axis=1, keepdims=True))
    assert apart(wide) < apart(own)


def test_densities_stay_finite_whatever_the_camera_says():
    film = Film.colour()
    for matrix in (((1, 0, 0), (1, 0, 0), (0, 0, 1)), ((1, 1, 1), (1, 1.01, 1), (1, 1, 1.01)), ((float("nan"),) * 3,) * 3):
        d = film.densities([(0.3, 0.1, 0.001), (0.001, 0.2, 0.2)], (0.6, 0.3, 0.1), Meta(kind="raw", camera_matrix=matrix))
        assert np.isfinite(d).all() and np.isfinite(film.log_exposures(d)).all()


@pytest.mark.parametrize("stock", spectral.STOCKS, ids=lambda s: s.name)
@pytest.mark.parametrize("index", [0, 1])
def test_colour_film_is_told_by_base_or_densities(stock, index):
    world = spectral.World(stock, spectral.light("LED-B4"), spectral.camera(index))
    seen = np.repeat(world.negative(spectral.reflectances("cc_ohta")), 20, axis=0)
    densities = -np.log10(seen / world.base)
    assert film_kind(-np.log10(world.base), densities)[0] == "colour"
    assert film_kind(None, densities)[0] == "colour"


@pytest.mark.parametrize("slopes", [(1, 1, 1), (0.96, 1.0, 1.07)])
def test_silver_is_told_by_its_densities(slopes):
    rng = np.random.default_rng(4)
    d = rng.uniform(0, 1.8, (4000, 1)) * slopes + rng.normal(0, 0.008, (4000, 3))
    kind, reason = film_kind((0.20, 0.21, 0.24), d)
    assert kind == "mono" and "densities" in reason
    assert film_kind(None, d)[0] == "mono"


def test_generic_mono_has_the_contrast_of_development_for_pictures():
    # ISO 6:1993: density 0.80 over 1.30 decades from 0.10 above base and fog; the generic film is within 5 % of that.
    (curve,) = Film.mono().curves
    speed_point = float(curve.log_exposure(0.10))
    assert float(curve.density(speed_point + 1.30)) - 0.10 == pytest.approx(0.80, rel=0.05)
    # ISO 2720 (from memory): a metered grey lies a decade over the speed point.
    assert np.log10(0.18) - speed_point == pytest.approx(1.0, abs=0.05)
