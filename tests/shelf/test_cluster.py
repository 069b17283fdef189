"""A Dask cluster of this machine: a scheduler and two workers, one of which is killed in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
from small_shelf import contents, filled, in_this_process

import logscope
from logscope.errors import RequestError
from logscope.outputs import HTML
from logscope.shelf import cluster
from logscope.shelf.fill import Tally
from logscope.shelf.job import Job, Log, Outcome

pytest.importorskip("distributed", reason="needs Dask")
_WAITED_S = 180.0


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """The address of a scheduler on the loopback, and its two workers."""
    import json

    contact = tmp_path / "scheduler.json"
    scheduler = ["dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", contact]
    worker = ["dask_worker", "--scheduler-file", contact, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
    started: list[subprocess.Popen[bytes]] = []

    def start(arguments: list[object]) -> None:
        words = [sys.executable, "-m", f"distributed.cli.{arguments[0]}", *map(str, arguments[1:])]
        quiet = subprocess.DEVNULL
        started.append(subprocess.Popen(words, stdout=quiet, stderr=quiet, cwd=tmp_path, env=os.environ | _PATHS))

    try:
        start([*scheduler])
        until = time.monotonic() + _WAITED_S
        while not contact.exists() and time.monotonic() < until:
            time.sleep(0.05)
        start([*worker, "--local-directory", tmp_path / "a"])
        start([*worker, "--local-directory", tmp_path / "b"])
        yield json.loads(contact.read_text(encoding="utf-8"))["address"], started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()


_PATHS = {"PYTHONPATH": os.pathsep.join(sys.path)}


@pytest.mark.filterwarnings("ignore")  # of what Dask thinks of this machine and of its own threads
def test_a_worker_that_is_killed_in_the_middle_costs_nothing(
    shelf: Path, tmp_path: Path, running: tuple[str, list[subprocess.Popen[bytes]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    address, workers = running
    monkeypatch.setattr(cluster, "_BATCH_LOGS", 1)  # so that the six logs are six tasks
    _wait_for_workers(address, 2)

    def killing(jobs: Iterator[Job]) -> Iterator[Outcome]:
        for n, outcome in enumerate(cluster.on_cluster(jobs, client)):
            if n == 1:
                workers[0].send_signal(signal.SIGKILL if os.name == "posix" else signal.SIGTERM)
            yield outcome

    with cluster.connected(address) as client:
        archive, tally = filled(shelf, tmp_path / "archive", killing, portable=True, signals=True)
    assert (tally.checked, tally.failed) == (6, 0)
    found, expected = contents(archive), contents(filled(shelf, tmp_path / "local", in_this_process, signals=True)[0])
    for rows in (found["rows"], expected["rows"]):
        for row in rows:
            del row["vehicle_file"]  # travelled with the logs, so that its path is another
    assert found == expected


@pytest.mark.filterwarnings("ignore")
def test_dask_reports_on_a_run_where_that_is_asked_for_or_it_is_said_what_it_needs(
    shelf: Path, tmp_path: Path, running: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    page = tmp_path / "how.html"
    vehicle = shelf / "Hazel" / "vehicle.toml"

    def run() -> Tally:
        drives, address = shelf / "Hazel" / "drives", running[0]
        return logscope.fill_archive(drives, tmp_path / "archive", vehicle, scheduler=address, performance=page)[1]

    if find_spec("bokeh") is None:
        with pytest.raises(RequestError, match="without Bokeh"):
            run()
        return
    assert run().checked == 3
    assert "check_batch" in page.read_text(encoding="utf-8")
    assert HTML.recognise(page)  # so that the next run may write over it


def test_a_report_of_dask_needs_a_cluster(shelf: Path, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="needs a cluster"):
        logscope.fill_archive(shelf, tmp_path / "archive", performance=tmp_path / "how.html")
    assert not (tmp_path / "archive").exists()


def test_without_dask_it_is_said_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "dask.distributed", None)
    with pytest.raises(RequestError, match="needs Dask"), cluster.connected("tcp://127.0.0.1:9"):
        pass


def _wait_for_workers(address: str, count: int) -> None:
    from dask.distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=_WAITED_S)


@pytest.mark.filterwarnings("ignore")
def test_an_address_where_nothing_answers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    import dask

    with (
        dask.config.set({"distributed.comm.timeouts.connect": "0.1s"}),
        pytest.raises(RequestError, match="no scheduler answers"),
        cluster.connected("tcp://127.0.0.1:9"),
    ):
        pass


def test_small_logs_go_together_and_large_ones_alone() -> None:
    from datetime import UTC, datetime

    def job(size: int) -> Job:
        return Job((Log("a", "a", size, datetime.now(UTC)),), None, "")

    sizes = [10, 10, 2_000_000, 2_000_000, *[10] * 20]
    found = [[each.logs[0].size for each in batch] for batch in cluster.batched(map(job, sizes))]
    assert found == [[10, 10, 2_000_000], [2_000_000], [10] * 16, [10] * 4]
