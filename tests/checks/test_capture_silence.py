"""When a message counts as silent and a console's restart as one at speed, by tables of made stamps; by hand.

Ten values in a row, half a second at least; a second at the beginning and the end, for controllers wake one by one.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.checks.capture_silence import console_restart, silences
from logscope.findings import Severity
from logscope.signals import Part, Signals

END_S = 60.0


def part(period_s: float, *without: tuple[float, float], name: str = "torque", source: str = "M.Torque") -> Part:
    at = np.arange(0.0, END_S + period_s / 2, period_s)
    for since, until in without:
        at = at[(at <= since) | (at >= until)]
    return Part(name, at, np.zeros(at.size), "", source)


def logged(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, END_S)


SILENT: dict[str, tuple[float, tuple[float, float], bool]] = {
    "half a second of a fast message": (0.01, (20.0, 20.45), False),
    "more than that": (0.01, (20.0, 20.55), True),
    "nine values of a slow one": (0.1, (20.0, 20.9), False),
    "eleven of them": (0.1, (20.0, 21.1), True),
    "the first 0.9 s": (0.01, (-1.0, 0.9), False),
    "the first 1.1 s": (0.01, (-1.0, 1.1), True),
    "the last 0.9 s": (0.01, (59.1, 99.0), False),
    "the last 1.1 s": (0.01, (58.9, 99.0), True),
    "the first 1.5 s of a slow one": (0.2, (-1.0, 1.5), False),
    "the first 2.5 s of a slow one": (0.2, (-1.0, 2.5), True),
    "the first ten values of a slow one": (0.2, (-1.0, 1.9), False),
    "the last ten values of a slow one": (0.2, (58.1, 99.0), False),
    "the last 2.4 s of a slow one": (0.2, (57.7, 99.0), True),
}


@pytest.mark.parametrize("name", SILENT)
def test_a_cyclic_message_is_silent_where_it_lacks_ten_values_in_a_row(name: str) -> None:
    period_s, (since_s, until_s), silent = SILENT[name]
    found = silences(logged(part(period_s, (since_s, until_s))), ())
    assert len(found) == silent
    if silent:
        assert found[0].message == "M"
        ends = (max(since_s, 0.0), min(until_s, END_S))
        assert (found[0].start_s, found[0].end_s) == pytest.approx(ends, abs=period_s + 1e-9)


def test_what_comes_on_events_or_seldom_or_in_another_part_of_the_message_is_not_silent() -> None:
    few = Part("brake", np.linspace(0.0, 6.0, 19), np.zeros(19), "", "Few.Brake")
    events = np.cumsum(np.tile([0.1] * 9 + [5.0], 8))
    seldom = Part("fault", events, np.zeros(events.size), "", "Seldom.Fault")
    holed, whole = part(0.01, (20.0, 25.0)), part(0.01, name="throttle", source="M.Throttle")
    assert silences(logged(few, seldom, holed, whole), ()) == []
    assert len(silences(logged(holed), ())) == 1


@pytest.mark.parametrize(
    ("gaps", "left"),
    [
        (((20.0, 25.0),), 0),
        (((20.0, 24.1),), 0),
        (((20.0, 23.9),), 1),
        (((20.0, 22.1), (22.9, 25.0)), 0),
        (((30.0, 40.0),), 1),
        (((0.0, 2.0), (5.0, 9.0), (30.0, 31.0), (40.0, 42.0), (50.0, 55.0)), 1),  # each of them elsewhere
    ],
)
def test_a_silence_of_the_whole_log_is_no_senders_own(gaps: tuple[tuple[float, float], ...], left: int) -> None:
    """Four fifths of it are enough."""
    assert len(silences(logged(part(0.01, (20.0, 25.0))), gaps)) == left


@pytest.mark.parametrize(
    ("until_s", "rpm"), [(4.9, 400.0), (5.0, 500.0), (5.5, 500.0), (6.0, 500.0), (6.1, None), (-0.1, None)]
)
def test_the_speed_at_a_restart_is_the_last_reading_of_the_second_before(until_s: float, rpm: float | None) -> None:
    speed = Part("motor_speed", np.arange(6.0), 100.0 * np.arange(6.0), "rpm", "Console.Speed")
    (found,) = console_restart([(until_s, until_s + 2.0)], logged(speed))
    assert found.title.startswith("The console's controller restarted once" + (f" at up to {rpm:.0f}" if rpm else ";"))
    assert found.caution == ""
    assert found.parts == (("motor_speed",) if rpm else ())


@pytest.mark.parametrize(("rpm", "severity"), [(100.0, Severity.INFO), (100.1, Severity.WARNING)])
def test_a_motor_turns_above_the_noise_of_an_encoder(rpm: float, severity: Severity) -> None:
    speed = Part("motor_speed", np.arange(6.0), np.full(6, rpm), "rpm", "Console.Speed")
    assert console_restart([(5.0, 7.0)], logged(speed))[0].severity is severity


@pytest.mark.parametrize(
    ("rpm", "restart_s", "severity"),
    [
        (3000.0, 10.0, Severity.WARNING),
        (-3000.0, 10.0, Severity.WARNING),
        (99.0, 10.0, Severity.INFO),
        (101.0, 10.0, Severity.WARNING),
        (3000.0, 20.9, Severity.WARNING),  # the last reading is from 20 s
        (3000.0, 21.1, Severity.INFO),
    ],
)
def test_a_console_that_restarts_while_the_motor_turns_is_a_warning(
    rpm: float, restart_s: float, severity: Severity
) -> None:
    at = np.arange(0.0, 20.05, 0.1)
    speed = Part("motor_speed", at, np.full(at.size, rpm), "rpm", "Console.Speed")
    (found,) = console_restart([(restart_s, restart_s + 2.0), (50.0, 51.0)], logged(speed))
    assert found.severity is severity
    assert found.measured["longest_s"].value == pytest.approx(2.0)
    assert ("at up to" in found.title) is (severity is Severity.WARNING)
    assert console_restart([], logged(speed)) == []
