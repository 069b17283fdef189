"""Sound precharges whose closing is seen through sensing: none of them is slow, early or bypassed.

Oracle: exponentials in closed form, low-passed on a fine grid by `scipy.signal.lfilter`, and the moment at which the
test closes the contactor. Nothing here is taken from the simulator.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from one_check import findings_of
from scipy.signal import lfilter
from seeds import seeds

from logscope.checks.precharge.check import precharge
from logscope.checks.precharge.contactor_closing import _no_higher_than_read
from logscope.checks.precharge.lagged_closing import Settling
from logscope.findings import Finding
from logscope.observations.dc_link.link import Link, describe_link
from logscope.observations.dc_link.readings import last_of_bursts
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Precharge, Vehicle

FINE_S, ON_S, END_S = 2e-4, 2.0, 6.0
PACK_V = 350.0


@dataclass(frozen=True)
class Trace:
    """A precharge from `start` to `close` of the pack, towards `rest` of it, then the pack's voltage; how it is logged.

    tau_s : the link's constant; lags_s : of the sensing; average_s : over which it averages
    period_s, grid_s : of messages and stamps; burst : how many messages come at once
    """

    tau_s: float
    start: float = 0.01
    close: float = 0.97
    rest: float = 1.0
    lags_s: tuple[float, ...] = ()
    average_s: float = 0.0
    period_s: float = 0.01
    grid_s: float = 0.0
    burst: int = 1
    pack: bool = False
    seed: int = 0

    def findings(self, close_fraction: float = 0.9) -> list[Finding]:
        """What the check says, with R·C in the vehicle file as it is."""
        vehicle = Vehicle(
            precharge=Precharge(resistance_ohm=100, capacitance_uF=self.tau_s * 1e4, close_fraction=close_fraction)
        )
        return findings_of(precharge, self.signals(), vehicle)

    def signals(self) -> Signals:
        rng = np.random.default_rng([self.seed, 91])
        t = np.arange(0.0, END_S, FINE_S)
        going = max(self.rest - self.start, 1e-9)
        missing = (self.rest - self.close) / going
        close_s = ON_S + (self.tau_s * np.log(1 / missing) if missing < 1 else 0.0)
        share = self.rest - going * np.exp(-np.maximum(t - ON_S, 0.0) / self.tau_s)
        seen = PACK_V * np.where(t < close_s, share, 1.0)
        for lag_s in self.lags_s:
            keep = np.exp(-FINE_S / lag_s)
            seen = lfilter([1 - keep], [1, -keep], seen - seen[0]) + seen[0]
        if self.average_s:
            length = int(self.average_s / FINE_S)
            total = np.cumsum(np.concatenate([np.full(length, seen[0]), seen]))
            seen = (total[length:] - total[:-length]) / length
        taken = np.arange(rng.uniform(0, self.period_s), END_S, self.period_s)
        volts = np.round((np.interp(taken, t, seen) + rng.normal(0, 0.15, taken.size)) / 0.1) * 0.1
        last = np.minimum(np.arange(taken.size) // self.burst * self.burst + self.burst - 1, taken.size - 1)
        stamps = taken[last] + 2e-4 * (np.arange(taken.size) % self.burst)
        stamps = np.ceil(stamps / self.grid_s) * self.grid_s if self.grid_s else stamps
        parts = {
            "dc_link_voltage": Part("dc_link_voltage", stamps, volts, "V", "Inverter.Link", 0.1),
            "precharge_relay": _state(rng, "precharge_relay", ON_S, close_s + 0.01),
            "main_contactor": _state(rng, "main_contactor", close_s, END_S),
        }
        if self.pack:
            at = np.arange(0.05, END_S, 0.1)
            parts["battery_voltage"] = Part("battery_voltage", at, np.full(at.size, PACK_V), "V", "Pack.Voltage", 0.1)
        return Signals(parts, 0.0, END_S)


def _state(rng: np.random.Generator, name: str, on_s: float, off_s: float) -> Part:
    t = np.arange(rng.uniform(0, 0.1), END_S, 0.1)
    on = (t - rng.uniform(0, 0.03) >= on_s) & (t < off_s)
    return Part(name, t, on.astype(float), "", f"Junction{name}.{name}", 1.0, on=on)


def _kinds(findings: list[Finding]) -> list[str]:
    return [finding.kind.removeprefix("precharge.") for finding in findings]


def _holds(finding: Finding, truth_s: float) -> bool:
    known = finding.measured["time_constant_s"]
    return (known.low is None or known.low <= truth_s) and (known.high is None or truth_s <= known.high)


@pytest.mark.parametrize(("tau_s", "lag_s", "period_s"), [(0.41, 0.045, 0.05), (0.6, 0.07, 0.05)])
@pytest.mark.parametrize("seed", seeds(1, of=2))
def test_a_link_slower_than_any_sensing_does_not_settle_with_its_own_constant(tau_s, lag_s, period_s, seed):
    """Stamps on a grid bend the curve; a settling of 0.4 s would place the closing long before it, and far too low."""
    trace = Trace(tau_s, close=0.962, lags_s=(lag_s,), period_s=period_s, grid_s=0.01, seed=seed)
    found = trace.findings(close_fraction=0.95)
    assert _kinds(found) in (["complete"], ["undetermined"])
    assert _holds(found[0], tau_s)


@pytest.mark.parametrize("start", [0.91, 0.94])
@pytest.mark.parametrize(("period_s", "average_s"), [(0.01, 0.05), (0.02, 0.07), (0.05, 0.1)])
def test_a_hot_link_without_a_pack_voltage_may_be_closed_onto(start, period_s, average_s):
    """The level once the contactor reports closed is the pack's; what rises through it says nothing of R·C."""
    found = Trace(0.4, start, start, average_s=average_s, period_s=period_s).findings()
    assert _kinds(found) in (["complete"], ["undetermined"], [])
    assert all(_holds(finding, 0.4) for finding in found)


