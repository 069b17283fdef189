"""The process that works out the view: what was recorded comes in by standard input, views go out by the other."""

from __future__ import annotations

import json
import pickle
import sys
import time
import warnings
from collections import deque
from pathlib import Path
from threading import Condition, Thread
from typing import Any, BinaryIO

from logscope.capture.frames import Frames
from logscope.errors import LogscopeError
from logscope.live.items import End, LeftOut, Lines, Now, Records

FOLLOW_S = 0.1  # while nothing happens, how often what has arrived is taken up
LOOK_S = 0.5


class _Inbox:
    """What has come in, taken up by a thread of its own, so that whoever sends need not wait for a fit."""

    def __init__(self, stream: BinaryIO) -> None:
        self._items: deque[Any] = deque()
        self._filled = Condition()
        Thread(target=self._read, args=(stream,), daemon=True).start()

    def _read(self, stream: BinaryIO) -> None:
        while True:
            try:
                items = pickle.load(stream)
            except (EOFError, OSError, pickle.UnpicklingError):
                items = [End()]
            with self._filled:
                self._items.extend(items)
                self._filled.notify()
            if items and isinstance(items[-1], End):
                return

    def take(self, wait_s: float) -> list[Any]:
        with self._filled:
            if not self._items:
                self._filled.wait(wait_s)
            taken = list(self._items)
            self._items.clear()
            return taken


def main() -> None:
    """Work until the end of standard input, or until a log shows what the vehicle file leaves open: that is sent, too.

    Arguments: the vehicle file, the bit rates of buses as JSON, then the definitions of consoles.
    """
    try:
        _work(sys.stdout.buffer)
    except LogscopeError as error:
        pickle.dump(str(error), sys.stdout.buffer)
        sys.stdout.buffer.flush()


def _work(out: BinaryIO) -> None:
    from dataclasses import replace

    from logscope.definitions.serial import load_serial_definition
    from logscope.live.console import reader_of
    from logscope.live.judge import warm_up
    from logscope.live.view import LiveView
    from logscope.vehicle import load_vehicle

    warnings.simplefilter("ignore")  # of a check that fails; the report shows it
    known = load_vehicle(Path(sys.argv[1]))
    view = LiveView(known, json.loads(sys.argv[2]))
    consoles = [reader_of(load_serial_definition(Path(path))) for path in sys.argv[3:]]
    warm_up(known)
    inbox = _Inbox(sys.stdin.buffer)
    now_ns: int | None = None
    left_out, looked, shown = 0, 0.0, view.verdicts
    ended = False
    while not ended:
        began = time.monotonic()
        for item in inbox.take(FOLLOW_S):
            if isinstance(item, Frames):
                view.add_frames(item)
            elif isinstance(item, Lines | Records):
                view.add_console(consoles[item.console](item))
            elif isinstance(item, Now):
                now_ns = item.now_ns
            elif isinstance(item, LeftOut):
                left_out += item.frames
            ended = ended or isinstance(item, End)
        view.follow(now_ns)
        if ended:
            view.finish()
        judged = view.verdicts
        if ended or judged != shown or time.monotonic() - looked >= LOOK_S:
            pickle.dump(replace(view.look(), frames_left_out=left_out), out)
            out.flush()
            looked, shown = time.monotonic(), judged
        time.sleep(max(0.0, FOLLOW_S - (time.monotonic() - began)))


if __name__ == "__main__":
    main()
