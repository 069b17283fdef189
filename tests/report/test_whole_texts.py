"""One small result in every output, whole: each text and number by hand."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from small_result import GOOD, NB, RESULT, SLOW, SPIKES, TRIP, T, finding, shown

from logscope.findings import CAUTION_HV, Severity
from logscope.report import model, notebook
from logscope.report.dataframe import result_to_dataframe
from logscope.report.json import finding_fields, result_to_json
from logscope.report.markdown import _key_numbers, _messages, result_to_markdown
from logscope.report.terminal import Detail, print_summary
from logscope.signals import Load, Part, Signals

ORIGIN_LINES = """\
DANGER  The encoder’s cable. Likely (85 %); explains findings 1, 3.
        trip. About trip.
        1. Stop.
        2. Screen the cable, proven dead.
        Next likeliest: the bearing. What would decide: Swap the cable.
WARNING slow
        About slow.
        Next: Look at slow."""
HEAD = f"""\
Hazel: Do not power up again before each danger is fixed. Found: 1 danger and 2 warnings.
CAUTION {CAUTION_HV}"""


def test_the_summary_on_the_terminal() -> None:
    text = shown(lambda console: print_summary(RESULT, console))
    assert " ".join(text.split()) == " ".join(
        f"""{HEAD}
{ORIGIN_LINES}
Note: times are in seconds
Findings
DANGER  1. trip [34.000 to 35.000{NB}s]
WARNING 2. slow [2.000 to 3.000{NB}s]
WARNING 3. spikes [18.000 to 19.000{NB}s]
GOOD    4. sound [3.000 to 4.000{NB}s]
Not checked: encoder: no second speed; too slow
Not checked: charge: not mapped
Contactors: without battery current
Log: 12 lines or records = 9 frames + 2 comments or blank + 1 bad; 9 frames = 5 decoded + 1 without a definition \
+ 1 too short for their definition + 1 error frames + 1 remote frames.""".split()
    )


def test_a_brief_and_a_full_summary() -> None:
    brief = shown(lambda console: print_summary(RESULT, console, Detail.BRIEF))
    assert " ".join(brief.split()) == " ".join(
        f"{HEAD} DANGER The encoder’s cable. Likely (85 %); explains findings 1, 3. WARNING slow".split()
    )
    full = shown(lambda console: print_summary(RESULT, console, Detail.FULL))
    assert f"WARNING 3. spikes [18.000 to 19.000{NB}s]\n        About spikes.\n        Next: Look at spikes.\n" in full
    assert "GOOD    4. sound [3.000 to 4.000\N{NO-BREAK SPACE}s]\n        About sound.\n" in full


@pytest.mark.parametrize(("detail", "listed", "more"), [(Detail.USUAL, 25, True), (Detail.FULL, 28, False)])
def test_more_findings_than_a_screen_holds_are_counted(detail: Detail, listed: int, more: bool) -> None:
    many = [finding("throttle.x", Severity.INFO, float(n), f"number {n}") for n in range(27)]
    text = shown(
        lambda console: print_summary(replace(RESULT, findings=(*many, GOOD), explanations=()), console, detail)
    )
    assert text.count("number ") >= min(listed, 25)
    assert (
        "And 2 points to note, 1 good result more; --verbose, the report and the JSON list them all." in text
    ) is more


def test_the_markdown() -> None:
    text = result_to_markdown(RESULT)
    body, seal_line = text.rsplit("Written by", 1)
    assert seal_line.startswith(" logscope ")
    assert (
        body
        == f"""\
# Hazel: drive-system check

**DANGER: Do not power up again before each danger is fixed.** Found: 1 danger and 2 warnings.

**Caution.** {CAUTION_HV}

## What is wrong, and what to do first

**DANGER: The encoder’s cable.** Likely (85 %); explains findings 1, 3. For it: it spikes; it trips. Against it: no \
ripple. Next likeliest: the bearing. What would decide: Swap the cable.

- [ ] Stop.
- [ ] Screen the cable, proven dead.

**WARNING: slow.** About slow.

- [ ] Look at slow.

## Findings

1. DANGER: trip (34.000 to 35.000{NB}s). Count 2.
2. WARNING: slow (2.000 to 3.000{NB}s). Time constant 210 ms (95 %: 200 to 220 ms; expected 150 ms (120 to 180 ms)); \
Fraction of pack voltage at closing 95.0 % (95 %: 94.0 to 96.0 %).
3. WARNING: spikes (18.000 to 19.000{NB}s).
4. GOOD: sound (3.000 to 4.000{NB}s).

