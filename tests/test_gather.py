"""Which files are a roll's captures, what they are called, and what their bases and panels say."""
from __future__ import annotations

import os

import numpy as np
import pytest

from negconv.base import FilmBase
from negconv.errors import InputError
from negconv.gather import choose_panels, find_captures, glance, hinted, is_output, labels, misnamed, natural, usable_panels
from negconv.pool import is_blank, pool_bases


def touch(folder, *names):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")


def test_a_folder_in_natural_order_without_what_is_no_capture(tmp_path):
    touch(tmp_path, "frame10.dng", "frame2.DNG", "Frame1.tif", "notes.txt", "roll.toml", ".hidden.dng", "sub/frame3.dng",
          ".negconv-abcdef-1-00000000.part", "frame2.tif.json")
    (tmp_path / "folder.dng").mkdir()
    assert [os.path.basename(p) for p in find_captures(tmp_path)] == ["Frame1.tif", "frame2.DNG", "frame10.dng"]


def test_named_files_keep_their_order(tmp_path):
    touch(tmp_path, "b.dng", "a.dng", "more/c.dng")
    found = find_captures([tmp_path / "b.dng", tmp_path / "a.dng", tmp_path / "more"])
    assert [os.path.basename(p) for p in found] == ["b.dng", "a.dng", "c.dng"]


def test_folders_without_captures_are_one_line(tmp_path):
    with pytest.raises(InputError, match="holds no captures"):
        find_captures(tmp_path)
    with pytest.raises(InputError, match="no captures"):
        find_captures([])


def test_links_are_the_file_they_point_to(tmp_path):
    touch(tmp_path, "b.dng")
    (tmp_path / "a.dng").symlink_to("b.dng")
    (tmp_path / "broken.dng").symlink_to("gone.dng")
    assert [os.path.basename(p) for p in find_captures(tmp_path)] == ["b.dng", "broken.dng"]


def test_own_outputs_are_no_captures(tmp_path):
    from negconv.output import write_image

    touch(tmp_path, "frame1.dng")
    picture = np.zeros((8, 8, 3), np.uint8)
    for name, kind in (("frame1.tif", "tiff"), ("frame1.png", "png"), ("sheet.jpg", "jpeg")):
        write_image(tmp_path / name, picture, output=kind)
        assert is_output(tmp_path / name)
    import tifffile

    tifffile.imwrite(tmp_path / "scan.tif", picture, photometric="rgb")
    assert [os.path.basename(p) for p in find_captures(tmp_path)] == ["frame1.dng", "scan.tif"]


@pytest.mark.parametrize("paths, expected", [
    (["a/x.dng", "a/y.dng"], ["x", "y"]),
    (["a/x.dng", "b/x.dng"], ["a-x", "b-x"]),
    (["a/x.dng", "a/x.tif"], ["x-dng", "x-tif"]),
    (["a/x.dng", "a/X.DNG", "a/y.dng"], ["x", "X-2", "y"]),
    (["a/x.dng", "b/x.dng", "b/x.tif"], ["a-x-dng", "b-x-dng", "b-x-tif"]),
    (["a/x.dng", "b/x.dng", "c/a-x.dng"], ["a-x", "b-x", "a-x-2"]),
    (["a/e\u0301.dng", "b/\u00e9.dng"], ["a-e\u0301", "b-\u00e9"])])
def test_names_of_outputs_never_meet(paths, expected):
    assert list(labels(paths)) == expected


def test_names_of_many_captures_never_meet():
    rng = np.random.default_rng(5)
    stems = ["x", "X", "x-2", "x-dng", "a-x", "x-3", "b-x-2"]
    for _ in range(200):
        paths = {f"{rng.choice(['a', 'b', 'A'])}/{rng.choice(stems)}.{rng.choice(['dng', 'tif', 'DNG'])}" for _ in range(12)}
        names = [n.casefold() for n in labels(sorted(paths))]
        assert len(set(names)) == len(names)


def test_natural_order():
    names = ["b2", "a10", "a9", "A1", "a", "10", "9"]
    assert sorted(names, key=natural) == ["9", "10", "a", "A1", "a9", "a10", "b2"]


def test_hints_are_words_of_their_own():
    assert hinted("x/panel.dng", ["panel"]) and hinted("Flat_field-1.dng", ["flat"]) and hinted("panel2.dng", ["panel"])
    assert not hinted("panels/frame.dng", ["panel"]) and not hinted("flattering.dng", ["flat"])


# --- panel frames --------------------------------------------------------------------------------------------------

def write(path, light, exposure=1 / 60):
    """A raw file of a grey panel-relative picture in a camera with the usual colour of light."""
    from negconv.synthetic.rawfile import write_dng

    rng = np.random.default_rng(1)
    noisy = light + rng.normal(0, 0.004, light.shape) * np.sqrt(light)
    write_dng(path, (512 + 15000 * np.clip(noisy, 0, 1)).astype(np.uint16), exposure=exposure)


