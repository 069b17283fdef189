"""One recording checked: what becomes a row, what becomes its reason, and the process around it; all made by hand."""

from __future__ import annotations

import io
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from importlib import import_module
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any

import pytest
from fake_results import START, healthy, plain_finding, slow_precharge, troubled
from made_records import job, log
from small_shelf import write_vehicle

import logscope
from logscope.errors import LogError
from logscope.findings import Measured, Severity
from logscope.history.rows import Row
from logscope.shelf import work, worker
from logscope.shelf.contents import Contents
from logscope.shelf.job import Job, Outcome, VehicleFiles, failed
from logscope.shelf.worker import Worker
from logscope.vehicle import load_vehicle

SAID = ("a.log", log().modified)


def test_the_row_of_a_checked_recording_has_its_verdict_and_account(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_vehicle(tmp_path, "Hazel")
    made = Row("a.log", START, True, 61.0, {"x_s": Measured(0.2, "s", 0.1, 0.3)}, periods_s={"x_s": 0.01})
    monkeypatch.setattr(
        import_module("logscope.history.history"), "row_of", lambda result, vehicle, *of: made if of == SAID else None
    )
    contents = Contents({0x300, 0x100})
    tables = work.records(job(), troubled(), load_vehicle(tmp_path / "vehicle.toml"), contents)
    (row,) = tables["rows"]
    assert (row["status"], row["severity"], row["headline"]) == (
        "checked", "danger", "Do not power up again before each danger is fixed.",
    )  # fmt: skip
    assert row["advice"] == "Found: 1 danger and 9 warnings."
    assert (row["dangers"], row["warnings"]) == (1, 9)
    assert {name: row[name] for name in ("lines", "lines_bad", "lines_other", "sample_lines", "frames")} == {
        "lines": 18_340, "lines_bad": 2, "lines_other": 38, "sample_lines": 0, "frames": 18_300,
    }  # fmt: skip
    assert [row[f"{name}_frames"] for name in ("error", "remote")] == [30, 10]
    assert [row[f"frames_{name}"] for name in ("decoded", "undefined", "undecodable")] == [15_000, 3_250, 10]
    assert row["not_checked"][0] == "encoder: no signal is mapped to motor_speed_second"
    assert len(row["not_checked"]) == 4
    assert (row["identifiers"], row["content"]) == ([0x100, 0x300], "")
    assert (len(row["mapping"]), len(row["checks"])) == (12, 12)
    assert row["mapping"] != row["checks"]
    assert (row["date"], row["date_from"], row["duration_s"]) == (START, "log", 61.0)
    assert isinstance(json.loads(row["tuning"]), dict)
    assert [each["finding"] for each in tables["findings"]] == list(range(len(troubled().findings)))
    assert tables["findings"][-1]["kind"] == "trip.overcurrent"
    assert [each["explanation"] for each in tables["explanations"]] == list(range(len(troubled().explanations)))
    assert all(each["key"] == "a" for of in tables.values() for each in of)
    whole = [each for each in tables["measures"] if "finding" not in each]
    assert whole == [{"key": "a", "name": "x_s", "value": 0.2, "low": 0.1, "high": 0.3, "unit": "s", "period_s": 0.01}]


def test_a_measure_of_a_finding_stands_beside_what_was_expected() -> None:
    by_name = {each["name"]: each for each in work._measures(job(), 4, slow_precharge())}
    assert by_name["time_constant_s"] == {
        "key": "a", "finding": 4, "kind": "precharge.slow", "name": "time_constant_s", "unit": "s", "value": 0.21034,
        "low": 0.2011, "high": 0.2196, "expected_value": 0.15, "expected_low": 0.12, "expected_high": 0.18,
    }  # fmt: skip
    only = by_name["resistor_energy_J"]
    assert (only["unit"], only["value"], only["expected_high"], only["expected_low"]) == ("J", None, 400.0, None)
    assert by_name["close_difference_V"]["expected_value"] is None
    assert by_name["start_voltage_V"]["value"] is None
    assert list(by_name)[-1] == "resistor_energy_J"  # what was only expected comes last


def test_a_count_of_episodes_is_a_column_of_the_finding() -> None:
    finding = replace(plain_finding(3, Severity.INFO), measured={"count": Measured(7, "")})
    found = work._finding(job(), 2, finding)
    assert (found["key"], found["finding"], found["severity"]) == ("a", 2, "info")
    assert work._finding(job(), 0, plain_finding(3, Severity.INFO))["count"] is None


def raising(error: BaseException) -> Callable[[Job], Outcome]:
    def check(of: Job) -> Outcome:
        raise error

    return check


@pytest.mark.parametrize(
    ("error", "reason", "worn"),
    [
        (LogError("no frames", where=Path("a.log")), "a.log: no frames.", False),
        (MemoryError(), "the check needs more than the 512 MB that it may use", True),
        (ZeroDivisionError("x"), "a defect of logscope: please report it with the log (ZeroDivisionError('x'))", False),
    ],
)
def test_whatever_is_wrong_becomes_the_reason_in_the_row(
    error: BaseException, reason: str, worn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits: list[float | None] = []
    monkeypatch.setattr(work, "_limit_memory", limits.append)
    monkeypatch.setattr(work, "_peak_memory", lambda: 499.0)
    monkeypatch.setattr(work, "_checked", raising(error))
    found = work.checked(job(memory_MB=512.0))
    assert (found.row["status"], found.row["reason"].splitlines()[0], found.worn) == ("failed", reason, worn)
    assert limits == [512.0]
    assert found.row["memory_MB"] == 499.0
    assert 0.0 <= found.row["work_s"] < 1.0


@pytest.mark.parametrize(("peak_MB", "worn"), [(500.0, False), (501.0, True), (None, False)])
def test_a_process_that_held_half_a_gigabyte_is_worn(
    peak_MB: float | None, worn: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work, "_limit_memory", lambda _: None)
    monkeypatch.setattr(work, "_peak_memory", lambda: peak_MB)
    monkeypatch.setattr(work, "_checked", lambda of: failed(of, "x"))
    assert work.checked(job()).worn is worn


def test_what_is_refused_already_is_not_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "_checked", raising(AssertionError()))
    found = work.checked(job(refused="no vehicle file"))
    assert (found.row["status"], found.row["reason"]) == ("failed", "no vehicle file")


@pytest.mark.parametrize(
    ("system", "memory_MB", "limit"),
    [("linux", 512.0, (512_000_000, 7)), ("linux", None, (7, 7)), ("darwin", 512.0, None), ("win32", 512.0, None)],
)
def test_linux_alone_bounds_what_a_process_may_allocate(
    system: str, memory_MB: float | None, limit: tuple[int, int] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_to: list[Any] = []
    made = SimpleNamespace(
        RLIMIT_DATA=2, getrlimit=lambda which: (3, 7), setrlimit=lambda which, to: set_to.append((which, to))
    )
    monkeypatch.setitem(sys.modules, "resource", made)
    monkeypatch.setattr(sys, "platform", system)
    work._limit_memory(memory_MB)
    assert set_to == ([] if limit is None else [(2, limit)])


@pytest.mark.parametrize(("system", "peak_MB"), [("linux", 1024.0), ("darwin", 1.0), ("win32", None)])
def test_the_peak_is_in_kibibytes_on_linux_and_in_bytes_on_macos(
    system: str, peak_MB: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """getrusage(2) of both systems, from memory."""
    usage = SimpleNamespace(ru_maxrss=1_000_000)
    monkeypatch.setitem(sys.modules, "resource", SimpleNamespace(RUSAGE_SELF=0, getrusage=lambda who: usage))
    monkeypatch.setattr(sys, "platform", system)
    assert work._peak_memory() == peak_MB


@pytest.mark.skipif(sys.platform == "win32", reason="Windows says no peak by this way")
def test_the_peak_of_this_process_is_in_megabytes() -> None:
    peak_MB = work._peak_memory()
    assert peak_MB is not None
    assert 20.0 < peak_MB < 20_000.0


@pytest.fixture
def opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A vehicle file, with the reading of logs and the checks replaced."""
    write_vehicle(tmp_path, "Hazel")
    monkeypatch.setattr(import_module("logscope.logs"), "open_logs", lambda paths, vehicle: SimpleNamespace(blocks=[]))
    monkeypatch.setattr(
        import_module("logscope.pipeline"),
        "check",
        lambda capture, vehicle: (list(capture.blocks) and None) or healthy(),
    )
    monkeypatch.setattr(work, "replace", lambda capture, blocks: SimpleNamespace(blocks=blocks))
    monkeypatch.setattr(work, "stamp_of", lambda name: None if name == "gone.log" else (10, log().modified))
    return tmp_path


@pytest.mark.parametrize(
    ("logs", "status"),
    [
        ((log(),), "checked"), ((log("gone.log"),), "checked"),  # one that is gone since has been read whole
        ((log(size=11),), "changed"), ((log(days=1),), "changed"), ((log("b.log"), log(size=9)), "changed"),
    ],
)  # fmt: skip
def test_a_log_that_changed_while_it_was_read_is_read_again(opened: Path, logs: tuple, status: str) -> None:  # type: ignore[type-arg]
    made = replace(job(*logs), vehicle=VehicleFiles(str(opened / "vehicle.toml")))
    found = work._checked(made)
    assert found.row["status"] == status


@pytest.mark.parametrize(("report", "signals"), [(True, False), (False, True), (False, False)])
def test_page_and_samples_are_made_where_they_are_wanted(
    opened: Path, report: bool, signals: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_module("logscope.result").Result, "to_html", lambda result: "page")
    monkeypatch.setattr(work, "samples_file", lambda key, result: f"samples of {key}".encode())
    files = VehicleFiles(str(opened / "vehicle.toml"))
    found = work._checked(replace(job(report=report, signals=signals), vehicle=files))
    assert found.page == ("page" if report else "")
    assert found.samples == (b"samples of a" if signals else b"")
    assert not found.worn


def test_a_vehicle_file_travels_with_its_definitions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(work, "gettempdir", lambda: str(tmp_path))
    files = VehicleFiles("cars/hazel.toml", {"cars/hazel.toml": b"a", "dbc/x.dbc": b"b"})
    path = work._unpacked(files)
    root = path.parents[1]
    assert root.parent == tmp_path
    assert root.name.startswith("logscope-vehicle-")
    assert len(root.name) == len("logscope-vehicle-") + 16
    assert ((root / "cars/hazel.toml").read_bytes(), (root / "dbc/x.dbc").read_bytes()) == (b"a", b"b")
    (root / "dbc/x.dbc").write_bytes(b"cut")
    assert work._unpacked(files) == path
    assert (root / "dbc/x.dbc").read_bytes() == b"b"
    assert work._unpacked(VehicleFiles("cars/hazel.toml", {"cars/hazel.toml": b"c"})).parents[1] != root


def test_a_process_says_that_it_is_ready_and_answers_until_no_job_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = [job(refused=text) for text in ("one", "two")]
    jobs, answers = io.BytesIO(b"".join(map(pickle.dumps, asked))), io.BytesIO()
    work.serve(jobs, answers)
    answers.seek(0)
    assert pickle.load(answers) == b"ready"
    assert [pickle.load(answers).row["reason"] for _ in asked] == ["one", "two"]
    assert not answers.read()


@pytest.mark.parametrize(
    ("status", "limit_s", "words"),
    [
        (-9, None, "the process that checked it ended by itself (exit status -9): a crash, or too little memory."),
        (-9, 600.0, "the check was stopped after 600 s: it hangs, or the log is long. --limit allows more."),
        (0, 0.5, "the check was stopped after 0.5 s: it hangs, or the log is long. --limit allows more."),
    ],
)
def test_why_a_log_was_lost(status: int, limit_s: float | None, words: str) -> None:
    assert worker._why_lost(status, limit_s) == words


class _Process:
    """A process that answers as it is asked to."""

    def __init__(self, answers: list[Any]) -> None:
        self.answers, self.killed, self.stdin, self.stdout = answers, 0, None, None

    def poll(self) -> int | None:
        return -9 if self.killed else None

    def kill(self) -> None:
        self.killed += 1

    def wait(self) -> int:
        return -11


@pytest.fixture
def crew(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Worker, list[_Process]]]:
    """A worker whose processes give these answers, one list a process; an exception is raised."""

    def made(*answers: list[Any]) -> tuple[Worker, list[_Process]]:
        found, left, used = Worker(), [_Process(list(each)) for each in answers], []

        def started() -> _Process:
            if found._process is None:
                found._process = left.pop(0)  # type: ignore[assignment]
                used.append(found._process)
                found._fresh = True
            return found._process  # type: ignore[return-value]

        def ask(process: _Process, of: Job) -> Outcome:
            answer = process.answers.pop(0)
            if isinstance(answer, BaseException):
                raise answer
            return answer  # type: ignore[no-any-return]

        monkeypatch.setattr(found, "_started", started)
        monkeypatch.setattr(worker, "_ask", ask)
        return found, used  # type: ignore[return-value]

    return made


def good(worn: bool = False) -> Outcome:
    return Outcome(job(), {"rows": [{"status": "checked"}]}, worn=worn)


@pytest.mark.parametrize(
    ("answers", "expected", "processes"),
    [
        ([[good(), good()]], ["checked", "checked"], 1),
        ([[good(worn=True)], [good()]], ["checked", "checked"], 2),  # one that is worn is replaced
        ([[EOFError()], [good()]], ["failed", "checked"], 2),  # one that dies of its first log has it as its fault
        ([[good(), EOFError()], [good()]], ["checked", "checked"], 2),  # else it may have died of the one before
        ([[good(), OSError()], [pickle.UnpicklingError()]], ["checked", "failed"], 2),
    ],
)
def test_a_process_that_dies_is_replaced_and_its_log_tried_once_more(
    crew: Callable[..., tuple[Worker, list[_Process]]], answers: list[list[Any]], expected: list[str], processes: int
) -> None:
    found, used = crew(*answers)
    seen = [found.check(job()) for _ in expected]
    assert [each.row["status"] for each in seen] == expected
    assert len(used) == processes
    assert all(each.killed for each in used[:-1])
    if expected[-1] == "failed":
        assert "exit status -11" in seen[-1].row["reason"]
    found.stop()
    assert all(each.killed for each in used)
    assert found._process is None


def test_a_check_that_is_stopped_is_not_tried_again(crew: Callable[..., tuple[Worker, list[_Process]]]) -> None:
    found, used = crew([good(), EOFError()], [good()])
    found.check(job())
    found._stopped = True
    assert found.check(job()).row["status"] == "failed"
    assert len(used) == 1


def test_a_check_that_hangs_is_given_up_after_its_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever waits for the answer gets the end of the pipe once the process is killed."""
    killed = Event()
    process: Any = _Process([])
    monkeypatch.setattr(process, "kill", killed.set)

    def ask(of: _Process, asked: Job) -> Outcome:
        assert killed.wait(10.0)
        raise EOFError

    monkeypatch.setattr(worker, "_ask", ask)
    found = Worker()
    monkeypatch.setattr(found, "_started", lambda: process)
    found._fresh = False
    lost = found.check(job(limit_s=0.02))
    assert (
        lost.row["reason"] == "the check was stopped after 0.02 s: it hangs, or the log is long. --limit allows more."
    )
    assert lost.row["status"] == "failed"


@pytest.mark.parametrize(("said", "starts"), [(b"ready", True), (b"odd", False), (None, False)])
def test_a_process_that_says_it_is_ready_is_used_until_it_ends(
    said: bytes | None, starts: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Any] = []

    def popen(command: list[str], **how: Any) -> Any:
        process: Any = _Process([])
        process.stdout = io.BytesIO(b"" if said is None else pickle.dumps(said))
        started.append((process, command, how["env"]))
        return process

    monkeypatch.setattr(subprocess, "Popen", popen)
    monkeypatch.setenv("PYTHONPATH", "before")
    found = Worker()
    found._fresh = False
    if not starts:
        with pytest.raises(logscope.LogscopeError, match="does not start"):
            found._started()
        assert started[0][0].killed
        return
    process = found._started()
    assert found._fresh
    assert found._started() is process
    ((_, command, environment),) = started
    assert command == [sys.executable, "-m", "logscope.shelf.work"]
    assert environment["OMP_NUM_THREADS"] == "1"
    root, before = environment["PYTHONPATH"].split(os.pathsep)
    assert (Path(root) / "logscope" / "shelf").is_dir()
    assert before == "before"
    process.kill()
    assert found._started() is not process
    assert len(started) == 2


def test_a_worker_that_was_stopped_starts_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subprocess, "Popen", raising(AssertionError()))  # type: ignore[arg-type]
    with Worker() as found:
        found.stop()
        with pytest.raises(logscope.LogscopeError, match="stopped"):
            found.check(job())
    assert (job().limit_s, log(days=1).modified - log().modified) == (600.0, timedelta(days=1))
