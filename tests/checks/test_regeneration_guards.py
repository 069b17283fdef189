"""When the motor brakes, into which voltage, and where it lets go: each guard on both sides of its edge.

Expected by hand; the limits are common practice, no published source. Student's quantiles: scipy.stats.t.
"""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.checks.regeneration.braking import Braking, _half_speed, find_braking, find_fade, most_while
from logscope.checks.regeneration.check import _full, _power, _summary, _unsure
from logscope.findings import Severity
from logscope.statistics.robust import noise_floor
from logscope.vehicle import DcLink, Limits, Vehicle

T = np.arange(0.0, 10.0, 0.01)
PACK = Vehicle(limits=Limits(battery_min_V=240, battery_max_V=344))


def spans(*each: tuple[float, float, float], rest: float = 0.0, at: np.ndarray = T) -> np.ndarray:
    """Values in spans (begin [s], end [s], value), and `rest` elsewhere."""
    value = np.full(at.size, rest)
    for begin_s, end_s, level in each:
        value[np.searchsorted(at, begin_s - 1e-9) : np.searchsorted(at, end_s - 1e-9)] = level
    return value


@pytest.mark.parametrize(
    ("nm", "rpm", "lasts_s", "brakes"),
    [
        (-2.1, 1000.0, 1.0, True),  # 2 % of the largest torque, 100 Nm
        (-2.0, 1000.0, 1.0, False),
        (-40.0, 31.0, 1.0, True),
        (-40.0, 30.0, 1.0, False),  # the motor stands
        (-40.0, -500.0, 1.0, False),  # and this is reversing
        (-40.0, 1000.0, 0.22, True),
        (-40.0, 1000.0, 0.19, False),
    ],
)
def test_the_motor_brakes_by_a_clear_negative_torque_while_it_turns(nm, rpm, lasts_s, brakes):
    torque = spans((1.0, 1.5, 100.0), (4.0, 4.0 + lasts_s, nm))
    found = find_braking(signals(part("torque", T, torque), part("motor_speed", T, np.full(T.size, rpm))))
    assert (found is not None) is brakes
    if found is not None:
        assert found.spans == (pytest.approx((4.0, 4.0 + lasts_s - 0.01)),)
        assert found.largest == -nm


@pytest.mark.parametrize(("nm", "brakes"), [(-11.5, False), (-11.6, True)])
def test_rounding_is_no_braking(nm, brakes):
    """Eight standard deviations of a rounding to 5 Nm, 5/√12 Nm: 11.55 Nm."""
    made = signals(
        part("torque", T, spans((1.0, 1.5, 100.0), (4.0, 5.0, nm)), 5.0), part("motor_speed", T, np.full(T.size, 999.0))
    )
    assert (find_braking(made) is not None) is brakes


@pytest.mark.parametrize(("apart_s", "count"), [(0.29, 1), (0.32, 2)])
def test_episodes_nearer_than_300_ms_are_one(apart_s, count):
    torque = spans((2.0, 3.0, -30.0), (3.0 + apart_s, 5.0, -50.0))
    found = find_braking(signals(part("torque", T, torque), part("motor_speed", T, np.full(T.size, 999.0))))
    assert found is not None
    assert (len(found.spans), found.largest) == (count, 50.0)


def test_torque_goes_before_current():
    speed = part("motor_speed", T, np.full(T.size, 999.0))
    current = part("battery_current", T, spans((2.0, 3.0, -30.0)))
    torque = part("torque", T, spans((6.0, 7.0, -20.0)))
    both, alone = find_braking(signals(speed, current, torque)), find_braking(signals(speed, current))
    assert both is not None
    assert alone is not None
    assert (both.part.name, alone.part.name) == ("torque", "battery_current")


def test_the_highest_value_of_all_episodes_is_taken_with_its_moment():
    volts = part("battery_voltage", T, spans((2.5, 2.51, 345.0), (5.0, 5.01, 399.0), (8.0, 8.01, 347.0), rest=340.0))
    assert most_while(volts, ((2.0, 3.0), (7.0, 9.0))) == (347.0, pytest.approx(8.0))
    assert most_while(volts, ((2.0, 3.0), (7.0, 7.5))) == (345.0, pytest.approx(2.5))
    assert most_while(volts, ((20.0, 30.0),)) is None
    twice = part("battery_voltage", T, spans((2.5, 2.51, 347.0), (8.0, 8.01, 347.0), rest=340.0))
    assert most_while(twice, ((2.0, 3.0), (7.0, 9.0))) == (347.0, pytest.approx(2.5))  # the first of equals


RPM = np.linspace(1000.0, 100.0, 10)