def panel_light(h=160, w=240):
    y, x = np.mgrid[-1:1:h * 1j, -1:1:w * 1j]
    return 0.8 * (1 - 0.2 * (x ** 2 + y ** 2) + 0.01 * np.cos(5 * x))


def test_the_panel_is_told_by_what_it_shows(tmp_path):
    light = panel_light()
    rng = np.random.default_rng(3)
    from scipy.ndimage import gaussian_filter

    scene = np.exp(gaussian_filter(rng.normal(0, 8, light.shape), 8))
    write(tmp_path / "a.dng", light * 0.4 * np.clip(scene, 0.05, 1))
    write(tmp_path / "b.dng", light)
    write(tmp_path / "c.dng", light * 0.45)                      # leader all over: even, but darker
    holder = light * 0.5
    holder[:20], holder[-20:], holder[:, :20], holder[:, -20:] = 0.001, 0.001, 0.001, 0.001
    write(tmp_path / "d.dng", holder)                            # leader in a holder
    write(tmp_path / "e.dng", np.full(light.shape, 0.002))       # cap on
    glances = [glance(str(p)) for p in sorted(tmp_path.iterdir())]
    assert [g.even and g.bright for g in glances] == [False, True, True, False, False]
    assert [os.path.basename(p) for p in choose_panels(glances)] == ["b.dng"]


def test_exposure_counts_where_brightness_decides(tmp_path):
    light = panel_light()
    write(tmp_path / "leader.dng", light, exposure=1 / 15)       # as bright on the sensor, four times the exposure
    write(tmp_path / "light.dng", light, exposure=1 / 60)
    write(tmp_path / "light2.dng", light * 0.98, exposure=1 / 60)
    found = choose_panels([glance(str(p)) for p in sorted(tmp_path.iterdir())])
    assert [os.path.basename(p) for p in found] == ["light.dng", "light2.dng"]


