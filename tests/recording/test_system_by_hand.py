"""What is asked of the system: its links, its CAN sockets, its keyboard; with stand-ins that answer by hand."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from types import SimpleNamespace
from typing import Any, cast

import pytest

from logscope.errors import RequestError
from logscope.recording import keys, listen_only
from logscope.recording.cautions import CAUTIONS
from logscope.recording.clock import RecordingClock
from logscope.recording.keys import Key, Keyboard, TypedLine, keyboard
from logscope.recording.specs import CanSpec

# -- links ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shown", "link"),
    [
        (b'[{"ifname": "can0"}]', {"ifname": "can0"}),
        (b'[{"ifname": "can0"}, {"ifname": "can1"}]', {"ifname": "can0"}),
        (b"[]", None),
        (b"", None),
        (b"[3]", None),
        (b"no JSON", None),
        (OSError(), None),
        (subprocess.TimeoutExpired("ip", 2.0), None),
    ],
)
def test_what_the_system_shows_of_a_link(monkeypatch: pytest.MonkeyPatch, shown: object, link: object) -> None:
    asked: list[tuple[list[str], dict[str, Any]]] = []

    def run(command: list[str], **how: Any) -> SimpleNamespace:
        asked.append((command, how))
        if isinstance(shown, Exception):
            raise shown
        return SimpleNamespace(stdout=shown)

    monkeypatch.setattr(listen_only.subprocess, "run", run)
    monkeypatch.setattr(listen_only.shutil, "which", lambda program, path=None: f"{path or ''}/{program}")
    assert listen_only._link("can7") == link
    ((command, how),) = asked
    assert command == ["/ip", "-details", "-json", "link", "show", "dev", "can7"]
    assert how["timeout"] == 2.0


def test_the_program_that_shows_links_may_be_where_only_the_system_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen_only.shutil, "which", lambda program, path=None: path and f"/usr/sbin/{program}")
    asked: list[list[str]] = []

    def run(command: list[str], **_: object) -> SimpleNamespace:
        asked.append(command)
        return SimpleNamespace(stdout=b"[]")

    monkeypatch.setattr(listen_only.subprocess, "run", run)
    assert listen_only.listening("socketcan", "can7").text.startswith("may acknowledge frames: whether can7 ")
    assert asked[0][0] == "/usr/sbin/ip"
    monkeypatch.setattr(listen_only.shutil, "which", lambda program, path=None: None)
    assert listen_only._link("can7") is None
    assert len(asked) == 1


# -- CAN sockets ------------------------------------------------------------------------------------


class Link:
    """A CAN socket that keeps its options; fails where it is told to."""

    def __init__(self, failing: str = "") -> None:
        self.failing, self.options, self.bound, self.closed = failing, [], None, False

    def setsockopt(self, level: int, option: int, value: object) -> None:
        self.options.append((level, option, value))

    def bind(self, address: tuple[str]) -> None:
        if self.failing:
            raise OSError(19, self.failing)
        self.bound = address

    def close(self) -> None:
        self.closed = True


def test_a_link_is_opened_with_its_error_frames_and_can_fd(monkeypatch: pytest.MonkeyPatch) -> None:
    """Options of Linux's can/raw.h: level 101, error filter 2 with every class bit, CAN FD 5."""
    socketcan = pytest.importorskip("logscope.recording.socketcan_port")
    link = Link()
    system = SimpleNamespace(
        AF_CAN=29, SOCK_RAW=3, CAN_RAW=1, socket=lambda *kind: link if kind == (29, 3, 1) else None
    )
    monkeypatch.setattr(socketcan, "socket", system)
    monkeypatch.setattr(
        socketcan, "listening", lambda interface, channel: SimpleNamespace(text=f"{interface} {channel}")
    )
    monkeypatch.setattr(socketcan, "SocketCanPort", lambda *arguments: arguments)
    clock = cast(RecordingClock, object())
    spec = CanSpec("body", "socketcan", "can3")
    assert socketcan.open_socketcan(spec, clock) == (link, "body", clock, "socketcan can3")
    assert link.options == [(101, 2, b"\xff\xff\xff\x1f"), (101, 5, 1)]
    assert (link.bound, link.closed) == (("can3",), False)
    link = Link("No such device")
    with pytest.raises(RequestError) as refused:
        socketcan.open_socketcan(spec, clock)
    assert str(refused.value) == (
        "socketcan:can3: the link cannot be opened (No such device). Set it up: ip link set can3 up type can bitrate "
        "500000 listen-only on."
    )
    assert link.closed

    def none(*_: object) -> None:
        raise OSError(97, "not supported")

    system.socket = none
    with pytest.raises(RequestError, match=r"this system has no CAN sockets \(not supported\)"):
        socketcan.open_socketcan(spec, clock)


