"""How a fall is cut out, settled, carried back and followed, question by question; each number by hand.

v(t) = V0·exp(−t/RC) (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part
from discharge_pieces import OPENING, between, fall, fit

from logscope.checks.discharge import measure
from logscope.checks.discharge.measure import Stop, allowing_for, constants_differ, measure_discharge
from logscope.curves.discharge import Readings, Shape
from logscope.curves.estimate import Estimate
from logscope.signals import Signals

T = np.arange(0.0, 60.0, 0.1)
NO_MATTER: Any = None
READINGS = Readings(0.0, 0.5)


def link(volts: Any, noise_v: float = 0.5, step_v: float = 0.0) -> Any:
    return replace(link_of(part("dc_link_voltage", T, np.broadcast_to(volts, T.shape)), noise_v=noise_v), step_v=step_v)


def falling(tau_s: float, from_s: float = 2.0, start_v: float = 350.0) -> Any:
    return start_v * np.exp(-np.maximum(T - from_s, 0.0) / tau_s)


@pytest.mark.parametrize(
    ("top_v", "at", "step_v", "found"),
    [
        (353.5, 9, 0.0, 9),
        (353.0, 9, 0.0, 0),
        (353.5, 9, 1.0, 0),
        (354.5, 9, 1.0, 9),
        (400.0, 10, 0.0, 10),
        (400.0, 11, 0.0, 0),
    ],
)
def test_a_link_that_is_braked_into_falls_from_its_highest(top_v: float, at: int, step_v: float, found: int) -> None:
    """Six noises of 0.5 V above its first reading, and a step, within a second."""
    volts = np.full(30, 350.0)
    volts[at] = top_v
    assert measure._highest(link(350.0, step_v=step_v), 0.1 * np.arange(30), volts) == found


@pytest.mark.parametrize(
    ("lasts_s", "tau_s", "first"),
    [
        (20.0, 20.0, 3),  # 0.3 s; what falls with 3 s is discharged on purpose
        (20.0, 3.5, 3),
        (20.0, 2.5, 0),
        (4.0, 20.0, 2),  # a twentieth of 4 s
    ],
)
def test_a_sensing_lag_settles_before_the_fit_of_a_slow_fall(lasts_s: float, tau_s: float, first: int) -> None:
    at = np.arange(0.0, lasts_s + 0.05, 0.1)
    assert measure._settled(at, 350 * np.exp(-at / tau_s)) == first


@pytest.mark.parametrize(("noise_v", "count", "rests"), [(1.0, 20, True), (1.0, 19, False), (0.4, 25, False)])
def test_a_link_is_at_rest_where_twenty_readings_differ_from_its_level_by_no_more_than_noise(
    noise_v: float, count: int, rests: bool
) -> None:
    """Its curve stands half a volt above the level in the end."""
    volts = np.concatenate([np.full(30, 82.0), np.full(count, 80.5)])
    one = fit(rest=between(79.0, 81.0), voltage=lambda _: volts)
    assert measure._at_rest(one, T[: volts.size], noise_v) is rests
    assert measure._at_rest(fit(), T, noise_v)


@pytest.mark.parametrize(
    ("fields", "opening", "bracket"),
    [
        ({}, {"shown_by": "dc_link_voltage"}, (2.2, 2.3)),
        ({"opening": lambda *_: between(1.0, 9.0)}, {"shown_by": "dc_link_voltage"}, (2.0, 2.5)),
        ({}, {}, (2.0, 2.5)),  # a state tells
        ({"falls": False}, {"shown_by": "dc_link_voltage"}, (2.0, 2.5)),
        ({}, {"shown_by": "dc_link_voltage", "level_v": None}, (2.0, 2.5)),
    ],
)
def test_an_opening_that_no_state_tells_is_where_the_curve_meets_the_level(
    fields: Any, opening: Any, bracket: Any
) -> None:
    """A level known to ± 4 V, three noises of 0.5 V and a step of 0.5 V."""
    asked: list[Any] = []

    def back(level_v: float, spread_v: float) -> Estimate:
        asked.append((level_v, spread_v))
        return between(2.2, 2.3)

    at = replace(OPENING, level_spread_v=4.0, **opening)
    found = measure._narrowed(at, link(350.0, step_v=0.5), fit(**{"opening": back, **fields}))
    assert (found.low_s, found.high_s) == bracket
    assert asked == ([(350.0, 6.0)] if bracket == (2.2, 2.3) else [])
    assert measure._narrowed(at, link(350.0), None) is at


@pytest.mark.parametrize(
    ("tau_s", "late_rate", "found"),
    [(2.5, 0.02, True), (3.5, 0.02, False), (2.5, 0.09, False), (2.5, -1.0, True)],
)
def test_an_active_discharge_stops_where_the_slow_curve_carried_back_meets_its_readings(
    tau_s: float, late_rate: float, found: bool
) -> None:
    """Down to 160 V by 1/3 of its voltage a second, and five times as fast as what follows."""
    begin_v = 350.0
    at = np.arange(2.5, 20.0, 0.1)
    until_s = 2.5 + (begin_v - 160.0) / begin_v * tau_s
    volts = np.where(at < until_s, begin_v * (1 - (at - 2.5) / tau_s), 160.0)
    late = fit(rate=between(late_rate, late_rate), voltage=lambda time_s: np.full(time_s.shape, 160.0))
    stop = measure._stop(link(350.0), at, volts, late, OPENING)
    assert (stop is not None) is found
    if stop is not None:
        first = next(k for k, v in enumerate(volts) if v <= 163.0)
        assert stop == Stop(pytest.approx(at[first] - 2.25), pytest.approx(volts[first]))
    assert measure._stop(link(350.0), at, volts, fit(misfit=True, voltage=late.voltage), OPENING) is None
    near = np.maximum(volts, 163.0)  # six noises of 0.5 V off the curve are still on it
    assert (measure._stop(link(350.0), at, near, late, OPENING) is not None) is found
    stepped = link(350.0, step_v=1.0)
    assert (measure._stop(stepped, at, np.maximum(volts, 164.0), late, OPENING) is not None) is found
    assert measure._stop(link(350.0), at, np.full(at.size, 162.0), late, OPENING) is None  # never off it
    assert measure._stop(link(350.0), at, np.full(at.size, 164.0), late, OPENING) is None  # and never on it


@pytest.mark.parametrize("at", [1, 2])
def test_a_stop_needs_two_readings_before_it(at: int) -> None:
    volts = np.where(np.arange(60) < at, 350.0, 160.0)
    late = fit(rate=between(0.0, 0.0), voltage=lambda time_s: np.full(time_s.shape, 160.0))
    assert (measure._stop(link(350.0), T[:60], volts, late, OPENING) is not None) is (at == 2)


@pytest.mark.parametrize(
    ("differs", "known", "crossed", "limits"),
    [
        (2.0, 1.0, False, (70.0, 120.0)),  # of 60 s seen and 20 to 30 s to go: 10 and 60 s
        (2.0, 1.6, False, (76.0, 97.5)),  # as far as it is not allowed for already
        (2.0, 2.0, False, (80.0, 90.0)),
        (2.0, 3.0, False, (80.0, 90.0)),
        (2.0, 1.0, True, (80.0, 90.0)),
    ],
)
def test_falls_that_differ_leave_what_is_not_seen_as_unsure(
    differs: float, known: float, crossed: bool, limits: tuple[float, float]
) -> None:
    found = allowing_for(fall(differs=known, crossed=crossed), differs)
    time = found.time_to_safe
    assert time is not None
    assert (time.low, time.high, time.value) == pytest.approx((*limits, 85.0))
    assert found.differs == (max(differs, known) if not crossed else known)
    if limits == (70.0, 120.0):  # the limits of a claim are 77.5 and 92.5 s
        assert (time.claim_low, time.claim_high) == pytest.approx((60 + 17.5 / 2, 60 + 32.5 * 2))


def test_what_is_over_before_the_log_ends_and_what_needs_no_time_are_not_widened() -> None:
    over = allowing_for(fall(time_to_safe=between(40.0, 50.0)), 2.0).time_to_safe
    assert over is not None
    assert (over.low, over.high) == (40.0, 50.0)
    none = Estimate(0.0, 0.0, 0.0, 0.0, 0.0)
    assert allowing_for(fall(time_to_safe=none), 2.0).time_to_safe is none
    assert allowing_for(fall(time_to_safe=None), 2.0).time_to_safe is None


@pytest.mark.parametrize(
    ("fields", "ratio"),
    [
        ({}, 1.5),
        ({"shape": Shape.RESTING}, 1.0),
        ({"misfit": True}, 1.0),
        ({"time_constant": None}, 1.0),
        ({"time_constant": between(2.8, 3.0)}, 1.0),  # discharged on purpose
        ({"time_constant": between(3.0, 3.2)}, 46.5 / 3.1),
    ],
)
def test_only_falls_towards_zero_through_a_bleeder_are_compared(fields: Any, ratio: float) -> None:
    """46.5 against 31 s."""
    one = fall(fit=fit(time_constant=between(46.0, 47.0)))
    other = fall(fit=fit(**{"time_constant": between(30.5, 31.5), **fields}))
    assert constants_differ([one, other, fall(fit=None)]) == pytest.approx(ratio)
    assert constants_differ([other, one]) == pytest.approx(ratio)


def test_the_last_stretch_is_the_longest_that_one_curve_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 400 readings the last 200, 100 and 50; or from where the curve comes to rest within a quarter of a noise."""
    at, volts = T[:400], falling(20.0)[:400]
    tried: list[int] = []
    answers: dict[int, Any] = {}

    def fits(time_s: Any, _: Any, readings: Any) -> Any:
        assert readings is READINGS
        tried.append(time_s.size)
        return answers.get(time_s.size)

    monkeypatch.setattr(measure, "fit_discharge", fits)
    good, bad = fit(), fit(misfit=True)
    for given, sizes, found in (
        ({200: good}, [200], good),
        ({200: bad, 100: good}, [200, 100], good),
        ({200: bad, 100: fit(rest=between(1.0, 2.0)), 50: good}, [200, 100, 50], good),
        ({200: bad, 100: bad, 50: bad}, [200, 100, 50], bad),
        ({}, [200, 100, 50], None),
    ):
        tried.clear()
        answers.clear()
        answers.update(given)
        assert measure._last_stretch(link(350.0), READINGS, at, volts, fit(misfit=True)) is found
        assert tried == sizes
    resting = fit(rest=between(79.0, 81.0), voltage=lambda time_s: 80.0 + 100.0 * np.exp(-time_s / 5.0))
    tried.clear()
    answers.clear()
    measure._last_stretch(link(350.0), READINGS, at, volts, resting)
    assert tried == [400 - int(np.ceil(5.0 * log(800.0) / 0.1)), 200, 100, 50]  # 100 V · exp(−t/5) = 0.125 V
    tried.clear()
    resting.misfit = True  # its level is none
    measure._last_stretch(link(350.0), READINGS, at, volts, resting)
    assert tried == [200, 100, 50]
    few = fit(misfit=True)
    tried.clear()
    answers.update({20: bad, 10: good})
    assert measure._last_stretch(link(350.0), READINGS, at[:40], volts[:40], few) is bad  # ten show no curve
    assert tried == [20]
    tried.clear()
    answers.clear()
    answers.update({40: bad, 20: good})
    assert measure._last_stretch(link(350.0), READINGS, at[:80], volts[:80], few) is good  # twenty do
    assert tried == [40, 20]


