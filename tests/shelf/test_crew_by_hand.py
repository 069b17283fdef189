"""Jobs spread over workers, clusters and locks, with workers and clients made by hand; and samples as a file."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_records import job, log
from pyarrow import BufferReader, parquet

from logscope.errors import LogscopeError, RequestError
from logscope.shelf import cluster, engine, lock
from logscope.shelf.job import Job, Outcome, failed
from logscope.shelf.lock import locked
from logscope.shelf.samples import samples_file
from logscope.signals import Load, Part, Signals


def jobs(count: int, size: int = 10) -> list[Job]:
    return [job(log(f"{n}.log", size=size)) for n in range(count)]


class _Worker:
    """Answers with the job's key; notes which thread asked, and whether it was stopped."""

    def __init__(self) -> None:
        self.stopped = 0
        WORKERS.append(self)

    def check(self, of: Job) -> Outcome:
        if of.refused:
            raise LogscopeError(of.refused)
        return failed(of, threading.current_thread().name)

    def stop(self) -> None:
        self.stopped += 1


WORKERS: list[_Worker] = []


@pytest.fixture(autouse=True)
def _made(monkeypatch: pytest.MonkeyPatch) -> None:
    WORKERS.clear()
    monkeypatch.setattr(engine, "Worker", _Worker)
    monkeypatch.setattr(cluster, "Worker", _Worker)


@pytest.mark.parametrize("crew", [1, 3])
def test_every_job_is_done_once_by_so_many_workers(crew: int) -> None:
    asked = jobs(20)
    done = [each.job.key for each in engine.on_this_machine(asked, crew)]
    assert sorted(done, key=int) == [each.key for each in asked]
    assert len(WORKERS) == crew
    assert all(each.stopped for each in WORKERS)
    assert [each.job.key for each in engine.on_this_machine([], 2)] == []


def test_an_error_of_a_worker_is_raised_after_the_outcomes() -> None:
    asked = [*jobs(3), job(log("x.log"), refused="it does not start"), *jobs(1)]
    outcomes = engine.on_this_machine(asked, 1)
    assert [next(outcomes).job.key for _ in range(3)] == ["0", "1", "2"]
    with pytest.raises(LogscopeError, match="does not start"):
        next(outcomes)
    assert WORKERS[0].stopped


def test_closing_ends_all_workers() -> None:
    outcomes: Any = engine.on_this_machine(jobs(50), 2)
    next(outcomes)
    outcomes.close()
    assert all(each.stopped for each in WORKERS)


