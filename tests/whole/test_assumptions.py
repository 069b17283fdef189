"""What had to be assumed to read a log stands on the terminal of every command that reads one."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Command = Callable[..., tuple[int, str, str]]

GUESSED = "Time,ID,DLC,Data\n"
ROW = "{stamp},100,4,10 27 05 00\n"


def log(folder: Path, name: str, step: float, count: int = 400, header: str = GUESSED) -> Path:
    """The message of `small.dbc` every 10 ms, in steps of some unit of time; 1A0 keeps the identifiers hexadecimal."""
    rows = [
        ROW.format(stamp=f"{k * step:g}").replace(",100,", ",1A0," if k % 50 == 1 else ",100,") for k in range(count)
    ]
    path = folder / name
    path.write_text(header + "".join(rows), encoding="utf-8")
    return path


def said(text: str) -> str:
    """What was printed, without the line breaks of the terminal."""
    return " ".join(text.split())


def test_guessed_columns_stand_in_the_output_of_every_command(folder: Path, command: Command) -> None:
    path, vehicle = log(folder, "guessed.csv", 10), folder / "small.toml"
    words = "columns guessed: time in column “Time”, milliseconds"
    _, out, err = command("check", path, "--vehicle", vehicle, "--json", folder / "f.json")
    assert words in said(out)
    assert words in json.loads((folder / "f.json").read_text(encoding="utf-8"))["capture"]["assumptions"][0]
    assert words in said(command("inventory", path)[1])
    assert words in said(command("decode", path, "--vehicle", vehicle, "--out", folder / "tables")[2])
    again = log(folder, "again.csv", 10)
    assert words in said(command("compare", "--before", path, "--after", again, "--vehicle", vehicle)[1])
    for _ in range(2):  # the second time from what was kept
        assert words in said(command("trend", path, "--vehicle", vehicle)[1])
    assert not err


LONG = 'columns = { time = "Time [s]", time_unit = "us", identifier = "ID", data = ["Data"], length = "DLC" }'


def test_a_unit_that_makes_a_log_longer_than_a_day_is_doubted(folder: Path, command: Command) -> None:
    path = log(folder, "long.csv", 10_000, 40, header=GUESSED.replace("Time", "Time [s]"))
    vehicle = folder / "small.toml"
    status, out, _ = command("check", path, "--vehicle", vehicle, "--json", folder / "f.json", "--fail-on", "warning")
    assert status == 1
    (found,) = [
        finding
        for finding in json.loads((folder / "f.json").read_text(encoding="utf-8"))["findings"]
        if finding["kind"] == "capture.time_unit"
    ]
    assert found["severity"] == "warning"
    assert found["measured"]["length_s"]["value"] == pytest.approx(3.9e5)
    assert "in microseconds 390 ms" in found["explanation"]
    assert LONG in found["next_step"]
    assert "time unit is in doubt: in seconds the log is 4.514 days long" in said(out)
    again = log(folder, "again.csv", 10_000, 40, header=GUESSED.replace("Time", "Time [s]"))
    for arguments in (
        ("inventory", path),
        ("compare", "--before", path, "--after", again, "--vehicle", vehicle),
        ("trend", path, "--vehicle", vehicle, "--fresh"),
    ):
        assert "time unit is in doubt" in said(command(*arguments)[1])
    assert LONG in said(command("decode", path, "--vehicle", vehicle, "--out", folder / "tables")[2])


def test_what_the_doubt_says_to_write_settles_it(folder: Path, command: Command) -> None:
    path = log(folder, "long.csv", 10_000, 40, header=GUESSED.replace("Time", "Time [s]"))
    vehicle = folder / "small.toml"
    text = vehicle.read_text(encoding="utf-8").replace("[signals]", f"{LONG}\n[signals]")
    vehicle.write_text(text, encoding="utf-8")
    _, out, _ = command("check", path, "--vehicle", vehicle, "--json", folder / "f.json")
    assert json.loads((folder / "f.json").read_text(encoding="utf-8"))["capture"]["duration_s"] == pytest.approx(0.39)
    assert "in doubt" not in out


@pytest.mark.parametrize("unit", ["ns", "us"])
def test_a_unit_that_makes_a_log_shorter_than_its_frames_is_doubted(folder: Path, command: Command, unit: str) -> None:
    """400 frames of one message in 4 ms or 4 µs: a message a millisecond is the most that any controller sends."""
    path = log(folder, "short.csv", 10, header=GUESSED.replace("Time", f"Time [{unit}]"))
    _, out, _ = command("check", path, "--vehicle", folder / "small.toml")
    assert "time unit is in doubt" in said(out)
    assert 'time_unit = "ms"' in said(out) or 'time_unit = "us"' in said(out)


def test_a_vehicle_file_without_a_unit_takes_the_one_in_the_columns_name(folder: Path, command: Command) -> None:
    path = log(folder, "named.csv", 10, header="Zeit [ms],Kennung,Anzahl,Inhalt\n")
    vehicle = folder / "small.toml"
    columns = 'columns = { time = "Zeit [ms]", identifier = "Kennung", data = "Inhalt" }'
    vehicle.write_text(vehicle.read_text(encoding="utf-8").replace("[signals]", f"{columns}\n[signals]"), "utf-8")
    command("check", path, "--vehicle", vehicle, "--json", folder / "f.json")
    assert json.loads((folder / "f.json").read_text(encoding="utf-8"))["capture"]["duration_s"] == pytest.approx(3.99)


def test_a_log_of_many_days_by_candump_is_taken_as_it_is(folder: Path, command: Command) -> None:
    path = folder / "days.log"
    path.write_text("".join(f"({k * 3600}.000000) can0 100#10270500\n" for k in range(60)), encoding="utf-8")
    _, out, _ = command("check", path, "--vehicle", folder / "small.toml")
    assert "in doubt" not in out


@pytest.mark.parametrize("suffix", [".asc", ".blf"])
def test_the_date_of_a_log_reaches_result_and_trend(folder: Path, command: Command, suffix: str) -> None:
    """Written with python-can; its ASC writer puts the date of the first frame in the head."""
    import can

    path = folder / f"dated{suffix}"
    with can.Logger(path) as writer:
        for k in range(20):
            frame = {"arbitration_id": 0x100, "is_extended_id": False, "data": bytes.fromhex("10270500")}
            writer(can.Message(timestamp=1_772_442_000.0 + 0.01 * k, **frame))
    command("check", path, "--vehicle", folder / "small.toml", "--json", folder / "f.json")
    start = json.loads((folder / "f.json").read_text(encoding="utf-8"))["capture"]["start_utc"]
    assert start.startswith("2026-03-0")
    _, out, _ = command("trend", path, "--vehicle", folder / "small.toml", "--fresh", "--json", folder / "t.json")
    (row,) = json.loads((folder / "t.json").read_text(encoding="utf-8"))["rows"]
    assert (row["date_utc"], row["date_from"]) == (start, "log")
    assert "names no time zone and was taken as UTC" in said(out)


TABLE = "Zeit [s];Drehzahl [1/min];Zwischenkreis [V];Temperatur [°C]\n"


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-8-sig"])
def test_a_table_of_signals_is_answered_with_the_definition_that_reads_it(
    folder: Path, command: Command, encoding: str
) -> None:
    rows = "".join(
        f"{k * 0.01:.2f};{1500 + k * 0.5:.1f};{312.4 - k * 0.1:.1f};25,5\n".replace(".", ",") for k in range(200)
    )
    path = folder / "table.csv"
    path.write_text(TABLE + rows, encoding=encoding)
    status, out, err = command("check", path, "--vehicle", folder / "small.toml")
    assert status == 2
    assert len(err.splitlines()) == 1
    assert '[[serial]] definitions = "table-signals.toml"' in err
    (folder / "table-signals.toml").write_text(out, encoding="utf-8")
    vehicle = folder / "table.toml"
    vehicle.write_text(
        '[[serial]]\ndefinitions = "table-signals.toml"\n[signals]\nmotor_speed = "table.Drehzahl"\n'
        'dc_link_voltage = "table.Zwischenkreis"\ninverter_temperature = "table.Temperatur"\n',
        encoding="utf-8",
    )
    _, out, err = command("check", path, "--vehicle", vehicle, "--json", folder / "f.json")
    assert not err
    capture = json.loads((folder / "f.json").read_text(encoding="utf-8"))["capture"]
    assert (capture["sample_lines"], capture["lines_bad"]) == (200, 0)
    assert capture["duration_s"] == pytest.approx(1.99)