def test_dust_and_a_name_do_not_mislead(tmp_path):
    light = panel_light()
    dusty = light.copy()
    dusty[40:44, 60:64] *= 0.3
    write(tmp_path / "panel.dng", dusty)
    scene = light * np.where(np.arange(light.shape[1]) // 12 % 2, 0.3, 0.1)
    write(tmp_path / "flat.dng", scene)                          # called flat, but a picture
    found = choose_panels([glance(str(p)) for p in sorted(tmp_path.iterdir())])
    assert [os.path.basename(p) for p in found] == ["panel.dng"]
    assert glance(str(tmp_path / "none.dng")) is None and choose_panels([None]) == ()


def test_a_dark_panel_frame_is_refused_by_name_and_one_without_a_name_is_no_panel(tmp_path):
    """A roll's blank or fogged film may be even and dark as well, so a name is asked for."""
    dark = panel_light(640, 960) * 0.012
    for name in ("a.dng", "panel.dng"):
        write(tmp_path / name, dark, exposure=1 / 8000)
    seen = glance(str(tmp_path / "a.dng"))
    assert seen.even and not seen.bright
    found, wrong = usable_panels([str(p) for p in sorted(tmp_path.iterdir())])
    assert found == () and [(os.path.basename(e.path), "is nearly black" in e.fault) for e in wrong] == [("panel.dng", True)]
    write(tmp_path / "light.dng", panel_light(640, 960))
    found, wrong = usable_panels([str(p) for p in sorted(tmp_path.iterdir())])
    assert [os.path.basename(p) for p in found] == ["light.dng"] and len(wrong) == 1


def test_who_is_named_as_the_panel_without_being_it():
    roll = ["r/frame1.dng", "r/panel.dng", "r/panels.dng"]
    assert misnamed(roll, ()) == ("r/panel.dng",)
    assert misnamed(roll, ("r/frame1.dng",)) == () == misnamed(["r/panel.dng"], ())


def test_what_is_no_panel_and_no_picture_is_said_in_its_own_line(tmp_path, capsys):
    import negconv
    from negconv.cli import main
    from negconv.gather import MISNAMED
    from negconv.synthetic.roll import make_roll

    make_roll(tmp_path, frames=2, megapixels=0.1, seed=5, jobs=1)
    folder = tmp_path / "captures"
    ordinary = negconv.Roll(folder).survey(jobs=1)
    assert not any("bare panel" in w for f in ordinary.frames for w in f.plan.warnings)
    dark = panel_light(*negconv.read(folder / "panel.dng").shape) * 0.012
    (folder / "panel.dng").unlink()
    write(folder / "z.dng", dark)
    (folder / "flat.dng").write_bytes((folder / "frame01.dng").read_bytes())
    said = {f.name: f.plan.warnings for f in negconv.Roll(folder).survey(jobs=1).frames}
    assert {name for name, words in said.items() if words[0] == MISNAMED} == {"flat"}
    assert {name for name, words in said.items() if any("longer exposure" in w for w in words)} == {"z"}
    assert main(["inspect", str(folder)]) == 0
    assert [line for line in capsys.readouterr().err.splitlines() if MISNAMED in line] == [f"{folder / 'flat.dng'}: {MISNAMED}"]


# --- bases ---------------------------------------------------------------------------------------------------------

def base(*density, **more):
    return FilmBase(tuple(float(10 ** -d) for d in density), **more)


def spread(result, truth):
    return np.abs(np.array(result.density) - truth).max()


def test_bases_of_one_film_are_one_base():
    rng = np.random.default_rng(0)
    truth = np.array([0.22, 0.55, 0.85])
    bases = [base(*(truth + rng.normal(0, 0.006, 3))) for _ in range(9)]
    pooled = pool_bases(bases)
    assert len({b.rgb for b, _, _ in pooled}) == 1 and all(n == 0 and not w for _, n, w in pooled)
    assert spread(pooled[0][0], truth) < 0.006


def test_picture_mistaken_for_base_is_overruled_and_a_missing_one_filled_in():
    truth = np.array([0.22, 0.55, 0.85])
    bases = [base(*truth) for _ in range(5)] + [base(0.5, 0.7, 1.0), None]
    pooled = pool_bases(bases)
    assert spread(pooled[5][0], truth) < 1e-6 and "the roll's is used" in pooled[5][2]
    assert spread(pooled[6][0], truth) < 1e-6 and "the roll's is used" in pooled[6][2]


def test_a_base_guessed_from_picture_counts_only_where_there_is_no_better():
    truth, guess = np.array([0.22, 0.55, 0.85]), {"source": "picture"}
    pooled = pool_bases([base(*(truth + 0.1), **guess)] * 5 + [base(*truth)])
    assert all(spread(b, truth) < 1e-6 for b, _, _ in pooled) and pooled[0][2] and not pooled[5][2]
    pooled = pool_bases([base(*(truth + 0.1), **guess)] * 3)
    assert all(spread(b, truth + 0.1) < 1e-6 for b, _, _ in pooled)
    pooled = pool_bases([base(*truth)] * 3 + [base(0.2, 0.21, 0.22, **guess)])      # brighter than the roll's base
    assert spread(pooled[3][0], [0.2, 0.21, 0.22]) < 1e-6


def test_another_film_keeps_its_own_base():
    orange, grey, other = np.array([0.22, 0.55, 0.85]), np.array([0.26, 0.27, 0.28]), np.array([0.15, 0.5, 0.95])
    pooled = pool_bases([base(*orange)] * 5 + [base(*grey)] * 3)
    assert [n for _, n, _ in pooled] == [0] * 5 + [1] * 3 and spread(pooled[7][0], grey) < 1e-6
    pooled = pool_bases([base(*orange)] * 7 + [base(*grey)])              # a single black-and-white frame
    assert pooled[7][1] == 1 and spread(pooled[7][0], grey) < 1e-6
    pooled = pool_bases([base(*grey)] * 7 + [base(*orange)])              # a single colour frame
    assert pooled[7][1] == 1 and spread(pooled[7][0], orange) < 1e-6
    pooled = pool_bases([base(*orange), base(*other)])                    # nobody to ask
    assert spread(pooled[0][0], orange) < 1e-6 and spread(pooled[1][0], other) < 1e-6


def test_unknown_exposures_keep_each_captures_level():
    rng = np.random.default_rng(2)
    truth, level = np.array([0.22, 0.55, 0.85]), rng.uniform(-0.3, 0.3, 8)
    pooled = pool_bases([base(*(truth + lv + rng.normal(0, 0.004, 3))) for lv in level])
    for (result, _, _), lv in zip(pooled, level):
        assert spread(result, truth + lv) < 0.008 and "level of this one" in result.source


def test_nothing_at_all():
    assert pool_bases([]) == [] and pool_bases([None, None]) == [(None, 0, "")] * 2


def test_blank_and_fogged_frames_are_told_from_pictures():
    rng = np.random.default_rng(8)
    noise = rng.normal(0, 1, (8000, 3))
    for level in (0.5, 0.01, 0.003):                              # base, and fog to density 2 and 2.5, with a camera's noise
        assert is_blank(level * (1 + 0.03 * noise) + 0.0006 * noise)
    faint = 0.3 * 10 ** (-0.3 * np.repeat(rng.uniform(0, 1, 80), 100))[:, None] * (1 + 0.03 * noise)
    assert not is_blank(faint)
