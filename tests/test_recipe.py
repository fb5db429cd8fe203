"""Recipes: TOML and JSON and back, one-line errors, tables of frames, and names of files that must stay inside."""
from __future__ import annotations

import json
import os
import pickle
import sys
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from negconv.errors import InputError
from negconv.finish import Ellipse, Gradient, LocalExposure, Moves, Painted, Product, Tonal
from negconv.finish.masks import MASKS, AnyMask
from negconv.recipe import Recipe, line_of
from negconv.settings import (Choice, Either, Group, Listing, Number, Numbers, SettingError, Text, Truth, Unset, settings_of)
from negconv.tone import ToneCurve

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


# ---- any recipe at all, drawn from what each setting says it may hold --------------------------------------------------

def drawn(kind, depth: int = 2):
    if isinstance(kind, Number):
        return st.integers(int(kind.low), int(kind.high)) if kind.whole else st.floats(kind.low, kind.high)
    if isinstance(kind, Choice):
        return st.sampled_from(kind.choices)
    if isinstance(kind, Truth):
        return st.booleans()
    if isinstance(kind, Numbers):
        low = st.floats(kind.low, kind.high)
        high = st.floats(max(kind.low, 0.001), kind.high)
        return st.tuples(*[high if kind.sized and i > 1 else low for i in range(kind.names.count(",") + 1)])
    if isinstance(kind, Unset):
        return st.none() | drawn(kind.kind, depth)
    if isinstance(kind, Either):
        return st.one_of(*[drawn(k, depth) for k in kind.kinds])
    if isinstance(kind, Group):
        return group(kind.of, depth)
    if isinstance(kind, Listing):
        return st.lists(drawn(kind.each, depth), min_size=kind.least, max_size=kind.least + 1).map(tuple)
    if isinstance(kind, AnyMask):
        return st.one_of(*[group(c, depth - 1) for n, c in MASKS.items()
                           if depth > 0 or n not in ("product", "union", "complement")])
    if isinstance(kind, Text):
        return st.sampled_from(["6x9", "135"]) if "format" in kind.allowed else \
            st.from_regex(r"[A-Za-z '\"\\#é]{1,8}\.toml", fullmatch=True)
    return st.none()


#: Settings whose parts must fit each other, and so are drawn whole.
WHOLE = {
    Gradient: st.builds(Gradient, start=st.just((0.1, 0.2)), end=st.tuples(st.floats(0.3, 2), st.floats(-1, 2))),
    Tonal: st.builds(Tonal, low=st.floats(-20, 0), high=st.floats(0, 20), feather=st.floats(0.01, 10)),
    ToneCurve: st.builds(ToneCurve, contrast=st.floats(0.25, 4), toe=st.floats(0, 4), points=st.sampled_from(
        [(), ((50, 60),), ((0, 3), (25, 20.5), (100, 97))])),
}


def group(cls, depth: int = 2):
    if cls in WHOLE:
        return WHOLE[cls]
    return st.builds(cls, **{f.name: drawn(f.metadata["kind"], depth) for f in settings_of(cls) if f.name != "frames"})


FRAMES = st.dictionaries(st.one_of(st.integers(1, 36).map(str), st.text(min_size=1, max_size=8)), st.fixed_dictionaries({}, optional={
    "exposure": st.floats(-10, 10), "crop": st.none() | st.just((0.1, 0.0, 0.9, 1.0)), "level": st.sampled_from([0.5, "horizon"]),
    "tone.contrast": st.floats(0.25, 4), "spotting": st.fixed_dictionaries({"accept": st.lists(st.integers(1, 99), max_size=3)}),
    "moves": st.fixed_dictionaries({"burn": st.lists(group(LocalExposure, 1), max_size=2)}),
    "moves.edge_burn.stops": st.floats(-4, 4)}), max_size=2)


@st.composite
def recipes(draw):
    return replace(draw(group(Recipe)), frames=draw(FRAMES))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(recipes())
def test_recipe_to_toml_to_recipe_is_the_identity(recipe):
    assert Recipe.from_toml(recipe.to_toml()) == recipe
    assert Recipe.from_toml(recipe.to_toml(brief=True)) == recipe


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(recipes())
def test_recipe_to_json_to_recipe_is_the_identity(recipe):
    assert Recipe.from_dict(json.loads(json.dumps(recipe.to_dict()))) == recipe
    assert pickle.loads(pickle.dumps(recipe)) == recipe


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60) | st.text(alphabet='[]{}=".#\n ,1aexposure', max_size=60))
def test_any_text_is_a_recipe_or_one_line(text):
    try:
        Recipe.from_toml(text)
    except InputError as error:
        assert "\n" not in str(error) and str(error).startswith("recipe: ")


