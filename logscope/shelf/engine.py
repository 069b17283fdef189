"""Jobs to outcomes on all cores of this machine: a thread a worker process, which waits for it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from queue import Queue
from threading import Lock, Thread

from logscope.shelf.job import Job, Outcome
from logscope.shelf.worker import Worker

_LEFT_FREE = 0.2  # of the machine's memory, for the system and its cache of files
_MB = 1e6


def memory_share(workers: int) -> float | None:
    """What each of so many processes may use of this machine's memory [MB]; None where the system does not say."""
    try:
        whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):  # Windows has no sysconf
        return None
    return (1.0 - _LEFT_FREE) * whole / workers / _MB


class _End:
    """Of one thread, with the error that ended it, if one did."""

    def __init__(self, error: BaseException | None = None) -> None:
        self.error = error


def on_this_machine(jobs: Iterable[Job], workers: int) -> Iterator[Outcome]:
    """The outcomes as they come. Jobs are taken one by one, so that their logs may be read for their keys meanwhile.

    An error in `jobs` is raised, after the outcomes of the jobs before it; closing the iterator ends all processes.
    """
    source, taking = iter(jobs), Lock()
    done: Queue[Outcome | _End] = Queue(maxsize=4 * workers)  # who writes the archive sets the pace
    crew = [Worker() for _ in range(workers)]

    def serve(worker: Worker) -> None:
        try:
            while True:
                with taking:
                    job = next(source, None)
                if job is None:
                    break
                done.put(worker.check(job))
        except BaseException as error:
            done.put(_End(error))
        else:
            done.put(_End())
        finally:
            worker.stop()

    threads = [Thread(target=serve, args=(worker,), daemon=True) for worker in crew]
    for thread in threads:
        thread.start()
    errors: list[BaseException] = []
    try:
        for _ in threads:
            while not isinstance(each := done.get(), _End):
                yield each
            if each.error is not None:
                errors.append(each.error)
    finally:
        for worker in crew:
            worker.stop()
    if errors:
        raise errors[0]