@pytest.mark.parametrize("start", [0.01, 0.5])
def test_a_cold_link_without_a_pack_voltage_may_not(start):
    assert _kinds(Trace(0.4, start, start, period_s=0.01).findings()) in (["bypassed"], ["closed_early"])


@pytest.mark.parametrize(("average_s", "period_s"), [(0.09, 0.005), (0.06, 0.02), (0.04, 0.05)])
def test_a_jump_is_one_behind_a_moving_average_too(average_s, period_s):
    """An average makes a ramp of a jump, which no exponential fits; through 0.4 s the link would take 2 s."""
    trace = Trace(0.4, 0.01, 0.01, average_s=average_s, period_s=period_s, pack=True)
    assert _kinds(trace.findings()) in (["bypassed"], ["closed_early"])


def test_a_link_that_has_little_left_to_charge_does_not_jump():
    """From 85 to 90 % of the pack, where the contactor closes: 0.4 s · ln(15/10) = 0.16 s."""
    trace = Trace(0.4, 0.85, 0.9, average_s=0.09, pack=True)
    assert _kinds(trace.findings()) in (["complete"], ["undetermined"])


@pytest.mark.parametrize(
    ("lags_s", "start", "pack"),
    [
        ((0.035, 0.035), 0.43, False),
        ((0.03, 0.05), 0.1, True),
        pytest.param((0.035, 0.035), 0.43, True, marks=pytest.mark.study),
        pytest.param((0.06,), 0.43, True, marks=pytest.mark.study),
    ],
)
def test_a_curve_bent_by_a_closing_behind_sensing_is_not_slow(lags_s, start, pack):
    """The contactor closes while the reading is still on its way; the bent curve leads far beyond the pack."""
    trace = Trace(0.076, start, 0.92, lags_s=lags_s, pack=pack, seed=int(1e3 * start))
    found = trace.findings()
    assert _kinds(found) in (["complete"], ["undetermined"])


@pytest.mark.parametrize(("period_s", "burst", "grid_s"), [(0.01, 3, 0.0), (0.01, 3, 0.001), (0.01, 1, 0.05)])
def test_of_messages_that_come_at_once_the_last_is_the_reading(period_s, burst, grid_s):
    """Three at a time on fine stamps, or five on one stamp of a coarse grid: the earlier ones are stale."""
    trace = Trace(0.4, lags_s=(0.02,), period_s=period_s, burst=burst, grid_s=grid_s, pack=True)
    link = describe_link(trace.signals(), None)
    last = last_of_bursts(link, np.arange(link.part.value.size))
    together = burst if burst > 1 else round(grid_s / period_s)
    assert last.size == pytest.approx(link.part.value.size / together, abs=2)
    found = trace.findings()
    assert _kinds(found) == ["complete"]
    assert _holds(found[0], 0.4)