# ---- the printed recipe ------------------------------------------------------------------------------------------------

def test_the_printed_recipe_holds_every_setting_with_its_default():
    values = tomllib.loads(Recipe().to_toml())
    plain = Recipe().to_dict()
    assert plain.pop("frames") == {}
    for name in ("dodge", "burn"):
        assert plain["moves"].pop(name) == []
    assert values == plain


def test_the_printed_recipe_says_limits_and_units_above_each_setting():
    lines = Recipe().to_toml().splitlines()
    above = lines[lines.index("exposure = 0.0") - 2:lines.index("exposure = 0.0")]
    assert above == ["# Light added to the picture.", "#   a number, -10 to 10 stops"]
    for i, line in enumerate(lines):
        if " = " in line and not line.startswith("#"):
            assert lines[i - 1].startswith("#   "), line


def test_the_brief_recipe_and_the_repr_say_only_what_differs():
    recipe = Recipe(film="mono", tone={"contrast": 1.4}, frames={"3": {"exposure": 0.5}})
    assert recipe.to_toml(brief=True) == 'film = "mono"\ntone.contrast = 1.4\n\n[frames."3"]\nexposure = 0.5\n'
    assert repr(Recipe()) == "Recipe()" and repr(Recipe(film="mono", tone={"contrast": 1.4})) == "Recipe(film='mono', tone.contrast=1.4)"


def test_the_examples_in_the_printed_recipe_are_recipes():
    text = Recipe().to_toml()
    shown = []
    for line in text.splitlines():
        if line.startswith("# [[") or (shown and line.startswith("# ")):
            shown.append(line[2:])
        elif shown:
            recipe = Recipe.from_toml("\n".join(shown))
            assert recipe.moves.dodge or recipe.moves.burn or recipe.frames
            shown = []
    frames = text[text.index('# [frames."frame03"]'):].replace("# ", "")
    assert Recipe.from_toml(frames).for_frame("frame03.dng").crop == (0.05, 0, 0.9, 1)


# ---- what each setting may hold ----------------------------------------------------------------------------------------

def numbers(cls, at: str = ""):
    for f in settings_of(cls):
        kind = f.metadata["kind"]
        if isinstance(kind, Number):
            yield f"{at}{f.name}", kind
        elif isinstance(kind, Group):
            yield from numbers(kind.of, f"{at}{f.name}.")


@pytest.mark.parametrize("key, kind", list(numbers(Recipe)), ids=lambda v: v if isinstance(v, str) else "")
def test_every_number_is_taken_up_to_its_limits_and_no_further(key, kind):
    for good in (kind.low, kind.high):
        Recipe().changed({key: good})
    for bad in (kind.low - 1, kind.high + 1, float("nan"), float("inf"), "1", True, None, [1]):
        with pytest.raises(SettingError) as error:
            Recipe().changed({key: bad})
        assert str(error.value).startswith(f"{key} = ") and kind.allowed in str(error.value)


