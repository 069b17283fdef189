"""The JSON against the contract."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import fake_results as fake
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.findings import Measured
from logscope.report.json import measured_fields, utc_text

CAPTURE_KEYS = {
    "files", "start_utc", "duration_s", "lines", "lines_bad", "frames", "frames_decoded", "frames_undefined",
    "frames_undecodable", "samples_undecodable", "error_frames", "remote_frames", "out_of_order", "lost",
    "lines_other", "sample_lines", "stamps_repaired", "console_restarts",
    "time_steps", "bad_lines", "notes", "assumptions",
}  # fmt: skip
FINDING_KEYS = {
    "kind", "severity", "start_s", "end_s", "title", "explanation", "method", "next_step", "caution", "cause",
    "measured", "expected", "parts",
}  # fmt: skip


EXPLANATION_KEYS = {
    "cause", "title", "likelihood", "members", "for", "against", "rival", "deciding_test", "actions",
}  # fmt: skip


def strictly(text: str) -> dict:
    """Parsed as RFC 8259 asks: NaN and Infinity are no JSON."""

    def refuse(constant: str) -> None:
        raise ValueError(constant)

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize(
    "result", [fake.troubled(), fake.healthy(), fake.empty()], ids=["troubled", "healthy", "empty"]
)
def test_every_key_of_the_contract_is_there_and_no_other(result):
    found = strictly(result.to_json())
    assert list(found) == ["schema", "logscope", "capture", "findings", "explanations", "not_checked"]
    assert found["schema"] == 1
    assert set(found["capture"]) == CAPTURE_KEYS
    for finding in found["findings"]:
        assert set(finding) - {"events", "count"} == FINDING_KEYS
        for value in (*finding["measured"].values(), *finding["expected"].values()):
            assert set(value) == {"value", "low", "high", "unit"}
    for explanation in found["explanations"]:
        assert set(explanation) == EXPLANATION_KEYS
        assert all(index < len(found["findings"]) for index in explanation["members"])
    assert all(set(item) == {"check", "reason"} for item in found["not_checked"])


def test_frames_and_lines_close_in_the_json():
    capture = strictly(fake.troubled().to_json())["capture"]
    parts = ("frames_decoded", "frames_undefined", "frames_undecodable", "error_frames", "remote_frames")
    assert capture["frames"] == sum(capture[name] for name in parts)


def test_what_is_not_finite_becomes_null():
    findings = strictly(fake.troubled().to_json())["findings"]
    slow = next(f for f in findings if f["kind"] == "precharge.slow")
    assert slow["measured"]["start_voltage_V"]["value"] is None
    assert next(f for f in findings if f["kind"] == "bus.timeout")["start_s"] is None


def test_a_finding_of_several_episodes_lists_and_counts_them():
    findings = strictly(fake.troubled().to_json())["findings"]
    spikes = next(f for f in findings if f["kind"] == "encoder.spike")
    assert spikes["count"] == len(spikes["events"]) == 2
    assert spikes["events"][0] == {"start_s": 18.5, "end_s": 18.51}
    assert "events" not in next(f for f in findings if f["kind"] == "precharge.slow")


def test_clock_jumps_and_bad_lines_are_objects():
    capture = strictly(fake.troubled().to_json())["capture"]
    assert capture["time_steps"] == [{"time_s": 12.5, "step_s": -3600.0}]
    assert capture["bad_lines"][1] == {
        "file": "logs/first drive.log",
        "line": 9042,
        "reason": "no identifier",
    }


def test_hostile_names_survive_unchanged():
    assert fake.HOSTILE in strictly(fake.troubled().to_json())["capture"]["files"][1]


def test_the_order_of_the_findings_is_kept():
    result = fake.troubled()
    assert [f["kind"] for f in strictly(result.to_json())["findings"]] == [f.kind for f in result.findings]


def test_start_is_given_in_utc_whatever_its_zone():
    moment = datetime(2026, 3, 1, 10, 0, tzinfo=timezone(timedelta(hours=1)))
    assert utc_text(moment) == "2026-03-01T09:00:00Z"  # the example of RFC 3339's "Z" form
    capture = replace(fake.healthy().capture, start_utc=moment)
    assert (
        strictly(replace(fake.healthy(), capture=capture).to_json())["capture"]["start_utc"] == "2026-03-01T09:00:00Z"
    )


@given(st.one_of(st.none(), st.floats()), st.one_of(st.none(), st.floats()))
def test_any_value_gives_valid_json(value, limit):
    strictly(json.dumps(measured_fields(Measured(value, "V", limit, None)), allow_nan=False))


def test_json_written_to_a_file_is_the_text_returned(tmp_path):
    path = tmp_path / "a result.json"
    fake.empty().to_json(path)
    assert path.read_text(encoding="utf-8") == fake.empty().to_json()
