"""The process that works out the view, as seen by who records. It can be late or fail; the recording never waits."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from collections import deque
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from threading import Condition, Thread

from logscope.capture.frames import Frames
from logscope.live.items import End, Item, LeftOut
from logscope.live.picture import View

_MOST_FRAMES = 100_000  # that may wait for the view; beyond that they are kept from it
_LAST_LOOK_S = 20.0  # for the last verdicts, at the end
_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}


class LiveProcess:
    """Give it what was recorded with `offer`; `view` is the newest picture, None before the first."""

    def __init__(self, vehicle: Path, consoles: Iterable[Path], bit_rates: Mapping[str, int] | None = None) -> None:
        """consoles : definitions; bit_rates : as in `LiveView`"""
        paths = [str(Path(__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "logscope.live.work",
                str(vehicle),
                json.dumps(bit_rates or {}),
                *map(str, consoles),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**_ONE_THREAD, **os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            # Ctrl+C is for who records: of these two each system knows one
            start_new_session=True,
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )
        self.view: View | None = None
        self._reason = ""
        self._waiting: deque[Item] = deque()
        self._size = self._left_out = 0
        self._filled = Condition()
        self._ending = False
        self._threads = [Thread(target=work, daemon=True) for work in (self._hand_over, self._receive)]
        for thread in self._threads:
            thread.start()

    @property
    def process(self) -> int:
        """The number by which the system knows the process."""
        return self._process.pid

    @property
    def failure(self) -> str:
        """Why the process has ended by itself; empty where it has not."""
        if self._reason or self._ending or self._process.poll() is None:
            return self._reason
        return "its process ended by itself."

    def offer(self, items: Iterable[Item]) -> None:
        """Hand items over, as far as there is room. Never waits."""
        with self._filled:
            for item in items:
                size = len(item) if isinstance(item, Frames) else 1
                if self._size + size > _MOST_FRAMES:
                    self._left_out += size
                    continue
                if self._left_out:
                    self._waiting.append(LeftOut(self._left_out))
                    self._left_out = 0
                self._waiting.append(item)
                self._size += size
            self._filled.notify()

    def finish(self, wait_s: float = _LAST_LOOK_S) -> View | None:
        """The last picture, after all that was offered, or the newest by then; then the process ends."""
        self._ending = True
        with self._filled:
            self._waiting.append(End())
            self._filled.notify()
        for thread in self._threads:
            thread.join(wait_s / 2)
        self._process.kill()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):  # of a pipe whose other end is gone
                    pipe.close()
        self._process.wait()
        return self.view

    def _hand_over(self) -> None:
        assert self._process.stdin is not None
        while True:
            with self._filled:
                while not self._waiting:
                    self._filled.wait()
                items = list(self._waiting)
                self._waiting.clear()
                self._size = 0
            try:
                self._process.stdin.write(pickle.dumps(items))
                self._process.stdin.flush()
            except OSError:
                return
            if isinstance(items[-1], End):
                return

    def _receive(self) -> None:
        assert self._process.stdout is not None
        while True:
            try:
                view = pickle.load(self._process.stdout)
            except (EOFError, OSError, ValueError, pickle.UnpicklingError):
                return
            if isinstance(view, View):
                self.view = view
            else:
                self._reason = str(view)
