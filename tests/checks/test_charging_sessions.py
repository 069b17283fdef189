"""Which stretches of current are a charge, whose current shows it, and where its phases begin: tables by hand.

Times and shares are common practice, no published source; a taper of exponential form is closed form, and the limits of
a mean are those of scipy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from logscope.arrays import FloatArray
from logscope.observations.charging.current import charging_current, spread_in_time
from logscope.observations.charging.phases import (
    Step,
    _level_at,
    _switched_off,
    _top,
    find_phases,
    level_of,
    smoothed,
)
from logscope.observations.charging.sessions import find_sessions, rest_reading
from logscope.signals import MissingPart, Part, Signals

Points = list[tuple[float, float]]


def part(
    name: str, points: Points, period_s: float = 0.5, end_s: float | None = None, step: float | None = None
) -> Part:
    """Straight lines between points (s, value), read every half second."""
    at, value = np.array(points, dtype=float).T
    time_s = np.arange(0.0, at[-1] if end_s is None else end_s, period_s)
    return Part(name, time_s, np.interp(time_s, at, value), "A", f"Made.{name}", step)


def state(name: str, since_s: float, end_s: float = 100.0, period_s: float = 1.0) -> Part:
    at = np.arange(0.0, end_s, period_s)
    return Part(name, at, (at >= since_s).astype(float), "", f"Made.{name}", 1.0, on=at >= since_s)


def log(*parts: Part, end_s: float = 100.0) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, end_s)


def blocks(*spans: tuple[float, float, float], end_s: float = 100.0) -> Part:
    """A charger's current by blocks (from, until, A), zero elsewhere."""
    time_s = np.arange(0.0, end_s, 0.5)
    value = np.zeros(time_s.size)
    for since, until, amps in spans:
        value[(time_s >= since) & (time_s < until)] = amps
    return Part("charger_current", time_s, value, "A", "Charger.I")


@pytest.mark.parametrize(("highest", "rest"), [(5.0, 0.5), (100.0, 0.5), (4.9, 0.049), (1.0, 0.01)])
def test_a_meter_at_rest_reads_up_to_half_an_ampere_or_a_hundredth_of_its_range(highest: float, rest: float) -> None:
    assert rest_reading(highest) == pytest.approx(rest)


@pytest.mark.parametrize(
    ("spans", "found"),
    [
        ([(20.0, 40.0, 10.0)], [(20.0, 39.5)]),
        ([(20.0, 40.0, 10.0), (42.5, 60.0, 10.0)], [(20.0, 59.5)]),  # a pause of three seconds is one charge
        ([(20.0, 40.0, 10.0), (43.0, 60.0, 10.0)], [(20.0, 39.5), (43.0, 59.5)]),
        ([(20.0, 40.0, 10.0), (60.0, 80.0, 0.7)], [(20.0, 39.5)]),  # a taper that ends hovers about half an ampere
        ([(20.0, 40.0, 10.0), (60.0, 80.0, 0.8)], [(20.0, 39.5), (60.0, 79.5)]),
        ([(20.0, 40.0, 10.0), (40.0, 60.0, 0.5)], [(20.0, 39.5)]),  # half an ampere is what a meter reads at rest
        ([(20.0, 40.0, 0.5)], []),
        ([(20.0, 40.0, 0.6)], [(20.0, 39.5)]),
        ([(20.0, 40.0, -10.0)], []),
    ],
)
def test_a_charge_is_current_above_rest_without_a_long_pause(
    spans: list[tuple[float, float, float]], found: list[tuple[float, float]]
) -> None:
    sessions = find_sessions(log(blocks(*spans)))
    assert [(each.start_s, each.end_s) for each in sessions] == found
    for each in sessions:
        assert min(each.amps[0], each.amps[-1]) > each.on_a
        assert each.time_s[0] == each.start_s
        assert each.time_s[-1] == each.end_s
        assert each.period_s > 0
        assert (each.starts_cut, each.ends_cut, each.vanished) == (False, False, False)
        assert each.missing_s == 0.0


def test_a_hole_in_the_log_is_bridged_and_counted() -> None:
    charger = blocks((20.0, 80.0, 10.0))
    keep = (charger.time_s <= 40.0) | (charger.time_s >= 60.0)
    (found,) = find_sessions(log(charger.where(keep)))
    assert (found.start_s, found.end_s) == (20.0, 79.5)
    assert found.missing_s == pytest.approx(20.0, abs=0.5)


