"""What each command asks of its task and writes where: the tasks are replaced, so that nothing is read or checked."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import typer

from logscope.commands import check as check_command
from logscope.commands import compare as compare_command
from logscope.commands import decode as decode_command
from logscope.commands import demo as demo_command
from logscope.commands import draft as draft_command
from logscope.commands import inventory as inventory_command
from logscope.commands import plot as plot_command
from logscope.commands import record as record_command
from logscope.commands import seek as seek_command
from logscope.commands import shelf as shelf_command
from logscope.commands import signals as signals_command
from logscope.commands import size_precharge as sizing_command
from logscope.commands import trend as trend_command
from logscope.commands import vehicle as vehicle_command
from logscope.errors import RequestError
from logscope.findings import Severity
from logscope.outputs import CSV, DBC, HTML, JSON, PARQUET, PNG
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.series import Series

A, B, V, D = Path("a.log"), Path("b.log"), Path("v.toml"), Path("d.dbc")


class Asked:
    """What was called, in order: the name and what it got."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self._monkeypatch = monkeypatch

    def replace(self, target: str, gives: Any = None, name: str = "") -> None:
        def called(*arguments: Any, **named: Any) -> Any:
            self.calls.append((name or target.rpartition(".")[2], *arguments, *([named] if named else [])))
            return gives(*arguments) if callable(gives) else gives

        module, _, function = target.rpartition(".")
        self._monkeypatch.setattr(import_module(module), function, called)

    def of(self, name: str) -> list[tuple[Any, ...]]:
        return [each[1:] for each in self.calls if each[0] == name]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    found = Asked(monkeypatch)
    found.replace("logscope.vehicle.load_vehicle", lambda path: f"vehicle {path}")
    found.replace("logscope.files.write_text")
    for command in (check_command, compare_command, demo_command):
        found.replace(f"{command.__name__}.deliver")
    for command in (check_command, draft_command, inventory_command, plot_command, seek_command, signals_command):
        monkeypatch.setattr(command, "warn", lambda notes: found.calls.append(("warn", *notes)))
    monkeypatch.setattr(decode_command, "warn", lambda notes: found.calls.append(("warn", *notes)))
    for command in (inventory_command, seek_command, signals_command, shelf_command, trend_command, vehicle_command,
                    sizing_command):  # fmt: skip
        monkeypatch.setattr(command, "terminal", lambda: "terminal")
    for command in (seek_command, signals_command, shelf_command, trend_command):
        found.replace(f"{command.__name__}.tell_where")
    return found


class _Guard:
    def __init__(self) -> None:
        self.allowed: list[tuple[Path, Any]] = []

    def allow(self, path: Path, kind: Any) -> None:
        self.allowed.append((path, kind))


@pytest.mark.parametrize(
    ("worst", "statuses"),
    [
        (Severity.DANGER, [1, 1, 1, 1, 0]), (Severity.WARNING, [1, 1, 1, 0, 0]), (Severity.INFO, [1, 1, 0, 0, 0]),
        (Severity.GOOD, [1, 0, 0, 0, 0]), (None, [0, 0, 0, 0, 0]),
    ],
)  # fmt: skip
def test_the_exit_status_says_whether_something_so_severe_was_found(
    worst: Severity | None, statuses: list[int]
) -> None:
    result: Any = SimpleNamespace(findings=() if worst is None else (1,), worst=worst or Severity.GOOD)
    levels = [check_command.FailOn(each) for each in ("good", "info", "warning", "danger", "never")]
    assert [check_command._status(result, each) for each in levels] == statuses


@pytest.mark.parametrize(("flags", "detail"), [({}, "usual"), ({"quiet": True}, "brief"), ({"verbose": True}, "full"),
                                               ({"quiet": True, "verbose": True}, "brief")])  # fmt: skip
