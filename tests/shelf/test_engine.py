"""The processes that check: each log costs its own row, whatever happens to its process."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Timer

import pytest
from small_shelf import contents, filled, write_log, write_vehicle

from logscope.errors import LogscopeError, RequestError
from logscope.shelf import engine
from logscope.shelf.cluster import _outcomes
from logscope.shelf.engine import on_this_machine
from logscope.shelf.job import Job, Log, Outcome, VehicleFiles
from logscope.shelf.worker import Worker


@pytest.fixture
def jobs(tmp_path: Path) -> list[Job]:
    """Of a sound log and of one that never ends: a pipe into which nobody writes."""
    write_vehicle(tmp_path, "Hazel")
    write_log(tmp_path / "a.log", 0)
    vehicle = VehicleFiles(str(tmp_path / "vehicle.toml"))
    logs = [tmp_path / "a.log"]
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "endless.log")
        logs.append(tmp_path / "endless.log")
    found = [path.stat() for path in logs]
    stamps = [(each.st_size, datetime.fromtimestamp(each.st_mtime, UTC)) for each in found]
    return [
        Job((Log(str(path), path.name, *stamp),), vehicle, "Hazel") for path, stamp in zip(logs, stamps, strict=True)
    ]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a log that never ends needs a named pipe")
def test_a_log_that_hangs_or_crashes_costs_its_own_row_and_the_process_is_replaced(jobs: list[Job]) -> None:
    sound, endless = jobs
    with Worker() as worker:
        first = worker.check(sound)
        hung = worker.check(replace(endless, limit_s=0.3))
        process = worker._started()
        killing = Timer(0.3, lambda: os.kill(process.pid, signal.SIGKILL))
        killing.start()
        crashed = worker.check(endless)
        again = worker.check(sound)
    assert [each.row["status"] for each in (first, hung, crashed, again)] == ["checked", "failed", "failed", "checked"]
    assert "stopped after 0.3 s" in hung.row["reason"]
    assert "ended by itself" in crashed.row["reason"]
    assert process.poll() is not None


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds the memory of a process")
def test_a_log_that_needs_more_memory_than_it_may_have_costs_its_own_row(jobs: list[Job]) -> None:
    with Worker() as worker:
        assert worker.check(replace(jobs[0], memory_MB=1.0)).row["status"] == "failed"
        assert worker.check(jobs[0]).row["status"] == "checked"


def test_the_processes_give_what_one_process_gives(shelf: Path, tmp_path: Path) -> None:
    archive, _ = filled(shelf, tmp_path / "archive", lambda jobs: on_this_machine(jobs, 2))
    assert contents(archive) == contents(filled(shelf, tmp_path / "one")[0])
    assert (archive.rows().work_s > 0).all()


def test_an_error_while_logs_are_looked_for_is_raised_after_what_was_done(jobs: list[Job]) -> None:
    def failing() -> Iterator[Job]:
        yield jobs[0]
        raise RequestError("no more")

    outcomes = on_this_machine(failing(), 2)
    assert next(outcomes).row["status"] == "checked"
    with pytest.raises(RequestError, match="no more"):
        next(outcomes)


def test_a_process_that_does_not_start_is_said(jobs: list[Job], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false" if os.name == "posix" else "where")
    with pytest.raises(LogscopeError, match="does not start"):
        list(on_this_machine(jobs[:1], 1))


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux's")
def test_four_fifths_of_the_machines_memory_are_shared_among_the_workers() -> None:
    """What Linux itself says in /proc/meminfo, in kB."""
    said = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()[0].split()
    assert said[0] == "MemTotal:"
    assert engine.memory_share(4) == pytest.approx(0.8 * int(said[1]) * 1.024e-3 / 4, rel=0.01)


def test_a_task_that_is_given_up_costs_its_logs_and_a_machine_that_cannot_check_stops_the_run() -> None:
    batch = [Job((Log(name, name, 1, datetime.now(UTC)),), None, "") for name in "ab"]
    died: Future[list[Outcome]] = Future()
    died.set_exception(RuntimeError("the worker is gone"))
    outcomes = _outcomes(died, batch)
    assert [(each.job, each.row["status"]) for each in outcomes] == [(job, "failed") for job in batch]
    assert "died (RuntimeError)" in outcomes[0].row["reason"]
    unable: Future[list[Outcome]] = Future()
    unable.set_exception(RequestError("no room for temporary files"))
    with pytest.raises(RequestError, match="no room"):
        _outcomes(unable, batch)