## Not checked

- encoder: no second speed; too slow
- charge: not mapped
- contactors: without battery current

## How it was logged

- Log: a.log; 2026-03-01 09:00:00.250 UTC; 40.00{NB}s long
- Account: 12 lines or records = 9 frames + 2 comments or blank + 1 bad; 9 frames = 5 decoded + 1 without a definition \
+ 1 too short for their definition + 1 error frames + 1 remote frames
- Also seen: Signal values missing in frames that were too short: 8; Frames with an earlier timestamp than the frame \
before: 3; Single timestamps far off, replaced by the one before: 6; Dropped frames reported by the logger: 4; \
Restarts of a serial console's clock: 5; the logger's clock jumped 3.250 s back at 12.500 s
- Assumed: times are in seconds
- Motion every 100.0 ms, 400 samples: motor speed; torque (in doubt; new values every 1 s)
- Mapped, but not in the log: throttle

"""
    )


@pytest.mark.parametrize(("count", "more"), [(8, ""), (9, "And 1 more, among the findings below.")])
def test_no_more_than_eight_things_are_listed_as_wrong(count: int, more: str) -> None:
    many = tuple(finding("encoder.spike", Severity.WARNING, float(n), f"number {n}") for n in range(count))
    text = result_to_markdown(replace(RESULT, findings=many, explanations=()))
    assert text.count("**WARNING: number") == 8
    assert ("And 1 more, among the findings below." in text) is bool(more)


@pytest.mark.parametrize(("count", "more"), [(30, ""), (32, "And 2 points to note more.")])
def test_no_more_than_thirty_findings_are_listed(count: int, more: str) -> None:
    many = tuple(finding("encoder.x", Severity.INFO, float(n), f"number {n}") for n in range(count))
    text = result_to_markdown(replace(RESULT, findings=many, explanations=()))
    assert text.count(" INFO: number") == 30
    assert ("And 2 points to note more." in text) is bool(more)


def test_key_numbers_have_an_interval_or_an_expectation_else_the_first_stands() -> None:
    rows = [model.ValueRow("a", "1", "", ""), model.ValueRow("b", "2", "1 to 3", ""), model.ValueRow("c", "", "", "9"),
            model.ValueRow("d", "4", "", "5")]  # fmt: skip
    assert [*_key_numbers(rows, 3)] == ["b 2 (95 %: 1 to 3)", "d 4 (expected 5)"]
    assert [*_key_numbers(rows, 1)] == ["b 2 (95 %: 1 to 3)"]
    assert [*_key_numbers([rows[0], rows[0], rows[2]], 3)] == ["a 1"]
    assert [*_key_numbers([], 3)] == []


@pytest.mark.parametrize(("period_s", "said"), [(0.151, " (new values every 151 ms)"), (0.149, "")])
def test_new_values_much_rarer_than_the_message_are_said(period_s: float, said: str) -> None:
    slow = Part("coolant_temperature", T, T, "°C", "Heat.Coolant")
    object.__setattr__(slow, "_period_s", period_s)  # as if it had been worked out
    switch = Part("Pump", T[:3], T[:3], "", "Heat.Pump")
    made = replace(RESULT, signals=Signals({slow.name: slow}, 0.0, 40.0, loads=(Load("Pump", switch),)))
    (line,) = _messages(made)
    assert line == f"Heat every 100.0 ms, 400 samples: coolant temperature{said}; Pump"


def test_the_json_holds_each_field_in_its_place() -> None:
    text = result_to_json(RESULT)
    assert text.startswith('{\n  "schema": 1,\n')  # readable as it stands
    assert "The encoder’s cable" in text
    assert text.endswith("}\n")
    found = json.loads(text)
    assert found["capture"] == {
        "files": ["logs/a.log"], "start_utc": "2026-03-01T09:00:00.250000Z", "duration_s": 40.0, "lines": 12,
        "lines_bad": 1, "lines_other": 2, "sample_lines": 0, "frames": 9, "frames_decoded": 5, "frames_undefined": 1,
        "frames_undecodable": 1, "samples_undecodable": 8, "error_frames": 1, "remote_frames": 1, "out_of_order": 3,
        "stamps_repaired": 6, "lost": 4, "console_restarts": 5, "time_steps": [{"time_s": 12.5, "step_s": -3.25}],
        "bad_lines": [{"file": "logs/a.log", "line": 7, "reason": "torn"}], "notes": ["a note"],
        "assumptions": ["times are in seconds"],
    }  # fmt: skip
    assert found["explanations"] == [{
        "cause": "encoder_cable", "title": "The encoder’s cable", "likelihood": 0.853, "members": [0, 2],
        "for": ["it spikes", "it trips"], "against": ["no ripple"], "rival": "the bearing",
        "deciding_test": "Swap the cable.", "actions": ["Stop.", "Screen the cable, proven dead."],
    }]  # fmt: skip
    assert found["not_checked"][1] == {"check": "charge", "reason": "not mapped"}
    slow = found["findings"][1]
    assert slow == {
        "kind": "precharge.slow", "severity": "warning", "start_s": 2.0, "end_s": 3.0, "title": "slow",
        "explanation": "About slow.", "method": "By its curve.", "next_step": "Look at slow.", "caution": CAUTION_HV,
        "cause": None, "parts": ["motor_speed"],
        "measured": {
            "time_constant_s": {"value": 0.21, "low": 0.2, "high": 0.22, "unit": "s"},
            "fraction_at_close": {"value": 0.95, "low": 0.94, "high": 0.96, "unit": ""},
            "extrapolated": {"value": 1.0, "low": None, "high": None, "unit": ""},
            "start_voltage_V": {"value": None, "low": None, "high": None, "unit": "V"},
        },
        "expected": {
            "time_constant_s": {"value": 0.15, "low": 0.12, "high": 0.18, "unit": "s"},
            "resistor_energy_J": {"value": None, "low": None, "high": 400.0, "unit": "J"},
        },
    }  # fmt: skip
    spikes = finding_fields(SPIKES)
    assert spikes["events"] == [{"start_s": 18.0, "end_s": 18.1}, {"start_s": 20.0, "end_s": 20.5}]
    assert spikes["count"] == 2


def test_the_table_of_values() -> None:
    table = result_to_dataframe(RESULT)
    rows = table[table.finding == 1].drop(columns=["title", "cause"]).values.tolist()
    assert rows[0][:10] == [
        1,
        "precharge.slow",
        "warning",
        2.0,
        3.0,
        "time_constant_s",
        0.21,
        0.2,
        0.22,
        "s",
    ]
    assert rows[0][10:] == [0.15, 0.12, 0.18]
    assert [row[5] for row in rows] == [
        "time_constant_s", "fraction_at_close", "extrapolated", "start_voltage_V", "resistor_energy_J"
    ]  # fmt: skip
    assert (rows[4][9], rows[4][12]) == ("J", 400.0)
    assert table.title.tolist()[-2:] == ["trip", "sound"]
    assert table.cause[table.finding == 2].tolist() == ["encoder"]


def test_the_notebook_shows_the_worst_first_and_escapes_all() -> None:
    hostile = replace(RESULT, vehicle_name="<Hazel>", findings=(GOOD, SLOW, replace(SPIKES, title="<b>"), TRIP))
    text = notebook.result_to_notebook(hostile)
    assert text == (
        "<p><b>&lt;Hazel&gt;</b></p><table><thead><tr><th>severity</th><th>from</th><th>finding</th></tr></thead><tbody>"
        '<tr style="background:#f8d7da;color:#111"><td>danger</td><td style="text-align:right">34.00 s</td>'
        '<td style="text-align:left">trip</td></tr>'
        '<tr style="background:#fff3cd;color:#111"><td>warning</td><td style="text-align:right">2.00 s</td>'
        '<td style="text-align:left">slow</td></tr>'
        '<tr style="background:#fff3cd;color:#111"><td>warning</td><td style="text-align:right">18.00 s</td>'
        '<td style="text-align:left">&lt;b&gt;</td></tr>'
        '<tr style="background:#e2f1e5;color:#111"><td>good</td><td style="text-align:right">3.00 s</td>'
        '<td style="text-align:left">sound</td></tr></tbody></table>'
        "<details><summary>Not checked</summary><ul><li>encoder: no second speed</li><li>charge: not mapped</li>"
        "<li>encoder: too slow</li><li>contactors: without battery current</li></ul></details>"
    )
    nothing = notebook.result_to_notebook(replace(RESULT, findings=(), not_checked=()))
    assert nothing == "<p><b>Hazel</b></p><p>No findings.</p>"
