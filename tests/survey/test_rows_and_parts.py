"""A signal in figures, as a row, in words and as a part to draw; small tables put in by hand."""

from __future__ import annotations

import io
import json
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from rich.console import Console

from logscope.capture.frames import Account
from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.draft.choose import Choice
from logscope.errors import RequestError
from logscope.signals import Part
from logscope.survey import pick
from logscope.survey.collect import SignalRow, _row, full_name
from logscope.survey.pick import Request, _by_signal, _drawable, _part
from logscope.survey.plot import SignalPlot, _figures, _gap_notes, _listed
from logscope.survey.show import _cells, _resembles, _value, _widths, print_rows, rows_to_json
from logscope.survey.spark import spark_levels
from logscope.vehicle import Vehicle

SPECS = (
    SignalSpec("Volts", 0, 16, scale=0.1, unit="V"), SignalSpec("State", 16, 8, choices={0: "Off", 2: "Ready"}),
    SignalSpec("Flag", 24, 1), SignalSpec("Never", 32, 8, unit="degC"),
)  # fmt: skip
COLUMNS = {
    "Volts": np.array([300.0, np.nan, 310.0, 290.0]), "State": np.array([0.0, 0.0, 2.0, 2.0]),
    "Flag": np.array([0.0, 1.0, 1.0, 0.0]), "Never": np.full(4, np.nan),
}  # fmt: skip


def table(message: str = "Pack", bus: str = "can0") -> Table:
    """Four frames, a quarter of a second apart, from one second after the log's start."""
    spec = MessageSpec(message, 0x10, False, 8, SPECS)
    return Table(message, bus, spec, 5_000_000_000, 6_000_000_000 + 250_000_000 * np.arange(4), COLUMNS, {})


def row(signal: str, key: str = "Pack", chosen: dict[str, tuple[str, Choice]] | None = None) -> SignalRow:
    return _row(key, table(), signal, (0.0, 2.0), chosen or {})


def test_a_signal_is_summed_up_by_the_samples_that_it_has() -> None:
    """Of four frames one holds no value; 1, 1.5 and 1.75 s lie in the cells 5, 7 and 8 of ten in 2 s."""
    found = row("Volts")
    assert found == SignalRow(
        "Pack.Volts", "Pack", "Volts", "V", 3, pytest.approx(0.375), 290.0, 310.0, 290.0, "",
        (None, None, None, None, None, 4, None, 7, 0, None),
    )  # fmt: skip
    state = row("State")
    assert (state.samples, state.period_s, state.last, state.last_text) == (4, pytest.approx(0.25), 2.0, "Ready")
    none = row("Never")
    assert (none.samples, none.period_s, none.lowest, none.highest, none.last, none.last_text) == (0, *[None] * 4, "")
    assert none.unit == "°C"
    assert set(none.levels) == {None}


@pytest.mark.parametrize("sure", [True, False])
def test_what_a_signal_resembles_goes_with_it(sure: bool) -> None:
    choice = cast(Choice, SimpleNamespace(sure=sure, fit=SimpleNamespace(reasons=("its unit",))))
    found = row("Volts", chosen={"Pack.Volts": ("battery_voltage", choice)})
    assert (found.resembles, found.surely, found.reasons) == ("battery_voltage", sure, ("its unit",))
    assert _resembles(found) == ("battery voltage" if sure else "battery voltage ?")
    assert _resembles(row("Volts")) == ""


def test_a_message_on_several_buses_and_a_console_keep_their_names() -> None:
    assert full_name("can1:Pack", table(), "Volts") == "can1:Pack.Volts"
    assert row("Volts", "can1:Pack").message == "can1:Pack"
    assert full_name("Pack.Volts", table(), "Volts") == "Pack.Volts"
    assert row("Volts", "Pack.Volts").message == "Pack"


@pytest.mark.parametrize(
    ("value", "levels"),
    [
        ([0.0, 1.0, 2.0, 3.0], [0, 2, 5, 7]), ([0.0, 0.0, 8.0, 7.0], [0, 0, 7, 7]), ([3.0, 3.0, 3.0, 3.0], [0] * 4),
        ([0.0, 7.9, 8.0, 0.9], [0, 7, 7, 0]), ([0.0, 1.0, 8.0, 0.99], [0, 1, 7, 0]),
    ],
)  # fmt: skip
def test_levels_are_eighths_of_the_range(value: list[float], levels: list[int]) -> None:
    assert spark_levels(np.arange(4.0), np.array(value), (0.0, 4.0), 4) == levels


