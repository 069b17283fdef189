"""What is said of a limit that was kept, nearly passed or passed, and which visits count: expected by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.limits.check import _about, _apart_from, _kept, _passed, kept_words, limits, passed_words
from logscope.checks.limits.measure import Closeness, judge_limit
from logscope.findings import CAUTION_HV, Event, Level, Mark, Measured, NothingToCheck, Severity
from logscope.observations.stated_limits import Limit
from logscope.observations.trips.events import Trip
from logscope.signals import MissingPart
from logscope.vehicle import Limits, Vehicle

AMPS = Limit("motor_current", "motor_current_A", "motor_current", 350.0, "A", True, 315.0, Severity.DANGER,
             "motor current", "Ease off.")  # fmt: skip
HOT = Limit("motor_temperature", "motor_temperature_C", "motor_temperature", 140.0, "°C", True, 126.0, Severity.DANGER,
            "motor temperature", "Let it cool.")  # fmt: skip
LOW = Limit("battery_min", "battery_min_V", "battery_voltage", 240.0, "V", False, 250.0, Severity.WARNING,
            "battery voltage, lowest", "Drive gently.")  # fmt: skip
AT = np.arange(0.0, 10.0, 0.05)
# name: limit, margin, near_s of 200 s, near, passed
CASES: dict[str, tuple[Limit, float, float, tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]] = {
    "clear": (AMPS, 120.0, 0.0, (), ()),
    "near": (AMPS, 17.5, 25.0, ((1.0, 2.0), (5.0, 5.5)), ()),
    "edge": (AMPS, 0.0, 25.0, ((1.0, 2.0),), ()),
    "noise": (AMPS, -0.4, 25.0, ((1.0, 2.0),), ()),
    "passed": (AMPS, -30.0, 25.0, ((1.0, 2.0), (5.0, 6.0)), ((1.2, 1.7), (5.2, 5.4))),
    "single": (AMPS, -30.0, 0.5, ((1.0, 1.0),), ((1.0, 1.0),)),
    "singles": (AMPS, -30.0, 0.5, ((1.0, 1.0), (5.0, 5.0)), ((1.0, 1.0), (5.0, 5.0))),
    "hot": (HOT, -9.0, 2.0, ((3.0, 5.0),), ((3.0, 5.0),)),
    "low": (LOW, -5.0, 2.0, ((3.0, 5.0),), ((3.0, 5.0),)),
    "low kept": (LOW, 30.0, 0.0, (), ()),
}


def close(name: str) -> Closeness:
    limit, margin, near_s, near, passed = CASES[name]
    return Closeness(limit, part(limit.part, AT, AT, 1.0), margin, 4.25, near_s, 200.0, near, passed)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("names", "least", "trips", "title"),
    [
        (["clear"], "clear", False, "Limits: all kept; smallest margin 120 A, motor current"),
        (["near", "low kept"], "near", False, "Limits: all kept, some narrowly; smallest margin 17.5 A, motor current"),
        (["low kept"], "low kept", True, "Limits: kept except in the trips; smallest margin 30.0 V, battery voltage"),
        (["edge"], "edge", False, "Limits: all kept, some narrowly; smallest margin 0 A, motor current"),
        (["noise"], "noise", False,
         "Limits: all kept, some narrowly; reached, 400 mA beyond within the noise of a reading, motor current"),
    ],
)  # fmt: skip
def test_the_title_of_kept_limits_gives_the_smallest_margin(
    names: list[str], least: str, trips: bool, title: str
) -> None:
    words = kept_words([close(name) for name in names], close(least), [], but_in_trips=trips)
    assert plain(words.title) == title
    assert not words.hands_near_hv


def test_at_its_limit_nothing_is_left_and_nothing_is_beyond_it() -> None:
    assert "0 A left at 4.25 s" in plain(kept_words([close("edge")], close("edge"), [], but_in_trips=False).method)
    assert replace(close("edge"), seen_s=0.0).near_percent == 0.0


def test_a_margin_is_open_by_half_a_step_where_the_reading_has_one() -> None:
    for step, most in ((1.0, 18.0), (None, 17.5)):
        one = replace(close("near"), part=part("motor_current", AT, AT, step))
        margin = _kept([one], [], [], signals(one.part)).measured["motor_current_margin_A"]
        assert (margin.value, margin.low, margin.high) == (17.5, None, most)


def test_kept_limits_name_what_came_near_and_what_is_not_logged() -> None:
    both = [close("near"), close("low kept")]
    words = kept_words(both, both[0], ["12 V supply", "coolant temperature"], but_in_trips=False)
    assert plain(words.explanation) == (
        "The smallest margin is at 4.25 s. Close to their limits: motor current, 17.5 A left at 4.25 s. "
        "Not logged: 12 V supply, coolant temperature."
    )
    assert plain(words.method) == (
        "Motor current (limit 350 A): 17.5 A left at 4.25 s, within 35.0 A of it 2 times, 12 % of the time. "
        "Battery voltage, lowest (limit 240 V): 30.0 V left at 4.25 s, never within 10.0 V of it. "
        "A smaller margin between two samples, 50 ms apart here, is not seen."
    )
    noisy = kept_words([close("noise")], close("noise"), [], but_in_trips=False)
    assert "motor current, 400 mA beyond it at 4.25 s." in plain(noisy.explanation)
    assert "Close" not in kept_words([close("clear")], close("clear"), [], but_in_trips=False).explanation


@pytest.mark.parametrize(
    ("name", "title", "explanation", "near_hv"),
    [
        ("passed", "Motor current: 30.0 A above its limit of 350 A",
         "The limit was passed 2 times, for 700 ms in all; furthest at 4.25 s.", True),
        ("single", "Motor current: 30.0 A above its limit of 350 A",
         "The limit was passed once, in a single sample; furthest at 4.25 s.", True),
        ("singles", "Motor current: 30.0 A above its limit of 350 A",
         "The limit was passed 2 times, in a single sample each time; furthest at 4.25 s.", True),
        ("hot", "Motor temperature: 9.00 K above its limit of 140 °C",
         "The limit was passed once, for 2 s in all; furthest at 4.25 s. "
         "A signal in °F would look the same: 149 °F is 65 °C.", False),
        ("low", "Battery voltage: 5.00 V below its limit of 240 V",
         "The limit was passed once, for 2 s in all; furthest at 4.25 s.", True),
    ],
)  # fmt: skip
def test_a_passed_limit_says_by_how_much_how_often_and_for_how_long(
    name: str, title: str, explanation: str, near_hv: bool
) -> None:
    words = passed_words(close(name))
    assert (plain(words.title), plain(words.explanation)) == (title, explanation)
    assert words.hands_near_hv is near_hv
    assert words.next_step == CASES[name][0].do
    assert "50 ms apart" in words.method


def test_a_passed_limit_is_a_finding_with_its_visits_and_its_margin_up_to_half_a_step() -> None:
    found = _passed(close("passed"), signals(close("passed").part))
    assert (found.severity, found.parts, found.caution) == (Severity.DANGER, ("motor_current",), CAUTION_HV)
    assert (found.start_s, found.end_s) == (1.2, 5.4)
    assert found.events == (Event(1.2, 1.7), Event(5.2, 5.4))
    assert found.measured == {
        "motor_current_margin_A": Measured(-30.0, "A", None, -29.5),
        "motor_current_near_percent": Measured(12.5, "%"),
        "motor_current_near_count": Measured(2.0, "1"),
    }
    assert found.expected == {"motor_current_margin_A": Measured(None, "A", 0.0, None)}
    assert found.evidence.marks == (Mark(4.25, "furthest beyond"),)
    assert found.evidence.levels == (Level(350.0, "highest permitted", "motor_current"),)
    low = _passed(close("low"), signals(close("low").part))
    assert low.evidence.levels == (Level(240.0, "lowest permitted", "battery_voltage"),)
    assert list(_passed(close("hot"), signals(close("hot").part)).expected) == ["motor_temperature_margin_K"]
    assert len(_passed(close("single"), signals(close("single").part)).events) == 1


@pytest.mark.parametrize(
    ("kept", "in_trips", "severity", "least"),
    [
        (["clear", "low kept"], [], Severity.GOOD, "battery_voltage"),  # 30 V of 10 V are nearer than 120 A of 35 A
        (["near", "low kept"], [], Severity.INFO, "motor_current"),
        (["clear"], ["passed"], Severity.INFO, "motor_current"),
    ],
)
def test_kept_limits_are_led_by_the_margin_that_is_smallest_against_its_band(
    kept: list[str], in_trips: list[str], severity: Severity, least: str
) -> None:
    both = [close(name) for name in kept]
    made = signals(*(each.part for each in both))
    found = _kept(both, [], [close(name) for name in in_trips], made)
    assert (found.severity, found.parts, found.events) == (severity, (least,), ())
    assert next(iter(found.measured)).startswith("battery_min" if least == "battery_voltage" else least)
    assert len(found.measured) == 3 * len(both)
    assert (found.start_s, found.evidence.marks) == (4.25, (Mark(4.25, "smallest margin"),))


def test_at_most_three_parts_are_charted() -> None:
    names = ("a", "b", "c", "d")
    every = [
        replace(close("near"), limit=replace(AMPS, part=name), part=part(name, AT, AT), margin=10.0 + k)
        for k, name in enumerate(names)
    ]
    assert _kept(every, [], [], signals(*(each.part for each in every))).parts == ("a", "b", "c")


@pytest.mark.parametrize(
    ("span", "about"),
    [((10.5, 11.0), True), ((10.51, 11.0), False), ((9.0, 9.5), True), ((9.0, 9.49), False), ((9.0, 11.0), True)],
)
def test_what_passes_within_half_a_second_of_a_trip_belongs_to_it(span: tuple[float, float], about: bool) -> None:
    assert _about(span, Trip(9.9, 10.0, overcurrent=True, name="OC", code=3.0)) is about


def bumped(*bumps: tuple[float, float, float], level: float = 100.0) -> np.ndarray:
    value = np.full(AT.size, level)
    for since_s, until_s, top in bumps:
        value[(since_s - 1e-9 < AT) & (until_s - 1e-9 > AT)] = top
    return value


@pytest.mark.parametrize(("second_s", "visits"), [(2.45, 1), (2.55, 2)])
def test_visits_within_half_a_second_are_one(second_s: float, visits: int) -> None:
    """The first ends with the sample at 1.95 s."""
    made = part("motor_current", AT, bumped((1.0, 2.0, 360.0), (second_s, 3.0, 355.0)))
    found = judge_limit(made, AMPS)
    assert found is not None
    assert (len(found.near), len(found.passed)) == (visits, visits)


def test_too_little_to_judge_is_no_margin() -> None:
    assert judge_limit(part("motor_current", AT[:2], AT[:2]), AMPS) is not None
    assert judge_limit(part("motor_current", AT[:1], AT[:1]), AMPS) is None
    assert judge_limit(part("battery_voltage", AT, bumped(level=120.0)), LOW) is None  # half of 240 V is not awake
    assert judge_limit(part("battery_voltage", AT, bumped(level=120.1)), LOW) is not None


def test_current_that_passes_in_a_trip_and_speed_that_is_wrong_stand_apart() -> None:
    """Passed at 2 s in a trip, at 6 s outside; the speed above its limit where its reading is wrong, 1 to 4 s."""
    amps = part("motor_current", AT, bumped((2.0, 2.2, 700.0), (6.0, 6.4, 380.0)))
    top = replace(AMPS, name="motor_speed", part="motor_speed", value=9000.0, near=8100.0)
    speed = part("motor_speed", AT, bumped((1.0, 4.0, 12_000.0), level=3000.0))
    trip = Trip(2.1, 2.2, overcurrent=True, name="OC", code=3.0)
    seen: Any = SimpleNamespace(speed=SimpleNamespace(spans=((1.0, 4.0),)), trips=(trip,))
    judged = [each for each in (judge_limit(amps, AMPS), judge_limit(speed, top)) if each is not None]
    apart, in_trips = _apart_from(judged, signals(amps, speed), seen)
    assert [(each.limit.part, each.margin) for each in apart] == [("motor_current", -30.0), ("motor_speed", 6000.0)]
    assert [(each.margin, len(each.passed)) for each in in_trips] == [(-350.0, 1)]
    none: Any = SimpleNamespace(speed=None, trips=())
    apart, in_trips = _apart_from(judged, signals(amps, speed), none)
    assert [each.margin for each in apart] == [-350.0, -3000.0]
    assert in_trips == []


def test_what_is_missing_is_said_once_and_by_name() -> None:
    own = Vehicle(limits=Limits(motor_current_A=350, battery_min_V=240, battery_max_V=340, inverter_temperature_C=85))
    none: Any = SimpleNamespace(speed=None, trips=())
    (found,) = limits(signals(part("motor_current", AT, bumped())), none, own)
    assert found.explanation.endswith("Not logged: battery voltage, inverter temperature.")
    with pytest.raises(MissingPart) as missing:
        limits(signals(part("throttle", AT, AT)), none, own)
    assert missing.value.part == "motor_current"
    with pytest.raises(NothingToCheck, match="states no limit"):
        limits(signals(part("motor_current", AT, AT)), none, Vehicle())
