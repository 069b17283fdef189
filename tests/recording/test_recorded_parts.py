"""Ports, writers and the description of a recording, part by part: files, stand-ins for adapters, no threads.

Bytes take 10 bits each on a serial line; arguments of interfaces are those of python-can's constructors.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import can
import pytest
from recording_rigs import numbered

from logscope.capture.library import frames_of
from logscope.errors import RequestError
from logscope.recording import can_port, listen_only, serial_port
from logscope.recording.can_port import PythonCanPort, open_can
from logscope.recording.clock import RecordingClock
from logscope.recording.files import GrowingFile, Rotated
from logscope.recording.listen_only import ACKNOWLEDGES, LISTENS, NO_WIRE, UNKNOWN, listening, socketcan_listening
from logscope.recording.port import CanBatch, SerialBatch, UnpluggedError
from logscope.recording.serial_port import SerialPort, open_serial
from logscope.recording.specs import CanSpec, SerialSpec
from logscope.recording.writers import (
    BinaryConsoleWriter,
    BlfWriter,
    CandumpWriter,
    StampedLines,
    StampedLineWriter,
    _messages,
)

S = 1_000_000_000
CLOCK = cast(RecordingClock, SimpleNamespace(now_ns=lambda: 7 * S, start_ns=5 * S))


# ----------------------------------------------------------------------------------------- adapters


@pytest.mark.parametrize(
    ("spec", "expected"),
    [
        (CanSpec("a", "slcan", "3", 250_000), {"channel": "3", "listen_only": True, "bitrate": 250_000}),
        (CanSpec("a", "kvaser", "1", 5), {"channel": 1, "driver_mode": False, "bitrate": 5}),
        (CanSpec("a", "pcan", "X1", 5), {"channel": "X1", "state": can.BusState.PASSIVE, "bitrate": 5}),
        (CanSpec("a", "virtual", "7", 5), {"channel": "7"}),
        (CanSpec("a", "virtual", "7"), {"channel": "7"}),
        (CanSpec("a", "ixxat", "0", 5), {"channel": 0, "bitrate": 5}),
    ],
)
def test_an_adapter_is_opened_as_quietly_as_it_can_be(spec: CanSpec, expected: dict[str, Any]) -> None:
    given: dict[str, Any] = {}

    def open_bus(**arguments: Any) -> object:
        given.update(arguments)
        return object()

    port = open_can(spec, CLOCK, open_bus)
    assert given == {"interface": spec.interface} | expected
    assert port.listening == listening(spec.interface, spec.channel).text
    own_clock = spec.interface in ("kvaser", "pcan", "ixxat")
    assert port.stamps == ("by the adapter, aligned to the arrival" if own_clock else "arrival")


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        (CanSpec("a", "nothing", "0", 5), "python-can has no interface “nothing”"),
        (CanSpec("a", "slcan", "COM3"), "slcan:COM3: no bit rate is given, and a wrong one disturbs the bus"),
        (CanSpec("a", "virtual", "0"), r"virtual:0: the adapter cannot be opened \(no such thing\)"),
    ],
)
def test_an_adapter_that_cannot_be_opened_is_named(spec: CanSpec, said: str) -> None:
    def refused(**arguments: Any) -> object:
        raise OSError("no  such\nthing")

    with pytest.raises(RequestError, match=said):
        open_can(spec, CLOCK, refused)


def test_long_errors_are_cut() -> None:
    assert can_port._short(ValueError("x" * 200)) == "x" * 200
    assert can_port._short(ValueError("x" * 201)) == "x" * 200 + "…"
    assert can_port._short(ValueError()) == "ValueError"


def bus_of(*messages: can.Message) -> Any:
    waiting = list(messages)

    def recv(wait_s: float) -> can.Message | None:
        if waiting and isinstance(waiting[0], Exception):
            raise waiting[0]
        return waiting.pop(0) if waiting else None

    return SimpleNamespace(recv=recv)


def test_frames_are_stamped_by_the_adapter_or_at_their_arrival() -> None:
    """Delays of 5 and 3 s of a device that stamps 2 and 4 s, seen at 7 s: the least of them counts."""
    sent = [can.Message(timestamp=t, arbitration_id=1) for t in (2.0, 4.0)]
    for interface, stamps in (("pcan", [7 * S, 7 * S]), ("slcan", [7 * S, 7 * S])):
        port = PythonCanPort(bus_of(*sent), CanSpec("drive", interface, "0"), CLOCK, "text")
        batch = port.read()
        assert batch is not None
        assert (batch.frames.time_ns.tolist(), batch.frames.buses) == (stamps, ("drive",))
    later = PythonCanPort(bus_of(*sent[::-1]), CanSpec("drive", "pcan", "0"), CLOCK, "text").read()
    assert later is not None
    assert later.frames.time_ns.tolist() == [7 * S, 7 * S]


def test_an_adapter_that_is_gone_says_why_once_what_came_is_kept() -> None:
    gone: Any = OSError("no device")
    port = PythonCanPort(bus_of(can.Message(arbitration_id=1), gone), CanSpec("a", "slcan", "0"), CLOCK, "")
    batch = port.read()
    assert batch is not None
    assert batch.size == 1
    with pytest.raises(UnpluggedError, match="no device"):
        port.read()


@pytest.mark.parametrize(
    ("interface", "arguments", "text"),
    [
        ("slcan", {"listen_only": True}, LISTENS), ("cantact", {"monitor": True}, LISTENS),
        ("seeedstudio", {"operation_mode": "silent"}, LISTENS), ("systec", {"state": "PASSIVE"}, LISTENS),
        ("nixnet", {"listen_only": True}, LISTENS), ("vector", {"listen_only": True}, LISTENS),
        ("virtual", {}, NO_WIRE), ("udp_multicast", {}, NO_WIRE), ("socketcand", {}, UNKNOWN),
        ("ixxat", {}, ACKNOWLEDGES),
    ],
)  # fmt: skip
def test_how_an_interface_listens(interface: str, arguments: dict[str, Any], text: str) -> None:
    assert listening(interface, "0") == listen_only.Listening(arguments, text)


@pytest.mark.parametrize(
    ("link", "text"),
    [
        (None, "may acknowledge frames: whether can7 only listens cannot be seen; it never transmits"),
        ({"linkinfo": {"info_kind": "vcan"}}, NO_WIRE),
        ({"linkinfo": {"info_kind": "vxcan"}}, NO_WIRE),
        ({"linkinfo": {"info_kind": "can", "info_data": {"ctrlmode": ["LISTEN-ONLY"]}}}, LISTENS),
        (
            {"linkinfo": {"info_kind": "can", "info_data": {"bittiming": {"bitrate": 250_000}}}},
            "acknowledges frames. To stop that, where another node acknowledges: ip link set can7 down; ip link set "
            "can7 type can bitrate 250000 listen-only on; ip link set can7 up",
        ),
        ({"linkinfo": {"info_kind": "can"}}, "can7 type can bitrate 500000 listen-only on"),
    ],
)
def test_what_the_system_says_of_a_link(link: dict[str, Any] | None, text: str) -> None:
    assert text in socketcan_listening("can7", link)


def test_bytes_are_stamped_when_the_first_of_them_came(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port.time, "sleep", lambda _: None)
    content = bytearray(b"abc")

    def read(count: int) -> bytes:
        taken, content[:] = bytes(content[:count]), content[count:]
        return taken

    port = SerialPort(SimpleNamespace(read=read, in_waiting=2), 9600, CLOCK)
    assert port.read() == SerialBatch(b"abc", 7 * S, 1_041_667)
    assert port.read() is None
    assert SerialPort(SimpleNamespace(), 115_200, CLOCK)._byte_ns == 86_806

    def gone(count: int) -> bytes:
        raise OSError("unplugged  now")

    with pytest.raises(UnpluggedError, match="unplugged now"):
        SerialPort(SimpleNamespace(read=gone), 9600, CLOCK).read()
    with pytest.raises(RequestError, match="nothing://@9600: the serial port cannot be opened"):
        open_serial(SerialSpec("c", "nothing://", 9600, Path("c.toml")), CLOCK)


# ------------------------------------------------------------------------------------------- writers


@pytest.mark.parametrize(
    ("pieces", "lines"),
    [
        ([b"ab\ncd\n"], "(0000000005.000000) ab\n(0000000005.000003) cd\n"),
        ([b"a", b"b\r\n"], "(0000000005.000000) ab\n"),
        ([b"\r\n\n"], ""),
        ([b"\n\na\n"], "(0000000005.000002) a\n"),
        ([b"x" * 4096], "(0000000005.000000) " + "x" * 4096 + "\n"),
        ([b"x" * 4095], ""),
        ([b"x" * 4095, b"y\nz"], "(0000000005.000000) " + "x" * 4095 + "y\n"),
    ],
)
def test_each_line_has_the_time_at_which_it_began(pieces: list[bytes], lines: str) -> None:
    """A byte takes a microsecond; each piece comes at 5 s."""
    made = StampedLines()
    assert b"".join(made.feed(SerialBatch(each, 5 * S, 1000)) for each in pieces) == lines.encode()


def test_the_line_that_is_not_complete_is_kept_for_the_end(tmp_path: Path) -> None:
    writer = StampedLineWriter(tmp_path, "console", 1 << 20)
    writer.write(SerialBatch(b"a\nbc", 1_772_442_000_123_456_789, 0))
    assert writer.total_bytes == len("(1772442000.123456) a\n")
    writer.close()
    assert (tmp_path / "console-001.txt").read_text("ascii") == "(1772442000.123456) a\n(1772442000.123456) bc\n"
    assert (writer.form, writer.names) == ("lines", ["console-001.txt"])
    empty = StampedLines()
    assert empty.rest() == b""


def test_bytes_of_a_console_stand_with_their_places_and_times(tmp_path: Path) -> None:
    writer = BinaryConsoleWriter(tmp_path, "c", 1)
    for data, at in ((b"abc", 5), (b"de", 7)):
        writer.write(SerialBatch(data, at))
    assert (writer.form, writer.names, writer.total_bytes) == ("bytes", ["c-001.bin"], 5 + 8)
    writer.close()
    assert (tmp_path / "c-001.bin").read_bytes() == b"abcde"
    assert (tmp_path / "c-001.times").read_text("ascii") == "0 5\n3 7\n"


def test_a_file_that_has_its_size_is_followed_by_another(tmp_path: Path) -> None:
    files = Rotated(tmp_path, "can0", ".log", 4)
    for piece in (b"abc", b"d", b"ef", b"ghij", b"k"):
        files.append(piece)
        files.sync()
    assert (files.names, files.total_bytes) == ([f"can0-00{k}.log" for k in (1, 2, 3)], 11)
    files.close()
    assert [(tmp_path / name).read_bytes() for name in files.names] == [b"abcd", b"efghij", b"k"]
    with pytest.raises(FileExistsError):
        GrowingFile(tmp_path / "can0-001.log")


def test_a_piece_that_is_not_whole_is_taken_back(tmp_path: Path) -> None:
    file = GrowingFile(tmp_path / "a")
    file.append(b"abc")
    inner = file._file

    def half(piece: Any) -> int:
        if len(piece) < 4:
            raise OSError("full")
        return inner.write(piece[:2])

    file._file = cast(Any, SimpleNamespace(write=half, truncate=inner.truncate, seek=inner.seek))
    with pytest.raises(OSError, match="full"):
        file.append(b"defg")
    file._file = inner
    assert file.size == 3
    file.append(b"x")
    file.close()
    assert (tmp_path / "a").read_bytes() == b"abcx"


@pytest.mark.parametrize("writer_class", [CandumpWriter, BlfWriter])
def test_frames_go_into_files_of_their_size(writer_class: Any, tmp_path: Path) -> None:
    writer = writer_class(tmp_path, "can0", 100)
    for k in range(3):
        writer.write(CanBatch(numbered(10 * k, 10, 1_772_442_000 * S)))
        writer.sync()
    writer.close()
    suffix = ".log" if writer_class is CandumpWriter else ".blf"
    assert writer.names == [f"can0-00{k}{suffix}" for k in (1, 2, 3)]
    assert writer.total_bytes == sum((tmp_path / name).stat().st_size for name in writer.names)


def test_frames_become_python_can_s_messages() -> None:
    sent = [
        can.Message(timestamp=5.25, arbitration_id=0x1A, is_extended_id=False, data=b"\1\2"),
        can.Message(
            timestamp=6.5, arbitration_id=0x1ABCDE, is_rx=False, is_fd=True, bitrate_switch=True, data=b"\3" * 12
        ),
        can.Message(timestamp=7.5, arbitration_id=3, is_extended_id=False, is_remote_frame=True, dlc=4),
        can.Message(timestamp=8.5, arbitration_id=4, is_extended_id=False, is_error_frame=True, data=b"\0" * 8),
        can.Message(timestamp=9.5, arbitration_id=5, is_fd=True, error_state_indicator=True, data=b"\7"),
    ]
    for message, found in zip(sent, _messages(frames_of(sent, "made")), strict=True):
        assert found.equals(message, timestamp_delta=1e-9, check_channel=False)