def test_the_cells_of_a_log_begin_with_it() -> None:
    assert spark_levels(np.array([10.0, 12.0, 14.0]), np.array([0.0, 7.0, 3.0]), (10.0, 14.0), 2) == [0, 7]
    assert spark_levels(np.array([10.0]), np.array([3.0]), (10.0, 10.0), 2) == [0, None]


ROWS = (row("Volts"), row("State"), row("Never"))


def test_json_holds_every_figure() -> None:
    account = Account(files=("a.log",))
    found = json.loads(rows_to_json((ROWS[1],), account, 2.0, ["cut"]))
    assert (found["files"], found["duration_s"], found["notes"]) == (["a.log"], 2.0, ["cut"])
    assert found["signals"] == [
        {
            "name": "Pack.State", "unit": "", "samples": 4, "period_s": 0.25, "lowest": 0.0, "highest": 2.0,
            "last": 2.0, "last_text": "Ready", "resembles": None, "surely": False, "reasons": [],
        }
    ]  # fmt: skip
    empty = json.loads(rows_to_json((ROWS[2],), account, 2.0, []))["signals"][0]
    assert (empty["period_s"], empty["lowest"], empty["last_text"]) == (None, None, None)


@pytest.mark.parametrize(
    ("value", "shown"), [(None, "-"), (0.0, "0"), (9_999_999.0, "9999999"), (1e7, "1e+07"), (-1.23456e9, "-1.235e+09"),
                         (12.5, "12.5")],
)  # fmt: skip
def test_a_number_that_is_longer_than_a_column_has_an_exponent(value: float | None, shown: str) -> None:
    assert _value(value) == shown


def test_a_row_says_where_it_has_fewer_samples_than_its_message() -> None:
    assert _cells(ROWS[0], 4, "utf-8")[:5] == ("Volts (3 samples)", "290", "310", "290", "V")
    assert _cells(ROWS[1], 4, "utf-8")[:4] == ("State", "0", "2", "Ready")
    assert _cells(ROWS[2], 4, "utf-8")[:4] == ("Never (0 samples)", "-", "-", "-")
    long = SignalRow("a", "m", "s", "", 1, None, 0.0, 0.0, 0.0, "Text of fourteen", (0,) * 10)
    assert _cells(long, 1, "utf-8")[3] == "Text of fo"


@pytest.mark.parametrize(
    ("room", "name", "resembles"),
    [
        # 31 characters of figures and six blanks: of 48 left the name takes its 30
        (200, 30, 20), (85, 30, 18), (70, 17, 16), (63, 13, 13), (58, 11, 10), (20, 8, 8),
    ],
)  # fmt: skip
def test_names_share_what_the_figures_leave(room: int, name: int, resembles: int) -> None:
    """Half each where neither fits, of a part 16 at most; eight at the narrowest."""
    one = SignalRow("n", "m", "N" * 30, "V", 1, None, 290.0, 310.0, 290.0, "", (0,) * 10, "R" * 18)
    assert _widths((one,), room) == [name, 6, 7, 4, 4, 10, resembles]


def printed(width: int = 100) -> str:
    console = Console(file=io.StringIO(), width=width, color_system=None)
    print_rows(ROWS, 2.0, console)
    return cast(io.StringIO, console.file).getvalue()


def test_the_table_has_a_heading_a_message_and_says_what_it_counts() -> None:
    text = printed()
    assert "Pack: 4 samples, every 250" in text
    assert "(3" in text  # the name folds
    assert "3 signals in 1 message over 2.00" in text.replace("\xa0", " ")
    assert "course: the whole log in 10 steps" in text


def test_a_signal_becomes_a_part_and_a_flag_a_state() -> None:
    part = _part("Pack.Volts", table(), "Volts")
    assert (part.name, part.source, part.unit, part.step, part.on) == ("Pack.Volts", "Pack.Volts", "V", 0.1, None)
    assert (part.time_s.tolist(), part.value.tolist()) == ([1.0, 1.5, 1.75], [300.0, 310.0, 290.0])
    flag = _part("Pack.Flag", table(), "Flag")
    assert flag.on is not None
    assert flag.on.tolist() == [False, True, True, False]
    state = _part("Pack.State", table(), "State")
    assert (state.labels, state.on) == ({0.0: "Off", 2.0: "Ready"}, None)


def test_a_signal_is_looked_up_in_every_table_that_has_it() -> None:
    asked = Request(("Pack.Volts",), {})
    tables = {"can0:Pack": table(), "can1:Pack": table("Pack", "can1")}
    assert [part.name for part in _by_signal("Pack.Volts", asked, tables)] == ["can0:Pack.Volts", "can1:Pack.Volts"]
    assert asked.plain == ("Pack.Volts",)
    with pytest.raises(RequestError, match=r"the log holds no sample of “Pack\.Never”"):
        _by_signal("Pack.Never", asked, tables)


