"""The discharge check on simulated key cycles, against closed forms.

Sources: t = R·C·ln(V/60), with 60 V as the line to voltage class B (ISO 6469-3:2021, UN R100; clause numbers from
memory); active discharge within 5 s (Formula SAE Rules 2024 v1.0, EV.8.4.2; LV 123 from memory), passive within 120 s
(LV 123, from memory). The circuit of the simulator shares no code with the check; plain fits are scipy's.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from key_cycle_traces import FLAG_NAMES, Logging, Played, changed, hazel, play_log, voltages
from limits_study import LimitsStudy
from one_check import findings_of
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit
from seeds import seeds

from logscope.checks.discharge.check import discharge
from logscope.curves.discharge import Readings, Shape, fit_discharge
from logscope.findings import CAUTION_HV, Finding, Measured, NothingToCheck, Severity
from logscope.physics.discharge import (
    at_constant_power,
    at_power_of_voltage,
    through_resistor,
    time_to_level_s,
    time_to_share_at_power,
)
from logscope.signals import MissingPart, Part, Signals
from logscope.simulate.circuits import Stage, solve
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import DcLink, Precharge, Vehicle

HAZEL = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000),
    dc_link=DcLink(bleeder_ohm=47000, discharge_limit_s=300),
)
OFF_S = 9.3
PERIODS_S = (0.005, 0.02, 0.1, 0.2)


def _logging(seed: int, flags: tuple[str, ...] = FLAG_NAMES, *, pack: bool = True) -> Logging:
    """A way to log, drawn at random: 5 to 200 ms, steps of 0.1 to 1 V, noise of 0.05 to 0.5 V."""
    rng = np.random.default_rng([seed, 4711])
    return Logging(
        period_s=float(np.exp(rng.uniform(log(0.005), log(0.2)))),
        step_v=float(rng.choice([0.1, 0.25, 0.5, 1.0])),
        noise_v=float(np.exp(rng.uniform(log(0.05), log(0.5)))),
        flags=flags,
        pack=pack,
    )


def _key_off(seed: int, after_s: float, logging: Logging, *, welded: bool = False, **circuit: float) -> Played:
    cycles = (KeyCycle(2.2, OFF_S, welded=welded),)
    return play_log(seed, cycles, OFF_S + after_s, hazel(**circuit), logging)


def _one(played: Played, vehicle: Vehicle = HAZEL) -> Finding:
    (finding,) = findings_of(discharge, played.signals, vehicle)
    return finding


def _holds(measured: Measured, truth: float) -> bool:
    return (measured.low or -inf) <= truth <= (inf if measured.high is None else measured.high)


@pytest.mark.parametrize(("volts", "ohm", "farad", "seconds"), [(400, 2635.57, 1e-3, 5), (800, 23163.7, 2e-3, 120)])
def test_the_time_to_60_v_is_that_of_the_closed_form(volts: float, ohm: float, farad: float, seconds: float) -> None:
    """The resistors that bring 400 V/1 mF down in 5 s and 800 V/2 mF in 120 s: t = R·C·ln(V/60)."""
    assert time_to_level_s(volts, ohm * farad) == pytest.approx(seconds, rel=1e-5)
    assert through_resistor(np.array(seconds), np.array(1 / (ohm * farad))) * volts == pytest.approx(60, rel=1e-4)


def test_a_constant_power_falls_as_the_circuit_does() -> None:
    """Against the integration of C·dV/dt = −P/V by scipy in the simulator's circuit."""
    circuit = hazel(bleeder_ohm=inf)
    time_s = np.linspace(0, 2, 50)
    stage = Stage(0.0, power_W=25.0, cut_in_V=200.0, cut_out_V=50.0)
    true = solve(circuit, (stage,), 2.1, start_V=331.0).sample(time_s).link_V
    assert 331 * at_constant_power(time_s, np.array(25.0 / (1e-3 * 331**2))) == pytest.approx(true, rel=1e-4)