def test_check_hands_over_logs_vehicle_rates_and_outputs(asked: Asked, flags: dict[str, bool], detail: str) -> None:
    written: list[Any] = []
    result = SimpleNamespace(
        findings=(1,), worst=Severity.DANGER, to_markdown=lambda *of, **how: written.append((of, how))
    )
    asked.replace("logscope.logs.open_logs", "capture")
    asked.replace(f"{check_command.__name__}.with_progress", "watched")
    asked.replace("logscope.pipeline.check", result)
    asked.replace("logscope.report.terminal.print_summary")
    asked.replace("logscope.pictures.browser.find_browser")
    asked.replace("logscope.pictures.report.write_pictures", lambda made, folder, allow: allow(folder) or ["old.png"])
    guard: Any = _Guard()
    with pytest.raises(typer.Exit) as ended:
        check_command.check([A, B], guard, V, Path("r.html"), Path("f.json"), Path("s.md"), Path("png"), [1.5],
        ["can0=500000"],
                            check_command.FailOn.DANGER, **flags)  # fmt: skip
    assert ended.value.exit_code == 1
    assert asked.of("open_logs") == [([A, B], "vehicle v.toml", [1.5])]
    assert asked.of("check") == [("watched", "vehicle v.toml", {"bit_rate": {"can0": 500000}})]
    assert written == [((Path("s.md"),), {"overwrite": True})]
    assert guard.allowed == [(Path("png"), PNG)]
    assert asked.of("warn") == [("png: charts of an earlier run are there too: old.png",)]
    ((made, show, report, json, also),) = asked.of("deliver")
    assert (made, report, json) == (result, Path("r.html"), Path("f.json"))
    assert also == {"Summary": Path("s.md"), "Charts": Path("png")}
    show(made, "console")
    assert asked.of("print_summary") == [(made, "console", detail)]
    names = [each[0] for each in asked.calls]
    assert names.index("find_browser") < names.index("open_logs")  # before a long log is read


@pytest.mark.parametrize("former", [None, Path("old.toml")])
def test_compare_reads_each_side_with_its_vehicle_file(asked: Asked, former: Path | None) -> None:
    asked.replace("logscope.files.refuse_on_both_sides")
    asked.replace("logscope.logs.open_runs", lambda logs, of: [f"{path} by {of}" for path in logs])
    asked.replace("logscope.pipeline.compare", "found")
    asked.replace(f"{compare_command.__name__}.with_progress", lambda run: f"watched {run}")
    compare_command.compare(V, [A], [B], former, Path("r.html"), Path("f.json"))
    old = "vehicle old.toml" if former else "vehicle v.toml"
    assert asked.of("refuse_on_both_sides") == [([A], [B])]
    assert asked.of("compare") == [
        ([f"watched a.log by {old}"], ["watched b.log by vehicle v.toml"], "vehicle v.toml", old)
    ]  # fmt: skip
    ((made, _, report, json),) = asked.of("deliver")
    assert (made, report, json) == ("found", Path("r.html"), Path("f.json"))


def test_each_option_of_sizing_is_its_own_requirement(asked: Asked) -> None:
    asked.replace("logscope.sizing.precharge.size_precharge", "design")
    asked.replace("logscope.sizing.show.print_design")
    asked.replace("logscope.sizing.show.design_to_json", "as json")
    asked.replace("logscope.sizing.page.design_to_html", "as html")
    sizing_command.size_precharge(
        voltage=330.0, capacitance=1000.0, time=1.5, close_fraction=0.94, min_voltage=270.0, max_voltage=390.0,
        load_ohm=20_000.0, load_power=12.0, load_cut_in=150.0, series=sizing_command.SeriesName.E96, resistance=99.0,
        resistor_tolerance=0.03, capacitor_tolerance=0.07, peak_current=41.0, rated_power=11.0, pulse_energy=77.0,
        loop_ohm=0.02, loop_uh=3.0, discharge_time=99.5, html=Path("p.html"), json=Path("p.json"),
    )  # fmt: skip
    assert asked.of("size_precharge") == [(
        PrechargeRequirements(
            voltage_V=330.0, capacitance_uF=1000.0, time_s=1.5, close_fraction=0.94, min_voltage_V=270.0,
            max_voltage_V=390.0, load_ohm=20_000.0, load_W=12.0, load_cut_in_V=150.0, series=Series.E96,
            resistance_ohm=99.0, resistor_tolerance=0.03, capacitor_tolerance=0.07, peak_current_A=41.0,
            rated_power_W=11.0, pulse_rating_J=77.0, loop_ohm=0.02, loop_H=3e-6, discharge_s=99.5,
        ),
    )]  # fmt: skip
    assert asked.of("write_text") == [(Path("p.json"), "as json"), (Path("p.html"), "as html")]
    assert asked.of("print_design") == [("design", "terminal")]


