"""Jobs to outcomes on a Dask cluster that runs already.

Each task checks a batch of logs, one by one in a process beside the Dask worker, which therefore outlives a log that
hangs or crashes. A Dask worker that dies is the scheduler's matter: its batch is done again elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import local
from typing import TYPE_CHECKING

from logscope import __version__
from logscope.errors import LogscopeError, RequestError
from logscope.files import write_text
from logscope.shelf.job import Job, Outcome, failed
from logscope.shelf.worker import Worker

if TYPE_CHECKING:
    from concurrent.futures import Future

    from dask.distributed import Client

# A task costs the scheduler some 3 ms (practice); a log of a minute takes a second, and a batch of small ones as much.
_BATCH_BYTES = 1_000_000
_BATCH_LOGS = 16  # a worker that dies costs no more than these
_AHEAD = 3  # batches that wait for each thread of the cluster: enough to keep it busy

_of_thread = local()


@contextmanager
def connected(address: str, performance: Path | None = None) -> Iterator[Client]:
    """A running cluster. performance : where Dask's own report on the run is written at its end.

    Raises RequestError where Dask is not installed, no scheduler answers, or it cannot write a report.
    """
    try:
        from dask.distributed import Client
    except ImportError:
        raise RequestError(
            "a scheduler needs Dask", where=address, do='Run pip install "logscope-drive[cluster]".'
        ) from None
    try:
        client = Client(address, set_as_default=False)
    except (OSError, ValueError) as error:
        raise RequestError(
            f"no scheduler answers there ({error})", where=address, do="Start one with `dask scheduler`."
        ) from None
    with client, nullcontext() if performance is None else _reported(client, performance):
        yield client


@contextmanager
def _reported(client: Client, path: Path) -> Iterator[None]:
    from dask.distributed import performance_report

    # a lambda travels with its code, so that the scheduler needs no logscope
    if not client.run_on_scheduler(lambda: bool(__import__("importlib.util").util.find_spec("bokeh"))):
        what = "the scheduler cannot write a performance report without Bokeh"
        raise RequestError(what, where=client.scheduler.address, do="Run pip install bokeh there, and restart it.")
    with TemporaryDirectory(prefix="logscope-") as folder:
        page = Path(folder) / "performance.html"
        with client.as_current(), performance_report(str(page)):
            yield
        mark = f'<meta name="generator" content="logscope {__version__}">'  # so that the next run may replace it
        write_text(path, page.read_text(encoding="utf-8").replace("<head>", f"<head>{mark}", 1))


def on_cluster(jobs: Iterable[Job], client: Client) -> Iterator[Outcome]:
    """The outcomes as they come."""
    from dask.distributed import as_completed

    batches = batched(jobs)
    threads = max(1, sum(client.nthreads().values()))
    waiting = as_completed([], loop=client.loop)
    batch_of: dict[str, list[Job]] = {}

    def submit() -> bool:
        batch = next(batches, None)
        if batch is not None:
            future = client.submit(check_batch, batch, pure=False)
            batch_of[future.key] = batch
            waiting.add(future)
        return batch is not None

    open_batches = sum(submit() for _ in range(_AHEAD * threads))
    while open_batches:
        future = next(waiting)
        batch = batch_of.pop(future.key)
        open_batches += submit() - 1
        yield from _outcomes(future, batch)


def _outcomes(future: Future[list[Outcome]], batch: Sequence[Job]) -> Sequence[Outcome]:
    """What a task gave; where its workers died again and again, the scheduler gives it up, and its logs say so."""
    try:
        return future.result()
    except LogscopeError:  # of a machine that cannot check at all
        raise
    except Exception as error:
        return [
            failed(job, f"the workers of the cluster that checked it died ({type(error).__name__})") for job in batch
        ]


def batched(jobs: Iterable[Job]) -> Iterator[list[Job]]:
    """Small logs several at a time, so that the scheduler's cost stays small beside the work."""
    batch: list[Job] = []
    size = 0
    for job in jobs:
        batch.append(job)
        size += sum(log.size for log in job.logs)
        if size >= _BATCH_BYTES or len(batch) == _BATCH_LOGS:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def check_batch(jobs: Sequence[Job]) -> list[Outcome]:
    """What a task does, in a thread of a Dask worker; its process is kept for the next task."""
    worker: Worker | None = getattr(_of_thread, "worker", None)
    if worker is None:
        worker = _of_thread.worker = Worker()
    return [worker.check(job) for job in jobs]