@pytest.mark.parametrize("text, line, said", [
    ("exposre = 1", 1, "exposre is not a setting; did you mean exposure?"),
    ("\n\n[tone]\ncontrst = 1.2", 4, "tone.contrst is not a setting; did you mean tone.contrast?"),
    ("film = 'mono'\n[tone]\n# so\ncontrast = 9.0", 4, "tone.contrast = 9.0: must be a number, 0.25 to 4"),
    ("tone.contrast = 9.0", 1, "tone.contrast = 9.0"),
    ("turn = 45", 1, "turn = 45: must be one of 0, 90, 180, 270"),
    ("crop = [\n 0.5,\n 0,\n 0,\n 1]\nquality = 95", 1, "crop = [0.5, 0, 0, 1]"),
    ("notes = [\n 'quality = 0',\n]\nquality = 0", 1, "notes is not a setting"),
    ("base = [\n 0.5,\n 0.3, # ]\n 0.2]\nquality = 0", 5, "quality = 0: must be a whole number, 1 to 100"),
    ("[[moves.burn]]\nstops = 1.0\n[[moves.burn]]\nstops = 7.0", 4, "moves.burn[2].stops = 7.0: must be a number, 0 to 6 stops"),
    ("[[moves.burn]]\nmask = { kind = 'gradiant' }", 2, "moves.burn[1].mask.kind = 'gradiant'"),
    ("[moves.burn]\nstops = 1", 1, "moves.burn = {'stops': 1}: must be a list"),
    ("[frames.'a.b.dng']\nexposure = 1\ntone.toe = 9", 3, "frames.a.b.dng.tone.toe = 9"),
    ("[frames.3]\n[frames.3.moves.edge_burn]\nstop = 1", 3, "frames.3.moves.edge_burn.stop is not a setting; did you mean "
                                                           "frames.3.moves.edge_burn.stops?"),
    ("[frames.3]\nframes = 1", 2, "frames.3.frames has no place"),
    ("frames = 3", 1, "frames must be tables"),
    ("[tone]\npoints = [[50, 50], [40, 60]]", 2, "tone.points"),
    ("[frames.2]\ntone.points = [[50, 50], [40, 60]]", 2, "frames.2.tone.points"),
    ("exposure.stops = 1", 1, "exposure"),
    ("tone = 3", 1, "tone = 3: must be a table of exposure, contrast"),
    ("film = 'colour.txt'", 1, "film = 'colour.txt': must be"),
])
def test_errors_name_line_key_and_what_is_right(text, line, said):
    with pytest.raises(InputError) as error:
        Recipe.from_toml(text, name="roll.toml")
    assert str(error.value).startswith(f"roll.toml: line {line}: {said}"), str(error.value)
    assert "\n" not in str(error.value)


def test_what_is_not_toml_is_said_with_its_line(tmp_path):
    with pytest.raises(InputError, match=r"r\.toml: is not TOML: .*line 2"):
        (tmp_path / "r.toml").write_text("exposure = 1\nfilm = \n")
        Recipe.load(tmp_path / "r.toml")


def test_files_that_are_no_recipes(tmp_path):
    for name, content in {"deep.toml": b"a = " + b"[" * 100_000, "binary.toml": b"\xff\xfe\x00", "huge.toml": b"#" * 1_000_001}.items():
        (tmp_path / name).write_bytes(content)
    for name in ("deep.toml", "binary.toml", "huge.toml", "missing.toml", "."):
        with pytest.raises(InputError) as error:
            Recipe.load(tmp_path / name)
        assert "\n" not in str(error.value)


def test_lines_are_found_past_strings_that_look_like_keys():
    text = 'film = "a = [ # b.toml"\n[tone]\n"contrast" = 1\n[[moves.burn]]\nstops = 1\n[[moves.burn]]\nstops = 2'
    assert line_of(text, "tone.contrast") == 3
    assert line_of(text, "moves.burn[2].stops") == 7
    assert line_of(text, "tone.missing") == 2


# ---- the stack ---------------------------------------------------------------------------------------------------------

def test_later_recipes_lie_over_earlier_ones(tmp_path):
    (tmp_path / "house.toml").write_text("exposure = 0.3\ninset = 0.01\n[tone]\ncontrast = 1.5\ntoe = 1.0\n"
                                         "[frames.2]\nexposure = 1.0\nturn = 90\n")
    (tmp_path / "roll.toml").write_text("exposure = -0.2\n[tone]\ncontrast = 1.1\n[frames.2]\nexposure = 2.0\n")
    recipe = Recipe.load(tmp_path / "house.toml", tmp_path / "roll.toml")
    assert (recipe.exposure, recipe.inset, recipe.tone.contrast, recipe.tone.toe) == (-0.2, 0.01, 1.1, 1.0)
    assert recipe.tone.shoulder == ToneCurve().shoulder
    assert recipe.for_frame("x.dng", 2).exposure == 2.0 and recipe.for_frame("x.dng", 2).turn == 90


def test_a_file_name_goes_before_a_stem_before_a_number():
    recipe = Recipe(exposure=0.1, frames={
        "frame03.dng": {"exposure": 3.0}, "frame03": {"exposure": 2.0, "turn": 90}, "3": {"exposure": 1.0, "turn": 180, "inset": 0.02}})
    assert recipe.for_frame("roll/frame03.dng", 3) == Recipe(exposure=3.0, turn=90, inset=0.02)
    assert recipe.for_frame("frame03.tif", 3).exposure == 2.0
    assert recipe.for_frame("other.dng", 3).exposure == 1.0
    assert recipe.for_frame("other.dng", 13).exposure == 0.1
    assert Recipe(frames={"03": {"turn": 90}}).for_frame("x.dng", 3).turn == 90