def test_regular_messages_are_all_kept():
    link = describe_link(Trace(0.4).signals(), None)
    rows = np.arange(link.part.value.size)
    assert np.array_equal(last_of_bursts(link, rows), rows)


def test_where_a_lag_explains_a_slow_curve_no_constant_is_stated():
    """A link as expected, behind two lags that 40 ms sampling does not show."""
    trace = replace(Trace(0.04, lags_s=(0.06, 0.06), period_s=0.04, pack=True), close=0.998)
    found = trace.findings()
    assert _kinds(found) == ["undetermined"]
    known = found[0].measured["time_constant_s"]
    assert known.value is None
    assert known.low is None or known.low < 0.04
    assert known.high is not None
    assert known.high > 0.04


@pytest.mark.parametrize("period_s", [0.01, 0.05])
def test_a_contactor_that_reports_closed_below_the_emptiest_pack_is_not_good(period_s):
    """A contact that does not close leaves the link where it was; common practice, no published source."""
    t = np.arange(0.0, 6.0, period_s)
    rng = np.random.default_rng(1)
    volts = np.where(t < 1.0, 0.0, 180.0 * (1.0 - np.exp(-np.maximum(t - 1.0, 0.0) / 0.15)))
    volts = np.maximum(np.round(volts + rng.normal(0.0, 0.1, t.size), 1), 0.0)
    at = np.arange(0.0, 6.0, 0.1)
    link = Part("dc_link_voltage", t, volts, "V", "Link.Voltage", 0.1)
    states = {"precharge_relay": (at >= 1.0) & (at < 2.6), "main_contactor": at >= 2.5}
    parts = {name: Part(name, at, on.astype(float), "", f"Junction.{name}", on=on) for name, on in states.items()}
    signals = Signals({"dc_link_voltage": link, **parts}, 0.0, 6.0)
    circuit = Precharge(resistance_ohm=150, capacitance_uF=1000)
    (below,) = findings_of(precharge, signals, Vehicle(precharge=circuit, limits=Limits(battery_min_V=240)))
    assert below.kind == "precharge.undetermined"
    assert "battery_min_V" in below.explanation
    (alone,) = findings_of(precharge, signals, Vehicle(precharge=circuit))
    assert alone.kind == "precharge.complete"
    assert "from the contactor's state alone" in alone.explanation


def test_what_a_closing_far_too_early_leaves_of_the_curve_is_called_the_sensing() -> None:
    trace = Trace(0.145, close=0.38, lags_s=(0.053,), period_s=0.01, grid_s=0.05)
    signals = trace.signals()
    alone = Signals({"dc_link_voltage": signals.parts["dc_link_voltage"]}, signals.start_s, signals.end_s)
    (found,) = findings_of(
        precharge, alone, Vehicle(precharge=Precharge(resistance_ohm=100, capacitance_uF=1450, close_fraction=0.95))
    )
    assert found.kind == "precharge.undetermined"
    assert found.measured["time_constant_s"].value == pytest.approx(0.053, rel=0.2)
    assert "Where the contactor closed during the rise, the time constant is that of the voltage sensing" in (
        found.explanation
    )


@pytest.mark.parametrize(
    ("period_s", "top_v", "kind"),
    [(0.05, 126.0, "undetermined"), (0.005, 126.0, "bypassed"), (0.05, 350.0, "bypassed"), (0.005, 350.0, "bypassed")],
)
def test_a_jump_that_a_relay_which_drops_out_may_leave_is_not_called_bypassed(period_s, top_v, kind) -> None:
    """With 150 ms ± 20 %, towards 370 V at most: 370·(1 − exp(−t/120 ms)) is 126 V at 50 ms, and 15 V at 5 ms."""
    rng = np.random.default_rng(5)
    time_s = np.arange(0.0, END_S, period_s)
    volts = np.round(np.where(time_s > ON_S, top_v, 0.0) + rng.normal(0, 0.15, time_s.size), 1)
    link = Signals({"dc_link_voltage": Part("dc_link_voltage", time_s, volts, "V", "Inverter.Link", 0.1)}, 0.0, END_S)
    (found,) = findings_of(
        precharge,
        link,
        Vehicle(precharge=Precharge(resistance_ohm=100, capacitance_uF=1500), limits=Limits(battery_max_V=370)),
    )
    assert found.kind == f"precharge.{kind}"


