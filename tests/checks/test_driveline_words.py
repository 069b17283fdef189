"""Judder, knocks and slip: what is fitted and what is left out, and what is said of it. Expected by hand.

A free ring is amplitude · exp(−decay · t) · sin(2π·f·t); its damping ratio follows from the logarithmic decrement
(any textbook of vibrations).
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.driveline import judder as judder_module
from logscope.checks.driveline.backlash import Knocks, _jump, find_knocks
from logscope.checks.driveline.check import (
    _judder,
    agreeing,
    disagreeing_words,
    driveline,
    judder_words,
    knock_words,
    quiet_words,
    slip_words,
    too_seldom_words,
)
from logscope.checks.driveline.judder import Demand, Judder, _is_ring, find_demand, find_judder
from logscope.checks.driveline.slip import Slip, _misread, find_slip
from logscope.findings import Mark, Measured, NothingToCheck, Severity
from logscope.statistics.ringing import DampedSinusoid
from logscope.vehicle import Driveline, Motor, Vehicle

RING = DampedSinusoid(5.0, 3.0, 100.0, 0.0, 0.05, 0.1, 0.0, 80, 5.0, 0.9)
AT = np.arange(0.0, 1.0, 0.01)
TORQUE = part("torque", AT, AT)


def judder(
    hz: float = 5.0, rpm: float = 100.0, start_s: float = 3.0, error: float = 0.05, change: float = 80.0
) -> Judder:
    ring = replace(RING, frequency_hz=hz, amplitude=rpm, frequency_error=error)
    return Judder(start_s, change, ring, start_s + AT)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("other", "is_ring"),
    [
        ({"explained": 0.61}, True), ({"explained": 0.60}, False),
        ({"amplitude": 20.1}, True), ({"amplitude": 20.0}, False),  # four scatters of 5 rpm
        ({"scatter": 1.0, "amplitude": 16.1}, True), ({"scatter": 1.0, "amplitude": 16.0}, False),  # of 4 rpm of noise
        ({"frequency_error": 0.49}, True), ({"frequency_error": 0.5}, False),
        ({"decay_per_s": 7.4}, True), ({"decay_per_s": 7.5}, False),
        ({"decay_per_s": -2.4}, True), ({"decay_per_s": -2.5}, False),
        ({"frequency_hz": 0.76, "frequency_error": 0.01, "decay_per_s": 0.0}, True),
        ({"frequency_hz": 0.75, "frequency_error": 0.01, "decay_per_s": 0.0}, False),
    ],
)  # fmt: skip
def test_a_ring_passes_each_guard_at_its_edge(other: dict[str, float], is_ring: bool) -> None:
    assert _is_ring(replace(RING, **other), 4.0, 2.0) is is_ring


def rung(*begins_s: float, hz: float = 6.0, rpm: float = 60.0, period_s: float = 0.01) -> Any:
    """A ring from each moment on for 1.5 s, on a speed that rises slowly; noise of 1 rpm."""
    time_s = np.arange(0.0, 20.0, period_s)
    value = 2000.0 + 20.0 * time_s + np.random.default_rng(1).normal(0.0, 1.0, time_s.size)
    for begin_s in begins_s:
        since = time_s - begin_s
        value += rpm * ((since >= 0) & (since < 1.5)) * np.exp(-3.0 * since) * np.sin(2 * pi * hz * since)
    return part("motor_speed", time_s, value)


def demand(*change_s: float, change: Any = 80.0, sign_s: tuple[float, ...] = ()) -> Demand:
    size = np.broadcast_to(np.asarray(change, float), (len(change_s),))
    return Demand(TORQUE, np.array(change_s), size, np.array(sign_s))


def test_a_ring_after_a_change_is_fitted_with_its_frequency_decay_and_size() -> None:
    (found,) = find_judder(rung(5.0), demand(5.0), [])
    assert found.start_s == pytest.approx(5.0)
    assert found.change == 80.0
    assert found.ring.frequency_hz == pytest.approx(6.0, abs=4 * found.ring.frequency_error)
    assert found.ring.decay_per_s == pytest.approx(3.0, abs=4 * found.ring.decay_error)
    assert found.ring.amplitude == pytest.approx(60.0, rel=0.05)
    assert (found.time_s[0], found.time_s[-1]) == (pytest.approx(5.0), pytest.approx(6.2, abs=0.011))


@pytest.mark.parametrize(
    ("slipping", "count"),
    [([(4.0, 4.99)], 1), ([(4.0, 5.01)], 0), ([(6.19, 7.0)], 0), ([(6.21, 7.0)], 1), ([(5.3, 5.4)], 0)],
)
def test_a_ring_within_a_slip_is_left_out(slipping: list[tuple[float, float]], count: int) -> None:
    assert len(find_judder(rung(5.0), demand(5.0), slipping)) == count


@pytest.mark.parametrize(("next_s", "until_s", "count"), [(5.9, 5.85, 2), (5.75, 5.0, 1)])
def test_a_ring_is_read_up_to_the_next_change(next_s: float, until_s: float, count: int) -> None:
    """Three quarters of a second are the least, one and a half turns of 2 Hz."""
    found = find_judder(rung(5.0, next_s), demand(5.0, next_s), [])
    assert len(found) == count
    if count == 2:
        assert found[0].time_s[-1] == pytest.approx(until_s, abs=0.011)


@pytest.mark.parametrize(
    ("rpm", "period_s", "count"), [(12.0, 0.01, 1), (0.0, 0.01, 0), (60.0, 0.03, 1), (60.0, 0.09, 0)]
)
def test_a_ring_stands_out_of_the_noise_and_of_the_sampling(rpm: float, period_s: float, count: int) -> None:
    """Every 90 ms 4.4 Hz are the most, and of 1.2 s there are but 14 readings."""
    assert len(find_judder(rung(5.0, rpm=rpm, period_s=period_s), demand(5.0), [])) == count


@pytest.mark.parametrize(("step", "count"), [(51.0, 1), (53.0, 0)])
def test_a_ring_stands_out_of_the_rounding(step: float, count: int) -> None:
    """60 rpm, and four times the standard deviation of a rounding, step/√12: 58.9 and 61.2 rpm."""
    assert len(find_judder(replace(rung(5.0), step=step), demand(5.0), [])) == count


@pytest.mark.parametrize(("apart_s", "count"), [(0.38, 1), (0.43, 2)])
def test_steps_of_demand_that_are_seen_within_100_ms_of_each_other_are_one(apart_s: float, count: int) -> None:
    """Each step shows for the 0.3 s over which a change is taken."""
    nm = 40.0 * (ROWS >= 4.995) + 40.0 * (ROWS - apart_s >= 4.995)
    found = find_demand(signals(part("torque", ROWS, nm)))
    assert found.change_s.size == count
    if count == 2:
        assert found.change_s[0] == pytest.approx(5.0, abs=0.011)


@pytest.mark.parametrize(("before", "count"), [(90.0, 1), (90.1, 0)])
def test_a_change_of_demand_is_a_tenth_of_the_largest(before: float, count: int) -> None:
    nm = np.where(ROWS < 4.995, before, 100.0)
    assert find_demand(signals(part("torque", ROWS, nm))).change_s.size == count


def test_rings_are_looked_for_after_the_thirty_largest_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    """In order of time."""
    monkeypatch.setattr(judder_module, "fit_damped_sinusoid", lambda *_: RING)
    sizes = np.where(np.arange(34) % 8 == 2, 10.0, -80.0 - np.arange(34))
    at = 1.0 + 0.9 * np.arange(34)
    time_s = np.arange(0.0, 40.0, 0.01)
    speed = part("motor_speed", time_s, 20.0 * np.sin(40.0 * time_s))
    found = find_judder(speed, demand(*at, change=sizes), [])
    assert [each.change for each in found] == [each for each in sizes if each != 10.0][-30:]


@pytest.mark.parametrize(
    ("hz", "error", "kept"),
    [
        ((*[5.0] * 8, 6.2), 0.05, 9),  # a fifth
        ((*[5.0] * 8, 6.3), 0.05, 8),
        ((5.0, 5.5, 7.3), 0.05, 2),
        ((5.0, 5.5, 7.5, 9.5), 0.05, 0),  # two of four are not most
        ((5.0,), 0.05, 1),
        ((5.0,), 0.6, 1),  # ± 1.2 Hz are 24 %
        ((5.0,), 0.7, 0),
        ((), 0.05, 0),
    ],
)
def test_most_rings_share_one_frequency_that_is_known(hz: tuple[float, ...], error: float, kept: int) -> None:
    assert len(agreeing([judder(each, error=error) for each in hz])) == kept


OWN = Vehicle(motor=Motor(rotor_inertia_kgm2=0.05), driveline=Driveline(ratio=8.2, wheel_radius_m=0.31, mass_kg=1350))


@pytest.mark.parametrize(("rpm", "severity"), [(218.0, Severity.WARNING), (216.0, Severity.INFO)])
def test_a_judder_of_0_7_m_per_s2_warns(rpm: float, severity: Severity) -> None:
    """At 5 Hz: 0.05 kg·m² · rpm·π/30 · 2π·5 /s · 8.2/0.31 m / 1350 kg = 0.7 m/s² at 217.1 rpm."""
    rings = [judder(start_s=3.0, rpm=40.0), judder(start_s=9.0, rpm=rpm)]
    found = _judder(rings, demand(3.0, 9.0), signals(TORQUE), OWN)
    assert found.severity is severity
    assert ("Lengthen the torque ramp" in found.next_step) is (severity is Severity.WARNING)
    assert found.measured["count"] == Measured(2.0, "1")
    assert found.measured["amplitude_rpm"] == Measured(rpm, "rpm")
    assert found.measured["judder_Hz"].value == pytest.approx(5.0)
    assert found.measured["damping_ratio"].value == pytest.approx(0.6 / (4 * pi**2 + 0.36) ** 0.5)  # a decrement of 0.6
    assert found.measured["acceleration_m_per_s2"].value == pytest.approx(0.7 * rpm / 217.1, rel=1e-3)
    assert [(each.start_s, each.end_s) for each in found.events] == [(3.0, 3.99), (9.0, 9.99)]
    assert found.evidence.marks == (Mark(9.0, "strongest"),)
    assert found.evidence.window == (8.5, 10.5)
    bare = _judder(rings, demand(3.0, 9.0), signals(TORQUE), Vehicle())
    assert "acceleration_m_per_s2" not in bare.measured
    assert bare.severity is Severity.INFO


def test_a_judder_is_said_with_its_period() -> None:
    words = judder_words(
        [judder(change=80.0), judder(rpm=20.0, start_s=8.0, change=-30.0)], Measured(5.0, "Hz", 4.9, 5.1),
        Measured(0.1, "1", 0.08, 0.12), Measured(100.0, "rpm"), Measured(0.9, "m/s²"), "torque", True,
    )  # fmt: skip
    assert plain(words.title) == "Driveline: judders at 5.00 Hz, ±100 rpm"
    assert plain(words.explanation) == (
        "The motor speed rings after 2 quick changes of torque: 5.00 Hz (95 %: 4.90 to 5.10 Hz), damping ratio "
        "0.100 (95 %: 0.080 to 0.120). The vehicle shakes by ±0.900 m/s²."
    )
    assert "about one period, 200 ms" in words.next_step
    assert (
        "at 3.00 s, followed a change of 80.0. A driveline on its mounts and tyres rings at 2 to 15 Hz" in words.method
    )
    soft = judder_words(
        [judder()], Measured(5.0, "Hz"), Measured(0.1, "1"), Measured(9.0, "rpm"), None, "torque", False
    )
    assert "after 1 quick change of torque" in soft.explanation
    assert "shakes" not in soft.explanation
    assert soft.next_step.startswith("Nothing that must be changed")
    assert not words.hands_near_hv


def test_other_outcomes_are_said_with_their_numbers() -> None:
    apart = disagreeing_words([6.0, 2.5, 13.0])
    assert "After 3 quick changes of demand the motor speed oscillates at 2.50 to 13.0 Hz" in apart.explanation
    knock = knock_words(Knocks(7, ((1.0, 1.1), (2.0, 2.1)), 5321.0))
    assert knock.title == "Driveline: knocks at 2 of 7 changes of the torque's sign"
    assert "at up to 5321 rpm/s" in knock.explanation
    slip = slip_words(Slip(((1.0, 2.0),), 12.3, 1.5))
    assert slip.title == "Driven wheels: slipped once, by up to 12.3 km/h"
    quiet = quiet_words(4, 15.0, Knocks(3, (), 0.0))
    assert quiet.title == "Driveline: no judder seen after 4 quick changes of demand"
    assert quiet.explanation == "3 changes of the torque's sign show no knock."
    coarse = quiet_words(1, 8.0, None)
    assert coarse.title == "Driveline: no judder seen below 8.00 Hz after 1 quick change of demand"
    assert coarse.explanation.startswith("Knocks cannot be determined")
    assert coarse.explanation.endswith("A faster one, up to 15 Hz, does not show at this sampling.")
    assert "between 2 and 8.00 Hz" in coarse.method
    seldom = too_seldom_words(0.2)
    assert "every 200 ms, too seldom for a ring of 2 to 15 Hz" in seldom.explanation
    assert not any(each.hands_near_hv for each in (apart, knock, slip, quiet, coarse, seldom))


def knocking(
    jump_rpm: float, beside_rpm: float = 10.0, period_s: float = 0.01, noise: float = 0.2
) -> tuple[Any, Demand]:
    """Changes at 2, 4, 6 and 8 s; at 4 and 8 s the sign turns, and the rotor jumps within three readings."""
    time_s = np.arange(0.0, 10.0, period_s)
    value = 1000.0 + np.random.default_rng(2).normal(0.0, noise, time_s.size)
    for at_s, jump in ((2.0, beside_rpm), (4.0, jump_rpm), (6.0, beside_rpm), (8.0, -jump_rpm)):
        for k in range(3):
            value[round(at_s / period_s) - 2 + k :] += jump
    return part("motor_speed", time_s, value), demand(2.0, 4.0, 6.0, 8.0, change=40.0, sign_s=(4.2, 8.49))


@pytest.mark.parametrize(("jump_rpm", "knocks"), [(22.0, 2), (18.0, 0)])
def test_a_knock_is_twice_as_fast_as_a_like_change_beside_it(jump_rpm: float, knocks: int) -> None:
    found = find_knocks(*knocking(jump_rpm))
    assert found is not None
    assert (found.judged, len(found.spans)) == (2, knocks)
    if knocks:
        assert found.peak_rpm_per_s == pytest.approx(2200.0, rel=0.05)
        assert found.spans[0] == (pytest.approx(3.97, abs=0.011), pytest.approx(3.98, abs=0.011))


@pytest.mark.parametrize(("step", "knocks"), [(6.6, 2), (6.9, 0)])
def test_a_knock_is_clear_of_the_rounding(step: float, knocks: int) -> None:
    """8 · √2 · step/√12 in 10 ms are 2156 and 2253 rpm/s; the rotor jumps by 2200."""
    speed, made = knocking(22.0, noise=0.02)
    found = find_knocks(replace(speed, step=step), made)
    assert found is not None
    assert len(found.spans) == knocks


@pytest.mark.parametrize(("at_s", "jump"), [(1.15, 0.0), (1.25, 5000.0), (1.85, 5000.0), (1.95, 0.0)])
def test_a_jump_is_looked_for_from_400_ms_before_to_300_ms_after_a_change(at_s: float, jump: float) -> None:
    """The middle one of three jumps of 60, 50 and 40 rpm in 10 ms, from 1.49 s on."""
    value = 1000.0 + np.interp(np.arange(300), [149, 150, 151, 152], [0.0, 60.0, 110.0, 150.0])
    found = _jump(part("motor_speed", 0.01 * np.arange(300), value), at_s, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(jump, abs=1.0)


def test_a_knock_is_clear_of_the_noise_and_counts_by_the_size_of_its_change() -> None:
    """8 · √2 · 2 rpm in 10 ms are 2263 rpm/s."""
    for jump_rpm, knocks in ((19.0, 0), (30.0, 2)):
        found = find_knocks(*knocking(jump_rpm, 1.0, noise=2.0))
        assert found is not None
        assert len(found.spans) == knocks
    speed, made = knocking(22.0)
    double = replace(made, change=np.array([40.0, 80.0, 40.0, -80.0]))
    assert len(find_knocks(speed, double).spans) == 0  # type: ignore[union-attr]
    half = replace(made, change=np.array([80.0, 40.0, 80.0, 40.0]))
    assert len(find_knocks(knocking(12.0)[0], half).spans) == 2  # type: ignore[union-attr]


def test_knocks_need_quick_messages_changes_of_sign_and_changes_without() -> None:
    speed, made = knocking(22.0)
    assert find_knocks(speed, replace(made, sign_s=np.empty(0))) is None
    assert find_knocks(speed, replace(made, sign_s=np.array([2.0, 4.0, 6.0]))) is None  # one change is left beside
    far = find_knocks(speed, replace(made, sign_s=np.array([4.6, 8.4])))
    assert far is not None
    assert far.judged == 1  # half a second belongs to a change
    for period_s, known in ((0.0238, True), (0.0245, False)):
        assert (find_knocks(*knocking(60.0, period_s=period_s)) is not None) is known


def test_a_jump_needs_twelve_readings_about_its_change() -> None:
    for first, known in ((0, True), (64, False), (58, True)):
        time_s = 0.01 * np.arange(first, 70)
        assert (_jump(part("motor_speed", time_s, 100.0 * time_s), 0.4, 0.01) is not None) is known


ROWS = np.arange(0.0, 20.0, 0.01)


def test_disturbed_and_lost_readings_are_no_slip() -> None:
    wrong: Any = SimpleNamespace(
        study=SimpleNamespace(disturbances=(SimpleNamespace(before=100, after=104),)),
        lost=(SimpleNamespace(before=300, after=310), SimpleNamespace(before=1990, after=None)),
    )
    bad = _misread(part("motor_speed", ROWS, ROWS), wrong)
    assert np.flatnonzero(bad).tolist() == [*range(100, 105), *range(300, 311), *range(1990, 2000)]
    assert not _misread(part("motor_speed", ROWS, ROWS), None).any()


@pytest.mark.parametrize(("apart_s", "count"), [(0.28, 1), (0.33, 2)])
def test_slips_within_300_ms_are_one_and_the_worst_is_named(apart_s: float, count: int) -> None:
    per_kmh = 8.2 / (2 * pi * 0.31) / 3.6 * 60.0
    kmh = np.full(ROWS.size, 40.0)
    for since_s, until_s, to in ((5.0, 5.3, 50.0), (5.3 + apart_s, 6.2, 55.0)):
        kmh[(since_s - 1e-9 <= ROWS) & (until_s - 1e-9 > ROWS)] = to
    made = signals(part("motor_speed", ROWS, -kmh * per_kmh), part("vehicle_speed", ROWS, np.full(ROWS.size, 40.0)))
    found = find_slip(made, None, OWN)
    assert found is not None
    assert len(found.spans) == count
    assert (found.worst_kmh, found.worst_s) == (pytest.approx(15.0), pytest.approx(5.3 + apart_s, abs=0.011))


def test_too_little_is_nothing_to_check() -> None:
    steady = signals(part("motor_speed", ROWS, ROWS), part("torque", ROWS, np.full(ROWS.size, 50.0)))
    with pytest.raises(NothingToCheck, match="no torque, current or throttle changes by a tenth"):
        driveline(steady, Any, OWN)  # type: ignore[arg-type]
    single = signals(part("motor_speed", ROWS[:1], ROWS[:1]), part("torque", ROWS, ROWS))
    with pytest.raises(NothingToCheck, match="too few samples"):
        driveline(single, Any, OWN)  # type: ignore[arg-type]
    few = find_demand(signals(part("torque", ROWS[:30], ROWS[:30])))
    one = find_demand(signals(part("torque", ROWS[:1], ROWS[:1])))
    for each in (few, one):
        assert each.change_s.size == each.change.size == each.sign_s.size == 0


def test_each_outcome_of_a_drive_is_a_finding() -> None:
    """Changes of torque at 5, 9 and 13 s with rings after them, or none; a wheel that slips by 10 km/h at 16 s."""
    per_kmh = 8.2 / (2 * pi * 0.31) / 3.6 * 60.0
    torque = part("torque", ROWS, 50.0 * np.sum([at_s <= ROWS for at_s in (5.0, 9.0, 13.0)], axis=0))
    seen: Any = SimpleNamespace(speed=None)
    ringing = rung(5.0, 9.0, 13.0)
    got = {each.kind: each for each in driveline(signals(ringing, torque), seen, OWN)}
    assert set(got) == {"driveline.judder"}
    assert got["driveline.judder"].measured["count"].value == 3.0
    calm = rung()
    (quiet,) = driveline(signals(calm, torque), seen, OWN)
    assert (quiet.kind, quiet.severity) == ("driveline.quiet", Severity.GOOD)
    assert quiet.measured == {"changes": Measured(3.0, "1")}
    assert (quiet.start_s, quiet.end_s) == (0.0, pytest.approx(19.99))
    road = part("vehicle_speed", ROWS, calm.value / per_kmh)
    spun = replace(calm, value=calm.value + 10.0 * per_kmh * ((ROWS >= 16.0) & (ROWS < 16.5)))
    got = {each.kind: each for each in driveline(signals(spun, torque, road), seen, OWN)}
    assert got["driveline.slip"].severity is Severity.INFO
    assert got["driveline.slip"].measured["count"].value == 1.0
    assert got["driveline.slip"].measured["peak_km_h"].value == pytest.approx(10.0, abs=0.1)
    assert got["driveline.slip"].evidence.window == pytest.approx((15.2, 17.2), abs=0.35)
    slow = part("motor_speed", ROWS[::11], calm.value[::11])
    (coarse,) = driveline(signals(slow, torque), seen, OWN)
    assert "every 110 ms, too seldom" in coarse.explanation
    assert driveline(signals(part("motor_speed", ROWS[::10], calm.value[::10]), torque), seen, OWN)[0].kind.endswith(
        "quiet"
    )
    speed, _ = knocking(90.0)
    signs = part(
        "torque", ROWS[:1000], np.select([ROWS[:1000] < s for s in (2, 4, 6, 8)], [20.0, 60.0, -60.0, -20.0], 60.0)
    )
    got = {each.kind: each for each in driveline(signals(speed, signs), seen, OWN)}
    assert got["driveline.knock"].measured["reversals"].value == 2.0
    assert got["driveline.knock"].measured["count"].value == 2.0
    assert got["driveline.knock"].measured["peak_rpm_per_s"].value == pytest.approx(9000.0, rel=0.05)
