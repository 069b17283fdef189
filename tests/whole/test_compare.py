"""Whole logs compared, from the files to the verdict."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sample_beginnings import beginning

import logscope
import logscope.cli
from logscope.comparison.outcome import Verdict


def test_a_mended_precharge_is_found_in_the_samples(command, sample_logs: Path, decoders: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    status, out, err = command(
        "compare", "--before", sample_logs / "hazel-troubled.log", "--after", sample_logs / "hazel-healthy.log",
        "--vehicle", decoders / "hazel.toml", "--json", tmp_path / "c.json", "--report", tmp_path / "c.html",
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert "Better than before" in out
    told = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    by_name = {measure["name"]: measure for measure in told["measures"]}
    assert by_name["precharge_time_constant_s"]["verdict"] == "better"
    assert by_name["precharge_time_constant_s"]["effect"]["value"] == pytest.approx(150 / 262, rel=0.03)
    assert by_name["speed_disturbances_per_min"]["verdict"] == "not_comparable"
    assert (tmp_path / "c.html").read_text(encoding="utf-8").lower().startswith("<!doctype html>")


def test_a_log_compared_with_itself_shows_no_difference(sample_logs: Path, decoders: Path) -> None:
    vehicle = logscope.load_vehicle(decoders / "hazel.toml")
    capture = logscope.read(sample_logs / "hazel-healthy.log")
    found = logscope.compare(capture, [capture], vehicle)
    assert found.verdict is Verdict.NO_DIFFERENCE
    assert not found.differences


def test_several_values_follow_one_option(command, decoders: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """On the precharges alone."""
    for name, sample in (("first", "healthy"), ("second", "troubled"), ("after", "healthy")):
        (tmp_path / f"{name}.log").write_text(beginning(sample, 6.0), encoding="utf-8")
    sides = [tmp_path / "first.log", tmp_path / "second.log"]
    after = tmp_path / "after.log"
    status, out, _ = command("compare", "--before", *sides, "--after", after, "--vehicle", decoders / "hazel.toml")
    assert status == 0
    assert "measured 2 times before" in out or "No difference" in out


def test_a_log_on_both_sides_is_refused(command, sample_logs: Path, decoders: Path) -> None:  # type: ignore[no-untyped-def]
    log = sample_logs / "hazel-healthy.log"
    again = sample_logs / ".." / sample_logs.name / log.name
    status, out, err = command("compare", "--before", log, "--after", again, "--vehicle", decoders / "hazel.toml")
    assert (status, out) == (2, "")
    assert "both before and after" in err


def test_an_unusable_request_is_one_line(command, sample_logs: Path, decoders: Path) -> None:  # type: ignore[no-untyped-def]
    status, _, err = command(
        "compare", "--before", sample_logs / "none.log", "--after", "x", "--vehicle", decoders / "hazel.toml"
    )
    assert status == 2
    assert err.count("\n") == 1