@pytest.mark.parametrize(("led_to_v", "level_v"), [(182.3, 169.1), (168.6, 168.6)])
def test_a_closing_leads_no_higher_than_the_readings_come(led_to_v: float, level_v: float) -> None:
    """What three readings of a settling are led to, against the half second of readings that follows."""
    time_s = 0.008 * np.arange(200)
    volts = np.where(time_s < 0.5, 163.4, 168.5 + 0.4 * (np.arange(200) % 2))
    link = cast(Link, SimpleNamespace(part=Part("dc_link_voltage", time_s, volts, "V", "Test.link", 0.1), noise_v=0.1))
    settling = Settling(
        curve_end_s=0.48,
        start_s=0.49,
        end_s=0.5,
        level_v=led_to_v,
        link_v=163.4,
        latest_v=163.5,
        by_faster=True,
        visible=True,
    )
    assert _no_higher_than_read(link, settling).level_v == pytest.approx(level_v, abs=0.1)


@pytest.mark.parametrize(
    ("period_s", "lag_s", "close"), [(0.01, 0.046, 0.82), pytest.param(0.005, 0.035, 0.75, marks=pytest.mark.study)]
)
@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_closing_on_the_way_is_seen_behind_the_lag_that_rounds_it_off(period_s, lag_s, close, seed):
    """The whole bend is of no curve's shape, so no fitted curve shows where the search for the closing begins."""
    trace = Trace(0.13, close=close, lags_s=(lag_s,), period_s=period_s, pack=True, seed=seed)
    (found,) = trace.findings(close_fraction=0.95)
    assert found.kind == "precharge.closed_early"
    at_close = found.measured["fraction_at_close"]
    assert at_close.low < close < at_close.high
    assert _holds(found, 0.13)


@pytest.mark.parametrize("seed", seeds(1, of=6))
def test_a_closing_soon_after_the_onset_leaves_a_short_curve_and_is_no_bypass(seed):
    """From 38 to 48 % in 70 ms through the resistor, and then at once: seven readings before the closing."""
    (found,) = Trace(0.38, 0.38, 0.484, lags_s=(0.011,), period_s=0.01, pack=True, seed=seed).findings(0.95)
    assert found.kind == "precharge.closed_early"
    at_close = found.measured["fraction_at_close"]
    assert at_close.low - 0.02 < 0.484 < at_close.high + 0.02


@pytest.mark.parametrize(
    ("lags_s", "tau_s", "period_s", "kind"),
    [((0.046,), 0.039, 0.06, "undetermined"), ((), 0.067, 0.06, "complete"), ((), 0.03, 0.02, "complete")],
)
def test_good_is_only_what_a_closing_far_too_early_does_not_explain(lags_s, tau_s, period_s, kind):
    """A link of 39 ms behind a lag, read every 60 ms, beside one whose curve is seen up to the pack's voltage."""
    trace = Trace(tau_s, close=0.99, lags_s=lags_s, period_s=period_s, pack=True, seed=1)
    (found,) = trace.findings(close_fraction=0.95)
    assert found.kind == f"precharge.{kind}"


@pytest.mark.parametrize(("tau_s", "close", "seed"), [(0.076, 0.92, 7), (0.04, 0.93, 11)])
def test_few_readings_behind_lags_unknown_are_no_early_closing(tau_s, close, seed):
    """Behind two lags of 45 ms, every 43 ms: it reads 65 to 89 % as the link passes the threshold of 90 %."""
    trace = Trace(tau_s, 0.05, close, lags_s=(0.045, 0.047), period_s=0.043, seed=seed)
    assert _kinds(trace.findings()) in (["complete"], ["undetermined"])
