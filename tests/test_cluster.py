"""A cluster's executor: two dask workers on this machine make the same bytes as one process."""
from __future__ import annotations

import os

import pytest

from negconv import Recipe
from negconv.roll import Roll
from negconv.synthetic.roll import make_roll

distributed = pytest.importorskip("distributed")


def contents(folder):
    return {name: (folder / name).read_bytes() for name in sorted(os.listdir(folder))}


def test_a_cluster_makes_the_same_bytes_and_a_fault_costs_its_frame(tmp_path):
    make_roll(tmp_path, frames=3, megapixels=0.1, seed=6, jobs=1)
    roll = Roll(tmp_path / "captures", recipe=Recipe(spots="off"))
    list(roll.convert(tmp_path / "here", jobs=1))
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
                                  local_directory=str(tmp_path / "scratch")) as cluster, \
            distributed.Client(cluster.scheduler_address) as client:
        results = list(roll.convert(tmp_path / "there", executor=client.get_executor()))
        assert sorted((r.number, r.status) for r in results) == [(n, "ok") for n in (1, 2, 3)]
        assert contents(tmp_path / "there") == contents(tmp_path / "here")
        again = list(roll.convert(tmp_path / "there", executor=client.get_executor()))
        assert [r.status for r in again] == ["skipped"] * 3
        (tmp_path / "captures" / "frame02.dng").write_bytes(b"broken")
        faulty = {os.path.basename(r.path): r.status for r in roll.convert(tmp_path / "faulty", executor=client.get_executor())}
        assert faulty == {"frame01.dng": "ok", "frame02.dng": "failed", "frame03.dng": "ok"}
