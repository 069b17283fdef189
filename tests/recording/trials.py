"""What a recording must survive, once a call; `python tests/recording/trials.py 100` makes each a hundred times.

Each trial returns the seconds of data that were lost, and raises AssertionError where a file cannot be read or the
account is not true.
"""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
from recording_rigs import CountingPort, numbers_of, wait_for

import logscope
from logscope.recording import files
from logscope.recording.clock import RecordingClock
from logscope.recording.recorder import Recorder, Request
from logscope.recording.specs import can_specs

ROOT = Path(__file__).parents[2]
_EVERY_S = 0.002  # between two frames of the sender
_STARTS_S, _ENDS_S = 300.0, 30.0  # a second each, unless the machine does much else


def _recorder(folder: Path, clock: RecordingClock | None = None) -> tuple[Recorder, CountingPort]:
    clock = clock or RecordingClock()
    port = CountingPort(clock.now_ns)
    request = Request(can_specs(["virtual:can0"], {}), [], folder)
    return Recorder(request, clock, ports={"can0": lambda: port}), port


def _read(folder: Path, identifier: int = 0x123) -> tuple[list[int], logscope.capture.frames.Account]:  # type: ignore[name-defined]
    capture = logscope.read(folder)
    assert capture.account.lines_bad == 0
    frames = capture.frames
    every = numbers_of(frames)
    return [every[row] for row in np.flatnonzero(frames.identifier == identifier)], capture.account


def unplugged_and_plugged_in_again(folder: Path, random: np.random.Generator) -> float:
    """The gap is in the account, and nothing but it is missing."""
    recorder, port = _recorder(folder)
    recorder.start()
    wait_for(lambda: port.sent > 100)
    port.unplugged = True
    wait_for(lambda: recorder.status()[0].unplugged)
    time.sleep(float(random.uniform(0.0, 0.3)))
    port.unplugged = False
    sent = port.sent
    wait_for(lambda: port.sent > sent + 100)
    recorder.stop()
    numbers, account = _read(folder)
    assert numbers == list(range(port.sent))
    assert sum("was unplugged" in note for note in account.notes) == 1
    return 0.0


def disk_full(folder: Path, random: np.random.Generator) -> float:
    """At any byte: what was written before stays whole, and the description says why it ended."""
    room = int(random.integers(500, 60_000))
    written = 0
    plain = files.GrowingFile.append

    def append(self: files.GrowingFile, piece: bytes) -> None:
        nonlocal written
        if written + len(piece) > room:
            os.write(self._file.fileno(), piece[: room - written])  # as much as there is room for
            self._file.truncate(self.size)
            self._file.seek(self.size)
            raise OSError(errno.ENOSPC, "No space left on device")
        written += len(piece)
        plain(self, piece)

    files.GrowingFile.append = append  # type: ignore[method-assign]
    try:
        recorder, _ = _recorder(folder)
        recorder.start()
        assert recorder.ended.wait(20)
        recorder.stop()
    finally:
        files.GrowingFile.append = plain  # type: ignore[method-assign]
    assert recorder.reason == "the disk is full"
    described = (folder / "drive.toml").read_text(encoding="utf-8")
    assert 'ended = "the disk is full"' in described
    if written:
        numbers, account = _read(folder)
        assert numbers == list(range(len(numbers)))
        assert any("the disk is full" in note for note in account.notes)
    return 0.0


def clock_set(folder: Path, random: np.random.Generator) -> float:
    """By up to a day, back or forward: stamps follow the steady clock, and the setting is in the account."""
    moved = 0
    clock = RecordingClock(wall=lambda: time.time_ns() + moved)
    recorder, port = _recorder(folder, clock)
    recorder.start()
    began = time.monotonic()
    wait_for(lambda: port.sent > 100)
    moved = round(float(random.choice([-1, 1]) * random.uniform(2, 86_400)) * 1e9)
    sent = port.sent
    wait_for(lambda: port.sent > sent + 100)
    recorder.stop()
    lasted = time.monotonic() - began
    capture = logscope.read(folder)
    assert numbers_of(capture.frames) == list(range(port.sent))
    assert not capture.account.time_steps
    assert np.all(np.diff(capture.frames.time_ns) >= 0)
    assert np.ptp(capture.frames.time_ns) / 1e9 <= lasted
    assert any("clock was set by" in note for note in capture.account.notes)
    return 0.0