def test_sizing_asks_for_what_is_usual_where_nothing_is_said(asked: Asked) -> None:
    asked.replace("logscope.sizing.precharge.size_precharge", "design")
    asked.replace("logscope.sizing.show.print_design")
    sizing_command.size_precharge(330.0, 1000.0, 1.5)
    assert asked.of("size_precharge") == [(PrechargeRequirements(330.0, 1000.0, 1.5),)]
    assert asked.of("write_text") == []


TEXTS = {"can0": "of can0", "can 1": "of can1"}


@pytest.mark.parametrize(
    ("texts", "files"),
    [
        ({"can0": "of can0"}, {"Definitions": (Path("x/f.dbc"), "of can0")}),
        (TEXTS, {"Definitions of can0": (Path("x/f-can0.dbc"), "of can0"),
                 "Definitions of can 1": (Path("x/f-can_1.dbc"), "of can1")}),
    ],
)  # fmt: skip
def test_definitions_go_into_a_file_for_each_bus(texts: dict[str, str], files: dict[str, Any]) -> None:
    assert seek_command._files(Path("x/f.dbc"), texts) == files


def test_without_any_definition_the_file_is_empty_but_sound() -> None:
    ((path, text),) = seek_command._files(Path("f.dbc"), {}).values()
    assert path == Path("f.dbc")
    assert text.startswith("VERSION")


@pytest.mark.parametrize(
    ("buses", "names"),
    [
        (["a", "A", "a"], ["a", "A_2", "a_3"]),
        (["x y", "x-y"], ["x_y", "x_y_2"]),
        (["a_2", "a", "A"], ["a_2", "a", "A_3"]),
    ],
)
def test_names_of_files_are_kept_apart(buses: list[str], names: list[str]) -> None:
    assert seek_command.file_names(buses) == names


def test_seek_hands_over_its_wish_and_writes_what_is_allowed(asked: Asked) -> None:
    found = SimpleNamespace(to_dbc=lambda: TEXTS, left_out=("left out",))
    asked.replace("logscope.tasks.seek.seek", found)
    asked.replace("logscope.seeking.page.found_to_html", "as html")
    asked.replace("logscope.seeking.show.to_json", "as json")
    asked.replace("logscope.seeking.show.print_found")
    guard: Any = _Guard()
    seek_command.seek(
        [A], guard, "torque", Path("s.csv:x"), [1.0, 2.0], 0.3, [D], V, Path("f.dbc"), Path("r.html"), Path("f.json")
    )
    ((logs, vehicle, definitions, named),) = asked.of("seek")
    assert (logs, vehicle, definitions) == ([A], V, [D])
    del named["watch"]
    assert named == {"like": "torque", "like_log": "s.csv:x", "at": [1.0, 2.0], "within_s": 0.3}
    paths = [Path("f-can0.dbc"), Path("f-can_1.dbc")]
    assert guard.allowed == [(path, DBC) for path in paths]
    assert asked.of("write_text") == [
        (paths[0], "of can0"), (paths[1], "of can1"), (Path("r.html"), "as html"), (Path("f.json"), "as json"),
    ]  # fmt: skip
    assert asked.of("warn") == [("left out",)]
    assert asked.of("tell_where") == [("terminal", {
        "Definitions of can0": paths[0], "Definitions of can 1": paths[1], "Report": Path("r.html"),
        "JSON": Path("f.json"),
    })]  # fmt: skip
    seek_command.seek([A], guard)
    ((*_, named),) = asked.of("seek")[1:]
    assert (named["like"], named["like_log"], named["at"], named["within_s"]) == ("", "", (), 1.0)