@pytest.mark.parametrize(
    ("nm", "largest", "half_rpm"),
    [
        ([40, 40, 40, 40, 40, 30, 25, 20, 10, 0], 40.0, 300.0),  # half of 40 Nm, reached at the eighth
        ([40, 40, 40, 40, 40, 30, 25, 21, 10, 0], 40.0, 200.0),
        ([40, 40, 40, 40, 40, 30, 25, 20, 10, 0], 80.0, 300.0),
        ([40, 40, 40, 40, 40, 30, 25, 20, 10, 0], 81.0, None),  # less than half of the largest of the log
        ([40, 40, 40, 40, 40, 40, 40, 40, 0, 0], 40.0, None),  # at once: the driver let go
        ([40, 40, 40, 40, 40, 40, 36, 20, 10, 0], 40.0, None),  # nine tenths are full torque still
        ([40, 40, 40, 40, 40, 40, 35, 20, 10, 0], 40.0, 300.0),
        ([40, 40, 40, 40, 40, 40, 40, 30, 0, 0], 40.0, 200.0),
        ([40, 40, 40, 40, 40, 40, 40, 40, 40, 30], 40.0, None),  # it never fell to half
    ],
)
def test_torque_fades_to_half_where_it_falls_gradually_while_the_motor_slows(nm, largest, half_rpm):
    assert _half_speed(np.array(nm, dtype=float), RPM, largest) == half_rpm


def test_a_fade_needs_a_motor_that_slows():
    nm = np.array([40.0, 40, 40, 40, 40, 30, 25, 20, 10, 0])
    assert _half_speed(nm, np.full(10, 1000.0), 40.0) is None
    slowing = np.full(10, 1000.0)
    for rpm, half in ((970.0, None), (969.0, 969.0)):  # 30 rpm are what a standing motor reads
        slowing[7:] = rpm
        assert _half_speed(nm, slowing, 40.0) == half


