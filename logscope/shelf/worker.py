"""The process that checks, as seen by who asks: started when needed, killed when it hangs, replaced when it dies."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from threading import Event, Timer
from types import TracebackType

from logscope.errors import LogscopeError
from logscope.shelf.job import Job, Outcome, failed
from logscope.shelf.work import READY

_START_S = 600.0  # a busy machine needs a minute for the imports; a process that takes this long never starts
# The workers share the cores: none of them should compute on several.
_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}


class Worker:
    """One process of `logscope.shelf.work`. Not for several threads at once, but `stop` may come from any."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._fresh = True
        self._stopped = False

    def __enter__(self) -> Worker:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def check(self, job: Job) -> Outcome:
        """What came of a job; a process that hangs or dies over it is replaced for the next."""
        process, fresh, hung = self._started(), self._fresh, Event()

        def give_up() -> None:
            hung.set()
            process.kill()

        timer = Timer(job.limit_s, give_up)
        timer.start()
        try:
            outcome = _ask(process, job)
        except (EOFError, OSError, pickle.UnpicklingError):
            process.kill()
            status = process.wait()
            self._end()
            if not (hung.is_set() or fresh or self._stopped):
                return self.check(job)  # it may have died of the logs before
            return failed(job, _why_lost(status, job.limit_s if hung.is_set() else None))
        finally:
            timer.cancel()
        self._fresh = False
        if outcome.worn:
            self._end()
        return outcome

    def stop(self) -> None:
        """End the process, in the middle of a job too; none is started any more."""
        self._stopped = True
        self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):  # of a pipe whose other end is gone
                    pipe.close()
        process.wait()

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        self._end()
        if self._stopped:
            raise LogscopeError("stopped")
        paths = [str(Path(__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
        self._process = process = subprocess.Popen(
            [sys.executable, "-m", "logscope.shelf.work"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**_ONE_THREAD, **os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
        timer = Timer(_START_S, process.kill)
        timer.start()
        try:
            assert process.stdout is not None
            ready = pickle.load(process.stdout)
        except (EOFError, OSError, pickle.UnpicklingError):
            ready = None
        finally:
            timer.cancel()
        self._fresh = True
        if ready != READY:
            self._end()
            raise LogscopeError("a process for the checks does not start", do="Run `logscope check` on one log.")
        return process


def _ask(process: subprocess.Popen[bytes], job: Job) -> Outcome:
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(pickle.dumps(job))
    process.stdin.flush()
    answer = pickle.load(process.stdout)
    assert isinstance(answer, Outcome)
    return answer


def _why_lost(status: int, limit_s: float | None) -> str:
    if limit_s is not None:
        return f"the check was stopped after {limit_s:g} s: it hangs, or the log is long. --limit allows more."
    return f"the process that checked it ended by itself (exit status {status}): a crash, or too little memory."
