"""The taper of a charge: guards and fields by made exponentials; the fit against scipy's curve_fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, phase, read
from scipy import stats
from scipy.optimize import curve_fit

from logscope.arrays import FloatArray
from logscope.checks.charging import taper
from logscope.checks.charging.taper import _block_means, _fit, find_taper
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.signals import Part

AT = np.arange(0.0, 600.0, 1.0)
NOISE = np.random.default_rng(11).normal(0.0, 0.05, AT.size)


def falling(tau_s: float = 200.0, towards_a: float = 0.0, start_a: float = 20.0) -> FloatArray:
    """From 100 s on towards something, at 20 A before."""
    since = np.clip(AT - 100.0, 0.0, None)
    return np.asarray(towards_a + (start_a - towards_a) * np.exp(-since / tau_s) + NOISE)


def tapering(amps: FloatArray, from_s: float = 100.0, until_s: float = 500.0, **of: object) -> Session:
    flat = phase(Step.VOLTAGE, from_s, until_s, float(amps[int(from_s)]), float(amps[int(until_s)]), 400.0)
    return charge(read("charger_current", AT, amps), 10.0, until_s, flat, **of)  # type: ignore[arg-type]


def battery(inward: FloatArray) -> Part:
    return read("battery_current", AT, -inward)


def test_a_taper_has_its_time_constant_and_where_it_falls_to() -> None:
    """200 s towards nothing; the first block of some seven seconds after three lies at 106 s, at 19.4 A."""
    found = find_taper(tapering(falling()), logged())
    assert found is not None
    assert found.low_s < 200.0 < found.high_s
    assert found.value_s == pytest.approx(200.0, rel=0.02)
    assert found.towards_a == pytest.approx(0.0, abs=0.2)
    assert found.start_s == pytest.approx(106.0, abs=1.0)
    assert found.start_a == pytest.approx(20.0 * np.exp(-(found.start_s - 100.0) / 200.0), abs=0.05)
    assert (found.end_s, found.single, found.by_battery) == (500.0, True, False)


@pytest.mark.parametrize("rows", [7, 60])
def test_it_is_what_scipy_fits_with_students_limits_of_its_logarithm(rows: int) -> None:
    """scipy.optimize.curve_fit and scipy.stats.t on the same means; neighbouring residuals are unlike."""
    at = np.linspace(0.0, 400.0, rows)
    amps = 2.0 + 18.0 * np.exp(-at / 200.0) + 0.02 * np.tile([1.0, -0.6, -1.0, 0.7], 15)[:rows]
    fitted, covariance = curve_fit(lambda t, a, tau, c: c + a * np.exp(-t / tau), at, amps, (20.0, 150.0, 0.0))
    found = _fit(at, amps, 150.0)
    assert found is not None
    value, low, high, towards = found
    assert (value, towards) == pytest.approx((fitted[1], fitted[2]), rel=1e-3)
    reach = stats.t.ppf(0.975, rows - 3) * covariance[1, 1] ** 0.5 / fitted[1]
    assert (np.log(value / low), np.log(high / value)) == pytest.approx((reach, reach), rel=0.01)
    # where it falls to known exactly, the time constant is known better
    known = _fit(at, amps, 150.0, 2.0, 1e-4)
    assert known is not None
    assert known[2] - known[1] < 0.5 * (high - low)
    assert known[3] == pytest.approx(2.0, abs=1e-3)


def test_a_load_that_the_battery_shows_is_taken_off() -> None:
    """3 A beside the battery, which itself tapers with 200 s."""
    into = falling()
    found = find_taper(tapering(into + 3.0), logged(battery(into)))
    assert found is not None
    assert (found.single, found.by_battery) == (True, True)
    assert found.value_s == pytest.approx(200.0, rel=0.02)
    assert found.towards_a == pytest.approx(3.0, abs=0.2)
    own = find_taper(tapering(into, of_charger=False), logged())
    assert own is not None
    assert (own.by_battery, own.towards_a) == (True, pytest.approx(0.0, abs=0.2))


def test_a_current_that_falls_to_another_one_than_the_load_has_limits_that_span_both_fits() -> None:
    """To 2 A, with nothing beside the battery: free it is 200 s, and 245 s falling to nothing."""
    found = find_taper(tapering(falling(towards_a=2.0), of_charger=False), logged())
    assert found is not None
    assert not found.single
    assert found.low_s == pytest.approx(199.0, abs=1.0)  # of the free fit
    assert found.value_s > 240.0
    assert found.high_s > 270.0  # of the other one


@pytest.mark.parametrize(
    ("made", "known"),
    [
        (tapering(falling()), True),
        (replace(tapering(falling()), missing_s=39.9), True), (replace(tapering(falling()), missing_s=40.1), False),
        (replace(tapering(falling()), phases=()), False),
        (replace(tapering(falling()), phases=(phase(Step.VOLTAGE, 100.0, 500.0, 20.0, 17.99),)), True),
        (replace(tapering(falling()), phases=(phase(Step.VOLTAGE, 100.0, 500.0, 20.0, 18.01),)), False),
        (tapering(falling(), until_s=130.0), False),  # a sixth of a time constant says nothing of it
    ],
)  # fmt: skip
def test_a_taper_falls_by_a_tenth_and_is_logged(made: Session, known: bool) -> None:
    assert (find_taper(made, logged()) is not None) is known


@pytest.mark.parametrize(
    ("with_load", "free", "found"),
    [
        ((200.0, 131.0, 269.0), None, (131.0, 269.0, True)),  # 69 of 200 s to either side
        ((200.0, 129.0, 271.0), None, None),
        ((200.0, 100.0, 238.0), None, (100.0, 238.0, True)),  # all of its width counts
        ((200.0, 100.0, 242.0), None, None),
        ((200.0, 0.0, 130.0), None, None),
        ((200.0, 190.0, 210.0), (220.0, 210.0, 230.0), (190.0, 210.0, True)),  # they meet
        ((200.0, 190.0, 210.0), (180.0, 170.0, 190.0), (190.0, 210.0, True)),
        ((200.0, 190.0, 210.0), (220.0, 211.0, 230.0), (190.0, 230.0, False)),
        ((200.0, 190.0, 210.0), (180.0, 170.0, 189.0), (170.0, 210.0, False)),
        ((200.0, 190.0, 210.0), (400.0, 300.0, 331.0), None),  # together too wide
    ],
)
def test_a_time_constant_is_known_to_35_percent_over_both_fits(
    with_load: tuple[float, ...], free: tuple[float, ...] | None, found: tuple[object, ...] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Made fits: one that falls to the load, and one that may fall to anything."""
    fits = iter([free and (*free, 9.0), (*with_load, 1.0)])
    monkeypatch.setattr(taper, "_fit", lambda *_: next(fits))
    got = find_taper(tapering(falling(), of_charger=False), logged())
    assert (got and (got.low_s, got.high_s, got.single)) == found
    assert got is None or (got.value_s, got.towards_a) == (200.0, 1.0)