def test_a_frame_can_take_back_what_the_roll_says_and_its_lists_replace_the_rolls():
    roll = Recipe.from_toml("crop = [0.1, 0.1, 0.8, 0.8]\nangle = 1.0\n[[moves.burn]]\nstops = 1.0\n"
                            "[frames.4]\ncrop = 'none'\nangle = 'frame'\n[[frames.4.moves.burn]]\nstops = 0.25\n"
                            "mask = { kind = 'ellipse' }\n")
    frame = roll.for_frame("x", 4)
    assert frame.crop is None and frame.angle is None
    assert frame.moves.burn == (LocalExposure(stops=0.25, mask=Ellipse()),)
    assert roll.for_frame("x", 5).moves.burn == (LocalExposure(stops=1.0, mask=Gradient()),)


# ---- files -------------------------------------------------------------------------------------------------------------

NAMING = {"film": "film = '{}'", "base": "base = '{}'", "panel": "panel = '{}'", "spotting.mask": "spotting.mask = '{}'",
          "moves.dodge[1].mask.masks[1].mask.file": "[[moves.dodge]]\nmask = {{ kind = 'product', masks = [{{ kind = 'complement', "
                                                    "mask = {{ kind = 'painted', file = '{}' }} }}] }}",
          "frames.3.film": "[frames.3]\nfilm = '{}'",
          "frames.3.moves.burn[1].mask.file": "[[frames.3.moves.burn]]\nmask = {{ kind = 'painted', file = '{}' }}"}


@pytest.mark.parametrize("key", NAMING)
@pytest.mark.parametrize("outside", ["../film.toml", "/etc/film.toml", "a/../../film.toml", "link/film.toml"])
def test_a_recipe_names_no_file_outside_its_folder(tmp_path, key, outside):
    home = tmp_path / "roll"
    home.mkdir()
    (tmp_path / "elsewhere").mkdir()
    os.symlink(tmp_path / "elsewhere", home / "link")
    (home / "recipe.toml").write_text(NAMING[key].format(outside))
    with pytest.raises(InputError) as error:
        Recipe.load(home / "recipe.toml")
    assert f"{key} = {outside!r} lies outside" in str(error.value)


@pytest.mark.parametrize("key", NAMING)
def test_a_recipe_may_name_files_in_its_folder_and_in_those_given(tmp_path, key):
    home = tmp_path / "roll"
    home.mkdir()
    (home / "recipe.toml").write_text(NAMING[key].format("masks/sky.toml"))
    recipe = Recipe.load(home / "recipe.toml")
    assert recipe.files() == [(key, "masks/sky.toml")]
    assert recipe.file("masks/sky.toml") == home / "masks" / "sky.toml"
    (home / "recipe.toml").write_text(NAMING[key].format(tmp_path / "films" / "a.toml"))
    assert Recipe.load(home / "recipe.toml", folders=(tmp_path / "films",)).files()


def test_words_are_no_files():
    assert Recipe(film="colour", base=(0.5, 0.3, 0.2), neutral="none").files() == []


# ---- values ------------------------------------------------------------------------------------------------------------

def test_the_recipe_documents_every_setting_with_units_and_limits():
    for cls in (Recipe, ToneCurve, Moves, Gradient, Ellipse):
        for f in settings_of(cls):
            assert f"{f.name} : {f.metadata['kind'].allowed}" in cls.__doc__


def test_plain_values_from_python_are_taken_as_from_toml():
    recipe = Recipe(aspect="3:2", crop=[0, 0, 1, 0.5], tone={"contrast": 1.5}, moves={"burn": [{"stops": 1, "mask": Tonal()}]})
    assert recipe.aspect == 1.5 and recipe.crop == (0, 0, 1, 0.5) and recipe.tone == ToneCurve(contrast=1.5)
    assert recipe.moves.burn == (LocalExposure(stops=1, mask=Tonal()),)
    with pytest.raises(SettingError, match="exposre is not a setting; did you mean exposure"):
        Recipe.from_dict({"exposre": 1})


def test_a_recipe_is_a_value():
    one, other = (Recipe(exposure=1, moves=Moves(burn=(LocalExposure(mask=Product(masks=(Painted(), Tonal()))),))) for _ in range(2))
    assert one == other and hash(one) == hash(other)
    assert replace(one, folder="/somewhere") == one
