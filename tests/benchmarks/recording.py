"""Two full buses and a console, recorded: `python tests/benchmarks/recording.py [SECONDS] [--view]`.

Prints the processor time of the recording process as a share of one core, its peak memory, and what was lost. A bus
carries 8,000 frames a second, 1 Mbit/s of frames with 8 bytes; the console 115,200 baud. Both come from another
process: the buses through sockets that hold the structures of socketcan, read by the same code as a CAN link, the
console through a pseudo-terminal. Nothing is asserted. For Linux.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import socket
import struct
import sys
import tempfile
import time
import tty
from pathlib import Path

import logscope
from logscope.commands.record import _listener
from logscope.live.process import LiveProcess
from logscope.recording.clock import RecordingClock
from logscope.recording.recorder import Recorder, Request
from logscope.recording.serial_port import open_serial
from logscope.recording.socketcan_port import SocketCanPort
from logscope.recording.specs import SerialSpec, can_specs

ROOT = Path(logscope.__file__).parents[1]
_FRAMES_PER_S, _BYTES_PER_S, _TICK_S = 8000, 11_520, 0.002
_LINE = b"12400,1830,96.4,318.2,41.5,Run,0\r\n"


def _send(buses: list[socket.socket], console: int, seconds: float) -> None:
    """Everything at its rate: a few frames every two milliseconds, as a busy bus gives them."""
    began, sent, written = time.monotonic(), 0, 0
    os.write(console, b"t,rpm,amps,volts,heatsink,state,fault\r\n")
    while (now := time.monotonic() - began) < seconds:
        while sent < now * _FRAMES_PER_S:
            for k, bus in enumerate(buses):  # of their own identifiers, or the view could not know which is meant
                identifier = 0x100 + 0x400 * k + sent % 64
                bus.send(struct.pack("<IBBBB8s", identifier, 8, 0, 0, 0, sent.to_bytes(8, "big")))
            sent += 1
        while written < now * _BYTES_PER_S:
            written += os.write(console, _LINE)
        time.sleep(_TICK_S)
    own = resource.getrusage(resource.RUSAGE_SELF)
    print(f"the sender itself: {100 * (own.ru_utime + own.ru_stime) / seconds:.0f} % of one core", flush=True)


def _own_memory(process: int | str = "self") -> float:
    """What a process holds for itself [MB]; the rest of its memory are pages of libraries, which the system shares."""
    lines = Path(f"/proc/{process}/smaps_rollup").read_text(encoding="ascii").splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith("Anonymous:")) / 1024


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 and sys.argv[1] != "--view" else 30.0
    pairs = [socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET) for _ in range(2)]
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    clock, definition = RecordingClock(), ROOT / "decoders" / "hazel-console.toml"
    console = SerialSpec("console", os.ttyname(theirs), 115_200, definition)
    ports = {f"can{k}": lambda k=k: SocketCanPort(pairs[k][1], f"can{k}", clock, "") for k in range(2)}
    with tempfile.TemporaryDirectory() as folder:
        request = Request(can_specs(["virtual:can0", "virtual:can1"], {}), [console], Path(folder) / "drive")
        view = LiveProcess(ROOT / "decoders" / "hazel.toml", [definition]) if "--view" in sys.argv else None
        ports["console"] = lambda: open_serial(console, clock)
        recorder = Recorder(request, clock, ports=ports, listener=_listener(view, request))
        recorder.start()
        sender = multiprocessing.Process(target=_send, args=([pair[0] for pair in pairs], ours, seconds))
        before, began = resource.getrusage(resource.RUSAGE_SELF), time.monotonic()
        sender.start()
        sender.join()
        time.sleep(1.0)
        after, lasted = resource.getrusage(resource.RUSAGE_SELF), time.monotonic() - began
        own = _own_memory(), 0.0 if view is None else _own_memory(view.process)
        statuses = recorder.status()
        recorder.stop()
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        print(f"{lasted:.0f} s, {recorder.written_bytes / 1e6:.0f} MB written")
        print(f"recording: {100 * used / lasted:.0f} % of one core")
        print(f"recording: {after.ru_maxrss / 1024:.0f} MB at most, {own[0]:.0f} its own")
        for status in statuses:
            print(f"{status.name}: {status.count:,}, {status.count / seconds:,.0f} a second, {status.lost} lost")
        if view is not None:
            last = view.finish(60)
            spent = resource.getrusage(resource.RUSAGE_CHILDREN)
            print(f"view: {100 * (spent.ru_utime + spent.ru_stime) / lasted:.0f} % of one core, with sender and start")
            kept_out = view.failure if last is None else f"{last.frames_left_out} kept out"
            print(f"view: {spent.ru_maxrss / 1024:.0f} MB at most, {own[1]:.0f} its own; {kept_out}")
        frames = logscope.read(Path(folder) / "drive" / "can0-001.log").frames
        numbers = [int.from_bytes(frames.data(row), "big") for row in range(0, len(frames), 997)]
        print("in order, none missing" if numbers == list(range(0, len(frames), 997)) else "frames are missing")


if __name__ == "__main__":
    main()