@pytest.mark.parametrize(("rows", "blocks"), [(7, None), (8, 8), (59, 59), (60, 60), (61, 60), (120, 60), (1000, 60)])
def test_readings_are_averaged_over_sixty_blocks_at_most(rows: int, blocks: int | None) -> None:
    """numpy: the means over blocks as even as can be."""
    at = np.arange(float(rows))
    found = _block_means(at, 3.0 * at + 1.0)
    if blocks is None:
        assert found is None
        return
    assert found is not None
    time_s, amps = found
    assert time_s.size == blocks
    assert amps == pytest.approx(3.0 * time_s + 1.0)
    assert np.diff(time_s).max() <= rows / blocks + 1.0
    if rows == 120:
        assert time_s.tolist() == at.reshape(60, 2).mean(axis=1).tolist()


@pytest.mark.parametrize(("rows", "known_a", "fits"), [(6, 0.0, True), (5, 0.0, False), (6, 20.5, False)])
def test_a_fit_takes_six_blocks_above_what_it_falls_to(rows: int, known_a: float, fits: bool) -> None:
    at = np.linspace(0.0, 500.0, rows)
    amps = 20.0 * np.exp(-at / 200.0) + 0.01 * (-1.0) ** np.arange(rows)
    assert (_fit(at, amps, 200.0, known_a) is not None) is fits