def test_draft_inventory_and_signals_write_what_their_tasks_made(
    asked: Asked, capsys: pytest.CaptureFixture[str]
) -> None:
    asked.replace("logscope.tasks.draft.draft_vehicle", SimpleNamespace(text="toml", notes=("n",)))
    draft_command.draft([A], [D], Path("out.toml"), "Hazel", V)
    ((logs, definitions, named),) = asked.of("draft_vehicle")
    assert (logs, definitions, named["out"], named["name"], named["like"]) == ([A], [D], Path("out.toml"), "Hazel", V)
    assert asked.of("write_text") == [(Path("out.toml"), "toml")]
    assert asked.of("warn") == [("n",)]
    assert capsys.readouterr().out.startswith("out.toml: a first draft. Read it through")
    skipped = [SimpleNamespace(where="d.dbc", text="SG_", reason="odd")]
    asked.replace("logscope.tasks.inventory.take_inventory", SimpleNamespace(skipped=skipped))
    for name in ("to_json", "to_csv"):
        asked.replace(f"logscope.inventory.show.{name}", name)
    asked.replace("logscope.inventory.show.print_inventory")
    inventory_command.inventory([A], [D], V, ["250000"], Path("f.json"), Path("f.csv"))
    ((logs, vehicle, definitions, named),) = asked.of("take_inventory")
    assert (logs, vehicle, definitions, named["bit_rate"]) == ([A], V, [D], {None: 250000})
    assert asked.of("write_text")[1:] == [(Path("f.json"), "to_json"), (Path("f.csv"), "to_csv")]
    assert asked.of("warn")[1:] == [("d.dbc: SG_: odd",)]
    listed = SimpleNamespace(rows="rows", account="account", duration_s=7.5, notes=("note",))
    asked.replace("logscope.tasks.signals.list_signals", listed)
    asked.replace("logscope.survey.show.rows_to_json", lambda *of: of)
    asked.replace("logscope.survey.show.print_rows")
    signals_command.signals([A], [D], V, Path("s.json"))
    assert asked.of("list_signals")[0][:3] == ([A], V, [D])
    assert asked.of("write_text")[3:] == [(Path("s.json"), ("rows", "account", 7.5, ("note",)))]
    assert asked.of("print_rows") == [("rows", 7.5, "terminal")]


