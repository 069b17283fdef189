"""Which text is whose, tables of signals and consoles, and the definitions proposed for them. Expected by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.capture.candump import sniff as is_candump
from logscope.capture.candump_screen import _are_differences
from logscope.capture.candump_screen import sniff as is_candump_screen
from logscope.capture.console_guess import advice as console_advice
from logscope.capture.signal_table import SignalTable, _rises, advice, signal_table


@pytest.mark.parametrize(
    ("head", "plain", "screen"),
    [
        (b"(1.5) can0 1AB#00\n", True, False),
        (b"x\n (1.5)\tcan0 1#\n", True, False),
        (b"(15) can0 1AB#00\n", False, False),
        (b"(1.5) can0 123456789#00\n", False, False),
        (b" (0.1)  can0  1AB   [2]  11 22\n", False, True),
        (b"  can0  1AB   [2]  11 22\n", False, True),
        (b"  can0  1AB   [0]\n", False, True),
        (b"  can0  1AB   [2]  remote request\n", False, True),
        (b"  can0  1AB   [2]  xx\n", False, False),
        (b" (0.1)  can0  RX - -  1AB  [02]  11 22\n", False, True),
        (b"time,id\n", False, False),
    ],
)
def test_how_frames_look_that_a_tool_printed(head: bytes, plain: bool, screen: bool) -> None:
    assert (is_candump(head), is_candump_screen(head)) == (plain, screen)


@pytest.mark.parametrize(
    ("stamps_s", "differences"),
    [
        ([0.1, 0.2, 0.1], True), ([0.1, 0.2], False), ([0.2, 0.1], False), ([1, 2, 3, 4], False),
        ([1, 2, 1, 2, 3], False), ([1, 2, 1, 2, 1.5, 2], True), ([3, 2, 1], True), ([1, 1, 1], False), ([], False),
        ([1, 2, 3, 4, 3, 4, 5, 4], False), ([1, 2, 3, 4, 3, 2], True), ([1, 2, 3, 2, 3, 2, 3], False),
    ],
)  # fmt: skip
def test_stamps_that_fall_as_often_as_they_rise_are_differences(stamps_s: list[float], differences: bool) -> None:
    assert _are_differences(stamps_s) is differences


# --------------------------------------------------------------------------------- tables of signals

ROWS = [f"{k / 10};{1500 + k};{312.5 - k}" for k in range(10)]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (["Time [s];Speed [rpm];Volt", *ROWS],
         SignalTable(";", ".", ("Time [s]", "Speed [rpm]", "Volt"), True, 0, False)),
        (ROWS, SignalTable(";", ".", ("column1", "column2", "column3"), False, 0, False)),
        (["a;b;c", *(row.replace(".", ",") for row in ROWS)], SignalTable(";", ",", ("a", "b", "c"), True, 0, False)),
        (["Speed,Time", *(f"{9 - k},{k}" for k in range(5))], SignalTable(",", ".", ("Speed", "Time"), True, 1, False)),
        (["wann,n", *(f"2026-03-02 09:00:0{k},{k % 2}" for k in range(9))],
         SignalTable(",", ".", ("wann", "n"), True, 0, True)),
        (["n,wann", *(f"{k % 2},2026-03-02 09:00:0{k}" for k in range(9))], None),  # a stamp behind the line
        (["a;b;c", *ROWS[:9], "x;1;2"], SignalTable(";", ".", ("a", "b", "c"), True, 0, False)),
        (["a;b;c", *ROWS[:8], "x;1;2"], None),  # one row in nine
        (["a;a;c", *ROWS], SignalTable(";", ".", ("column1", "column2", "column3"), False, 0, False)),
        (["a;b", *(f"5;{k % 3}" for k in range(9))], None),  # nothing rises
        (["prose"], None),
        ([], None),
    ],
)  # fmt: skip
def test_a_table_of_numbers_beside_a_time(lines: list[str], expected: SignalTable | None) -> None:
    assert signal_table(lines) == expected


def test_what_rises_never_falls() -> None:
    assert _rises(["1", "1", "2"])
    assert _rises(["1,5", "x", "1,5", "2e3"])
    for column in (["1", "2"], ["1", "1", "1"], ["1", "3", "2"]):
        assert not _rises(column)


def test_the_proposed_definition_of_a_table() -> None:
    lines = ["Time [ms];Speed [rpm];Udc.avg;", *(row + ";" for row in ROWS)]
    found = advice(lines, Path("first run.v2.csv"))
    assert found is not None
    what, do, text = found
    assert what.startswith("this looks like a table of 2 signals (")
    assert 'definitions = "first_run-signals.toml"' in do
    assert '"first_run.Speed"' in do
    assert text == (
        '[console]\nname = "first_run"\n\n[delimited]\nseparator = ";"\n\n[time]\nfield = "Time [ms]"\nunit = "ms"\n\n'
        '[[signal]]\nname = "Speed"\nfield = "Speed [rpm]"\nunit = "rpm"\n\n'
        '[[signal]]\nname = "Udc_avg"\nfield = "Udc.avg"\nunit = ""\n'
    )
    one = advice(["Time,n", *(f"{k},{k % 2}" for k in range(9))], Path("!.csv"))
    assert one is not None
    assert "table of one signal (" in one[0]
    assert 'name = "Log"' in one[2]
    assert 'unit = "s"                   # not in the header' in one[2]
    dated = SignalTable(",", ",", ("wann (x)", "n"), True, 0, True).as_toml("L")
    assert 'other = ["^wann\\\\ \\\\(x\\\\)"]      # the header line' in dated
    assert 'decimal = ","\ncolumns = ["n"]' in dated
    assert 'stamp = "iso"' in dated
    assert 'columns = ["a", "b"]' in SignalTable(",", ".", ("a", "b"), False, 0, False).as_toml("L")


# ----------------------------------------------------------------------------------------- consoles


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["a=1 b=2"] * 3, True),
        (["a=1 b=2"] * 2, False),
        (["a=1"] * 9, False),  # one name
        (["a=1 b=2"] * 3 + ["x"] * 3, True),
        (["a=1 b=2"] * 3 + ["x"] * 4, False),  # fewer than half of the lines
        (["a=1 b=2"] + ["a=1"] * 8, False),  # the other name came once
        (["a=1 b=2"] * 2 + ["a=1"] * 38, True),  # in a twentieth of the lines
        (["a=1 b=2"] * 2 + ["a=1"] * 39, False),
    ],
)
def test_a_console_prints_names_with_values(lines: list[str], found: bool) -> None:
    assert (console_advice(lines, Path("a.log")) is not None) is found


def test_the_proposed_definition_of_a_console() -> None:
    lines = [f"[{k}.5] rpm={k} udc: {300 + k}V Kmh=3" for k in range(9)]
    found = console_advice(lines, Path("my run.log"))
    assert found is not None
    assert found[0] == "this looks like the text of a serial console (rpm, udc, Kmh), not a log of CAN frames"
    assert '"my_run.rpm"' in found[1]
    assert found[2] == (
        '[console]\nname = "my_run"\n\n[pairs]\n\n[time]\nstamp = "uptime"\n\n'
        '[[signal]]\nname = "rpm"\nunit = "rpm"\n\n'
        '[[signal]]\nname = "udc"\nunit = "V"\n\n[[signal]]\nname = "Kmh"\nunit = "km/h"\n'
    )
    own = console_advice([f"time={k} a=1 b=2" for k in range(9)], Path("!.log"))
    assert own is not None
    assert 'name = "Console"' in own[2]
    assert 'field = "time"\nunit = "ms"   # "s", "ms" or "us"?' in own[2]
    fixed = console_advice(["time=5 a=1 b=2"] * 9, Path("a.log"))  # a time that stands still is none
    assert fixed is not None
    assert "rate_Hz = 10" in fixed[2]