@pytest.mark.parametrize(
    ("span", "log_s", "cut"),
    [
        ((0.0, 40.0, 10.0), 100.0, (True, False, False)),
        ((1.5, 40.0, 10.0), 100.0, (False, False, False)),
        ((50.0, 100.0, 10.0), 100.0, (False, True, False)),
        ((50.0, 100.0, 10.0), 101.0, (False, True, False)),  # three periods of its message
        ((50.0, 100.0, 10.0), 101.1, (False, False, True)),  # the message ends, the log does not
        ((50.0, 99.5, 10.0), 100.0, (False, False, False)),
    ],
)
def test_a_charge_at_an_edge_of_the_log_is_cut_by_it(
    span: tuple[float, float, float], log_s: float, cut: tuple[bool, bool, bool]
) -> None:
    (found,) = find_sessions(log(blocks(span), end_s=log_s))
    assert (found.starts_cut, found.ends_cut, found.vanished) == cut


def test_a_log_that_begins_long_before_the_current_s_message_is_not_cut() -> None:
    for start_s, cut in ((-1.5, True), (-1.6, False)):
        (found,) = find_sessions(replace(log(blocks((0.0, 40.0, 10.0))), start_s=start_s))
        assert found.starts_cut is cut


def test_noise_and_steps_raise_what_counts_as_charging() -> None:
    """Five noises of 0.4 A are 2 A; two and a half steps of 1 A are 2.5 A."""
    rng = np.random.default_rng(11)
    charger = blocks((20.0, 60.0, 10.0))
    (noisy,) = find_sessions(log(replace(charger, value=charger.value + rng.normal(0.0, 0.4, charger.value.size))))
    assert noisy.on_a == pytest.approx(2.0, rel=0.2)
    (coarse,) = find_sessions(log(replace(charger, step=1.0)))
    assert coarse.on_a == pytest.approx(2.5)
    (fine,) = find_sessions(log(replace(charger, step=0.1)))
    assert (fine.on_a, fine.least_a) == (0.5, 0.5)


def test_a_small_charger_is_looked_at_where_it_charges_one_cell() -> None:
    charger = blocks((20.0, 60.0, 0.4))
    for volts, count in ((3.7, 1), (300.0, 0)):
        pack = part("battery_voltage", [(0.0, volts), (100.0, volts)])
        assert len(find_sessions(log(charger, pack))) == count


def test_the_charger_s_voltage_comes_before_the_battery_s() -> None:
    pack, own = (part(name, [(0.0, 300.0), (100.0, 300.0)]) for name in ("battery_voltage", "charger_voltage"))
    charger = blocks((20.0, 60.0, 10.0))
    assert find_sessions(log(charger, pack, own))[0].voltage is not None
    assert find_sessions(log(charger, pack, own))[0].voltage.name == "charger_voltage"  # type: ignore[union-attr]
    assert find_sessions(log(charger, pack))[0].voltage.name == "battery_voltage"  # type: ignore[union-attr]
    assert find_sessions(log(charger))[0].voltage is None


INWARD = part("battery_current", [(0.0, 20.0), (30.0, 20.0), (30.1, -15.0), (100.0, -15.0)])


def test_the_battery_s_current_shows_charging_while_plug_or_charger_says_so() -> None:
    plugged = charging_current(log(INWARD, state("charge_plug", 50.0)))
    assert not plugged.of_charger
    assert plugged.part.value[INWARD.time_s < 50.0].max() == 0.0
    assert (plugged.part.value[INWARD.time_s >= 50.0] == 15.0).all()  # inward is positive
    outward = charging_current(log(INWARD, state("charge_plug", 0.0)))
    assert outward.part.value[INWARD.time_s <= 30.0].max() == 0.0
    both = charging_current(log(INWARD, state("charge_plug", 50.0), state("charger_state", 70.0)))
    assert both.part.value[INWARD.time_s < 70.0].max() == 0.0  # the charger's state is the surer of the two
    own = charging_current(log(INWARD, blocks((0.0, 9.0, 7.0)), state("charge_plug", 50.0)))
    assert own.of_charger
    assert own.part.value.max() == 7.0


@pytest.mark.parametrize("parts", [(), (INWARD,), (INWARD, replace(state("charge_plug", 0.0), on=None))])
def test_what_flows_into_a_battery_alone_is_no_charging(parts: tuple[Part, ...]) -> None:
    with pytest.raises(MissingPart) as missing:
        charging_current(log(*parts))
    assert missing.value.part == "charger_current"


def test_a_state_holds_for_three_of_its_periods_and_a_second_each() -> None:
    for period_s, until_s in ((1.0, 52.0), (2.0, 54.0), (0.1, 52.9)):
        plug = state("charge_plug", 0.0, end_s=50.0, period_s=period_s)
        found = charging_current(log(INWARD, plug)).part
        held = INWARD.time_s[found.value > 0]
        assert held.max() == pytest.approx(until_s, abs=0.5)


