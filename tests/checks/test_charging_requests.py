"""What a charger gave against its request, from steady readings; every expected number by hand.

A charge from 100 to 200 s, read every second. Limits are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, phase, read

from logscope.arrays import FloatArray
from logscope.checks.charging.regulation import (
    Error,
    _arrived_s,
    _delay,
    _error,
    _holds_power,
    _most_given,
    _not_held_by_voltage,
    _overshoot,
    judge_regulation,
    requested,
)
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.signals import Part
from logscope.vehicle import Charging, Vehicle

AT = np.arange(0.0, 300.0, 1.0)
FLOWS = (AT >= 100.0) & (AT <= 200.0)
HELD = phase(Step.CURRENT, 100.0, 200.0)


def current(amps: float | FloatArray = 20.0, step: float | None = None) -> Part:
    return read("charger_current", AT, np.where(FLOWS, amps, 0.0), step=step)


def target(amps: float | FloatArray, step: float | None = None, name: str = "charger_current_target") -> Part:
    return read(name, AT, amps * np.ones(AT.size), step=step)


def volts(value: float | FloatArray, step: float | None = None, name: str = "charger_voltage") -> Part:
    return read(name, AT, value * np.ones(AT.size), step=step)


def session(part: Part | None = None, voltage: Part | None = None, **of: object) -> Session:
    return charge(part or current(), 100.0, 200.0, HELD, voltage=voltage, **of)  # type: ignore[arg-type]


def error(part: Part, asked: Part, unit: str = "A", most: float | None = None) -> Error | None:
    return _error(part, asked, 100.0, 200.0, unit, None if most is None else np.full(AT.size, most))


@pytest.mark.parametrize(
    ("part", "asked", "unit", "most", "found"),
    [
        # half a step of the reading (it never moves) and half of the request's; a twentieth is 1.6 A
        (current(29.0), target(32.0), "A", None,
         Error(-3.0, -3.0, -3.0, "A", 32.0, "charger_current", 1.6, 100.0, 200.0, limited=False)),
        (current(29.0, step=0.5), target(32.0, step=0.2), "A", None,
         Error(-3.0, -3.35, -2.65, "A", 32.0, "charger_current", 1.6, 100.0, 200.0, limited=False)),
        (current(9.0), target(10.0), "A", None,  # an ampere at the smallest
         Error(-1.0, -1.0, -1.0, "A", 10.0, "charger_current", 1.0, 100.0, 200.0, limited=False)),
        (volts(398.0), target(400.0), "V", None,
         Error(-2.0, -2.0, -2.0, "V", 400.0, "charger_voltage", 4.0, 100.0, 200.0, limited=False)),
        # it can give 24 A
        (current(23.0), target(32.0), "A", 24.0,
         Error(-1.0, -1.0, -1.0, "A", 24.0, "charger_current", 1.2, 100.0, 200.0, limited=True)),
        (current(23.0), target(24.0), "A", 24.0,
         Error(-1.0, -1.0, -1.0, "A", 24.0, "charger_current", 1.2, 100.0, 200.0, limited=True)),
        (current(23.0), target(24.0), "A", 25.0,
         Error(-1.0, -1.0, -1.0, "A", 24.0, "charger_current", 1.2, 100.0, 200.0, limited=False)),
        # more than the request is judged by the request
        (current(33.0), target(32.0), "A", 24.0,
         Error(1.0, 1.0, 1.0, "A", 32.0, "charger_current", 1.6, 100.0, 200.0, limited=False)),
    ],
)  # fmt: skip
def test_an_error_is_measured_less_requested_or_less_what_can_be_given(
    part: Part, asked: Part, unit: str, most: float | None, found: Error
) -> None:
    got = error(part, asked, unit, most)
    assert got is not None
    numbers = ("value", "low", "high", "tolerance")
    expected = [getattr(found, name) for name in numbers]
    assert [getattr(got, name) for name in numbers] == pytest.approx(expected, abs=0.03)
    assert replace(got, **{name: getattr(found, name) for name in numbers}) == found


def ramp(arrives_s: float, level: float = 20.0, before: float = 5.0) -> FloatArray:
    return np.asarray(np.where(arrives_s > AT, before, level))


@pytest.mark.parametrize(
    ("part", "asked", "value"),
    [
        (current(), target(0.0), None),
        # of 101 readings half must be under the usual request
        (current(), target(np.where(AT < 151.0, 20.0, 25.0)), 0.0),
        (current(), target(np.where(AT < 150.0, 20.0, 25.0)), -5.0),
        (current(), target(np.where(AT < 140.0, 20.0, np.where(AT < 170.0, 22.0, 24.0))), None),
        (current(), target(20.0).where(AT <= 100.0), None),  # old from 103 s on
        (current(), target(20.0).where((AT <= 100.0) | (AT >= 200.0)), None),
        (current(ramp(195.0, before=5.0)), target(20.0), -15.0 * 95 / 101),  # of its last third the usual counts
        (current(ramp(130.0)), target(20.0), 0.0),
        (current(ramp(130.0, before=18.99)), target(20.0), 0.0),
        # what differs by less than the tolerance of 1 A has arrived: 30 readings of 101 are half an ampere lower
        (current(ramp(130.0, before=19.5)), target(20.0), -0.5 * 30 / 101),
    ],
)  # fmt: skip
def test_only_what_is_held_is_judged(part: Part, asked: Part, value: float | None) -> None:
    found = error(part, asked)
    assert (found is None) is (value is None)
    if found is not None:
        assert found.value == pytest.approx(value)


@pytest.mark.parametrize(("until_s", "lasts"), [(104.0, False), (105.0, True)])
def test_what_is_held_lasts_five_seconds(until_s: float, lasts: bool) -> None:
    assert (_error(current(), target(20.0), 100.0, until_s, "A", None) is not None) is lasts


def test_limits_of_an_error_shrink_with_the_readings() -> None:
    """scipy.stats.norm and √101: 0.3 A of noise leave ±0.0585 A, in numpy's draw of it."""
    noise = np.random.default_rng(7).normal(0.0, 0.3, AT.size)
    found = error(current(20.0 + noise), target(20.0))
    assert found is not None
    assert found.value == pytest.approx(noise[FLOWS].mean())
    assert (found.high - found.low) / 2 == pytest.approx(1.96 * 0.3 / 101**0.5, rel=0.25)


