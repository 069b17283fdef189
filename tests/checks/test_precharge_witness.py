"""Which of two constants is the link's, told by the current; and the drift from attempt to attempt."""

from __future__ import annotations

import numpy as np
import pytest
from one_check import findings_of
from seeds import seeds

from logscope.checks.precharge.check import precharge
from logscope.checks.precharge.drift import Attempted, drift
from logscope.checks.precharge.witness import _from_current
from logscope.curves.estimate import Estimate
from logscope.findings import Finding
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Precharge, Vehicle

TAU, LAG, RESISTANCE = 0.10, 0.055, 100.0


def _signals(seed: int, *, current: bool, swapped: bool = False) -> Signals:
    """A link of 300 V behind RC and sensing lag; the two change places where `swapped`."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 2.5, 0.01)
    x = np.maximum(t - 0.8043, 0.0)
    tau, lag = (LAG, TAU) if swapped else (TAU, LAG)
    shape = 1 - (tau * np.exp(-x / tau) - lag * np.exp(-x / lag)) / (tau - lag)
    volts = np.round((300 * shape + rng.normal(0, 0.2, t.size)) / 0.5) * 0.5
    parts = {"dc_link_voltage": Part("dc_link_voltage", t, volts, "V", "Link.Voltage", 0.5)}
    if current:
        amps = np.where(x > 0, 300 / RESISTANCE * np.exp(-x / tau), 0.0) + rng.normal(0, 0.02, t.size)
        parts["battery_current"] = Part("battery_current", t, np.round(amps / 0.05) * 0.05, "A", "Pack.Current", 0.05)
    return Signals(parts, 0.0, 2.5)


def _only(signals: Signals, vehicle: Vehicle | None = None) -> Finding:
    (finding,) = findings_of(precharge, signals, vehicle or Vehicle())
    return finding


def test_without_a_witness_both_readings_are_given() -> None:
    finding = _only(_signals(1, current=False))
    assert finding.measured["time_constant_s"].value is None
    assert finding.measured["slower_constant_s"].low < TAU < finding.measured["slower_constant_s"].high
    assert finding.measured["faster_constant_s"].low < LAG < finding.measured["faster_constant_s"].high


@pytest.mark.parametrize("seed", seeds(1, of=2))
def test_the_current_tells_which_constant_is_the_links_whichever_it_is(seed: int) -> None:
    for swapped in (False, True):
        finding = _only(_signals(seed, current=True, swapped=swapped))
        constant = finding.measured["time_constant_s"]
        assert constant.value == pytest.approx(LAG if swapped else TAU, rel=0.05)
        assert "battery current" in finding.method


def test_a_lag_of_the_expected_size_does_not_hide_a_fast_link() -> None:
    """R·C is told as 100 ms; the link is at 55 ms and the lag at 100: only the current can say so."""
    told = Vehicle(
        precharge=Precharge(resistance_ohm=RESISTANCE, capacitance_uF=1000), limits=Limits(battery_max_V=300.0)
    )
    assert _only(_signals(2, current=False, swapped=True), told).kind == "precharge.complete"
    assert _only(_signals(2, current=True, swapped=True), told).kind == "precharge.fast"


def _attempt(k: int, value: float) -> Attempted:
    return Attempted(30.0 * k, Estimate(value, value * 0.99, value * 1.01, value * 0.98, value * 1.02))


def test_a_resistor_that_warms_from_try_to_try_is_reported() -> None:
    (found,) = drift([_attempt(k, 0.15 * (1 + 0.02 * k)) for k in range(6)])
    assert found.kind == "precharge.drift"
    assert found.measured["drift_percent"].low < 10 < found.measured["drift_percent"].high


def test_attempts_that_scatter_show_no_drift() -> None:
    rng = np.random.default_rng(1)
    claims = [bool(drift([_attempt(k, 0.15 * np.exp(rng.normal(0, 0.005))) for k in range(6)])) for _ in range(400)]
    assert np.mean(claims) <= 0.02
    assert not drift([_attempt(k, 0.15 * (1 + 0.02 * k)) for k in range(3)])


def test_noise_of_a_coarse_current_is_no_witness() -> None:
    """10 Hz: two samples in the moment before the relay closes say nothing of the noise; those before them do."""
    rng = np.random.default_rng(3)
    t = np.arange(0.05, 2.5, 0.1)
    for amps in rng.normal(0.0, 0.7, (20, t.size)):
        part = Part("battery_current", t, np.round(amps, 1), "A", "Pack.Current", 0.1)
        assert _from_current(part, 0.8, 1.8) is None
        assert _from_current(part, 0.3, 1.3) is None  # too few before it to know
