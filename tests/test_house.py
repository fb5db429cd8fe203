"""The house rules that a machine can hold: who may import whom, what importing costs, what lies at the top level."""
from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "negconv"

#: In the order the light takes; a module imports only from those before it (DEVELOPERS.md).
ORDER = ["errors", "textfile", "values", "parallel", "components", "robust", "_kernel", "kernel", "settings", "hashes", "files", "density", "colour", "icc", "tone", "rows", "capture", "samples", "tags", "images", "raw", "reading", "flat", "resample",
         "frame", "levels", "keen", "rectangles", "sides", "gate", "bars", "faint", "attempt", "sided", "search", "base", "film", "generic", "balance", "appraise", "pool", "chart",
         "encode", "invert", "positive", "spots", "finish", "recipe", "exif", "notes", "gather", "output", "conversion",
         "workers", "begin", "jobs", "shared", "roll", "sheet", "proof", "proofs", "plots", "synthetic", "cli", "__main__"]


def modules():
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).parts
        yield path, parts[0].removesuffix(".py")


def imported(path: Path):
    """Names of our modules a file imports for use, as (level-free) first parts; those for type checking alone do not count."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = len(path.relative_to(PACKAGE).parts) - 1
    skipped = {id(n) for node in ast.walk(tree) if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
               for n in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in skipped or not isinstance(node, ast.ImportFrom):
            continue
        if node.level == inside + 1:
            names = [node.module.split(".")[0]] if node.module else [a.name for a in node.names]
            yield from (n for n in names if n != "__version__")
        elif node.module and node.module.split(".")[0] == "negconv" and "." in node.module:
            yield node.module.split(".")[1]


@pytest.mark.parametrize("path, home", list(modules()), ids=lambda v: str(v.relative_to(PACKAGE)) if isinstance(v, Path) else "")
def test_a_module_imports_only_from_those_above_it(path, home):
    if home == "__init__":
        return
    assert home in ORDER, f"{home} has no place in the house"
    for name in imported(path):
        # Values that say how they are saved or shown do so through a function's own import.
        if (home, name) in LATER:
            continue
        assert ORDER.index(name) <= ORDER.index(home), f"{path.relative_to(PACKAGE)} imports {name}, which lies below it"


#: A value's own `save`, or its constants, asked for by name at the moment of the call.
LATER = {("positive", "output"), ("film", "generic")}


def test_synthetic_shares_nothing_with_the_inversion():
    for path in (PACKAGE / "synthetic").glob("*.py"):
        assert set(imported(path)) <= {"synthetic", "errors", "parallel"}, path.name


def test_importing_costs_nothing_until_used():
    code = "import sys, negconv.cli; print(*sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "scipy", "skimage", "rawpy", "tifffile", "PIL", "matplotlib", "tqdm"} & set(loaded)


def test_a_conversion_does_without_the_slow_libraries(tmp_path):
    code = """
import sys, numpy as np, negconv
negconv.convert(np.geomspace(0.4, 0.01, 64)[None, :, None] * np.ones((48, 1, 3)), film="mono", base=(0.5, 0.5, 0.5)).encode()
print(*sorted(m for m in sys.modules))
"""
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"skimage", "matplotlib", "scipy.interpolate", "scipy.signal", "numpy.ma"} & set(loaded)


def test_frames_are_found_without_the_slow_libraries():
    """Of film on the bare panel with its perforations in view too; importing them takes longer than finding a frame."""
    code = """
import sys
from negconv.frame import Frame
from negconv.search import look
import numpy as np
light = np.ones((800, 1200, 3), np.float32)
light[150:650] = (0.5, 0.3, 0.2)
light[230:570, 200:1000] *= 0.2
for x in range(20, 1180, 68):
    light[170:198, x:x + 40] = light[602:630, x:x + 40] = 1.0
seen = look(light, "135", flattened=True)
print(*sorted(sys.modules))
"""
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert "negconv.gate" in loaded and not {"scipy", "skimage", "PIL", "tifffile"} & set(loaded)


def test_the_top_level_holds_what_was_agreed():
    tracked = subprocess.run(["git", "-C", ROOT, "ls-files"], capture_output=True, text=True)
    if tracked.returncode:
        pytest.skip("not a checkout")
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    assert {t for t in top if not t.startswith(".")} <= {"README.md", "DEVELOPERS.md", "pyproject.toml", "negconv", "tests",
                                                         "examples", "benchmarks"}