@pytest.mark.parametrize(
    ("value", "tolerance", "arrived_s"),
    [
        ([1.0, 5.0, 9.0, 9.6, 10.0, 10.0], 0.5, 3.0), ([1.0, 5.0, 9.0, 9.6, 10.0, 10.0], 1.0, 2.0),
        ([10.0, 3.0, 9.0, 10.0, 10.0, 10.0], 0.5, 0.0), ([1.0, 8.0], 0.5, 1.0),
        ([1.0, 4.0, 4.0, 4.0, 9.0, 8.0, 8.0, 2.0, 8.0], 0.5, 4.0),  # of the last third the median
    ],
)  # fmt: skip
def test_a_value_has_arrived_where_it_is_as_high_as_in_its_last_third(
    value: list[float], tolerance: float, arrived_s: float
) -> None:
    assert _arrived_s(np.arange(float(len(value))), np.array(value), tolerance) == arrived_s


@pytest.mark.parametrize(("period_s", "until_s"), [(1.0, 13.0), (2.0, 16.0), (0.2, 13.0)])
def test_a_request_is_in_force_for_three_periods_and_three_seconds_at_least(period_s: float, until_s: float) -> None:
    at = np.arange(0.0, 10.01, period_s)
    held = requested(
        read("charger_current_target", at, at + 1.0), np.array([0.5 * period_s, until_s - 0.1, until_s + 0.1])
    )
    assert held[:2].tolist() == pytest.approx([1.0, 11.0])
    assert np.isnan(held[2])


@pytest.mark.parametrize(
    ("most_a", "most_w", "voltage", "most"),
    [
        (None, None, volts(400.0), None), (32.0, None, volts(400.0), 32.0), (32.0, 6600.0, volts(400.0), 16.5),
        (10.0, 6600.0, volts(400.0), 10.0), (None, 6600.0, volts(400.0), 16.5), (32.0, 6600.0, None, 32.0),
        (32.0, 6600.0, volts(0.0), 32.0), (32.0, 6600.0, volts(400.0).where(AT < 50.0), 32.0),
    ],
)  # fmt: skip
def test_the_most_that_can_be_given_is_the_smaller_of_current_and_power(
    most_a: float | None, most_w: float | None, voltage: Part | None, most: float | None
) -> None:
    """6.6 kW at 400 V are 16.5 A."""
    found = _most_given(session(voltage=voltage), AT[150:160], most_a, most_w)
    if most is None:
        assert found is None
    else:
        assert found is not None
        assert found.tolist() == [most] * 10


