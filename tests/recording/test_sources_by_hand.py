"""Consoles as they are opened and read, and sources while they are recorded, with stand-ins; no thread, no waiting."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from logscope.errors import LogError, RequestError
from logscope.recording import serial_port, source
from logscope.recording.clock import RecordingClock
from logscope.recording.intake import Intake
from logscope.recording.port import Port, SerialBatch, UnpluggedError
from logscope.recording.serial_port import SerialPort, open_serial
from logscope.recording.source import Outage, Source
from logscope.recording.specs import SerialSpec, _file_name, can_specs, refuse_shared_names, serial_specs

S = 1_000_000_000


def clock_of(*moments_ns: int) -> RecordingClock:
    """A clock that shows these moments, one after the other, and then the last one."""
    left = list(moments_ns)
    return cast(RecordingClock, SimpleNamespace(now_ns=lambda: left.pop(0) if len(left) > 1 else left[0]))


# -- serial consoles --------------------------------------------------------------------------------


class Line:
    """A serial port that holds some bytes. in_waiting : as pyserial says it"""

    def __init__(self, content: bytes, waiting: int | None = None) -> None:
        self.content, self.written, self.closed = content, b"", 0
        self._waiting = waiting

    @property
    def in_waiting(self) -> int | None:
        return len(self.content) if self._waiting is None else self._waiting

    def read(self, count: int) -> bytes:
        given, self.content = self.content[:count], self.content[count:]
        return given

    def write(self, text: bytes) -> None:
        self.written += text

    def flush(self) -> None:
        self.written += b"|"

    def close(self) -> None:
        self.closed += 1


@pytest.mark.parametrize(("baud", "byte_ns"), [(115_200, 86_806), (9600, 1_041_667)])
def test_a_read_is_stamped_when_its_first_byte_was_there(
    monkeypatch: pytest.MonkeyPatch, baud: int, byte_ns: int
) -> None:
    """A byte takes ten bits with its start and stop: 86.8 µs at 115,200 baud."""
    slept: list[float] = []
    monkeypatch.setattr(serial_port.time, "sleep", slept.append)
    port = SerialPort(Line(b"rpm=5\n"), baud, clock_of(7 * S, 9 * S))
    assert port.read() == SerialBatch(b"rpm=5\n", 7 * S, byte_ns)
    assert slept == [0.001]
    assert port.read() is None
    assert (port.stamps, port.listening) == ("arrival", "only read")
    assert SerialBatch(b"abc", 5).size == 1
    assert SerialBatch(b"abc", 5).last_ns == 5


def test_what_is_sent_once_is_sent_whole_and_a_port_that_fails_is_gone() -> None:
    line = Line(b"")
    port = SerialPort(line, 9600, clock_of(0))
    port.ask_once(b"start\r\n")
    port.close()
    assert (line.written, line.closed) == (b"start\r\n|", 1)

    def fails(*_: object) -> bytes:
        raise OSError("no\n device")

    line.read = line.flush = fails  # type: ignore[method-assign,assignment]
    for ask in (port.read, lambda: port.ask_once(b"x")):
        with pytest.raises(UnpluggedError, match=r"^no device$"):
            ask()
    line.read = lambda _: len(None)  # type: ignore[method-assign,arg-type,assignment,return-value]
    with pytest.raises(UnpluggedError, match="NoneType"):  # pyserial's of a port that is closed meanwhile
        port.read()


def test_a_serial_port_is_opened_at_its_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    given: list[object] = []

    def opens(name: str, **keys: object) -> Line:
        given.append((name, keys))
        return Line(b"")

    spec = SerialSpec("console", "COM4", 9600, Path("c.toml"))
    monkeypatch.setattr(serial, "serial_for_url", opens)
    assert open_serial(spec, clock_of(0))._byte_ns == 1_041_667
    assert given == [("COM4", {"baudrate": 9600, "timeout": 0.2})]
    assert spec.text == "COM4@9600"

    def fails(*_: object, **__: object) -> None:
        raise OSError("no\nport")

    monkeypatch.setattr(serial, "serial_for_url", fails)
    with pytest.raises(RequestError) as refused:
        open_serial(spec, clock_of(0))
    assert str(refused.value) == (
        "COM4@9600: the serial port cannot be opened (no port). Check its name, that it is plugged in, and that no "
        "other program holds it."
    )


# -- what the command line names --------------------------------------------------------------------


def test_names_of_consoles_can_stand_in_the_names_of_files(tmp_path: Path) -> None:
    assert [_file_name(name) for name in ("My Console", "-a.b-", "ß", "A_1")] == ["my-console", "a-b", "console", "a_1"]
    cans = can_specs(["Body=slcan:COM3@5"], {})
    refuse_shared_names(cans, [SerialSpec("console", "COM4", 9600, tmp_path)])
    with pytest.raises(RequestError, match="two sources are called “body”"):
        refuse_shared_names(cans, [SerialSpec("body", "COM4", 9600, tmp_path)])
    definitions = []
    for name in ("one", "two"):
        definitions.append(tmp_path / f"{name}.toml")
        definitions[-1].write_text(
            f'[console]\nname = "{name}"\n[pairs]\n[time]\nrate_Hz = 1\n[[signal]]\nname = "x"\n', encoding="utf-8"
        )
    given = [f"COM{k}@9600:{path}" for k, path in enumerate(definitions)]
    assert [spec.send_once for spec in serial_specs(given, ["a"])] == [b"a\r\n", b""]
    assert [spec.send_once for spec in serial_specs(given, ["", "b"])] == [b"", b"b\r\n"]


# -- a source while it is recorded ------------------------------------------------------------------


class Answers:
    """A port that answers so; a callable is called, an exception raised. None once nothing is left."""

    stamps, listening = "made", "quiet"

    def __init__(self, *answers: object) -> None:
        self.left, self.closed = list(answers), 0

    def read(self) -> Any:
        answer = self.left.pop(0) if self.left else None
        if callable(answer):
            answer = answer()
        if isinstance(answer, Exception):
            raise answer
        return answer

    def close(self) -> None:
        self.closed += 1


def source_of(port: Answers, clock: RecordingClock, reopen: Callable[[], Port] | None = None) -> Source:
    return Source(3, "can0", cast(Port, port), reopen or (lambda: cast(Port, port)), clock)


def batch(first: int) -> SerialBatch:
    return SerialBatch(b"abc", first)


def test_what_has_arrived_is_fetched_before_a_source_ends() -> None:
    intake = Intake(4)
    made = source_of(Answers(), clock_of(0))
    made._port = cast(Port, Answers(batch(1), None, batch(2), made.ask_to_stop, batch(3), None, batch(4)))
    made._run(intake)
    assert [(each.source, each.batch.last_ns) for each in intake.take(0.0)] == [(3, 1), (3, 2), (3, 3)]
    assert (made.account.bytes, made.name, made.stamps, made.listening) == (9, "can0", "made", "quiet")


@pytest.mark.parametrize(("later_ns", "count"), [(499_999_999, 2), (500_000_000, 1)])
def test_a_source_that_never_falls_silent_is_fetched_for_half_a_second(later_ns: int, count: int) -> None:
    intake = Intake(4)
    made = source_of(Answers(batch(1), batch(2)), clock_of(0, later_ns, 500_000_000))
    made.ask_to_stop()
    made._run(intake)
    assert len(intake.take(0.0)) == count


def test_a_source_that_goes_is_waited_for_and_its_outage_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "_RETRY_S", 0.0)
    intake = Intake(4)
    gone, again = Answers(batch(1), UnpluggedError("no device")), Answers(batch(2))
    tries = iter([LogError("not yet"), OSError("not yet"), again])

    def reopen() -> Port:
        assert made.unplugged == "no device"
        answer = next(tries)
        if isinstance(answer, Exception):
            raise answer
        return cast(Port, answer)

    made = source_of(gone, clock_of(5 * S, 8 * S, 9 * S), reopen)
    again.left.append(lambda: made.ask_to_stop())
    made._run(intake)
    assert made.account.outages == [Outage(5 * S, 8 * S, "no device")]
    assert (gone.closed, made.unplugged, len(intake.take(0.0))) == (1, "", 2)


def test_a_defect_of_a_driver_is_named_and_one_while_it_ends_is_not_waited_for() -> None:
    port = Answers(ZeroDivisionError("by zero"))
    made = source_of(port, clock_of(5 * S))
    made._stopping = cast(Any, SimpleNamespace(is_set=lambda: False, wait=lambda _: True))
    port.left.append(lambda: setattr(made, "_stopping", SimpleNamespace(is_set=lambda: True)))
    made._run(Intake(4))
    assert made.account.outages == [Outage(5 * S, None, "ZeroDivisionError: by zero")]
    assert made.unplugged == "ZeroDivisionError: by zero"
    ending = source_of(Answers(OSError("gone")), clock_of(0))
    ending.ask_to_stop()
    ending._run(Intake(4))
    assert ending.account.outages == []
    ending.wait()
    assert cast(Answers, ending._port).closed == 1