@pytest.mark.parametrize("exponent", [-1.0, 0.0, 0.5, 1.0, 1.16, 2.0])
def test_a_current_that_goes_with_a_power_of_the_voltage_falls_as_scipy_integrates_it(exponent: float) -> None:
    time_s = np.linspace(0.0, 0.45, 20)
    true = solve_ivp(lambda _, v: -(v**exponent), (0.0, 0.45), [1.0], t_eval=time_s, rtol=1e-9, atol=1e-12).y[0]
    share = at_power_of_voltage(time_s, np.array(1.0), np.array(exponent))
    assert share == pytest.approx(true, rel=1e-6)
    assert time_to_share_at_power(share, np.array(1.0), np.array(exponent)) == pytest.approx(time_s, abs=1e-6)


@pytest.mark.parametrize("seed", seeds(2, of=12))
def test_a_link_that_heads_for_a_level_of_its_own_is_not_called_discharged(seed: int) -> None:
    """A second source holds it at 70 to 95 %: the first seconds alone must not pass for a fall to 0 V."""
    rng = np.random.default_rng([65, seed])
    start_v, rest = rng.uniform(120.0, 400.0), rng.uniform(0.7, 0.95)
    t = np.arange(0.0, 5.0 + rng.uniform(1.0, 5.0), 0.02)
    fallen = start_v * (rest + (1 - rest) * np.exp(-np.maximum(t - 5.0, 0.0) / rng.uniform(0.2, 1.0)))
    read = np.round((fallen + rng.normal(0.0, 0.2, t.size)) / 0.1) * 0.1
    closed = t < 5.0
    parts = {
        "dc_link_voltage": Part("dc_link_voltage", t, read, "V", "Link.Voltage", 0.1),
        "main_contactor": Part("main_contactor", t, closed.astype(float), "", "Box.Main", 1.0, on=closed),
    }
    found = findings_of(discharge, Signals(parts, 0.0, float(t[-1])), Vehicle())
    assert {f.kind for f in found} <= {"dc_link.stays_live", "dc_link.undetermined"}


@pytest.mark.study
def test_limits_of_the_constant_and_of_the_time_to_60_v_hold_the_truth_as_often_as_they_say() -> None:
    """The time to 60 V is extrapolated from a tenth of the fall, and allows for a link that is no plain resistor."""
    of_constant, of_time, kinds = LimitsStudy(), LimitsStudy(widest=3.5), []
    for seed in range(30):
        played = _key_off(seed, 4.0, _logging(seed))
        finding, truth = _one(played), played.truths("dc_link.discharged")[0].parameters
        kinds.append(finding.kind)
        assert finding.measured["extrapolated"].value == 1
        of_constant.of(truth["time_constant_s"], finding.measured["time_constant_s"])
        passes = finding.measured["time_to_60V_s"]
        if passes.high is None:  # it may come to rest before
            assert passes.low is not None
            assert passes.low <= truth["time_to_60V_s"]
        else:
            of_time.of(truth["time_to_60V_s"], passes)
    assert len(of_time.scaled) >= 20
    of_constant.judge()
    of_time.judge()
    assert set(kinds) <= {"dc_link.discharged", "dc_link.undetermined"}
    assert kinds.count("dc_link.discharged") >= 28


