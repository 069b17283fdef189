"""The command line as a user meets it: exit status, one line for every error, never a traceback."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest


def run(*arguments: object, cwd: Path | None = None) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of `logscope …` in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "logscope", *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        cwd=cwd,
        env=None,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture(scope="module")
def troubled(
    sample_logs: Path, decoders: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[tuple[int, str, str], Path]:
    """What the check of the troubled sample gave, and the folder with its report and findings."""
    folder = tmp_path_factory.mktemp("troubled")
    done = run(
        "check",
        sample_logs / "hazel-troubled.log",
        "--vehicle",
        decoders / "hazel.toml",
        "--report",
        folder / "a report.html",
        "--json",
        folder / "findings.json",
    )
    return done, folder


def test_the_main_job_on_the_troubled_sample(troubled: tuple[tuple[int, str, str], Path]) -> None:
    (status, out, err), folder = troubled
    assert (status, err) == (1, "")
    kinds = {f["kind"] for f in json.loads((folder / "findings.json").read_text(encoding="utf-8"))["findings"]}
    assert {"precharge.slow", "trip.overcurrent", "encoder.spike"} <= kinds
    assert (folder / "a report.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    assert "DANGER" in out


def test_the_healthy_sample_raises_nothing(command, sample_logs: Path, decoders: Path) -> None:  # type: ignore[no-untyped-def]
    status, out, err = command(
        "check", sample_logs / "hazel-healthy.log", "--vehicle", decoders / "hazel.toml", "--fail-on", "warning"
    )
    assert (status, err) == (0, "")
    assert "Precharge complete" in out


def test_findings_agree_with_what_the_simulator_did(
    sample_logs: Path, troubled: tuple[tuple[int, str, str], Path]
) -> None:
    truth = json.loads((sample_logs / "hazel-troubled.truth.json").read_text(encoding="utf-8"))
    found = json.loads((troubled[1] / "findings.json").read_text(encoding="utf-8"))["findings"]
    for event in truth["events"]:
        if event["kind"].startswith(("precharge.", "trip.")):
            same = [f for f in found if f["kind"] == event["kind"] and abs(f["start_s"] - event["start_s"]) < 0.2]
            assert len(same) == 1, event


@pytest.mark.parametrize("fail_on", ["good", "info", "warning", "danger"])
def test_exit_status_follows_the_severity_asked_for(command, folder: Path, fail_on: str) -> None:  # type: ignore[no-untyped-def]
    """The small log holds a fault at its first sample, so something is found at every severity it has or more."""
    status, _, _ = command("check", folder / "small.log", "--vehicle", folder / "small.toml", "--fail-on", fail_on)
    assert status in (0, 1)
    never, _, _ = command("check", folder / "small.log", "--vehicle", folder / "small.toml", "--fail-on", "never")
    assert never == 0


def _bad_requests(folder: Path) -> dict[str, tuple[list[object], str]]:
    (folder / "empty.log").write_bytes(b"")
    (folder / "binary.log").write_bytes(bytes(range(256)) * 40)
    (folder / "broken.dbc").write_text("BO_ rubbish\n", encoding="utf-8")
    toml = (folder / "small.toml").read_text(encoding="utf-8")
    (folder / "typo.toml").write_text(toml.replace("resistance_ohm", "resistence_ohm"), encoding="utf-8")
    (folder / "missing.toml").write_text(toml.replace("Link.Voltage", "Link.Volts"), encoding="utf-8")
    (folder / "nodbc.toml").write_text(toml.replace("small.dbc", "absent.dbc"), encoding="utf-8")
    (folder / "baddbc.toml").write_text(toml.replace("small.dbc", "broken.dbc"), encoding="utf-8")
    (folder / "syntax.toml").write_text("[vehicle\nname = 1\n", encoding="utf-8")
    log, vehicle = folder / "small.log", folder / "small.toml"
    return {
        "no such log": ([folder / "absent.log", "--vehicle", vehicle], "absent.log"),
        "empty log": ([folder / "empty.log", "--vehicle", vehicle], "empty.log: the log is empty"),
        "binary log": ([folder / "binary.log", "--vehicle", vehicle], "binary.log: no known log format"),
        "folder as log": ([folder, "--vehicle", vehicle], "is a folder"),
        "no vehicle file": ([log, "--vehicle", folder / "absent.toml"], "absent.toml"),
        "typo in a key": ([log, "--vehicle", folder / "typo.toml"], "typo.toml:11: unknown key"),
        "TOML syntax": ([log, "--vehicle", folder / "syntax.toml"], "syntax.toml:1: not valid TOML"),
        "missing signal": ([log, "--vehicle", folder / "missing.toml"], "missing.toml:6:"),
        "no DBC": ([log, "--vehicle", folder / "nodbc.toml"], "absent.dbc"),
        "broken DBC": ([log, "--vehicle", folder / "baddbc.toml"], "broken.dbc:1"),
        "no such folder": ([log, "--vehicle", vehicle, "--report", folder / "no" / "r.html"], "does not exist"),
        "unknown option": ([log, "--vehicle", vehicle, "--reprt", "x"], "--reprt"),
        "no vehicle option": ([log], "--vehicle"),
    }


def test_bad_requests_end_with_2_and_one_line_that_says_what_where_and_what_to_do(command, folder: Path) -> None:  # type: ignore[no-untyped-def]
    for name, (arguments, expected) in _bad_requests(folder).items():
        status, out, err = command("check", *arguments)
        assert status == 2, name
        assert out == "", name
        assert err.count("\n") == 1, (name, err)
        assert expected in err, (name, err)
        assert "Traceback" not in err, name


def test_a_failing_report_leaves_no_half_file(command, folder: Path) -> None:  # type: ignore[no-untyped-def]
    command("check", folder / "empty.log", "--vehicle", folder / "small.toml", "--report", folder / "r.html")
    assert not list(folder.glob("*r.html*"))


def test_help_comes_at_once() -> None:
    """Imports of the heavy libraries wait until they are needed; the time itself is measured by the benchmarks."""
    started = time.perf_counter()
    status, out, _ = run("--help")
    assert status == 0
    assert "check" in out
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, logscope.cli; print(*sys.modules)"],
        capture_output=True,
        encoding="utf-8",
        check=True,
    ).stdout.split()
    assert not {"numpy", "pandas", "numba", "scipy", "cantools", "can", "plotly", "pydantic"} & set(loaded)
    assert time.perf_counter() - started < 30  # only to catch a hang


def test_a_draft_is_written_once_and_can_be_checked(command, sample_logs: Path, decoders: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    log, out = sample_logs / "hazel-troubled.log", tmp_path / "first draft.toml"
    request = ("draft", log, "--definitions", decoders / "hazel.dbc", "--out", out)
    assert command(*request)[0] == 0
    assert command("check", log, "--vehicle", out, "--fail-on", "never")[0] == 0
    status, _, err = command(*request)
    assert (status, err.count("\n")) == (2, 1)


def test_a_precharge_is_sized_or_refused_with_the_reason(command, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    request = ("size-precharge", "--voltage", 320, "--capacitance", 1000, "--time", 0.5)
    status, out, err = command(*request, "--html", tmp_path / "p.html", "--json", tmp_path / "p.json")
    assert (status, err) == (0, "")
    assert "ohm" in out or "Ω" in out
    assert json.loads((tmp_path / "p.json").read_text(encoding="utf-8"))
    assert (tmp_path / "p.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")
    status, out, err = command(*request, "--load-ohm", 50)  # a load that holds the link far below the threshold
    assert (status, out, err.count("\n")) == (2, "", 1)


def test_the_summary_of_the_sample_fits_into_a_message(
    command, sample_logs: Path, decoders: Path, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    summary = tmp_path / "summary.md"
    request = ("check", sample_logs / "hazel-troubled.log", "--vehicle", decoders / "hazel.toml")
    status, out, _ = command(*request, "--summary", summary)
    assert status == 1
    assert f"Summary: {summary}" in out
    text = summary.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 80
    assert "Interference on the encoder's wiring" in text


@pytest.mark.parametrize("given", ["250000", "can0=250000"])
def test_a_bit_rate_of_the_command_line_comes_before_that_of_the_vehicle_file(  # type: ignore[no-untyped-def]
    command, tmp_path: Path, given: str
) -> None:
    log, vehicle, out = tmp_path / "a.log", tmp_path / "v.toml", tmp_path / "out.json"
    log.write_text("".join(f"({k / 900:.6f}) can0 123#1122334455667788\n" for k in range(2000)), encoding="ascii")
    vehicle.write_text('[[can]]\nbus = "can0"\nbit_rate = 500000\n', encoding="utf-8")
    assert command("check", log, "--vehicle", vehicle, "--bit-rate", given, "--json", out)[0] == 0
    (load,) = [each for each in json.loads(out.read_text(encoding="utf-8"))["findings"] if each["kind"] == "bus.load"]
    assert load["measured"]["bit_rate_bit_per_s"]["value"] == 250_000
    assert command("inventory", log, "--vehicle", vehicle, "--bit-rate", given, "--json", out)[0] == 0
    (bus,) = json.loads(out.read_text(encoding="utf-8"))["buses"]
    assert (bus["bit_rate"], bus["bit_rate_source"], bus["bit_rate_contradicted"]) == (250_000, "given", False)


@pytest.mark.parametrize(
    ("given", "said"), [("250", "250000"), ("fast", "500000"), ("can7=250000", "can0"), ("can0=", "can1=250000")]
)
def test_a_bit_rate_that_cannot_be_used_is_refused(  # type: ignore[no-untyped-def]
    command, sample_logs: Path, given: str, said: str
) -> None:
    status, _, complaint = command("inventory", sample_logs / "hazel-healthy.log", "--bit-rate", given)
    assert (status, complaint.count("\n")) == (2, 1)
    assert said in complaint
