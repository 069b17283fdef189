"""What is said of a capture's time and of what it lacks: steps, gaps, silences, restarts, aligned clocks; by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logscope.checks.capture_silence import Silence, console_restart, message_silent, silences
from logscope.checks.capture_time import gap, joint_clock, time_step, time_unit
from logscope.checks.needs import Needs, Readiness, _readiness, readiness
from logscope.findings import Event, Measured, Severity
from logscope.joint_clock import JointClock
from logscope.signals import Part, Signals
from logscope.time_doubt import TimeDoubt


def test_steps_of_the_clock_are_listed_with_the_largest() -> None:
    assert time_step([]) == []
    (one,) = time_step([(3.0, 2.5)])
    assert one.title == "The logger's clock jumped once"
    assert one.explanation.startswith("The timestamps jumped by +2.500 s at 3.000 s. Usual causes")
    assert one.events == (Event(3.0, 3.0),)
    steps = [(float(k), 0.5 + k) for k in range(5)]
    (five,) = time_step(steps)
    assert "…" not in five.explanation
    (six,) = time_step([*steps, (9.0, -60.0)])
    assert six.title == "The logger's clock jumped 6 times"
    assert "+4.500 s at 4.000 s, …. Usual" in six.explanation
    assert "-60" not in six.explanation
    assert six.measured == {"count": Measured(6.0, ""), "largest_step_s": Measured(-60.0, "s")}
    assert (six.severity, six.kind, six.start_s, six.end_s) == (Severity.WARNING, "capture.time_step", 0.0, 9.0)


def test_gaps_are_counted_summed_and_the_longest_named() -> None:
    assert gap([]) == []
    (one,) = gap([(3.0, 5.5)])
    assert one.title == "One stretch without any data, the longest 2.5 s"
    assert one.explanation.startswith("No frame on any bus from 3.000 to 5.500 s; 2.5 s in all.")
    (two,) = gap([(3.0, 5.5), (8.0, 14.0), (20.0, 21.0)])
    assert two.title == "3 stretches without any data, the longest 6 s"
    assert two.explanation.startswith("No frame on any bus from 8.000 to 14.000 s; 9.5 s in all.")
    assert two.measured == {
        "count": Measured(3.0, ""), "longest_s": Measured(6.0, "s"), "total_s": Measured(9.5, "s"),
    }  # fmt: skip
    assert two.events == (Event(3.0, 5.5), Event(8.0, 14.0), Event(20.0, 21.0))
    assert two.severity is Severity.INFO


def test_a_unit_of_time_in_doubt_gives_the_length_and_what_it_could_be() -> None:
    doubt = TimeDoubt("a.csv", "s", "a guess", 1e7, 9.0, (("ms", 1e4),), 'time_unit = "ms"')
    (one,) = time_unit([doubt], 1e7)
    assert one.title == doubt.title()
    assert one.explanation.startswith(f"a.csv: the unit is a guess. {doubt.reason()} {doubt.alternatives()} Until")
    assert one.next_step == doubt.next_step()
    assert one.measured == {"length_s": Measured(1e7, "s")}
    assert one.expected == {"length_s": Measured(None, "s", 9.0, 86_400.0)}
    assert (one.start_s, one.end_s, one.severity) == (0.0, 1e7, Severity.WARNING)


CLOCK = JointClock("console.txt", "can.log", 3.25, 3.2, 3.3, 80.4, 70.0, 90.0, 0.0125, "motor_speed")


def test_nothing_that_is_said_of_a_capture_carries_a_caution_of_high_voltage() -> None:
    doubt = TimeDoubt("a.csv", "s", "a guess", 1e7, 9.0, (("ms", 1e4),), 'time_unit = "ms"')
    silent = message_silent(logged(part("torque", "A", (10.0, 13.0)), part("throttle", "C")), ())
    found = [
        *time_step([(3.0, 2.5)]), *gap([(3.0, 5.5)]), *time_unit([doubt], 1e7), *joint_clock([CLOCK], 60.0), *silent,
        *console_restart([(3.0, 5.0)], Signals({}, 0.0, 60.0)),
    ]  # fmt: skip
    assert [one.caution for one in found] == [""] * 6


@pytest.mark.parametrize(("drift_ppm", "pace"), [(80.4, "80 ppm slow"), (-80.6, "81 ppm fast")])
def test_a_log_that_was_moved_says_by_how_much_and_how_its_clock_runs(drift_ppm: float, pace: str) -> None:
    (one,) = joint_clock([replace(CLOCK, drift_ppm=drift_ppm)], 60.0)
    assert one.title == "Two logs were aligned: console.txt starts 3.250 s after can.log"
    assert one.explanation.startswith(
        f"console.txt starts 3.250 s after can.log, and its clock runs {pace}. Found from the motor speed in "
        f"both; single "
        "stretches scatter by 12.5 ms."
    )
    assert one.measured == {
        "starts_s": Measured(3.25, "s", 3.2, 3.3),
        "drift_ppm": Measured(drift_ppm, "ppm", 70.0, 90.0),
        "residual_s": Measured(0.0125, "s"),
    }
    assert (one.parts, one.start_s, one.end_s) == (("motor_speed",), 0.0, 60.0)


@pytest.mark.parametrize("missing", ["seen_in", "drift_ppm", "residual_s"])
def test_a_start_given_by_hand_has_no_error(missing: str) -> None:
    (one,) = joint_clock([replace(CLOCK, **{missing: None})], 60.0)
    assert one.explanation.endswith("as given by hand. Its error is unknown, and drift is not corrected.")
    assert one.parts == (() if missing == "seen_in" else ("motor_speed",))


# --- silences and restarts


def part(name: str, message: str, *without: tuple[float, float], period_s: float = 0.1) -> Part:
    at = np.arange(0.0, 60.0, period_s)
    for since, until in without:
        at = at[(at <= since) | (at >= until)]
    return Part(name, at, np.zeros(at.size), "", f"{message}.{name}")


def logged(*parts: Part) -> Signals:
    return Signals({one.name: one for one in parts}, 0.0, 60.0)


def test_silent_messages_are_named_with_the_longest_first() -> None:
    made = logged(
        part("torque", "A", (10.0, 13.0), (20.0, 22.0)), part("brake", "B", (30.0, 35.0)), part("throttle", "C")
    )
    found = message_silent(made, ())
    (one,) = found
    assert one.title == "B was not logged for 5 s while others were (and 1 other message)"
    assert one.explanation.startswith(
        "Not logged: A from 10.000 to 13.000 s, A from 20.000 to 22.000 s, B from 30.000 to 35.000 s. The sender"
    )
    assert one.measured == {"count": Measured(3.0, ""), "longest_s": Measured(pytest.approx(5.0), "s")}
    assert one.parts == ("torque", "brake")
    assert message_silent(logged(part("throttle", "C")), ()) == []
    (alone,) = message_silent(logged(part("torque", "A", (10.0, 13.0))), ())
    assert alone.title == "A was not logged for 3 s while others were"
    assert alone.events == (Event(pytest.approx(10.0), pytest.approx(13.0)),)
    three = logged(*(part(name, name, (10.0, 13.0)) for name in ("torque", "brake", "throttle")))
    assert message_silent(three, ())[0].title.endswith("(and 2 other messages)")


def test_five_silences_are_listed_and_the_rest_counted() -> None:
    holes = [(5.0 + 8 * k, 7.0 + 8 * k) for k in range(6)]
    for count, more in ((5, ""), (6, ", and 1 more")):
        (one,) = message_silent(logged(part("torque", "A", *holes[:count])), ())
        assert one.explanation.count("A from") == 5
        assert f" s{more}. The sender was asleep" in one.explanation


def test_silences_come_in_order_of_time_over_all_messages() -> None:
    made = logged(part("torque", "A", (40.0, 43.0)), part("brake", "B", (10.0, 12.0)))
    found = silences(made, ())
    assert found == [
        Silence("B", pytest.approx(10.0), pytest.approx(12.0)),
        Silence("A", pytest.approx(40.0), pytest.approx(43.0)),
    ]
    assert found[1].length_s == pytest.approx(3.0)


@pytest.mark.parametrize(("late", "silent"), [(2.9, True), (3.1, False)])
def test_a_message_is_cyclic_where_its_slow_steps_are_less_than_three_usual_ones(late: float, silent: bool) -> None:
    """One step of ten is late; then 7 s are missing."""
    steps = np.tile([0.1] * 9 + [0.1 * late], 40)
    at = np.cumsum(steps)
    at[200:] += 7.0
    made = Signals({"torque": Part("torque", at, 0 * at, "", "A.Torque")}, 0.1, float(at[-1]))
    assert bool(silences(made, ())) is silent


@pytest.mark.parametrize(
    ("count", "listed", "how"), [(1, 1, "once"), (2, 2, "2 times"), (5, 5, "5 times"), (6, 5, "6 times")]
)
def test_restarts_of_a_console_are_listed_with_the_longest_pause(count: int, listed: int, how: str) -> None:
    speed = Part("motor_speed", 0.1 * np.arange(600), np.full(600, -1500.0), "rpm", "C.Speed")
    restarts = [(5.0 + 8 * k, 6.0 + 9 * k) for k in range(count)]
    (one,) = console_restart(restarts, logged(speed))
    assert one.title == f"The console's controller restarted {how} at up to 1500 rpm; at least {count:g} s are missing"
    assert one.explanation.count(".000 s") == listed
    assert (", …" in one.explanation) is (count > 5)
    assert "and the motor was turning when it stopped." in one.explanation
    assert one.measured == {"count": Measured(float(count), ""), "longest_s": Measured(float(count), "s")}
    assert one.parts == ("motor_speed",)
    (still,) = console_restart(restarts, logged())
    assert still.title == f"The console's controller restarted {how}; at least {count:g} s are missing"
    assert (still.severity, still.parts) == (Severity.INFO, ())
    assert still.next_step.startswith("If nobody switched")
    assert [event.start_s for event in still.events] == [start_s for start_s, _ in restarts]


# --- what a check needs

MADE = Needs(
    "made",
    "does it",
    (("torque", "motor_speed"), ("throttle",)),
    {"brake": "more", "fault": "most"},
    {"motor.pole_pairs": "poles", "limits.aux_min_V": "limit"},
    any_key=("limits.aux_min_V", "limits.aux_max_V"),
)


@pytest.mark.parametrize(
    ("parts", "keys", "loads", "runs", "wanted", "wanted_keys"),
    [
        (("torque", "motor_speed"), ("limits.aux_max_V",), False, True, (), ()),
        (("throttle",), ("limits.aux_min_V",), False, True, (), ()),
        (("torque",), ("limits.aux_min_V",), False, False, MADE.any_of, ()),
        (("throttle",), ("motor.pole_pairs",), False, False, (), MADE.any_key),
        ((), (), False, False, MADE.any_of, MADE.any_key),
        ((), ("limits.aux_min_V",), True, False, MADE.any_of, ()),  # no load serves here
    ],
)
def test_a_check_runs_with_one_whole_set_of_parts_and_one_of_its_values(
    parts: Any, keys: Any, loads: bool, runs: bool, wanted: Any, wanted_keys: Any
) -> None:
    found = _readiness(MADE, parts, keys, loads)
    missing = {"motor.pole_pairs": "poles", "limits.aux_min_V": "limit"}
    left = {key: adds for key, adds in missing.items() if key not in keys}
    assert found == Readiness(MADE, runs, wanted, wanted_keys, {"brake": "more", "fault": "most"}, left)
    assert _readiness(MADE, (*parts, "brake"), keys, loads).parts == {"fault": "most"}


def test_a_load_serves_where_that_is_said_and_no_value_is_needed_where_none_is_named() -> None:
    served = replace(MADE, loads=True, any_key=())
    assert _readiness(served, (), (), True).runs
    assert not _readiness(served, (), (), False).runs
    assert [one.needs.check for one in readiness((), ()) if one.runs] == ["bus"]
    assert [one.needs.check for one in readiness((), (), loads=True) if one.runs] == ["aux_supply", "bus"]
    by_link = {one.needs.check for one in readiness(("dc_link_voltage",), ()) if one.runs}
    assert by_link == {"precharge", "discharge", "contactors", "bus"}