def fading(halves: tuple[float, ...], reverse_s: float = 0.0) -> tuple[Braking, object]:
    """Stops from 1000 rpm in 2 s whose torque falls to half, 20 Nm, at the given speeds; then the motor turns back."""
    at = np.arange(0.0, 5.0 * len(halves), 0.01)
    phase = at % 5.0
    rpm = np.interp(phase, [0.0, 2.0], [1000.0, 0.0])
    half = np.array(halves)[(at // 5.0).astype(int)]
    torque = -np.clip(20.0 + 0.2 * (rpm - half), 0.0, 40.0)
    back = (phase > 2.5) & (phase <= 2.5 + reverse_s)
    rpm[back], torque[back] = -31.0, -4.1
    stands = (phase > 2.2) & (phase < 2.4)
    rpm[stands], torque[stands] = -29.0, -4.1
    ends_s = 2.5 + reverse_s
    braking = Braking(part("torque", at, torque), tuple((5.0 * k, 5.0 * k + ends_s) for k in range(len(halves))), 40.0)
    return braking, part("motor_speed", at, rpm)


def test_the_fade_is_the_mean_of_the_stops_with_students_limits():
    halves = np.array([400.0, 420.0, 470.0])
    braking, speed = fading(tuple(halves))
    found = find_fade(braking, speed)
    assert found is not None
    low, high = stats.t.interval(0.95, 2, halves.mean(), stats.sem(halves))
    assert (found.half.value, found.count, found.reverse_s) == (pytest.approx(halves.mean(), abs=5.0), 3, 0.0)
    assert (found.half.low, found.half.high) == (pytest.approx(low, abs=8.0), pytest.approx(high, abs=8.0))


def test_two_stops_show_a_fade_one_does_not_and_no_current_does():
    braking, speed = fading((400.0, 500.0))
    found = find_fade(braking, speed)
    assert found is not None
    assert (found.count, found.half.low) == (2, 0.0)  # 635 rpm to either side: no speed is below zero
    assert find_fade(*fading((400.0,))) is None
    by_current = Braking(part("battery_current", T, 0 * T), braking.spans, 40.0)
    assert find_fade(by_current, speed) is None


def test_braking_beyond_standstill_is_timed():
    """31 rpm backwards with a little more than a tenth of the torque, 0.4 s in each of two stops."""
    found = find_fade(*fading((400.0, 420.0), reverse_s=0.4))
    assert found is not None
    assert found.reverse_s == pytest.approx(0.8, abs=0.02)


def test_the_highest_of_many_readings_may_truly_be_lower_by_its_noise_and_half_a_step():
    """Of 1000 normal readings: scipy.stats.norm's quantile of 1 − 0.025/1000, by Bonferroni."""
    noise = np.random.default_rng(5).normal(340.0, 0.5, T.size)
    reach = stats.norm.ppf(1 - 0.025 / T.size) * noise_floor(noise)
    assert _unsure(part("battery_voltage", T, noise)) == pytest.approx(reach, rel=1e-6)
    rounded = stats.norm.ppf(1 - 0.025 / T.size) * noise_floor(noise, quantum=0.1) + 0.05
    assert _unsure(part("battery_voltage", T, noise, 0.1)) == pytest.approx(rounded, rel=1e-6)


def test_the_power_into_the_pack_is_voltage_times_current_while_braking():
    volts = part("battery_voltage", T, np.full(T.size, 300.0))
    amps = part("battery_current", T, spans((2.2, 2.4, -50.0), (5.0, 6.0, -90.0), (7.0, 8.0, 120.0)))
    braking = Braking(amps, ((2.0, 3.0), (7.0, 8.0)), 50.0)
    assert _power(signals(volts, amps), braking) == 15_000.0
    assert _power(signals(volts), braking) is None
    assert _power(signals(amps), braking) is None


@pytest.mark.parametrize(
    ("volts", "amps", "lasts_s", "full"),
    [
        (344.0, -20.0, 0.5, True),
        (343.9, -20.0, 0.5, False),
        (346.0, 20.0, 0.5, False),  # it discharges
        (346.0, -1.0, 0.5, False),
        (346.0, -1.1, 0.5, True),
        (346.0, -20.0, 0.19, False),
        (346.0, -20.0, 0.22, True),
    ],
)
def test_a_full_pack_is_charged_at_its_highest_voltage_for_200_ms(volts, amps, lasts_s, full):
    voltage = part("battery_voltage", T, spans((3.0, 3.0 + lasts_s, volts), rest=330.0))
    current = part("battery_current", T, spans((3.0, 6.0, amps)))
    for inside, found in ((True, full), (False, False)):
        braking = Braking(current, ((2.0, 7.0),) if inside else ((6.5, 8.0),), 20.0)
        got = _full(signals(voltage, current), PACK, braking)
        assert len(got) == found
        if found:
            assert got[0].severity is Severity.DANGER
            measured = {name: value.value for name, value in got[0].measured.items()}
            assert measured["peak_A"] == pytest.approx(-amps)
            assert measured["peak_V"] == volts
            assert measured["total_s"] == pytest.approx(lasts_s - 0.01)
    assert _full(signals(voltage, current), Vehicle(), Braking(current, ((2.0, 7.0),), 20.0)) == []


@pytest.mark.parametrize(
    ("peak_v", "severity", "margin_v"),
    [
        (333.5, Severity.GOOD, 10.5),  # a tenth of 104 V are near
        (333.7, Severity.INFO, 10.3),
        (344.0, Severity.INFO, 0.0),
        (344.2, Severity.WARNING, -0.2),
    ],
)
def test_the_margin_to_the_highest_voltage_decides_how_bad_braking_is(peak_v, severity, margin_v):
    voltage = part("battery_voltage", T, spans((3.0, 3.1, peak_v), (6.0, 6.1, 399.0), rest=320.0))
    braking = Braking(part("torque", T, 0 * T), ((2.0, 5.0),), 40.0)
    found = _summary(signals(voltage, part("motor_speed", T, 0 * T)), PACK, braking)
    margin = found.measured["voltage_margin_V"]
    assert (found.severity, margin.value) == (severity, pytest.approx(margin_v))
    assert (margin.low, margin.high) == (None, pytest.approx(margin_v, abs=0.01))


@pytest.mark.parametrize(("link_v", "margin_v"), [(385.0, 15.0), (380.0, 20.0), (375.0, 20.0)])
def test_the_smaller_margin_of_link_and_pack_counts(link_v, margin_v):
    """400 V are permitted on the link, 344 V in the pack, which comes to 324 V."""
    both = PACK.model_copy(update={"dc_link": DcLink(max_voltage_V=400)})
    braking = Braking(part("torque", T, 0 * T), ((2.0, 5.0),), 40.0)
    made = signals(
        part("dc_link_voltage", T, np.full(T.size, link_v)), part("battery_voltage", T, np.full(T.size, 324.0)),
        part("motor_speed", T, 0 * T),
    )  # fmt: skip
    found = _summary(made, both, braking)
    assert found.measured["voltage_margin_V"].value == margin_v
    of_link = link_v >= 380.0  # also where both have as much
    level = (400, "dc_link_voltage") if of_link else (344, "battery_voltage")
    assert [(each.value, each.part) for each in found.evidence.levels] == [level]
    assert ("close to the voltage limit" in found.title) is of_link  # a tenth of 400 V are 40 V
