"""From when a current tapers and its voltage stands: edges of each guard, by readings made by hand.

What is expected is closed form: a current that falls as 20·exp(−t/200 s) has lost 1 % after 2.0 s, 5 % after 10.3 s.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import logged, read, state

from logscope.arrays import FloatArray
from logscope.observations.charging.current import charging_current
from logscope.observations.charging.phases import Step, _level_at, _switched_off, _top, find_phases
from logscope.observations.charging.sessions import find_sessions
from logscope.signals import Part

t = np.arange(0.0, 600.0, 0.5)
SINCE = np.maximum(t - 300.0, 0.0)
FALLS = np.minimum(t / 0.5, 20.0) * np.exp(-SINCE / 200.0)


def volts(value: FloatArray | float, step: float | None = None) -> Part:
    return read("charger_voltage", t, np.broadcast_to(value, t.shape).astype(float), step=step)


def taper_s(voltage: Part | None, noise_a: float = 0.01, amps: FloatArray = FALLS) -> float | None:
    """When the current begins to taper."""
    found = [each for each in find_phases(t, amps, noise_a, voltage) if each.step is Step.VOLTAGE]
    return found[0].start_s if found else None


@pytest.mark.parametrize(("noise_a", "at_s"), [(0.01, 302.0), (0.19, 302.0), (1.0, 310.0)])
def test_a_taper_begins_where_a_percent_or_the_noise_is_lost(noise_a: float, at_s: float) -> None:
    """The voltage stands from 250 s on, the current falls from 300 s."""
    stands = volts(np.minimum(280.0 + 0.2 * t, 330.0))
    assert taper_s(stands, noise_a) == pytest.approx(at_s, abs=0.6)


@pytest.mark.parametrize(
    ("drift_V", "noise_V", "step", "at_s", "near_s"),
    [
        (0.35, 0.0, None, 312.0, 1.0),  # 0.1 % of 330 V
        (0.50, 0.0, None, 364.0, 1.0),
        (1.60, 0.0, 1.0, 310.0, 4.0),  # a step and a half
        (3.00, 0.0, 1.0, 400.0, 25.0),
        (1.50, 0.0, 0.5, 400.0, 25.0),
        (0.90, 0.3, None, 312.0, 12.0),  # three standard deviations of noise
        (1.50, 0.3, None, 376.0, 20.0),
    ],
)
def test_a_voltage_stands_within_a_thousandth_three_noises_or_a_step_and_a_half(
    drift_V: float, noise_V: float, step: float | None, at_s: float, near_s: float
) -> None:
    """It drifts evenly over the taper; its level is that of the last 100 s, which it has 250 s after the beginning.

    What the current reaches for ten seconds only is no level, and two seconds later a percent of that is lost.
    """
    noise = np.random.default_rng(21).normal(0.0, 1.0, t.size) * noise_V
    drifts = volts(330.0 + drift_V * SINCE / 300.0 + np.minimum(t - 300.0, 0.0) * 0.1 + noise, step)
    assert taper_s(drifts) == pytest.approx(at_s, abs=near_s)


@pytest.mark.parametrize(
    ("noise_a", "to_a", "seen"),
    [(0.01, 19.3, True), (0.01, 19.5, False), (1.0, 16.8, True), (1.0, 17.2, False)],
)
def test_a_taper_loses_three_percent_and_three_noises(noise_a: float, to_a: float, seen: bool) -> None:
    amps = np.maximum(FALLS, np.where(t > 250.0, to_a, 0.0))
    assert (taper_s(volts(np.minimum(280.0 + 0.2 * t, 330.0)), noise_a, amps) is not None) is seen


@pytest.mark.parametrize(("known", "at_s"), [(2, None), (3, 302.0)])
def test_a_taper_needs_three_readings_at_which_the_voltage_is_known(known: int, at_s: float | None) -> None:
    late = volts(330.0).where(t > 599.6 - 0.5 * known)
    assert taper_s(late) == (None if at_s is None else pytest.approx(at_s, abs=0.6))


def test_a_phase_has_the_voltage_of_its_own_time() -> None:
    """Read from 302 s on: the constant current has none."""
    stands = volts(330.0, 0.5).where(t >= 302.0)
    phases = find_phases(t, FALLS, 0.01, stands)
    rise, current, taper = phases
    assert (rise.voltage, current.voltage) == (None, None)
    assert taper.voltage is not None
    assert (taper.voltage.low, taper.voltage.value, taper.voltage.high) == pytest.approx(
        (329.75, 330.0, 330.25), abs=0.02
    )
    assert (taper.end_s, rise.start_s, current.start_s) == (599.5, 0.0, rise.end_s)


def test_phases_of_few_rows_are_none() -> None:
    """A rise of two readings, a current of three."""
    at = np.arange(0.0, 2.5, 0.5)
    assert [each.step for each in find_phases(at, np.full(5, 20.0), 0.01, None)] == [Step.CURRENT]
    slow = np.arange(0.0, 50.0, 10.0)
    rises = find_phases(slow, np.array([5.0, 5.0, 20.0, 20.0, 20.0]), 0.01, None)
    assert [(each.step, each.start_s, each.end_s) for each in rises] == [
        (Step.RISE, 0.0, 20.0), (Step.CURRENT, 20.0, 40.0),
    ]  # fmt: skip
    assert rises[0].start_a == 5.0
    late = find_phases(slow, np.array([5.0, 5.0, 5.0, 20.0, 20.0]), 0.01, None)
    assert [each.step for each in late] == [Step.RISE]


def test_a_rise_ends_at_95_percent() -> None:
    for share, at_s in ((0.951, 20.0), (0.949, 30.0)):
        amps = np.where(t < 20.0, 2.0, np.where(t < 30.0, share * 20.0, 20.0))
        assert find_phases(t, amps, 0.01, None)[0].end_s == pytest.approx(at_s, abs=0.6)


@pytest.mark.parametrize(("rows", "last"), [(8, 7), (9, 7)])
def test_a_switching_off_is_seen_where_four_seconds_came_before(rows: int, last: int) -> None:
    at = 0.5 * np.arange(rows)
    value = np.full(rows, 20.0)
    value[-1] = 1.0
    assert _switched_off(at, value) == last
    assert _switched_off(at, np.full(rows, 20.0)) == rows - 1
    assert _switched_off(at[:1], value[:1]) == 0


def test_a_current_is_compared_with_that_of_two_to_four_seconds_before() -> None:
    at = 0.5 * np.arange(60)
    value = np.full(60, 20.0)
    value[51:56] = 30.0  # the median of these five
    assert _switched_off(at, value) == 55
    value[51:54] = 20.0
    assert _switched_off(at, value) == 59
    falls = np.full(60, 20.0)
    falls[56:] = 10.0
    assert _switched_off(at, falls) == 55
    falls[55] = 10.0
    assert _switched_off(at, falls) == 54


def test_the_end_of_a_short_phase_is_its_last_reading_or_the_one_before() -> None:
    at = 0.5 * np.arange(6)
    for last, level in ((16.1, 16.1), (15.9, 20.0)):
        value = np.array([99.0, 99.0, 99.0, 99.0, 20.0, last])
        assert _level_at(at, value, 4, 5) == level
    assert _level_at(at, np.array([1.0, 2.0, 3.0, 4.0, 5.0, 9.0]), 2, 5) == 4.0  # of its own three
    assert _level_at(at, np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), 0, 5) == 3.5  # of two seconds
    assert _top(np.array([3.0]), np.array([7.0])) == 7.0


def blocks(*spans: tuple[float, float, float]) -> Part:
    value = np.zeros(t.size)
    for since_s, until_s, amps in spans:
        value[(t >= since_s) & (t < until_s)] = amps
    return read("charger_current", t, value)


@pytest.mark.parametrize(
    ("amps", "count"), [((0.6, 0.6), 2), ((0.6, 0.74), 2), ((0.6, 0.76), 1), ((9.0, 0.76), 2), ((0.51, 0.0), 1)]
)
def test_weak_charges_count_where_there_is_no_clear_one(amps: tuple[float, float], count: int) -> None:
    """Clear is half as much again as half an ampere; the highest reading decides what a meter reads at rest."""
    first, second = amps
    parts = blocks((100.0, 140.0, first), (200.0, 240.0, second), (300.0, 300.5, -30.0))
    pack = read("battery_voltage", t, np.full(t.size, 300.0))
    found = find_sessions(logged(replace(parts, step=0.2), pack, end_s=600.0))
    assert len(found) == count


@pytest.mark.parametrize(
    ("period_s", "pause_s", "count"), [(0.5, 3.0, 1), (0.5, 3.5, 2), (4.0, 12.0, 1), (4.0, 16.0, 2)]
)
def test_a_pause_is_three_seconds_or_three_periods(period_s: float, pause_s: float, count: int) -> None:
    at = np.arange(0.0, 600.0, period_s)
    flows = (at >= 100.0) & (at <= 200.0) | (at >= 200.0 + pause_s) & (at <= 300.0)
    charger = read("charger_current", at, np.where(flows, 10.0, 0.0))
    assert len(find_sessions(logged(charger, end_s=600.0))) == count


@pytest.mark.parametrize(("rows", "phases"), [(4, False), (5, True)])
def test_a_session_has_phases_from_five_readings_on(rows: int, phases: bool) -> None:
    (found,) = find_sessions(logged(blocks((100.0, 100.0 + 0.5 * rows, 10.0)), end_s=600.0))
    assert bool(found.phases) is phases
    assert (found.last - found.first + 1, found.amps.size) == (rows, rows)
    if phases:
        assert (found.phases[-1].start_s, found.phases[-1].end_s) == (100.0, found.end_s)


def test_a_speed_of_one_reading_says_nothing_of_motion() -> None:
    pack = read("battery_current", t, np.full(t.size, -10.0))
    plug = state("charge_plug", t, t >= 0.0)
    for rows, moves in ((1, False), (2, True)):
        speed = read("motor_speed", t[100 : 100 + rows], np.full(rows, 900.0))
        found = charging_current(logged(pack, plug, speed))
        assert bool((found.part.value == 0.0).any()) is moves


SLOW = 10.0 * np.arange(11)
SEVERAL = np.array([19.8, 20.2, 20.0, 20.0, 16.0, 12.0, 9.0, 7.0, 5.0, 4.5, 0.2])
SLOW_VOLTS = np.minimum(300.0 + SLOW, 330.0)


@pytest.mark.parametrize("rows", [10, 11])
def test_phases_of_a_seldom_read_charge_are_those_of_its_rows(rows: int) -> None:
    """Rows 0 to 3 at 20 A while the voltage rises to 330 V, rows 3 to 9 at that voltage; the last is switched off.

    Means by hand: (19.8 + 20.2 + 20 + 20)/4 = 20.0 A and 315 V; (20 + 16 + 12 + 9 + 7 + 5 + 4.5)/7 = 10.5 A.
    """
    voltage = read("charger_voltage", SLOW, SLOW_VOLTS)
    current, taper = find_phases(SLOW[:rows], SEVERAL[:rows], 0.01, voltage)
    assert (current.step, current.start_s, current.end_s) == (Step.CURRENT, 0.0, 30.0)
    assert (taper.step, taper.start_s, taper.end_s) == (Step.VOLTAGE, 30.0, 90.0)
    assert (current.current.value, taper.current.value) == pytest.approx((20.0, 10.5))
    assert current.voltage is not None
    assert taper.voltage is not None
    assert (current.voltage.value, taper.voltage.value) == pytest.approx((315.0, 330.0))
    assert (current.start_a, current.end_a) == pytest.approx((19.8, 20.0))
    assert (taper.start_a, taper.end_a, taper.lasted_s) == pytest.approx((20.0, 4.5, 60.0))


@pytest.mark.parametrize(("falls_at", "at_s"), [(3, 30.0), (4, 40.0), (5, 50.0)])
def test_a_seldom_read_taper_begins_in_the_row_before_the_current_falls(falls_at: int, at_s: float) -> None:
    """The voltage stands from 30 s on; what is held until then is no taper."""
    held = np.concatenate((np.full(falls_at + 1, 20.0), 20.0 * 0.8 ** np.arange(1.0, 12.0 - falls_at)))
    at = 10.0 * np.arange(held.size)
    voltage = read("charger_voltage", at, np.minimum(300.0 + at, 330.0))
    found = find_phases(at, held, 0.01, voltage)
    assert [each.step for each in found] == [Step.CURRENT, Step.VOLTAGE]
    assert found[1].start_s == at_s
    rises = read("charger_voltage", at, 300.0 + at)
    assert [each.step for each in find_phases(at, held, 0.01, rises)] == [Step.CURRENT]
