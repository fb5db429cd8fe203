"""Every example runs, notebooks through nbclient, on invented rolls small enough for a test."""
from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "examples").glob("*.ipynb"))
SCRIPTS = sorted((ROOT / "examples").glob("*.py"))


def test_there_are_the_examples_that_are_promised():
    assert {"first_roll", "calibrating_a_film", "spot_map_for_retouching", "tuning_a_difficult_frame",
            "archive_on_a_cluster"} <= {path.stem for path in NOTEBOOKS}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_is_kept_without_its_results(path):
    book = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    assert all(not cell.outputs and cell.execution_count is None for cell in book.cells if cell.cell_type == "code")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs(path, tmp_path, monkeypatch):
    book = nbformat.read(path, as_version=4)
    (settings,) = [cell for cell in book.cells if "parameters" in cell.metadata.get("tags", ())]
    assert "MEGAPIXELS = 6.0" in settings.source
    settings.source = settings.source.replace("MEGAPIXELS = 6.0", "MEGAPIXELS = 0.25").replace("FRAMES = 8", "FRAMES = 3")
    for name, value in {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "IPYTHONDIR": str(tmp_path / "ipython"),
                        "JUPYTER_RUNTIME_DIR": str(tmp_path / "runtime")}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("MPLBACKEND", raising=False)  # figures belong into the notebook
    client = nbclient.NotebookClient(book, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}})
    # The kernel is this interpreter, whatever a kernel of that name elsewhere on the machine may be.
    client.create_kernel_manager().kernel_spec.argv[0] = sys.executable
    client.execute()
    shown = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert not [o for o in shown if o.output_type == "error" or o.get("name") == "stderr"]
    pictures = [o for o in shown if "image/png" in o.get("data", {}) or "image/jpeg" in o.get("data", {})]
    assert len(pictures) >= (0 if path.stem == "archive_on_a_cluster" else 2)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.stem)
def test_a_script_runs(path, tmp_path):
    done = subprocess.run([sys.executable, path], cwd=tmp_path, capture_output=True, text=True, timeout=300,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stderr