def _while_it_runs(folder: Path, random: np.random.Generator, number: int) -> float:
    """The whole program in a process of its own, ended by a signal while frames come; returns what was lost [s]."""
    vehicle = folder.parent / "v.toml"
    vehicle.write_text('[vehicle]\nname = "Hazel"\n', encoding="utf-8")
    group = f"239.74.163.{int(random.integers(2, 250))}"
    arguments = ["record", "--can", f"can0=udp_multicast:{group}", "--vehicle", str(vehicle), "--out", str(folder)]
    process = subprocess.Popen(
        [sys.executable, "-m", "logscope", *arguments],
        cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    own = int.from_bytes(os.urandom(4), "big") & 0x1FFFFFFF  # every group of the port is heard, other tests' too
    sender = can.Bus(interface="udp_multicast", channel=group)
    try:
        wait_for(lambda: (folder / "drive.toml").exists() or process.poll() is not None, _STARTS_S)
        assert process.poll() is None, process.stdout.read().decode()  # type: ignore[union-attr]
        time.sleep(0.3)
        count, until = 0, time.monotonic() + float(random.uniform(0.3, 2.0))
        while time.monotonic() < until:
            sender.send(can.Message(arbitration_id=own, data=count.to_bytes(8, "big")))
            count += 1
            time.sleep(_EVERY_S)
        process.send_signal(number)
        ended = time.monotonic()
        process.wait(timeout=2 * _ENDS_S)
        assert time.monotonic() - ended < _ENDS_S, "it took long to end"
    finally:
        process.kill()
        process.wait()
        sender.shutdown()
        process.stdout.close()  # type: ignore[union-attr]
    numbers, account = _read(folder, own)
    assert numbers == list(range(numbers[0], numbers[-1] + 1)), "frames are missing in between"
    killed = number == getattr(signal, "SIGKILL", None)
    assert any("was not ended properly" in note for note in account.notes) == killed
    return (count - 1 - numbers[-1]) * _EVERY_S


def killed(folder: Path, random: np.random.Generator) -> float:
    """`kill -9` at any moment costs a second at most."""
    lost = _while_it_runs(folder, random, signal.SIGKILL)
    assert lost <= 1.0, f"{lost} s were lost"
    return lost


def terminated(folder: Path, random: np.random.Generator) -> float:
    """SIGTERM costs what the system had not handed over by then: nothing, unless the machine is overloaded."""
    lost = _while_it_runs(folder, random, signal.SIGTERM)
    assert lost <= 1.0, f"{lost} s were lost"
    return lost


TRIALS: tuple[Callable[[Path, np.random.Generator], float], ...] = (
    unplugged_and_plugged_in_again,
    disk_full,
    clock_set,
    killed,
    terminated,
)


def main() -> None:
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for trial in TRIALS:
        if sys.argv[2:] and trial.__name__ not in sys.argv[2:]:
            continue
        lost, failed = [], 0
        for seed in range(times):
            with tempfile.TemporaryDirectory() as place:
                try:
                    lost.append(trial(Path(place) / "my drive", np.random.default_rng(seed)))
                except AssertionError as error:
                    failed += 1
                    print(f"{trial.__name__}, seed {seed}: {error!r}")
        print(
            f"{trial.__name__}: {times} trials, {failed} failed, lost at most {max(lost, default=0):.3f} s", flush=True
        )


if __name__ == "__main__":
    main()
