"""How far the work has come: a table of findings, by the order of the work (common practice, no published source)."""

from __future__ import annotations

import pytest

from logscope.diagnosis.progress import Progress, progress
from logscope.findings import Finding, Severity

MOTOR, DRIVE, CHARGE = "turning the motor, wheels off the ground", "the next drive", "the next charge"
PRECHARGE, CONTACTORS = "a complete precharge, each time", "sound contactors"
SPEED, TRIPS, CHARGED = "a clean motor speed", "a drive without a trip", "a complete charge"


def finding(text: str) -> Finding:
    kind, _, severity = text.partition(" ")
    return Finding(kind, Severity(severity or "good"), 0.0, 1.0, "", "", "", ())


@pytest.mark.parametrize(
    ("findings", "expected"),
    [
        ([], None),
        (["capture.gap info"], None),
        (["precharge.complete"], Progress(MOTOR, (CONTACTORS,))),
        (["precharge.complete", "contactor.sound"], Progress(MOTOR, ())),
        (["precharge.complete", "contactor.sound", "limits.margin warning"], None),
        (["precharge.complete", "contactor.sound", "limits.margin danger"], None),
        (["precharge.complete", "contactor.sound", "limits.margin info"], Progress(MOTOR, ())),
        (["precharge.complete", "precharge.undetermined info", "contactor.sound"], Progress(MOTOR, (PRECHARGE,))),
        (["precharge.complete", "precharge.complete info", "contactor.sound"], Progress(MOTOR, (PRECHARGE,))),
        (["precharge.complete", "precharge.drift info", "contactor.sound"], Progress(MOTOR, ())),
        (["precharge.complete", "contactor.sound", "encoder.clean"], Progress(DRIVE, (TRIPS,))),
        (["encoder.clean", "trip.none"], Progress(DRIVE, ())),
        (["encoder.clean info", "trip.none"], Progress(DRIVE, (SPEED,))),
        (["encoder.noise info", "trip.none"], Progress(DRIVE, (SPEED,))),
        (["encoder.clean", "trip.none", "charge.complete"], Progress(CHARGE, ())),
        (["charge.stopped info"], Progress(CHARGE, (CHARGED,))),
        (["trip.none"], None),
    ],
)  # fmt: skip
def test_the_step_after_the_latest_that_was_logged_and_what_is_missing_before_it(
    findings: list[str], expected: Progress | None
) -> None:
    assert progress([finding(text) for text in findings]) == expected