def falls(share: float, over: float = 1.0) -> FloatArray:
    """A straight line from 1 to a share of it over the charge."""
    return np.asarray(1.0 + (share - 1.0) * np.clip((AT - 100.0) / 100.0 / over, 0.0, 1.0))


@pytest.mark.parametrize(
    ("amps", "raised", "noise_a", "power"),
    [
        # from the first to the last third by the same share; 33 readings leave 2·0.1/20/√16.5 = 0.25 % unsure
        (1.0 / falls(1.06), 1.06, 0.1, True),
        (falls(1.0), 1.06, 0.1, False),  # the current stands
        (falls(1.0) / falls(1.03), 1.06, 0.1, True),  # half of the rise is still a power…
        (falls(1.0) / falls(1.028), 1.06, 0.1, False),  # …less is not
        (1.0 / falls(1.088), 1.06, 0.1, True), (1.0 / falls(1.098), 1.06, 0.1, False),
        (falls(1.06), 1.06, 0.1, False),  # it rises
        # not clear of the noise: the fall is some 3.9 %
        (1.0 / falls(1.06), 1.06, 0.75, True), (1.0 / falls(1.06), 1.06, 0.85, False),
    ],
)  # fmt: skip
def test_a_power_is_held_where_the_current_falls_as_the_voltage_rises(
    amps: FloatArray, raised: float, noise_a: float, power: bool
) -> None:
    made = session(current(20.0 * amps), volts(380.0 * falls(raised)), noise_a=noise_a)
    assert _holds_power(made, 100.0, 200.0) is power
    assert not _holds_power(session(current(20.0 * amps)), 100.0, 200.0)


@pytest.mark.parametrize(("noise_a", "power"), [(0.55, False), (0.7, True)])
def test_a_fall_may_differ_from_the_rise_by_what_noise_leaves_unsure(noise_a: float, power: bool) -> None:
    """A fall of 6.4 % and a rise of 3.3 %: of 0.55 A in 19 A 2.9 % are unsure, of 0.7 A 3.7 %."""
    made = session(current(20.0 / falls(1.1)), volts(380.0 * falls(1.05)), noise_a=noise_a)
    assert _holds_power(made, 100.0, 200.0) is power


@pytest.mark.parametrize(
    ("low", "high", "limited", "off"),
    [
        (1.6, 2.0, False, False), (1.61, 2.0, False, True), (1.61, 2.0, True, False),  # it gives what it can
        (-2.0, -1.6, False, False), (-2.0, -1.61, False, True), (-2.0, -1.61, True, True), (-2.0, 2.0, False, False),
    ],
)  # fmt: skip
def test_a_charger_is_off_its_request_where_all_of_the_interval_is(
    low: float, high: float, limited: bool, off: bool
) -> None:
    found = Error((low + high) / 2, low, high, "A", 32.0, "charger_current", 1.6, 100.0, 200.0, limited)
    assert found.off is off
    assert not found.beyond_regulation  # a current
    for value, beyond in ((20.0, False), (20.1, True), (-20.1, True)):  # five times one percent of 400 V
        assert replace(found, unit="V", value=value, tolerance=4.0).beyond_regulation is beyond


@pytest.mark.parametrize(("rows", "power"), [(15, True), (14, False)])
def test_a_held_power_takes_five_readings_in_a_third(rows: int, power: bool) -> None:
    rise = falls(1.3, over=0.14)
    made = session(current(20.0 / rise), volts(380.0 * rise), noise_a=1e-6)
    assert _holds_power(made, 100.0, 100.0 + rows - 1) is power