@pytest.mark.skipif(sys.platform != "linux", reason="the system's library is loaded")
@pytest.mark.parametrize("allowed", [True, False])
def test_a_socket_stamps_counts_its_drops_and_has_room(allowed: bool) -> None:
    """Options of Linux's asm-generic/socket.h: SO_TIMESTAMPNS 35, SO_RXQ_OVFL 40, SO_RCVBUFFORCE 33, SO_RCVBUF 8."""
    socketcan = pytest.importorskip("logscope.recording.socketcan_port")

    class Strict(Link):
        def settimeout(self, seconds: float) -> None:
            self.options.append(seconds)

        def setsockopt(self, level: int, option: int, value: object) -> None:
            super().setsockopt(level, option, value)
            if option == 33 and not allowed:
                raise PermissionError

    link = Strict()
    socketcan.SocketCanPort(link, "can0", RecordingClock(), "quiet")
    room = [(1, 33, 8 << 20)] + ([] if allowed else [(1, 8, 8 << 20)])
    assert link.options == [0.2, (1, 35, 1), (1, 40, 1), *room]


@pytest.mark.parametrize(
    ("platform", "size", "order", "family", "possible"),
    [
        ("linux", 8, "little", True, True), ("win32", 8, "little", True, False), ("linux", 4, "little", True, False),
        ("linux", 8, "big", True, False), ("linux", 8, "little", False, False),
    ],
)  # fmt: skip
def test_where_sockets_can_be_read_directly(
    monkeypatch: pytest.MonkeyPatch, platform: str, size: int, order: str, family: bool, possible: bool
) -> None:
    socketcan = pytest.importorskip("logscope.recording.socketcan_port")
    monkeypatch.setattr(socketcan, "sys", SimpleNamespace(platform=platform, byteorder=order))
    monkeypatch.setattr(socketcan, "struct", SimpleNamespace(calcsize=lambda _: size))
    monkeypatch.setattr(socketcan, "socket", SimpleNamespace(AF_CAN=29) if family else SimpleNamespace())
    assert socketcan.is_possible() is possible


# -- keys -------------------------------------------------------------------------------------------


def test_a_line_is_typed_until_it_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = iter(["a", " b\x08c", "\x07é", "\n"])
    monkeypatch.setattr(keys, "_pressed", lambda: next(typed))
    board = Keyboard()
    shown = []
    asked = []
    for _ in range(4):
        asked += board.asked()
        shown.append(board.typed)
    assert (shown, asked) == (["a", "a c", "a cé", ""], ["a cé"])
    assert TypedLine().feed("q\r", 0.0) == [Key.END]
    assert TypedLine().feed("qq\r", 0.0) == ["qq"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pipe cannot be waited for there")
@pytest.mark.parametrize(("waiting", "pressed"), [(b"", ""), ("aé".encode(), "aé"), (b"\x1b[A", ""), (b"\xffb", "b")])
def test_what_waits_of_the_keyboard_is_read_without_waiting(
    monkeypatch: pytest.MonkeyPatch, waiting: bytes, pressed: str
) -> None:
    """A key without a character begins with ESC (ECMA-48)."""
    ours, theirs = os.pipe()
    with os.fdopen(ours, encoding="utf-8") as reading, os.fdopen(theirs, "wb") as writing:
        writing.write(waiting)
        writing.flush()
        monkeypatch.setattr(keys.sys, "stdin", reading)
        assert keys._pressed() == pressed


def test_there_is_no_keyboard_where_standard_input_is_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for stream in (None, io.StringIO("q")):
        monkeypatch.setattr(keys.sys, "stdin", stream)
        with keyboard() as board:
            assert board is None


def test_what_is_said_before_a_recording_names_each_danger() -> None:
    said = " ".join(CAUTIONS)
    assert len(CAUTIONS) == 4
    for words in (
        "High voltage kills", "Somebody other than the driver looks at the screen", "run it from its battery",
        "use isolated adapters", "“Below 60 V by reading” is a number from a controller", "Connect before the key",
    ):  # fmt: skip
        assert words in said