def test_a_change_within_a_fall_is_the_ratio_of_its_halves(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []

    def first_half(time_s: Any, volts: Any, _: Any) -> Any:
        seen.append((time_s.size, volts.size))
        return fit(time_constant=between(23.0, 25.0))

    monkeypatch.setattr(measure, "fit_discharge", first_half)
    for late, ratio in ((between(31.0, 33.0), 32 / 24), (between(11.0, 13.0), 2.0), (None, 1.0)):
        found = measure._change_within(READINGS, T[:41], T[:41], fit(time_constant=late))
        assert found == pytest.approx(ratio)
    assert seen == [(20, 20)] * 3
    monkeypatch.setattr(measure, "fit_discharge", lambda *_: None)
    assert measure._change_within(READINGS, T[:41], T[:41], fit()) == 1.0


def signals(pack_v: Any = None) -> Signals:
    parts = {} if pack_v is None else {"battery_voltage": part("battery_voltage", T, np.broadcast_to(pack_v, T.shape))}
    return Signals(parts, 0.0, 60.0)


@pytest.fixture
def fitted_with(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A measured fall whose fit is given; how many readings were fitted, and from when."""

    def run(volts: Any, one: Any, opening: Any = OPENING, pack_v: Any = 350.0, step_v: float = 0.0) -> Any:
        handed: list[Any] = []

        def fits(time_s: Any, values: Any, readings: Any) -> Any:
            handed.append((float(time_s[0]), time_s.size, readings.noise_v))
            return one

        monkeypatch.setattr(measure, "fit_discharge", fits)
        return measure_discharge(signals(pack_v), link(volts, step_v=step_v), opening), handed

    return run


def test_a_fall_is_measured_from_its_opening_to_its_end(fitted_with: Any) -> None:
    """47 s from 350 V: 60 V are not passed in the 57.5 s that are logged; 0.3 s settle first."""
    read_late_s: list[float] = []

    def crosses(low: float, high: float, late: float) -> Estimate:
        read_late_s.append(late)
        return between(80.0 + low, 90.0 + high)

    crossing = fit(crossing_from=crosses)
    found, handed = fitted_with(falling(47.0), crossing, pack_v=np.where(T > 2.0, 348.0, 340.0))
    assert handed == [(pytest.approx(2.8), 572, 0.5)]
    assert (found.level_v, found.pack_v, found.crossed, found.still) == (350.0, 348.0, False, False)
    assert found.end_v == pytest.approx(350 * exp(-(59.7 - 2.0) / 47.0), rel=1e-6)
    assert found.length_s == pytest.approx(59.9 - 2.0)
    assert (found.fit, found.late, found.settled, found.stopped) == (crossing, crossing, True, None)
    assert found.time_to_safe == between(82.0, 92.5)
    assert 0.065 <= read_late_s[0] < 0.165  # by its sensing, and by stamps of less than a period
    assert (found.missing_s, found.differs) == (0.0, 1.0)


def test_two_readings_beside_a_restart_are_left_out(fitted_with: Any) -> None:
    crossing = fit(crossing_from=lambda *_: between(80.0, 90.0))
    found, handed = fitted_with(falling(47.0), crossing, replace(OPENING, end_s=30.05, restarted=True))
    assert found.length_s == pytest.approx(29.8 - 2.0)
    assert handed == [(pytest.approx(2.8), 271, 0.5)]
    assert fitted_with(falling(47.0), crossing, replace(OPENING, end_s=2.65, restarted=True))[0] is None
    assert fitted_with(falling(47.0), crossing, replace(OPENING, end_s=2.75, restarted=True))[0] is not None


def test_a_fit_ends_at_a_tenth_of_the_start(fitted_with: Any) -> None:
    """A tenth of the first readings comes 5 s · ln 10 later, less the 0.2 s that settle."""
    found, handed = fitted_with(falling(5.0), None)
    assert handed[0][1] == pytest.approx(5.0 * log(10.0) / 0.1 - 2, abs=1)
    assert (found.fit, found.late, found.crossed) == (None, None, True)


@pytest.mark.parametrize(
    ("level_v", "one", "level"),
    [(350.0, fit(), 350.0), (None, fit(start=between(330.0, 332.0)), 331.0), (None, None, 340.0)],
)
def test_the_level_before_is_that_of_the_opening_or_the_first_that_shows(
    level_v: Any, one: Any, level: float, fitted_with: Any
) -> None:
    if one is not None:
        one.crossing_from = lambda *_: between(80.0, 90.0)
    found, _ = fitted_with(340.0, one, replace(OPENING, level_v=level_v))
    assert found.level_v == level
    assert found.still


def test_the_first_level_is_that_of_three_readings_and_one_reading_is_never_still(fitted_with: Any) -> None:
    """From 2.5 s on: 345, 340 and 335 V, and then 300 V."""
    volts = np.select([T < 2.55, T < 2.65, T < 2.75], [345.0, 340.0, 335.0], 300.0)
    found, _ = fitted_with(volts, None, replace(OPENING, level_v=None))
    assert (found.level_v, found.still) == (340.0, False)
    for end_s, still in ((2.55, False), (2.65, True)):
        alone, _ = fitted_with(340.0, None, replace(OPENING, end_s=end_s))
        assert alone.still is still


@pytest.mark.parametrize(
    ("fields", "stretch"),
    [
        ({}, False),
        ({"misfit": True}, True),
        ({"rest": between(59.0, 60.9)}, False),
        ({"rest": between(59.5, 60.7)}, True),  # a level above 60 V
    ],
)
def test_a_last_stretch_is_fitted_alone_where_one_curve_does_not_lead_to_60_v(
    fields: Any, stretch: bool, fitted_with: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = fit(crossing_from=lambda *_: between(80.0, 90.0))
    monkeypatch.setattr(measure, "_last_stretch", lambda *_: late)
    monkeypatch.setattr(measure, "_change_within", lambda *_: 1.5)
    whole = fit(crossing_from=lambda *_: between(70.0, 75.0), voltage=lambda t: np.full(t.shape, 60.0), **fields)
    found, _ = fitted_with(falling(47.0), whole)
    assert (found.late is late) is stretch
    assert found.differs == (1.5 if whole.misfit else 1.0)
    assert found.settled


@pytest.mark.parametrize(
    ("fields", "crossing", "limits"),
    [
        ({}, (10.0, 10.1), (80.0, 90.0)),  # by the curve, where it is one that falls
        ({"misfit": True}, (10.0, 10.1), (7.45, 8.1)),
        ({"falls": False}, (10.0, 10.1), (7.45, 8.1)),
        ({"shape": Shape.RESTING}, (10.0, 10.1), (7.45, 8.1)),
        ({"misfit": True}, (2.4, 2.6), (0.0, 0.6)),
    ],
)
def test_a_crossing_in_view_is_that_of_the_curve_or_of_the_readings_about_it(
    fields: Any, crossing: Any, limits: tuple[float, float]
) -> None:
    """Opened between 2.0 and 2.5 s, read up to 0.05 s late."""
    one = fit(
        crossing_from=lambda low, high, late: between(80.0, 90.0) if (low, high, late) == (2.0, 2.5, 0.05) else None,
        **fields,
    )
    found = measure._time_to_safe(OPENING, one, one, crossing, 350.0, 0.05)
    assert found is not None
    assert (found.low, found.high) == pytest.approx(limits)
    assert found.value == pytest.approx(sum(limits) / 2)
    if limits != (80.0, 90.0):
        assert (found.claim_low, found.claim_high) == (found.low, found.high)


def test_noise_and_half_a_step_blur_where_60_v_are_passed(fitted_with: Any) -> None:
    """Half a volt of noise: from 58.5 V on; the readings are 0.65 V apart there."""
    volts = np.maximum(350.0 - 6.5 * np.maximum(T - 2.0, 0.0), 56.5)
    found, _ = fitted_with(volts, fit(misfit=True, time_constant=None, crossing_from=lambda *_: between(1.0, 2.0)))
    assert found.crossed
    time = found.time_to_safe
    first_low_s = next(t for t, v in zip(T, volts, strict=True) if v <= 58.5)
    assert time.high == pytest.approx(first_low_s - 2.0)
    stepped, _ = fitted_with(volts, fit(misfit=True, time_constant=None), step_v=1.0)  # 3 V off: from 57 V on
    assert stepped.time_to_safe.high == pytest.approx(next(t for t, v in zip(T, volts, strict=True) if v <= 57.0) - 2.0)
    noisier = measure._seen_crossing(T, volts, 1.2)
    assert noisier is None
    assert inf > time.low > 40.0
