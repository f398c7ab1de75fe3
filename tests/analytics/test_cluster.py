"""Deriving and weighing on a real Dask cluster of several processes: the same tables, to the bit.

Slow ones kill a worker in the middle.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_derive import put_samples, shift_samples

from analytics import cluster
from analytics.cluster import ClusterLost, ClusterUnfit, on_cluster
from analytics.pipeline import derive
from analytics.weighing import weigh_spells
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window

DAYS, SHIFT_H = 6, 2
TABLES = ("cycle", "gap", "signal_fault", "zero_rest", "pressure_watch", "spell", "condition",
          "tipping")  # fmt: skip


def a_yard() -> Yard:
    pots = "".join(
        f'[[pot]]\nname = "pot-{n}"\nvolume_m3 = 0.184\nplate_pa = 1_000_000\n' for n in (1, 2)
    )
    return parse_yard(f'[site]\nname = "yard"\ntime_zone = "UTC"\n{pots}')


def filled(data: Path, days: int = DAYS) -> None:
    """Two pots with a short shift each day."""
    import polars as pl

    shift = shift_samples().head(10 * 3600 * SHIFT_H)
    with write_window(data) as con:
        for pot in (1, 2):
            con.execute("INSERT INTO pot VALUES (?, ?)", [pot, f"pot-{pot}"])
            for day in range(days):
                moved = shift.with_columns(
                    pl.col("sampled_at").dt.offset_by(f"{24 * day + pot}h"),
                    pl.col("pot_pa") + 250.0 * day,
                )
                put_samples(con, pot, moved)


def tables(data: Path) -> dict[str, list[Any]]:
    with read_window(data) as con:
        return {t: con.execute(f"SELECT * FROM {t} ORDER BY ALL").fetchall() for t in TABLES}


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A scheduler on a busy computer may be slow to answer."""
    monkeypatch.setattr(cluster, "ANSWER_S", 120.0)


@pytest.fixture(scope="module")
def workers() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as running:
        yield running


@pytest.fixture(scope="module")
def by_one(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    data = tmp_path_factory.mktemp("one")
    filled(data)
    derive(data, a_yard(), full=True)
    weigh_spells(data, a_yard())
    return tables(data)


@pytest.mark.parametrize("sees", [True, False])
def test_a_cluster_finds_what_one_computer_finds(
    workers: Any, by_one: dict[str, list[Any]], tmp_path: Path, sees: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    filled(tmp_path)
    if not sees:
        # As on workers without the data folder: samples are sent.
        monkeypatch.setattr(cluster, "_all_see", lambda *given: False)
    with on_cluster(workers.scheduler_address, tmp_path) as executor:
        derive(tmp_path, a_yard(), full=True, executor=executor)
        done = weigh_spells(tmp_path, a_yard(), executor=executor)
    assert done.weighed == len(by_one["spell"]) > 0
    found = tables(tmp_path)
    assert found.keys() == by_one.keys()
    for table, rows in by_one.items():
        assert found[table] == rows, table
    assert len(found["cycle"]) > 100
    assert not list(tmp_path.glob(".seen-*"))


def test_workers_that_see_the_folder_are_told_from_such_that_do_not(
    workers: Any, tmp_path: Path
) -> None:
    from distributed import Client

    with Client(workers.scheduler_address, set_as_default=False) as client:
        assert cluster._all_see(client, "here", tmp_path)
        assert client.submit(cluster._seen, str(tmp_path / "no"), "x", pure=False).result()[1] is (
            False
        )


def test_what_is_wrong_with_a_cluster_is_said(
    tmp_path: Path, workers: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 0.5)
    with (
        pytest.raises(ClusterLost, match="does not answer"),
        on_cluster("tcp://127.0.0.1:9", tmp_path),
    ):
        pass
    with pytest.raises(ClusterLost, match="does not answer"), on_cluster("nonsense://x", tmp_path):
        pass
    monkeypatch.setattr(cluster, "ANSWER_S", 120.0)
    monkeypatch.setattr(cluster, "DERIVE_VERSION", -1)
    with (
        pytest.raises(ClusterUnfit, match="another Gritbook"),
        on_cluster(workers.scheduler_address, tmp_path),
    ):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(ClusterUnfit, match="not installed"),
        on_cluster(workers.scheduler_address, tmp_path),
    ):
        pass


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_changes_nothing(
    by_one: dict[str, list[Any]], tmp_path: Path
) -> None:
    from distributed import LocalCluster

    filled(tmp_path)
    killed: list[int] = []
    with LocalCluster(
        n_workers=3, threads_per_worker=1, processes=True, dashboard_address=None
    ) as running:
        pids = [nanny.pid for nanny in running.workers.values()]

        def kill(after_s: float) -> None:
            time.sleep(after_s)
            os.kill(pids[len(killed)], signal.SIGKILL)
            killed.append(1)

        with on_cluster(running.scheduler_address, tmp_path) as executor:
            for after_s, work in (
                (0.3, lambda: derive(tmp_path, a_yard(), full=True, executor=executor)),
                (2.0, lambda: weigh_spells(tmp_path, a_yard(), executor=executor)),
            ):
                killer = threading.Thread(target=kill, args=(after_s,))
                killer.start()
                work()
                killer.join()
    assert len(killed) == 2
    found = tables(tmp_path)
    for table, rows in by_one.items():
        assert found[table] == rows, table
