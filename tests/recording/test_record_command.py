"""`logscope record` as a program: what it says, refuses and leaves on the disk."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import pytest
from recording_rigs import CONSOLE, pseudo_terminal

from logscope.recording.keys import Key, TypedLine

ROOT = Path(__file__).parents[2]
HAZEL = ROOT / "decoders" / "hazel.toml"


def _run(*arguments: object, stdin: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "logscope", "record", *map(str, arguments)],
        cwd=ROOT, input=stdin, capture_output=True, text=True, encoding="utf-8", timeout=120, check=False,
    )  # fmt: skip


def test_it_says_what_it_cannot_prove_and_what_it_recorded(tmp_path: Path) -> None:
    pytest.importorskip("msgpack")
    group, done = "239.74.163.61", threading.Event()

    def send() -> None:
        with can.Bus(interface="udp_multicast", channel=group) as bus:
            while not done.is_set():
                bus.send(can.Message(arbitration_id=0x123, data=b"abc", is_extended_id=False))
                time.sleep(0.01)

    thread = threading.Thread(target=send)
    thread.start()
    out = tmp_path / "my drive"
    try:
        ended = _run("--can", f"udp_multicast:{group}", "--vehicle", HAZEL, "--out", out, "--for", 3)
    finally:
        done.set()
        thread.join()
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "A reading proves nothing dead" in ended.stdout
    assert "nothing acknowledges" in ended.stdout
    assert "none lost" in ended.stdout
    assert sorted(path.name for path in out.iterdir()) == ["can0-001.log", "drive.toml"]
    again = _run("--can", f"udp_multicast:{group}", "--vehicle", HAZEL, "--out", out, "--for", 1)
    assert again.returncode == 2
    assert "not empty" in again.stderr


_ASKED_WHILE_IT_WAITS = """
import signal, sys, threading
from logscope.commands.record import _asked_to_end, _watch

class Recorder:
    ended = threading.Event()

def ask(frame, what, _):
    if frame.f_code is waiting and what == "line" and frame.f_lineno > held:
        signal.raise_signal(signal.SIGTERM)
    return ask

waiting = threading.Event.wait.__code__
held = next(at for start, _, at in waiting.co_lines() if at and at > waiting.co_firstlineno)
with _asked_to_end() as ending:
    sys.settrace(ask)
    _watch(Recorder, None, ending, None)
"""


def test_a_signal_to_end_that_comes_at_any_moment_of_waiting_is_obeyed() -> None:
    """While the event that is waited for holds its lock, too: a handler that set one would wait for ever."""
    subprocess.run([sys.executable, "-c", _ASKED_WHILE_IT_WAITS], cwd=ROOT, timeout=120, check=True)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "nothing to record"),
        (("--can", "can0"), "does not name an adapter"),
        (("--can", "nonsense:0@1"), "no interface"),
        (("--serial", "COM4"), "does not name a console"),
    ],
)
def test_a_request_that_cannot_be_met_is_one_line(tmp_path: Path, arguments: tuple[str, ...], why: str) -> None:
    ended = _run(*arguments, "--vehicle", HAZEL, "--out", tmp_path / "drive")
    assert ended.returncode == 2
    assert why in ended.stderr
    assert ended.stderr.count("\n") == 1
    assert not (tmp_path / "drive").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals of this kind")
def test_nothing_is_sent_to_a_console_without_a_yes(tmp_path: Path) -> None:
    (tmp_path / "console.toml").write_text(CONSOLE, encoding="utf-8")
    with pseudo_terminal() as (ours, name):
        request = ("--serial", f"{name}@9600:{tmp_path / 'console.toml'}", "--vehicle", HAZEL, "--send-once", "start")
        refused = _run(*request, "--out", tmp_path / "drive")
        assert refused.returncode == 2
        assert "would be sent" in refused.stderr
        os.set_blocking(ours, False)
        with pytest.raises(BlockingIOError):
            os.read(ours, 100)
        os.set_blocking(ours, True)
        assert _run(*request, "--out", tmp_path / "drive", "--yes", "--for", 1).returncode == 0
        assert os.read(ours, 100) == b"start\r\n"


def test_space_marks_a_line_is_a_note_and_q_by_itself_ends() -> None:
    line = TypedLine()
    assert line.feed(" ", 0.0) == [Key.EVENT]
    assert line.feed("screen bon", 1.0) == []
    assert line.feed("dd\x7fed\r", 1.2) == ["screen bonded"]
    assert line.feed("q", 2.0) == []
    assert line.feed("uick pull\n", 2.3) == ["quick pull"]
    assert line.feed("q", 3.0) == []
    assert line.feed("", 3.1) == []
    assert line.feed("", 4.0) == [Key.END]
    assert TypedLine().feed("q\n", 0.0) == [Key.END]
    assert TypedLine().feed("\n\x1b[A", 0.0) == []
    assert TypedLine().feed("\x03", 0.0) == [Key.END]