@pytest.mark.parametrize(("out", "picture"), [("p.html", False), ("p.png", True)])
def test_plot_draws_a_page_or_a_picture(
    asked: Asked, out: str, picture: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    written: list[Any] = []
    made = SimpleNamespace(
        to_png=lambda path, **how: written.append(("png", path, how)), notes=(), parts=(1, 2), window=(1.5, 20.0),
        to_html=lambda path, **how: written.append(("html", path, how)),
    )  # fmt: skip
    asked.replace("logscope.pictures.browser.find_browser")
    asked.replace("logscope.tasks.plot.plot_signals", made)
    plot_command.plot([A], ["x", "y"], Path(out), [D], V, 1.5, 20.0)
    ((logs, names, vehicle, definitions, named),) = asked.of("plot_signals")
    assert (logs, names, vehicle, definitions) == ([A], ["x", "y"], V, [D])
    assert (named["from_s"], named["until_s"]) == (1.5, 20.0)
    assert written == [("png" if picture else "html", Path(out), {"overwrite": True})]
    assert len(asked.of("find_browser")) == picture
    assert capsys.readouterr().out == f"{out}: 2 signals from 1.500 to 20.000 s\n"
    made.parts = (1,)
    plot_command.plot([A], ["x"], Path(out))
    assert capsys.readouterr().out.startswith(f"{out}: 1 signal from")


def test_shelf_and_trend_hand_over_each_wish(asked: Asked) -> None:
    @contextmanager
    def progress() -> Iterator[str]:
        yield "watch"

    asked.replace(f"{shelf_command.__name__}.log_progress", progress)
    asked.replace(f"{trend_command.__name__}.log_progress", progress)
    asked.replace("logscope.history.notes.read_notes", "notes")
    asked.replace("logscope.tasks.archive.fill_archive", ("archive", "tally"))
    asked.replace("logscope.shelf.overview.overview", "shown")
    asked.replace("logscope.report.shelf_page.shelf_to_html", "page")
    asked.replace("logscope.shelf.terminal.print_shelf")
    shelf_command.shelf(
        [A],
        Path("arch"),
        V,
        Path("n.csv"),
        Path("x/r.html"),
        True,
        False,
        3,
        "tcp://x",
        Path("p.html"),
        5.0,
        70.0,
        True,
    )
    assert asked.of("fill_archive") == [([A], Path("arch"), V, {
        "notes": Path("n.csv"), "pages": True, "signals": False, "again": True, "workers": 3, "scheduler": "tcp://x",
        "performance": Path("p.html"), "limit_s": 5.0, "memory_MB": 70.0, "watch": "watch",
    })]  # fmt: skip
    assert asked.of("overview") == [("archive", "notes", Path("x"))]
    assert asked.of("write_text") == [(Path("x/r.html"), "page")]
    assert asked.of("print_shelf") == [("shown", "tally", "terminal")]
    assert asked.of("tell_where") == [
        ("terminal", {"Archive": Path("arch"), "Report": Path("x/r.html"), "Performance": Path("p.html")})
    ]  # fmt: skip
    shelf_command.shelf([A], signals=True)
    named = asked.of("fill_archive")[1][3]
    assert (named["pages"], named["signals"], named["again"], named["limit_s"]) == (False, True, False, 600.0)
    assert asked.of("overview")[1] == ("archive", (), None)
    history = SimpleNamespace()
    asked.replace("logscope.tasks.trend.trend_shelf", SimpleNamespace(histories=(history,)))
    asked.replace("logscope.report.history_text.history_to_json", "json")
    asked.replace("logscope.report.history_text.print_history")
    trend_command.trend([A], V, Path("n.csv"), Path("r.html"), Path("f.json"), True)
    assert asked.of("trend_shelf") == [([A], V, {"notes": Path("n.csv"), "fresh": True, "watch": "watch"})]
    assert asked.of("write_text")[1:] == [(Path("f.json"), "json"), (Path("r.html"), "page")]
    assert asked.of("print_history") == [(history, "terminal")]


def test_vehicle_says_what_can_be_checked_and_writes_the_schema(
    asked: Asked, capsys: pytest.CaptureFixture[str]
) -> None:
    found = SimpleNamespace(name="Hazel", checks="checks", signals=None, sources="sources")
    asked.replace("logscope.tasks.readiness.vehicle_readiness", found)
    asked.replace("logscope.report.readiness_terminal.print_readiness")
    asked.replace("logscope.report.readiness_terminal.print_parts")
    asked.replace("logscope.vehicle_schema.vehicle_schema", "schema")
    vehicle_command.vehicle(V, [A])
    assert asked.of("vehicle_readiness")[0][:2] == (V, [A])
    assert asked.of("print_readiness") == [("Hazel", "checks", "terminal")]
    assert asked.of("print_parts") == []
    found.signals = "signals"
    vehicle_command.vehicle(V)
    assert asked.of("print_parts") == [("signals", "sources", "terminal")]
    assert asked.of("vehicle_readiness")[1][1] == ()
    vehicle_command.vehicle(schema=Path("s.json"))
    assert asked.of("write_text") == [(Path("s.json"), "schema")]
    assert capsys.readouterr().out == "s.json: the schema of vehicle files.\n"
    with pytest.raises(RequestError, match="no vehicle file"):
        vehicle_command.vehicle()


@pytest.mark.parametrize(("out", "single"), [("t.csv", True), ("t.parquet", True), ("tables", False)])
def test_decode_writes_one_table_or_a_folder(
    asked: Asked, out: str, single: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    decoded = SimpleNamespace(tables="tables", notes=("n",), end_ns=5_000_000_000, seconds=lambda ns: ns / 1e9)
    asked.replace("logscope.logs.open_logs", "capture")
    asked.replace(f"{decode_command.__name__}.with_progress", "watched")
    asked.replace("logscope.decoded.decode_tables", decoded)
    asked.replace("logscope.export.choose", {"m": ["x", "y"], "n": ["z"]})
    asked.replace("logscope.export.wide_table", "wide")
    asked.replace("logscope.export.write_table")
    asked.replace("logscope.export.write_messages", ["1", "2"])
    guard: Any = _Guard()
    decode_command.decode([A], guard, Path(out), V, [D], ["m.x"], decode_command.TableFormat.CSV, 0.25, True)
    assert asked.of("decode_tables") == [("watched", "vehicle v.toml", [D])]
    assert asked.of("choose") == [("tables", ["m.x"])]
    said = capsys.readouterr().out
    if single:
        assert asked.of("wide_table") == [("tables", {"m": ["x", "y"], "n": ["z"]}, 0.25, 5.0)]
        assert asked.of("write_table") == [("wide", Path(out))]
        assert said == f"{out}: 3 signals, a row every 0.25 s from 0 to 5.000 s\n"
        return
    ((tables, chosen, folder, suffix, named),) = asked.of("write_messages")
    assert (tables, list(chosen), folder, suffix, named["labels"]) == ("tables", ["m", "n"], Path(out), ".csv", True)
    named["allow"](Path("tables/m.csv"))
    assert guard.allowed == [(Path("tables/m.csv"), CSV)]
    assert said == "tables: 2 files with 3 signals\n"
    decode_command.decode([A], guard, Path(out), V)
    assert asked.of("write_messages")[1][3:] == (
        ".parquet",
        {"labels": False, "allow": asked.of("write_messages")[1][4]["allow"]},
    )
    asked.of("write_messages")[1][4]["allow"](Path("p"))
    assert guard.allowed[-1] == (Path("p"), PARQUET)
    with pytest.raises(RequestError, match="no signal definitions"):
        decode_command.decode([A], guard, Path(out))


def test_a_demo_asks_before_it_replaces(asked: Asked, tmp_path: Path) -> None:
    files = SimpleNamespace(vehicle=V, logs=[A])
    asked.replace("logscope.simulate.demo.write_demo", files)
    asked.replace("logscope.logs.open_logs", "capture")
    asked.replace(f"{demo_command.__name__}.with_progress", "watched")
    asked.replace("logscope.pipeline.check", "result")
    guard: Any = _Guard()
    demo_command.demo(guard, tmp_path / "new")
    assert guard.allowed == []
    demo_command.demo(guard, tmp_path)
    assert guard.allowed == [(tmp_path / "report.html", HTML), (tmp_path / "report.json", JSON)]
    assert asked.of("check")[0] == ("watched", "vehicle v.toml")
    assert asked.of("deliver")[1][2:] == (tmp_path / "report.html", tmp_path / "report.json")
    allow = asked.of("write_demo")[1][1]["allow"]
    (tmp_path / "a.log").write_bytes(b"same")
    allow(tmp_path / "a.log", b"same")
    allow(tmp_path / "absent.log", b"same")
    ((_, kind),) = guard.allowed[2:]
    assert kind.recognise(tmp_path / "a.log")
    allow(tmp_path / "a.log", b"changed")
    assert not guard.allowed[-1][1].recognise(tmp_path / "a.log")


def test_record_begins_with_what_was_asked_for() -> None:
    assert (record_command.STOPPED_EARLY, [each.value for each in record_command.Format]) == (1, ["candump", "blf"])