@pytest.mark.parametrize(("changes", "strip"), [(3000, True), (3001, False)])
def test_a_state_that_changes_too_often_is_a_line(changes: int, strip: bool) -> None:
    value = np.append(np.arange(changes + 1) % 2, (changes) % 2).astype(float)
    part = Part("S", np.arange(value.size) * 0.1, value, "", "M.S", labels={0.0: "Off"}, on=value == 1.0)
    found = _drawable(part)
    assert (found.on is not None, bool(found.labels)) == (strip, strip)


AT = np.arange(0.0, 60.0, 0.5)


def figures(part: Part, window: tuple[float, float]) -> tuple[str, ...]:
    row = _figures(part, window)
    return tuple(text.replace("\xa0", " ") for text in (row.samples, row.period, row.lowest, row.highest))


def test_figures_are_those_of_the_stretch_that_is_shown() -> None:
    part = Part("S", AT, AT, "V", "M.S", labels={10.0: "Ten"})
    assert figures(part, (10.0, 20.0)) == ("21", "500 ms", "Ten", "20 V")
    assert figures(part, (10.1, 10.6)) == ("1", "", "10.5 V", "10.5 V")
    assert figures(part, (70.0, 80.0)) == ("0", "", "", "")


@pytest.mark.parametrize(
    ("gone", "said"),
    [
        ([], None), ([(10.1, 11.9)], "10.000 to 12.000 s; the line"), ([(10.1, 11.4)], None),
        ([(10.1, 11.9), (20.1, 25.9)], "10.000 to 12.000 and 20.000 to 26.000 s; the line"),
        ([(5.1, 6.9), (10.1, 12.9), (20.1, 23.9), (30.1, 34.9)],
         "10.000 to 13.000, 20.000 to 24.000 and 30.000 to 35.000 s, and in 1 shorter stretches; the line"),
        ([(1.0, 4.0)], None),  # outside what is shown
    ],
)  # fmt: skip
def test_the_longest_gaps_of_what_is_shown_are_named(gone: list[tuple[float, float]], said: str | None) -> None:
    kept = ~np.any([(a <= AT) & (b >= AT) for a, b in gone], axis=0) if gone else np.ones(AT.size, dtype=bool)
    part = Part("S", AT[kept], AT[kept], "V", "M.S")
    (note,) = list(_gap_notes(part, (5.0, 50.0))) or [None]
    assert (note is None) is (said is None)
    if note is not None:
        assert said is not None
        assert f"no sample from {said}" in note


def test_names_are_listed_with_and_before_the_last() -> None:
    assert (_listed(["a"]), _listed(["a", "b"]), _listed(["a", "b", "c"])) == ("a", "a and b", "a, b and c")


def test_a_chart_says_what_it_shows_and_that_there_is_nothing() -> None:
    part = Part("S", AT, AT, "V", "M.S")
    facts = SignalPlot((part,), (10.0, 22.5))._facts()
    assert [(name, text.replace("\xa0", " ")) for name, text in facts] == [
        ("From", "10.000 s"), ("Until", "22.500 s"), ("Length", "12.50 s")
    ]  # fmt: skip
    with pytest.raises(RequestError, match="none of these signals has a sample from 70 to 80 s"):
        SignalPlot((part,), (70.0, 80.0)).drawing()


def test_names_are_looked_up_among_parts_and_signals_before_a_log_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    messages = (MessageSpec("Pack", 0x10, False, 8, SPECS),)
    binding = SimpleNamespace(part="battery_voltage", wanted=(None, "Pack", "Volts"))
    monkeypatch.setattr(pick, "read_definitions", lambda _: ([(None, messages)], ()))
    monkeypatch.setattr(pick, "mapped_bindings", lambda *_: ([binding], []))
    monkeypatch.setattr(pick, "vehicle_consoles", lambda _: [])
    asked = pick.request(["battery_voltage", "Pack.State", "can1:Pack.Flag"], Vehicle())
    assert asked.names == ("battery_voltage", "Pack.State", "can1:Pack.Flag")
    assert asked.plain == ("Pack.State", "can1:Pack.Flag")
    assert asked.wanted == [(None, "Pack", "Volts"), (None, "Pack", "State"), ("can1", "Pack", "Flag")]
    for name in ("Pack.Other", "Else.Volts", "motor_speed"):
        with pytest.raises(RequestError):
            pick.request([name], Vehicle())