@pytest.mark.skipif(not hasattr(os, "sysconf"), reason="the system does not say")
def test_the_memory_of_the_machine_is_shared_but_for_a_fifth(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sysconf", {"SC_PHYS_PAGES": 1_000_000, "SC_PAGE_SIZE": 4000}.__getitem__)
    assert engine.memory_share(4) == pytest.approx(800.0)  # of 4000 MB

    def unknown(name: str) -> int:
        raise ValueError(name)

    monkeypatch.setattr(os, "sysconf", unknown)
    assert engine.memory_share(4) is None


@pytest.mark.parametrize(
    ("sizes", "batches"),
    [
        ([], []), ([999_999, 1], [2]), ([999_999, 0, 5], [3]), ([1_000_000, 5], [1, 1]), ([1] * 33, [16, 16, 1]),
        ([500_000, 500_000, 500_000], [2, 1]),
    ],
)  # fmt: skip
def test_a_batch_is_a_megabyte_or_sixteen_logs(sizes: list[int], batches: list[int]) -> None:
    asked = [job(log(f"{n}.log", size=size)) for n, size in enumerate(sizes)]
    assert [len(batch) for batch in cluster.batched(asked)] == batches
    two = [job(log("a.log", size=600_000), log("b.log", size=500_000)), *jobs(1)]
    assert [len(batch) for batch in cluster.batched(two)] == [1, 1]


def test_a_task_keeps_its_worker_for_the_next() -> None:
    def run() -> None:
        for asked in (jobs(2), jobs(3)):
            done.append([each.job.key for each in cluster.check_batch(asked)])

    done: list[list[str]] = []
    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert done == [["0", "1"], ["0", "1", "2"]]
    assert len(WORKERS) == 1


class _Completed:
    """As Dask's: gives what was added, the last first."""

    def __init__(self, futures: list[Any], loop: Any) -> None:
        self.waiting: list[Any] = []

    def add(self, future: Any) -> None:
        self.waiting.append(future)
        MOST.append(len(self.waiting))

    def __next__(self) -> Any:
        return self.waiting.pop()


MOST: list[int] = []


@pytest.mark.parametrize(("threads", "ahead"), [({}, 3), ({"a": 2, "b": 1}, 9)])
def test_three_batches_wait_for_each_thread_of_a_cluster(
    threads: dict[str, int], ahead: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("dask.distributed", reason="needs Dask")
    MOST.clear()
    numbers: Iterator[int] = iter(range(1000))

    def submit(work: Any, batch: list[Job], pure: bool) -> Any:
        assert (work, pure) == (cluster.check_batch, False)
        future: Future[Any] = Future()
        future.set_result([failed(each, "x") for each in batch])
        future.key = str(next(numbers))  # type: ignore[attr-defined]
        return future

    monkeypatch.setattr(distributed, "as_completed", _Completed)
    client: Any = SimpleNamespace(nthreads=lambda: threads, loop=None, submit=submit)
    asked = jobs(12, size=2_000_000)
    done = [each.job.key for each in cluster.on_cluster(asked, client)]
    assert sorted(done, key=int) == [each.key for each in asked]
    assert max(MOST) == min(ahead, 12)


def test_one_run_at_a_time_holds_the_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with locked(tmp_path):
        with pytest.raises(RequestError, match="another run"), locked(tmp_path):
            pass
        assert (tmp_path / "_lock").exists()
    with locked(tmp_path):
        pass

    def no_locks(file: Any) -> None:
        raise OSError(38, "not implemented")

    monkeypatch.setattr(lock, "_lock", no_locks)  # a disk that knows no locks holds nobody
    with locked(tmp_path), locked(tmp_path):
        pass


@pytest.mark.parametrize("held", [BlockingIOError(11, "held"), PermissionError(13, "held")])
def test_a_held_lock_is_refused_by_either_of_a_systems_errors(
    held: OSError, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EAGAIN of flock(2), EACCES of the C runtime's _locking on Windows (from memory)."""

    def refused(file: Any) -> None:
        raise held

    monkeypatch.setattr(lock, "_lock", refused)
    with pytest.raises(RequestError, match="another run"), locked(tmp_path):
        pass


def test_samples_are_a_file_with_a_part_in_each_group_of_rows() -> None:
    at = np.array([0.0, 0.5])
    speed, torque = Part("motor_speed", at, at * 10, "rpm", "M.S"), Part("torque", at, at, "Nm", "M.T")
    pump = Part("Pump current", at[:1], at[:1] + 3, "A", "M.P")
    signals = Signals({"motor_speed": speed, "torque": torque}, 0.0, 1.0, loads=(Load("Pump", current=pump),))
    result: Any = SimpleNamespace(logged=signals, doubted={"torque": torque})
    file = parquet.ParquetFile(BufferReader(samples_file("k", result)))
    assert file.num_row_groups == 3
    rows = file.read().to_pylist()
    assert rows[1] == {
        "key": "k", "part": "motor_speed", "time_s": 0.5, "value": 5.0, "unit": "rpm", "source": "M.S",
        "in_doubt": False,
    }  # fmt: skip
    assert [(each["part"], each["in_doubt"]) for each in rows[2:]] == [("torque", True)] * 2 + [("Pump current", False)]
    assert rows[4]["value"] == 3.0
