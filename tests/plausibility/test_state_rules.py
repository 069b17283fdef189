"""States against the power that flows and the rise of a link, each side of every edge: tables by hand.

25 A at 330 V are 8.25 kW. The edges are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.findings import Measured, Severity
from logscope.plausibility.states import _closes_s, _driving_moments, _exchanged, _Rise, _rises, state_doubts
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

PLAIN = Vehicle()
AT = np.arange(300) * 0.1


def part(name: str, value: object, time_s: np.ndarray = AT, *, state: bool = False) -> Part:
    read = np.broadcast_to(np.array(value, dtype=float), time_s.shape)
    return Part(name, time_s, read, "", f"Made.{name}", on=read == 1 if state else None)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 30.0)


def between(since_s: float, until_s: float, level: float = 1.0, rest: float = 0.0) -> np.ndarray:
    return np.where((since_s - 1e-6 < AT) & (until_s - 1e-6 > AT), level, rest)


def moments(state: Part | None = None, **changed: object) -> list[float]:
    made = {"battery_current": between(10, 15, 25.0), "battery_voltage": 330.0, "dc_link_voltage": 330.0} | changed
    flag = part("main_contactor", 0.0, state=True) if state is None else state
    parts = [part(name, value) for name, value in made.items() if value is not None]
    return [round(at, 6) for at in _driving_moments(log(*parts, flag), flag).tolist()]


def test_driving_moments_have_eight_kilowatts_a_quarter_second_before_and_after() -> None:
    """Driven from the sample at 10 s to that at 14.9 s: 0.25 s before 10.3 s is known by the sample at 10 s."""
    found = moments()
    assert (found[0], found[-1]) == (10.3, 14.7)
    assert moments(battery_current=between(10, 15, 24.2)) == []
    assert moments(battery_current=between(10, 15, 24.3)) == found
    assert moments(battery_current=between(10, 15, -30.0)) == []
    assert moments(battery_voltage=None) == found
    assert moments(battery_voltage=None, dc_link_voltage=between(0, 20, 330.0, 200.0)) == found
    assert moments(battery_voltage=np.full(300, 300.0)) == []  # 7.5 kW
    sags = {
        "battery_current": between(10, 15, 25.0) + between(12, 13, 5.0),
        "battery_voltage": between(12, 13, 300.0, 330.0),
    }
    assert moments(**sags) == found  # 30 A at 300 V are 9 kW, at the same moment
    assert moments(dc_link_voltage=between(10, 12, 265.0, 330.0)) == found  # more than four fifths of 330 V, 264 V
    assert moments(dc_link_voltage=between(10, 12, 263.0, 330.0))[0] == 12.0
    assert moments(motor_speed=between(12, 13, 301.0)) == [round(12 + k / 10, 6) for k in range(10)]
    assert moments(motor_speed=between(12, 13, -301.0)) == [round(12 + k / 10, 6) for k in range(10)]
    assert moments(motor_speed=between(12, 13, 299.0)) == []
    late = part("main_contactor", np.zeros(150), AT[:150] + 12.0, state=True)
    assert moments(late)[0] == 12.0
    assert moments(battery_current=None) == moments(dc_link_voltage=None) == []


def drive(seconds: float = 10.0) -> list[Part]:
    current = between(10, 10 + seconds, 25.0)
    return [part("battery_current", current), part("battery_voltage", 330.0), part("dc_link_voltage", 330.0)]


def doubted(*parts: Part) -> list[tuple[str, tuple[str, ...]]]:
    return [(doubt.finding.kind, doubt.doubtful) for doubt in state_doubts(log(*parts), PLAIN)]


@pytest.mark.parametrize(("seconds", "found"), [(1.6, True), (1.5, False)])
def test_a_second_of_driving_shows_a_state_that_is_turned_round(seconds: float, found: bool) -> None:
    """0.3 s after it began, and 0.2 s before it ended."""
    open_ = part("main_contactor", between(0, 5), state=True)
    assert doubted(*drive(seconds), open_) == [("mapping.inverted", ("main_contactor",))] * found


@pytest.mark.parametrize(("count", "found"), [(12, True), (11, False)])
def test_eight_moments_show_a_state_that_is_turned_round(count: int, found: bool) -> None:
    """At a reading in 0.2 s two messages may be 0.4 s apart: two moments at either end do not count."""
    slow = np.arange(100) * 0.2
    amps = np.where((np.arange(100) >= 50) & (np.arange(100) < 50 + count), 25.0, 0.0)
    made = [part("battery_current", amps, slow), part("dc_link_voltage", 330.0, slow)]
    flag = part("negative_contactor", (slow < 5.0).astype(float), slow, state=True)
    assert doubted(*made, flag) == [("mapping.inverted", ("negative_contactor",))] * found


@pytest.mark.parametrize(("open_s", "found"), [(9.2, True), (8.9, False)])
def test_a_state_reads_the_wrong_way_at_19_of_20_moments(open_s: float, found: bool) -> None:
    """Of 9.6 s of moments: from 10.3 s on."""
    flag = part("main_contactor", between(10.3, 10.3 + open_s, 0.0, 1.0), state=True)
    assert doubted(*drive(), flag) == [("mapping.inverted", ("main_contactor",))] * found


def test_a_contactor_that_reads_open_beside_a_closed_relay_is_the_relay() -> None:
    open_ = part("main_contactor", between(0, 5), state=True)
    for closed_s, kind in ((9.2, "mapping.exchanged"), (8.9, "mapping.inverted")):
        relay = part("precharge_relay", between(10.3, 10.3 + closed_s), state=True)
        ((found, names),) = doubted(*drive(), open_, relay)
        assert found == kind
        assert names == ("main_contactor", "precharge_relay")[: 2 if kind == "mapping.exchanged" else 1]
    brake = part("brake", between(0, 25), state=True)
    assert doubted(*drive(), brake, part("precharge_relay", 1.0, state=True)) == [("mapping.inverted", ("brake",))]


def test_what_is_never_closed_or_pressed_is_judged_elsewhere_but_a_fault_is_not() -> None:
    for name in ("main_contactor", "negative_contactor", "brake"):
        assert doubted(*drive(), part(name, 0.0, state=True)) == []
    fault = part("fault", 7.0)
    assert doubted(*drive(), fault) == [("mapping.inverted", ("fault",))]
    assert doubted(*drive(), replace(fault, healthy=np.ones(300, bool))) == []
    assert doubted(*drive(), part("fault", 0.0)) == []


def test_the_doubt_names_the_power_the_share_of_moments_and_what_to_look_at() -> None:
    (doubt,) = state_doubts(log(*drive(), part("main_contactor", between(12, 12.3), state=True)), PLAIN)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("mapping.inverted", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == pytest.approx((10.3, 19.7))
    assert finding.title == "Main contactor: reads open while the battery drives the vehicle"
    assert finding.explanation == (
        "Main contactor reads open at 97 % of the moments at which the battery gives more than 8 kW: its current flows "
        "through it. Checks that need it are listed under “not checked”."
    )
    assert finding.next_step.startswith("Check what “signals.main_contactor” names: its signal may be that of another")
    assert finding.parts == ("main_contactor", "battery_current")
    assert finding.measured["agreement_percent"] == Measured(pytest.approx(300 / 95), "%")
    assert doubt.reason == "main contactor: its values probably turned round"
    (doubt,) = state_doubts(log(*drive(), part("brake", 1.0, state=True)), PLAIN)
    assert "reads pressed at 100 % of the moments" in doubt.finding.explanation
    assert "nobody drives so" in doubt.finding.explanation
    (doubt,) = state_doubts(log(*drive(), part("fault", 1.0)), PLAIN)
    assert "reads a fault" in doubt.finding.title
    assert "`none`" in doubt.finding.next_step
    relay = part("precharge_relay", 1.0, state=True)
    (doubt,) = state_doubts(log(*drive(), part("main_contactor", between(0, 5), state=True), relay), PLAIN)
    assert "Precharge relay reads closed meanwhile." in doubt.finding.explanation
    assert doubt.reason == "main contactor and precharge relay: probably exchanged"


@pytest.mark.parametrize(
    ("since_s", "until_s", "closes_s"),
    [(0, 30, 9.0), (0, 8.9, 4.0), (4.0, 8.9, 4.0), (4.05, 8.9, None), (9.0, 9.0, 9.0)],
)
def test_a_state_closes_last_within_the_time_that_is_asked_for(
    since_s: float, until_s: float, closes_s: float | None
) -> None:
    flag = part("main_contactor", between(4, 6) + between(9, 12), state=True)
    assert _closes_s(flag, since_s, until_s) == (None if closes_s is None else pytest.approx(closes_s))


@pytest.mark.parametrize(
    ("main_s", "other_s", "hands_over", "found"),
    [
        (25.0, 12.2, False, True), (25.0, 12.3, False, False),  # a second and a quarter after the rise
        (12.4, 11.2, True, True), (12.5, 11.2, True, False),  # the relay is to be open as long after it
    ],
)  # fmt: skip
def test_relay_and_contactor_hand_over_within_a_second(
    main_s: float, other_s: float, hands_over: bool, found: bool
) -> None:
    """A rise from 9 to 11 s; both states come ten times a second and may be a quarter of a second late."""
    main = part("main_contactor", between(8.5, main_s), state=True)
    other = part("precharge_relay", between(other_s, 28.0), state=True)
    assert _exchanged(main, other, _Rise(9.0, 10.0, 11.0), hands_over=hands_over) is found


def rises(*value: float, period_s: float = 1.0) -> list[_Rise]:
    read = np.array(value, dtype=float)
    return list(_rises(part("dc_link_voltage", read, period_s * np.arange(read.size))))


def test_a_gradual_rise_begins_below_two_fifths_and_ends_above_nine_tenths() -> None:
    stays = [100.0] * 9
    assert rises(0, 39, 50, 64, 66, 89, 91, *stays) == [_Rise(1.0, 4.0, 6.0)]
    assert rises(0, 39, 41, 60, 70, 91, *stays) == [_Rise(1.0, 4.0, 5.0)]
    assert rises(0, 39, 60, 70, 91, *stays) == []  # two readings between: past its resistor
    assert rises(0, 39, 50, 60, 58.5, 70, 91, *stays) == [_Rise(1.0, 5.0, 6.0)]
    assert rises(0, 39, 50, 60, 57.5, 70, 91, *stays) == []  # falls by more than a fiftieth
    assert rises(41, 50, 60, 70, 91, *stays) == []  # never low
    assert rises(0, 39, 50, 60, 70, 91, 89, 100, 100, 100, *[100.0] * 9) == []  # does not stay
    assert rises(0, 39, 50, 60, 70, 91, 100, 100, 100, 100) == [_Rise(1.0, 4.0, 5.0)]
    assert rises(0, 39, 50, 60, 70, 91, 100, 100, 100) == []  # four readings of the level
    assert rises(0, 20, 50, 60, 70, 100, *stays, period_s=2.5) == [_Rise(2.5, 10.0, 12.5)]
    assert rises(0, 20, 50, 60, 70, 100, *stays, period_s=2.6) == []  # more than ten seconds


CHARGES = np.interp(AT, [10.0, 12.0], [0.0, 330.0])


def test_a_main_contactor_that_closes_before_each_rise_is_exchanged_with_the_one_that_closes_after_it() -> None:
    link = part("dc_link_voltage", CHARGES)
    main, after = part("main_contactor", between(9.5, 25), state=True), between(12.2, 25)
    relay_like = part("main_contactor", between(9.5, 12.4), state=True)
    assert doubted(link, main, part("negative_contactor", after, state=True)) == [
        ("mapping.exchanged", ("main_contactor", "negative_contactor"))
    ]
    assert doubted(link, relay_like, part("precharge_relay", after, state=True)) == [
        ("mapping.exchanged", ("main_contactor", "precharge_relay"))
    ]
    assert doubted(link, main, part("precharge_relay", after, state=True)) == []  # no relay opens at last
    assert doubted(link, main, part("negative_contactor", between(9.2, 25), state=True)) == []
    twice = part(
        "dc_link_voltage", np.interp(AT, [2.0, 4.0, 7.0, 7.1, 10.0, 12.0], [0.0, 330.0, 330.0, 0.0, 0.0, 330.0])
    )
    assert doubted(twice, main, part("negative_contactor", after, state=True)) == []  # of the first rise nothing shows
    (doubt,) = state_doubts(log(link, main, part("negative_contactor", after, state=True)), PLAIN)
    assert (doubt.finding.start_s, doubt.finding.end_s) == pytest.approx((10.7, 11.8))
    assert doubt.finding.parts == ("main_contactor", "negative_contactor", "dc_link_voltage")
    assert "negative contactor only after it" in doubt.finding.explanation
    assert "“signals.main_contactor” and “signals.negative_contactor”" in doubt.finding.next_step


@pytest.mark.parametrize(
    ("link", "found"),
    [
        (np.full(300, 330.0), True),
        (between(5, 5.3, 296.0, 330.0), True),  # for three of 300 readings lower
        (between(5, 5.5, 296.0, 330.0), False),
        (between(5, 5.5, 298.0, 330.0), True),  # nine tenths of 330 V are 297 V
        (CHARGES, False),
    ],
)
def test_a_battery_that_charges_gradually_beside_a_link_that_stands_is_the_link(link: np.ndarray, found: bool) -> None:
    made = part("dc_link_voltage", link), part("battery_voltage", CHARGES)
    assert doubted(*made) == [("mapping.exchanged", ("dc_link_voltage", "battery_voltage"))] * found
    if found:
        (doubt,) = state_doubts(log(*made), PLAIN)
        assert "stands at 330 V all the time" in doubt.finding.explanation
        assert (doubt.finding.start_s, doubt.finding.end_s) == pytest.approx((10.7, 11.8))


def test_a_link_that_is_not_logged_during_the_rise_shows_nothing() -> None:
    for since_s, until_s in ((11.3, 30.0), (0.0, 11.3)):
        some = AT[(since_s <= AT) & (until_s > AT)]
        assert doubted(part("dc_link_voltage", 330.0, some), part("battery_voltage", CHARGES)) == []
