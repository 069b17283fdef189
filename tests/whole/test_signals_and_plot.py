"""A look at a log: every signal in a row, some of them on one time axis."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import cantools
import numpy as np
import pytest
from can import LogReader
from rich.console import Console

import logscope
from logscope import RequestError, tasks
from logscope.signals import Part
from logscope.survey.plot import SignalPlot
from logscope.survey.show import print_rows
from logscope.survey.spark import LEVELS

Run = Callable[..., tuple[int, str, str]]
ROOT = Path(logscope.__file__).parents[1]
LOG, DBC = ROOT / "sample_logs/hazel-troubled.log", ROOT / "decoders/hazel.dbc"


@pytest.fixture(scope="module")
def listed() -> tasks.SignalList:
    return logscope.list_signals(LOG, definitions=DBC)


def test_figures_agree_with_cantools_and_python_can(listed: tasks.SignalList) -> None:
    database = cantools.database.load_file(str(DBC))
    message = database.get_message_by_name("InverterMotion")
    decoded = [
        (frame.timestamp, message.decode(frame.data, decode_choices=False))
        for frame in LogReader(str(LOG))
        if frame.arbitration_id == message.frame_id
    ]
    times = np.array([time for time, _ in decoded])
    for signal in message.signals:
        values = [float(each[signal.name]) for _, each in decoded]
        row = next(row for row in listed.rows if row.name == f"InverterMotion.{signal.name}")
        assert (row.samples, row.unit) == (len(values), signal.unit or "")
        assert (row.lowest, row.highest, row.last) == pytest.approx((min(values), max(values), values[-1]))
        assert row.period_s == pytest.approx(float(np.median(np.diff(times))), rel=0.05)


def test_signals_are_recognised_as_a_draft_does(listed: tasks.SignalList) -> None:
    resembling = {row.resembles: row.name for row in listed.rows if row.surely}
    assert resembling["dc_link_voltage"] == "InverterHv.DcLinkVoltage"
    assert resembling["motor_speed"] == "InverterMotion.MotorSpeed"
    assert all(row.reasons for row in listed.rows if row.resembles)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii"])
@pytest.mark.parametrize("width", [60, 80, 10_000])
def test_the_table_fits_any_console(listed: tasks.SignalList, width: int, encoding: str) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="")
    print_rows(listed.rows, listed.duration_s, Console(file=stream, width=width))
    stream.flush()
    lines = raw.getvalue().decode(encoding).splitlines()
    assert max(map(len, lines)) <= min(width, 120)
    row = next(line for line in lines if "MotorSpeed" in line)
    assert row.split()[1:5] == ["-50", "4700", "1375", "rpm"]
    assert re.search("[▁▂▃▄▅▆▇█]{10}" if encoding == "utf-8" else f"[0-{LEVELS - 1}]{{10}}", row)


def test_a_signal_without_samples_is_listed_too(command: Run, folder: Path) -> None:
    dbc = (folder / "small.dbc").read_text(encoding="utf-8")
    dbc = dbc.replace("BO_ 257", ' SG_ Late : 32|8@1+ (1,0) [0|0] "" INV\nBO_ 257').replace("Link: 4", "Link: 5")
    (folder / "wide.dbc").write_text(dbc, encoding="utf-8")
    request = ("signals", folder / "small.log", "--definitions", folder / "wide.dbc", "--json", folder / "s.json")
    assert command(*request)[0] == 0
    rows = {row["name"]: row for row in json.loads((folder / "s.json").read_text(encoding="utf-8"))["signals"]}
    assert (rows["Link.Late"]["samples"], rows["Link.Late"]["lowest"]) == (0, None)
    assert (rows["Link.Voltage"]["samples"], rows["Link.Voltage"]["unit"]) == (2, "V")
    assert rows["Status.Fault"]["last_text"] == "Overcurrent"


def test_without_definitions_there_is_nothing_to_list(command: Run, folder: Path) -> None:
    status, out, err = command("signals", folder / "small.log")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "--definitions" in err


def figure(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json">(.*?)</script>', page, re.DOTALL)
    assert found
    return json.loads(found[1])


def test_every_extreme_is_in_the_plot() -> None:
    plot = logscope.plot_signals(LOG, ["InverterMotion.MotorSpeed", "Inverter.Fault"], definitions=DBC)
    part = plot.parts[0]
    drawn = figure(plot.to_html())["data"][0]["y"]  # type: ignore[index]
    assert (min(drawn), max(drawn)) == (part.value.min(), part.value.max())


def test_a_part_is_plotted_as_the_checks_see_it_and_a_signal_as_it_is_logged(folder: Path) -> None:
    text = (folder / "small.toml").read_text(encoding="utf-8")
    scaled = text.replace('motor_speed = "Link.Speed"', 'motor_speed = { signal = "Link.Speed", scale = -2.0 }')
    (folder / "small.toml").write_text(scaled, encoding="utf-8")
    names = ["motor_speed", "Link.Speed", "can0:Link.Speed", "main_contactor"]
    plot = logscope.plot_signals(folder / "small.log", names, folder / "small.toml")
    assert [part.name for part in plot.parts] == ["motor_speed", *["Link.Speed"] * 2, "main_contactor"]
    assert plot.parts[0].value == pytest.approx(-2.0 * plot.parts[1].value)
    assert plot.parts[3].on is not None


def test_names_are_written_letter_by_letter_and_never_as_markup(folder: Path) -> None:
    dbc = (
        (folder / "small.dbc").read_text(encoding="utf-8").replace('"rpm"', '"<b>rpm"').replace("Voltage", "pack_V_raw")
    )
    (folder / "small.dbc").write_text(dbc, encoding="utf-8")
    plot = logscope.plot_signals(
        folder / "small.log", ["Link.pack_V_raw", "Link.Speed"], definitions=folder / "small.dbc"
    )
    page = plot.to_html()
    assert "Link.pack_V_raw [V]" in page
    assert "<b>rpm" not in page


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--signal", "Link.Sped"], "Did you mean “Link.Speed”?"),
        (["--signal", "motor_sped"], "Did you mean “motor_speed”?"),
        (["--signal", "Link.Speed", "--from", "5"], "there is nothing between 5 and 0.02 s"),
        (["--signal", "Link.Speed", "--from", "0.011", "--until", "0.012"], "none of these signals has a sample"),
    ],
)
def test_what_cannot_be_plotted_is_said_in_a_line(
    command: Run, folder: Path, arguments: list[str], expected: str
) -> None:
    request = ("plot", folder / "small.log", "--vehicle", folder / "small.toml", "--out", folder / "p.html")
    status, out, err = command(*request, *arguments)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert expected in err
    assert not (folder / "p.html").exists()


def test_a_silence_is_named_since_a_line_is_drawn_across_it(folder: Path) -> None:
    stamps = [*np.arange(0, 1, 0.01), *np.arange(3, 4, 0.01)]
    lines = [f"({stamp:.6f}) can0 100#10270500" for stamp in stamps]
    (folder / "gap.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    page = logscope.plot_signals(folder / "gap.log", "Link.Voltage", definitions=folder / "small.dbc").to_html()
    assert "Link.Voltage: no sample from 0.990 to 3.000 s; the line across is no measurement." in page


def test_of_many_silences_the_longest_are_named_and_the_others_counted() -> None:
    """Five stretches of readings every 10 ms, with silences between them of 1, 4, 2 and 3 s."""
    begins = (0.0, 2.0, 7.0, 10.0, 14.0)
    time_s = np.concatenate([begin + np.arange(101) * 0.01 for begin in begins])
    part = Part("Link.Voltage", time_s, np.ones(time_s.size), "V", "Link.Voltage")
    (note,) = SignalPlot((part,), (0.0, 15.0)).drawing().notes
    assert "no sample from 3.000 to 7.000, 8.000 to 10.000 and 11.000 to 14.000 s, and in 1 shorter stretch" in note
    (note,) = SignalPlot((part,), (0.0, 5.0)).drawing().notes
    assert "no sample from 1.000 to 2.000 s; the line" in note


def test_a_plot_is_not_written_over_a_log(folder: Path) -> None:
    plot = logscope.plot_signals(folder / "small.log", "Link.Speed", definitions=folder / "small.dbc")
    with pytest.raises(RequestError, match="is an input"):
        plot.to_html(folder / "small.log", overwrite=True)
