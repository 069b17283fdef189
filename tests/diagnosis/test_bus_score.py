"""A fixed part of the score of the buses, against regressions: the rules were developed with its seed, too."""

from __future__ import annotations

import pytest
from bus_score import Case, cases, findings, logged, verdicts
from bus_traffic import play

pytestmark = pytest.mark.study

_SEED = 7001


@pytest.fixture(scope="module")
def known() -> dict[str, Case]:
    return dict(cases(_SEED))


@pytest.mark.parametrize(
    ("name", "logger"),
    [
        ("restart", "exact"),
        ("absent", "interrupt"),
        ("missing", "1 ms"),
        ("two senders", "exact"),
        ("late", "interrupt"),
        ("frozen", "0.1 ms"),
        ("checksum", "batches"),
        ("errors current", "exact"),
        ("errors switching", "1 ms"),
        ("passive", "out of order"),
    ],
)
def test_a_fault_of_the_bus_is_found_and_named(known: dict[str, Case], name: str, logger: str) -> None:
    case = known[name]
    found, _ = findings(case, logged(case, play(case.bus), logger, _SEED))
    assert verdicts(case, found, logger) == {"logs": 1, "found": 1}


@pytest.mark.parametrize(
    ("name", "logger"),
    [
        ("sound 83333", "0.1 ms"),
        ("sound 250000", "loses in bursts"),
        ("sound 500000", "loses at random"),
        ("sound requests", "exact"),
        ("sound asleep", "pauses"),
        ("sound charger", "batches"),
        ("sound gateway", "exact"),
        ("sound merged", "interrupt"),
    ],
)
def test_nothing_is_claimed_of_a_sound_bus(known: dict[str, Case], name: str, logger: str) -> None:
    case = known[name]
    found, rate = findings(case, logged(case, play(case.bus), logger, _SEED))
    assert verdicts(case, found, logger) == {"logs": 1}
    assert rate.value in (None, case.bus.bit_rate)