def test_the_fit_agrees_with_plain_least_squares_where_that_holds() -> None:
    """Unrounded readings with regular stamps: scipy's curve_fit is the maximum-likelihood estimate."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0, 20, 0.05)
    volts = 331 * np.exp(-time_s / 47) + rng.normal(0, 0.3, time_s.size)
    fit = fit_discharge(time_s, volts, Readings(0.0, 0.3))
    assert fit is not None
    assert fit.time_constant is not None
    plain, covariance = curve_fit(lambda t, v, tau: v * np.exp(-t / tau), time_s, volts, p0=[300, 40])
    spread = float(np.sqrt(covariance[1, 1]))
    assert fit.time_constant.value == pytest.approx(plain[1], abs=0.2 * spread)
    assert fit.time_constant.high - fit.time_constant.low == pytest.approx(2 * 1.96 * spread, rel=0.15)


@pytest.mark.parametrize("period_s", PERIODS_S)
@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_crossing_that_the_log_shows_is_measured(period_s: float, seed: int) -> None:
    played = _key_off(seed, 30.0, Logging(period_s=period_s), bleeder_ohm=9000.0)
    finding, truth = _one(played), played.truths("dc_link.discharged")[0].parameters
    assert finding.kind == "dc_link.discharged"
    assert finding.measured["extrapolated"].value == 0
    assert _holds(finding.measured["time_to_60V_s"], truth["time_to_60V_s"])
    assert finding.measured["implied_bleeder_ohm"].value == pytest.approx(9000, rel=0.02)
    assert "extrapolated" not in finding.title


@pytest.mark.parametrize("period_s", PERIODS_S)
@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_bleeder_too_large_is_slow_and_says_so(period_s: float, seed: int) -> None:
    finding = _one(_key_off(seed, 20.0, Logging(period_s=period_s), bleeder_ohm=400e3))
    assert finding.kind == "dc_link.slow_discharge"
    assert finding.severity is Severity.WARNING
    assert finding.caution == CAUTION_HV
    assert "(extrapolated)" in finding.title


@pytest.mark.parametrize(("welded", "bleeder_ohm"), [(True, 47e3), (False, inf)])
@pytest.mark.parametrize("period_s", PERIODS_S)
@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_link_that_stays_live_is_a_danger(welded: bool, bleeder_ohm: float, period_s: float, seed: int) -> None:
    played = _key_off(seed, 15.0, Logging(period_s=period_s), welded=welded, bleeder_ohm=bleeder_ohm)
    finding = _one(played)
    assert finding.kind == "dc_link.stays_live"
    assert finding.severity is Severity.DANGER
    assert "at the pack's level" in finding.explanation
    assert finding.measured["time_constant_s"].value is None
    assert (finding.measured["time_constant_s"].low or 0) > 300


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_a_link_held_at_another_level_by_a_second_source_stays_live(seed: int) -> None:
    rng = np.random.default_rng(seed)
    played = _key_off(seed, 15.0, Logging())
    solution = solve(hazel(), (Stage(0.0),), OFF_S + 15)
    link = voltages(rng, solution, (np.zeros(1), np.zeros(1)), OFF_S + 15, Logging())["dc_link_voltage"]
    time_s = link.time_s
    held = 200 + 131 * np.exp(-(time_s - OFF_S) / 1.5)
    before = played.signals["dc_link_voltage"].value
    volts = np.where(time_s < OFF_S, before[: time_s.size], np.round(2 * (held + link.value)) / 2)
    part = type(link)(link.name, time_s, volts, "V", link.source, 0.5)
    signals = Signals({**played.signals.parts, "dc_link_voltage": part}, 0.0, OFF_S + 15)
    (finding,) = findings_of(discharge, signals, HAZEL)
    assert finding.kind == "dc_link.stays_live"
    assert "not the pack's level" in finding.explanation
    assert finding.measured["resting_voltage_V"].value == pytest.approx(200, abs=1)


def _by_stage(seed: int, stage: Stage, after_s: float, **circuit: float) -> Signals:
    """A link that starts charged, with a stage of its own behind the opening."""
    closed = (Stage(0.0), Stage(2.2, relay=True), Stage(3.2, contactor=True))
    solution = solve(hazel(**circuit), (*closed, stage), OFF_S + after_s)
    parts = voltages(np.random.default_rng(seed), solution, (np.zeros(1), np.zeros(1)), OFF_S + after_s, Logging())
    flags = _key_off(seed, after_s, Logging()).signals.parts
    return Signals({**parts, **{name: flags[name] for name in FLAG_NAMES}}, 0.0, OFF_S + after_s)


@pytest.mark.parametrize(
    "stage", [Stage(OFF_S, parallel_ohm=1000.0), Stage(OFF_S, power_W=30.0, cut_in_V=20.0, cut_out_V=10.0)]
)
@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_an_active_discharge_is_told_from_the_bleeder(stage: Stage, seed: int) -> None:
    (finding,) = findings_of(discharge, _by_stage(seed, stage, 6.0), HAZEL)
    assert finding.kind == "dc_link.discharged"
    assert finding.measured["active_discharge"].value == 1
    assert (finding.measured["time_to_60V_s"].high or inf) < 5
    assert "LV 123" in finding.method


@pytest.mark.parametrize("seed", seeds(1, of=4))
def test_the_curve_of_a_constant_power_is_not_taken_for_an_exponential(seed: int) -> None:
    """A converter of 10 W that runs on: V² falls in a straight line, and 60 V come sooner than an exponential says."""
    signals = _by_stage(seed, Stage(OFF_S, power_W=10.0, cut_in_V=70.0, cut_out_V=50.0), 4.0, bleeder_ohm=inf)
    part = signals["dc_link_voltage"]
    early = part.between(OFF_S + 0.5, OFF_S + 4.0)
    fit = fit_discharge(part.time_s[early], part.value[early], Readings(0.5, 0.25))
    assert fit is not None
    assert fit.shape is Shape.POWER
    true_s = (331**2 - 60**2) * 1e-3 / (2 * 10)
    assert OFF_S + true_s - fit.begin_s == pytest.approx(fit.crossing().value, rel=0.01)


@pytest.mark.parametrize("seed", seeds(1, of=6))
def test_a_restart_ends_the_fall(seed: int) -> None:
    for flags in (FLAG_NAMES, ()):
        cycles = (KeyCycle(2.2, OFF_S), KeyCycle(OFF_S + 6, OFF_S + 10))
        played = play_log(seed, cycles, OFF_S + 18, hazel(), _logging(seed, flags))
        first, *_ = findings_of(discharge, played.signals, HAZEL)
        assert first.kind == "dc_link.discharged"
        assert first.end_s <= OFF_S + 6
        assert "charged again" in first.explanation
        assert first.measured["time_constant_s"].value == pytest.approx(47, rel=0.1)


@pytest.mark.study
def test_without_states_the_voltage_alone_shows_the_fall() -> None:
    study = LimitsStudy()
    for seed in range(16):
        played = _key_off(seed, 40.0, _logging(seed, (), pack=seed % 2 == 0))
        finding = _one(played)
        assert finding.kind == "dc_link.discharged"
        assert "by the voltage alone" in finding.method
        study.of(played.truth[-1].parameters["time_to_60V_s"], finding.measured["time_to_60V_s"])
    study.judge()


def test_a_log_that_ends_too_soon_says_so_with_a_bound() -> None:
    kinds = set()
    for seed in range(12):
        played = _key_off(seed, 0.6, Logging(period_s=0.05, step_v=1.0, noise_v=0.4))
        finding = _one(played)
        kinds.add(finding.kind)
        assert finding.kind in ("dc_link.undetermined", "dc_link.discharged")
        low = finding.measured["time_to_60V_s"].low
        assert low is None or low < played.truth[-1].parameters["time_to_60V_s"]
        if finding.kind == "dc_link.undetermined":
            assert finding.severity is Severity.INFO
            assert "until the link is below 60 V" in finding.next_step
    assert "dc_link.undetermined" in kinds


def test_no_fall_is_said_only_where_the_time_to_60_v_has_no_upper_limit() -> None:
    said = set()
    for seed in range(16):
        played = _key_off(seed, 0.65 + 0.015 * seed, Logging(period_s=0.05, step_v=1.0, noise_v=0.4))
        finding = _one(played)
        text = finding.explanation + finding.method
        endless = finding.measured["time_to_60V_s"].high is None
        said |= {sentence for sentence in ("No fall is seen", "A fall is hardly seen") if sentence in text}
        assert endless or "No fall is seen" not in text
        assert not (endless and "A fall is hardly seen" in text)
    assert len(said) == 2


def test_judged_by_what_the_vehicle_file_gives() -> None:
    played = _key_off(1, 20.0, Logging())
    limits = (
        (Vehicle(dc_link=DcLink(discharge_limit_s=60)), "dc_link.slow_discharge", 60),
        (Vehicle(dc_link=DcLink(discharge_limit_s=100)), "dc_link.discharged", 100),
        (Vehicle(), "dc_link.discharged", 120),
        (
            Vehicle(precharge=Precharge(capacitance_uF=500), dc_link=DcLink(bleeder_ohm=47e3)),
            "dc_link.slow_discharge",
            0.047 * 500 * 1.2 * log(331 / 60),
        ),
    )
    for vehicle, kind, limit_s in limits:
        finding = _one(played, vehicle)
        assert finding.kind == kind
        assert finding.expected["time_to_60V_s"].high == pytest.approx(limit_s, rel=0.01)


def test_what_is_missing_is_said() -> None:
    with pytest.raises(MissingPart):
        findings_of(discharge, Signals({}, 0.0, 1.0), HAZEL)
    on = play_log(0, (KeyCycle(2.2, 50.0),), 20.0, hazel(), Logging()).signals
    with pytest.raises(NothingToCheck, match="falls away from the pack: keep the log running"):
        findings_of(discharge, on, HAZEL)
    alone = replace(on, parts={"dc_link_voltage": on.parts["dc_link_voltage"]})
    with pytest.raises(NothingToCheck, match="no pack voltage is logged to compare it with: keep the log running"):
        findings_of(discharge, alone, HAZEL)


@settings(max_examples=15)
@given(
    start=st.floats(5, 900),
    tau=st.floats(0.05, 1e5),
    count=st.integers(0, 60),
    step=st.sampled_from([0.0, 0.1, 1.0, 5.0]),
    seed=st.integers(0, 1000),
)
def test_any_fall_is_fitted_without_a_crash(start: float, tau: float, count: int, step: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.sort(rng.uniform(0, 3, count))
    volts = start * np.exp(-time_s / tau) + rng.normal(0, 0.2, count)
    fit = fit_discharge(time_s, np.round(volts / step) * step if step else volts, Readings(step, max(0.2, step / 3.46)))
    if fit is not None:
        assert fit.rate.low <= fit.rate.value <= fit.rate.high
        assert np.all(np.isfinite(fit.voltage(time_s)))


def _with_gap(played: Played, start_s: float, end_s: float) -> Played:
    part = played.signals["dc_link_voltage"]
    keep = (part.time_s < start_s) | (part.time_s > end_s)
    return replace(played, signals=changed(played.signals, {"dc_link_voltage": part.where(keep)}))


@pytest.mark.parametrize("seed", seeds(1, of=4, first=8100))
def test_a_fall_of_which_most_is_missing_is_not_extrapolated(seed):
    """In there the link may have been charged and opened again. Common practice, no published source."""
    played = _key_off(seed, 20.0, Logging())
    whole = _one(played)
    assert whole.kind == "dc_link.discharged"
    assert "missing_s" not in whole.measured
    little = _one(_with_gap(played, OFF_S + 4.0, OFF_S + 6.0))
    assert little.kind == "dc_link.discharged"
    assert little.measured["missing_s"].value == pytest.approx(2.0, abs=0.1)
    assert "missing from the log" in little.explanation
    most = _one(_with_gap(played, OFF_S + 2.0, OFF_S + 17.0))
    assert most.kind == "dc_link.undetermined"
    assert "missing from the log" in most.title
    assert most.measured["time_to_60V_s"].value is None


def test_a_link_that_stays_live_is_told_across_a_gap():
    played = _key_off(8200, 30.0, Logging(), welded=True)
    kinds = {
        finding.kind for finding in findings_of(discharge, _with_gap(played, OFF_S + 3.0, OFF_S + 24.0).signals, HAZEL)
    }
    assert "dc_link.stays_live" in kinds