@pytest.mark.parametrize(
    ("name", "size", "moves"),
    [("vehicle_speed", 2.1, True), ("vehicle_speed", 2.0, False), ("vehicle_speed", -2.1, True),
     ("motor_speed", 61.0, True), ("motor_speed", -61.0, True), ("motor_speed", 60.0, False)],
)  # fmt: skip
def test_what_flows_in_while_the_vehicle_moves_and_three_seconds_about_it_is_braking(
    name: str, size: float, moves: bool
) -> None:
    at = np.arange(0.0, 100.0, 0.5)
    speed = Part(name, at, np.where((at >= 60.0) & (at <= 70.0), size, 0.0), "", "Made.N")
    found = charging_current(log(INWARD, state("charge_plug", 0.0), speed)).part
    off = found.time_s[(found.value == 0.0) & (found.time_s > 31.0)]
    assert bool(off.size) is moves
    if moves:
        assert (off[0], off[-1]) == pytest.approx((57.5, 72.5), abs=0.5)
    lone = replace(speed, value=np.where(at == 60.0, size, 0.0))
    assert not (charging_current(log(INWARD, state("charge_plug", 0.0), lone)).part.value[80:] == 0.0).any()


def test_the_noise_of_a_current_is_its_rounding_at_the_lowest() -> None:
    held = blocks((0.0, 100.0, 10.0))
    assert charging_current(log(replace(held, step=1.2))).noise_a == pytest.approx(1.2 / np.sqrt(12.0))
    assert charging_current(log(held)).noise_a == 1e-6
    noisy = replace(held, value=held.value + np.random.default_rng(2).normal(0.0, 0.3, held.value.size))
    assert charging_current(log(noisy)).noise_a == pytest.approx(0.3, rel=0.15)


def test_only_the_parts_of_a_charge_are_spread_in_time() -> None:
    bunched = np.repeat(np.arange(0.0, 50.0, 1.0), 5)
    parts = [Part(name, bunched, np.arange(250.0), "", f"M.{name}") for name in ("charger_current", "torque")]
    spread = spread_in_time(log(*parts))
    assert np.unique(spread["charger_current"].time_s).size > 200
    assert spread["torque"].time_s is bunched


def test_the_limits_of_a_level_are_those_of_a_mean_with_its_rounding() -> None:
    value = 20.0 + np.random.default_rng(4).normal(0.0, 0.5, 400)
    level = level_of(value, 0.0)
    reach = stats.norm.ppf(0.975) * value.std(ddof=1) / np.sqrt(400)
    assert level.value == pytest.approx(value.mean())
    assert (level.high - level.value, level.value - level.low) == pytest.approx((reach, reach), rel=0.15)
    still = level_of(np.full(400, 20.0), 0.4)
    assert (still.low, still.high) == pytest.approx((19.8, 20.2), abs=0.02)