@pytest.mark.parametrize(
    ("flat_v", "asked_v", "name", "kept_until_s"),
    [
        (None, None, "charger_voltage", 300.0),
        # the voltage rises by a tenth of a volt a second to 410 V at 200 s; one and a half steps of 0.1 V are room
        (408.0, None, "charger_voltage", 178.4), (None, 406.0, "charger_voltage", 158.4),
        (408.0, 406.0, "charger_voltage", 158.4), (408.0, 409.0, "charger_voltage", 178.4),
        (408.0, 406.0, "battery_voltage", 178.4),  # a request of the charger's own voltage
        (None, 0.0, "charger_voltage", 300.0),
    ],
)  # fmt: skip
def test_a_current_is_not_held_back_by_a_voltage_below_the_highest(
    flat_v: float | None, asked_v: float | None, name: str, kept_until_s: float
) -> None:
    rising = volts(np.round(np.clip(390.0 + 0.1 * AT, 0.0, 410.0), 1), step=0.1, name=name)
    phases = [HELD] if flat_v is None else [HELD, phase(Step.VOLTAGE, 200.0, 210.0, volts=flat_v)]
    made = replace(session(voltage=rising), phases=tuple(phases))
    asked = [] if asked_v is None else [target(asked_v, name="charger_voltage_target")]
    kept = _not_held_by_voltage(made, logged(*asked)).time_s
    assert kept[-1] == pytest.approx(min(kept_until_s, 299.0), abs=0.6)


def test_without_a_voltage_no_reading_is_held_back() -> None:
    made = session()
    assert _not_held_by_voltage(made, logged()) is made.current.part


@pytest.mark.parametrize(
    ("early_a", "noise_a", "over"),
    [(22.0, 0.1, 2.0), (20.41, 0.1, 0.41), (20.39, 0.1, 0.0), (19.0, 0.1, 0.0), (20.41, 0.2, 0.0)],
)
def test_an_overshoot_is_the_highest_of_the_first_five_seconds_above_the_level(
    early_a: float, noise_a: float, over: float
) -> None:
    """Beyond four times the noise."""
    made = session(current(np.where(AT <= 105.0, early_a, 20.0)), noise_a=noise_a)
    assert _overshoot(made) == pytest.approx(over)
    late = session(current(np.where((AT >= 108.0) & (AT <= 112.0), early_a, 20.0)), noise_a=noise_a)
    assert _overshoot(late) == 0.0


def test_without_a_level_there_is_no_overshoot() -> None:
    assert _overshoot(replace(session(), phases=())) is None
    assert _overshoot(session(starts_cut=True)) is None
    for lasts_s, known in ((10.0, True), (9.0, False)):
        short = replace(session(), phases=(phase(Step.CURRENT, 100.0, 100.0 + lasts_s),))
        assert (_overshoot(short) is not None) is known


@pytest.mark.parametrize(
    ("asked", "delay"),
    [
        # asked between 89 and 90 s; the current came between 99 and 100 s
        (target(np.where(AT < 90.0, 0.0, 20.0)), (9.0, 11.0)),
        (target(np.where(AT < 100.0, 0.0, 20.0)), (0.0, 1.0)),
        (target(np.where((AT < 50.0) | ((AT > 60.0) & (AT < 90.0)), 0.0, 20.0)), (9.0, 11.0)),
        (target(20.0), None), (target(0.0), None), (target(np.where(AT < 101.0, 0.0, 20.0)), None),
        (None, None),
    ],
)  # fmt: skip
def test_a_start_is_late_by_what_both_messages_leave_open(
    asked: Part | None, delay: tuple[float, float] | None
) -> None:
    assert _delay(session(), asked) == delay
    assert _delay(session(starts_cut=True), asked) is None


def judged(made: Session, *parts: Part, most_a: float | None = None) -> tuple[float | None, float | None]:
    found = judge_regulation(made, logged(*parts), Vehicle(charging=Charging(charger_max_current_A=most_a)))
    return found.current and found.current.value, found.voltage and found.voltage.value


def test_each_phase_is_compared_with_its_own_request() -> None:
    flat = phase(Step.VOLTAGE, 200.0, 250.0, volts=398.0)
    made = replace(session(voltage=volts(398.0)), phases=(HELD, flat))
    asked = target(22.0), target(400.0, name="charger_voltage_target"), volts(398.0)
    # at the highest voltage all along, the current has to be lower: no reading of it is left
    assert judged(made, *asked) == (None, -2.0)
    rising = replace(made, voltage=volts(380.0 + 0.01 * AT))
    assert judged(rising, *asked) == (-2.0, -2.0)
    assert judged(rising, *asked, most_a=21.0) == (-1.0, -2.0)
    assert judged(replace(rising, voltage=None), *asked) == (None, -2.0)  # the voltage may hold it back
    assert judged(replace(rising, voltage=None), target(18.0)) == (2.0, None)
    assert judged(replace(rising, current=replace(rising.current, of_charger=False)), *asked)[0] is None
    assert judged(replace(rising, phases=(HELD,)), *asked) == (-2.0, None)