@pytest.mark.parametrize(("period_s", "rows"), [(0.5, 5), (0.1, 21), (0.01, 41), (2.0, 3), (10.0, 3)])
def test_currents_are_smoothed_over_two_seconds_in_3_to_41_rows(period_s: float, rows: int) -> None:
    """A pulse survives a running median from more than half its rows on; an even count is made odd."""
    time_s = period_s * np.arange(301)
    for wide, survives in ((rows // 2, False), (rows // 2 + 1, True)):
        value = np.zeros(301)
        value[150 : 150 + wide] = 1.0
        assert bool(smoothed(time_s, value).max()) is survives


def test_the_top_is_passed_for_ten_seconds_or_a_twentieth_of_the_time_whichever_is_shorter() -> None:
    long_s = np.arange(0.0, 1000.0, 1.0)  # a twentieth is 50 s
    for over_s, top in ((8, 20.0), (12, 25.0)):
        value = np.full(1000, 20.0)
        value[:over_s] = 25.0
        assert _top(long_s, value) == pytest.approx(top)
    short_s = np.arange(0.0, 100.0, 1.0)  # a twentieth is 5 s
    for over_s, top in ((4, 20.0), (7, 25.0)):
        value = np.full(100, 20.0)
        value[:over_s] = 25.0
        assert _top(short_s, value) == pytest.approx(top)


@pytest.mark.parametrize(("falls_to", "off"), [(18.5, True), (18.7, False)])
def test_a_current_that_loses_seven_percent_within_two_seconds_is_switched_off(falls_to: float, off: bool) -> None:
    time_s = np.arange(0.0, 30.0, 0.5)
    value = np.full(60, 20.0)
    value[58:] = falls_to
    assert _switched_off(time_s, value) == (57 if off else 59)


def test_seldom_readings_may_fall_by_more_before_they_are_switched_off() -> None:
    """Every 4 s: 0.93² of 20 A is 17.3 A."""
    time_s = np.arange(0.0, 240.0, 4.0)
    for falls_to, last in ((17.2, 58), (17.4, 59)):
        value = np.full(60, 20.0)
        value[59] = falls_to
        assert _switched_off(time_s, value) == last


def test_the_current_at_the_end_of_a_phase_is_that_of_its_last_two_seconds_without_the_last_reading() -> None:
    time_s = np.arange(0.0, 30.0, 0.5)
    value: FloatArray = np.linspace(30.0, 0.5, 60)
    assert _level_at(time_s, value, 0, 59) == pytest.approx(1.75)  # of 2.5, 2.0, 1.5 and 1.0
    seldom = 10.0 * np.arange(6)
    falls = np.array([30.0, 25.0, 22.0, 20.0, 16.0, 10.3])
    assert _level_at(seldom, falls, 0, 5) == pytest.approx(10.3)  # 0.8 × 16²/20 = 10.24
    falls[5] = 10.2
    assert _level_at(seldom, falls, 0, 5) == pytest.approx(16.0)


def charge(
    taper_s: float = 300.0, volts: bool = True, rise_s: float = 10.0
) -> tuple[FloatArray, FloatArray, Part | None]:
    """Up to 20 A, held for 300 s, then falling by exp(−t/200 s); the voltage rises to 330 V meanwhile, and stands."""
    time_s = np.arange(0.0, 310.0 + taper_s, 0.5)
    t = time_s - 10.0
    amps = 20.0 * np.where(t < 0, np.clip(time_s / 10.0, 0, 1), np.exp(-np.maximum(t - 300.0, 0.0) / 200.0))
    volt = np.minimum(300.0 + 0.1 * np.maximum(t, 0.0), 330.0)
    voltage = Part("charger_voltage", time_s, volt, "V", "Charger.V", 0.1) if volts else None
    return time_s, amps, 0.05, voltage


def test_phases_are_rise_constant_current_and_constant_voltage_with_their_levels() -> None:
    rise, held, taper = find_phases(*charge())
    assert (rise.step, held.step, taper.step) == (Step.RISE, Step.CURRENT, Step.VOLTAGE)
    assert rise.start_s == 0.0
    assert rise.end_s == held.start_s == pytest.approx(9.5, abs=0.5)  # 95 % of 20 A
    assert held.end_s == taper.start_s
    assert 308.0 <= taper.start_s <= 320.0  # what lasts for ten seconds only is no level
    assert taper.end_s == pytest.approx(609.5)
    assert held.lasted_s == held.end_s - held.start_s
    assert held.current.value == pytest.approx(20.0, abs=0.05)
    assert held.start_a == pytest.approx(19.0, abs=0.6)
    assert held.end_a == pytest.approx(20.0 * np.exp(-(held.end_s - 310.0) / 200.0), abs=0.2)
    assert taper.end_a == pytest.approx(20.0 * np.exp(-1.49), abs=0.1)
    assert taper.voltage is not None
    assert taper.voltage.value == pytest.approx(330.0, abs=0.05)
    assert held.voltage is not None
    assert held.voltage.value == pytest.approx(315.0, abs=0.7)


@pytest.mark.parametrize(
    ("taper_s", "volts", "has_taper"),
    [
        (8.0, True, True),  # to 96.1 % of the level
        (5.0, True, False),  # to 97.5 %
        (42.0, False, False),  # to 81.1 %: without a voltage, a power limit falls as far
        (48.0, False, True),  # to 78.7 %
    ],
)
def test_a_taper_has_fallen_by_three_percent_or_by_a_fifth_where_no_voltage_is_logged(
    taper_s: float, volts: bool, has_taper: bool
) -> None:
    found = find_phases(*charge(taper_s, volts))
    assert (found[-1].step is Step.VOLTAGE) is has_taper
    assert (found[-1].voltage is None) is not volts


def test_a_current_that_falls_because_the_voltage_rises_is_no_taper() -> None:
    """Constant power of 6 kW from 300 V up to 360 V: the current falls by a sixth."""
    time_s = np.arange(0.0, 610.0, 0.5)
    volts = 300.0 + 0.1 * np.maximum(time_s - 10.0, 0.0)
    amps = np.clip(time_s / 10.0, 0.0, 1.0) * 6000.0 / volts
    rising = Part("charger_voltage", time_s, np.round(volts, 1), "V", "Charger.V", 0.1)
    assert Step.VOLTAGE not in [each.step for each in find_phases(time_s, amps, 0.05, rising)]
