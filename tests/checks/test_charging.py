"""Charging: phases, amounts and taper, against closed forms, scipy and a circuit simulator; thin logs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from charge_traces import VEHICLE, Made, judged, only
from limits_study import LimitsStudy
from one_check import findings_of
from scipy.integrate import trapezoid
from scipy.signal import lfilter
from spice import NEEDS_NGSPICE, solve

from logscope.checks.charging.check import charging
from logscope.checks.charging.taper import _fit
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.observations.charging.phases import Step
from logscope.observations.observations import Observations
from logscope.signals import MissingPart, Part, Signals
from logscope.vehicle import Charging, Limits, Vehicle


def holds(finding: Finding, name: str, true: float) -> bool:
    """Whether the limits hold the truth."""
    value = finding.measured[name]
    assert value.low is not None
    assert value.high is not None
    return value.low <= true <= value.high


@pytest.mark.parametrize("period_s", [0.1, 0.5, 1.0])
def test_phases_are_those_of_the_closed_form(period_s: float) -> None:
    """First-order RC circuit, any textbook of circuits: 20 A until 333 V, then 20·exp(−t/RC)."""
    made = Made(period_s=period_s)
    found = only(made)
    assert (found.kind, found.severity) == ("charge.complete", Severity.GOOD)
    measured = found.measured
    assert measured["constant_current_A"].value == pytest.approx(20.0, abs=0.05)
    assert measured["constant_voltage_V"].value == pytest.approx(333.0, abs=0.05)
    # the taper counts from where one percent is gone, so that the constant current seems longer by RC/100
    assert measured["constant_current_s"].value == pytest.approx(120.0, abs=9.0)
    assert measured["taper_time_constant_s"].value == pytest.approx(400.0, rel=0.03)
    assert measured["end_current_A"].value == pytest.approx(20 * np.exp(-580 / 400), abs=0.4)


@pytest.mark.parametrize("period_s", [0.1, 1.0])
def test_charge_and_energy_agree_with_scipy(period_s: float) -> None:
    """scipy.integrate.trapezoid over the closed form on a grid a hundred times finer."""
    made = Made(period_s=period_s)
    fine = np.arange(0.0, made.log_s, 0.001)
    amps, volts = made.into(fine), made.terminal(fine)
    out_wh = trapezoid(amps * volts, fine) / 3600
    found = only(made)
    ah = found.measured["charge_Ah"]
    assert ah.value == pytest.approx(trapezoid(amps, fine) / 3600, rel=2e-3)
    assert found.measured["energy_Wh"].value == pytest.approx(out_wh, rel=2e-3)
    fed = (fine >= made.begins_s) & (fine <= made.ends_s)
    in_wh = trapezoid(np.where(fed, amps * volts / 0.93 + 15.0, 0.0), fine) / 3600
    assert found.measured["efficiency_percent"].value == pytest.approx(100 * out_wh / in_wh, abs=0.3)


def test_limits_of_the_taper_hold_the_truth_as_often_as_they_say() -> None:
    """Over other seeds than it was developed on."""
    study = LimitsStudy()
    for seed in range(9000, 9040):
        made = Made(seed=seed, period_s=0.5, noise_a=0.3, load_a=0.04 * (seed % 100))
        study.of(made.time_constant_s, only(made).measured["taper_time_constant_s"])
    study.judge()


def test_limits_of_the_taper_hold_where_neighbouring_readings_err_alike() -> None:
    """Errors of an autoregressive series of first order, as a regulator's wander makes them; truth by draws."""
    study, rng, since_s = LimitsStudy(), np.random.default_rng(9100), np.arange(0.0, 600.0, 10.0)
    for _ in range(120):
        errors = lfilter([0.1], [1.0, -0.6], rng.standard_normal(since_s.size))
        fit = _fit(since_s, 20.0 * np.exp(-since_s / 400.0) + 1.0 + errors, 350.0)
        assert fit is not None
        study.add(400.0, *fit[:3])
    study.judge()


def test_a_load_beside_the_battery_is_taken_off() -> None:
    made = Made(load_a=3.0)
    found = only(made)
    assert found.measured["load_A"].value == pytest.approx(3.0, abs=0.1)
    assert found.measured["taper_time_constant_s"].value == pytest.approx(made.time_constant_s, rel=0.03)


@NEEDS_NGSPICE
def test_a_pack_of_two_time_constants_agrees_with_ngspice(tmp_path: Path) -> None:
    """ngspice: capacitor (open-circuit voltage), resistance and one RC pair, fed by a source of limited current.

    Charge is ngspice's own current integrated by scipy; the slow time constant is that of the network's slow pole.
    """
    r0, r1, c1, c0 = 0.06, 0.03, 400.0, 4000.0
    elements = f"""Cb ocv 0 {c0} ic=330
R0 ocv a {r0}
R1 a out {r1}
C1 a out {c1} ic=0
B1 0 out I=max(0, min(20, 1000*(333.0 - v(out))))"""
    out = solve(tmp_path, elements, 900.0, 0.5, ("v(out)", "v(ocv)", "v(a)"))
    time_s, volts, amps = out[:, 0] + 10.0, out[:, 1], (out[:, 3] - out[:, 2]) / r0
    assert amps.max() == pytest.approx(20.0, rel=1e-3)
    rng = np.random.default_rng(77)
    time_s = np.concatenate(([0.0, 3.0, 6.0, 9.0], time_s, time_s[-1] + np.arange(0.5, 20.0, 0.5)))
    idle = time_s.size - amps.size - 4
    current = np.concatenate((np.zeros(4), amps, np.zeros(idle)))
    voltage = np.concatenate((np.full(4, 330.0), volts, np.full(idle, volts[-1])))
    parts = [
        Part(
            "charger_current", time_s, np.abs(np.round(current + rng.normal(0, 0.05, time_s.size), 1)), "A", "C.A", 0.1
        ),
        Part("charger_voltage", time_s, np.round(voltage + rng.normal(0, 0.05, time_s.size), 1), "V", "C.V", 0.1),
        Part("battery_current", time_s, np.round(-current + rng.normal(0, 0.1, time_s.size), 1), "A", "B.A", 0.1),
    ]
    (found,) = findings_of(charging, Signals({p.name: p for p in parts}, 0.0, float(time_s[-1])), VEHICLE)
    assert found.kind == "charge.complete"
    assert found.measured["charge_Ah"].value == pytest.approx(trapezoid(amps, out[:, 0]) / 3600, rel=3e-3)
    # states: voltage of the RC pair, open-circuit voltage; terminals held
    states = np.array([[-(1 / r0 + 1 / r1) / c1, -1 / (r0 * c1)], [-1 / (r0 * c0), -1 / (r0 * c0)]])
    slow_s = float(np.max(-1.0 / np.linalg.eigvals(states).real))
    assert found.measured["taper_time_constant_s"].value == pytest.approx(slow_s, rel=0.05)


def test_one_reading_is_no_session() -> None:
    signals = Made().signals()
    current = signals.parts["charger_current"]
    lone = replace(current, value=np.where(np.arange(current.value.size) == 500, 20.0, 0.0))
    (found,) = findings_of(charging, replace(signals, parts={lone.name: lone}), VEHICLE)
    assert found.kind == "charge.undetermined"


def test_a_charger_whose_current_the_battery_does_not_take_is_no_charge() -> None:
    """An old reading that is repeated, a heater, or another signal: each looks the same."""
    signals = Made(ends_s=400.0, request_ends_s=300.0).signals()
    battery = signals.parts["battery_current"]
    idle = replace(battery, value=np.zeros(battery.value.size))
    found = findings_of(charging, replace(signals, parts={**signals.parts, "battery_current": idle}), VEHICLE)
    assert [finding.kind for finding in found] == ["charge.undetermined"]


def test_a_charge_before_is_not_what_the_charger_draws_by_itself() -> None:
    """Two charges with a pause: the input power falls as the current is switched off, and no supply failed."""
    signals = Made(ends_s=300.0).signals()

    def paused(name: str, rest: float) -> Part:
        part = signals.parts[name]
        return replace(part, value=np.where((part.time_s > 150) & (part.time_s < 170), rest, part.value))

    own = {name: paused(name, 0.0) for name in ("charger_current", "battery_current")}
    own["charger_input_power"] = paused("charger_input_power", 20.0)
    found = findings_of(charging, replace(signals, parts={**signals.parts, **own}), VEHICLE)
    assert [(finding.kind, finding.cause) for finding in found] == [("charge.stopped", "undetermined")] * 2


def test_a_hole_in_the_log_widens_the_charge() -> None:
    whole, signals = only(Made()), Made().signals()
    parts = {name: part.where((part.time_s < 200.0) | (part.time_s > 260.0)) for name, part in signals.parts.items()}
    found = findings_of(charging, replace(signals, parts=parts), VEHICLE)[-1]
    assert found.measured["missing_s"].value == pytest.approx(60.0, abs=0.2)
    true = whole.measured["charge_Ah"].value
    assert true is not None
    assert holds(found, "charge_Ah", true)
    assert "efficiency_percent" not in found.measured


def test_a_log_without_charging_is_not_checked() -> None:
    signals = Made(begins_s=1000.0, without=("charge_plug",)).signals()
    with pytest.raises(NothingToCheck):
        findings_of(charging, signals, VEHICLE)
    alone = {"battery_current": signals.parts["battery_current"]}
    with pytest.raises(MissingPart):  # what flows into a battery may be braking
        findings_of(charging, replace(signals, parts=alone), VEHICLE)


def test_the_battery_shows_a_charge_where_the_plug_is_in() -> None:
    found = only(Made(without=("charger_current", "charger_voltage")))
    assert found.kind == "charge.complete"
    assert found.measured["taper_time_constant_s"].value == pytest.approx(400.0, rel=0.1)


def test_phases_of_a_charge_without_a_constant_current() -> None:
    """A battery that is nearly full: the voltage is reached while the current still rises."""
    signals = Made(constant_s=0.5).signals()
    (session,) = Observations(signals, VEHICLE).charges
    flat = session.phase(Step.VOLTAGE)
    assert flat is not None
    assert flat.start_s < 20.0 + 15.0


def test_sound_sessions_with_meters_as_they_are_raise_nothing() -> None:
    """Meters off by 0.3 % of a voltage, 1.5 % and 0.2 A of a current: common practice, no published source."""
    for seed in range(9200, 9240):
        rng = np.random.default_rng(seed)
        held_a, constant_s = float(rng.uniform(8.0, 30.0)), float(rng.uniform(0.0, 300.0))
        full_s = 20.0 + constant_s + 400.0 * float(np.log(held_a / 4.5))
        made = Made(
            seed=seed, period_s=float(rng.choice([0.1, 0.2, 0.5, 1.0])), held_a=held_a,
            load_a=float(rng.uniform(0.0, 2.0)), volt_scale=1 + rng.uniform(-0.003, 0.003),
            amp_scale=1 + rng.uniform(-0.015, 0.015), amp_offset=float(rng.uniform(0.0, 0.2)),
            constant_s=constant_s, ends_s=full_s, log_s=full_s + 50.0,
        )  # fmt: skip
        found = judged(made)
        assert {f.severity for f in found} <= {Severity.GOOD, Severity.INFO}, (seed, [f.title for f in found])


def cell_charge(seed: int) -> tuple[Signals, float]:
    """A single cell at 1.5 A to 4.2 V, then down to 20 mA, read every 2 to 12 s; and its charge [Ah].

    Resistance, one diffusion pair and a curved open-circuit voltage, own invention.
    """
    rng = np.random.default_rng([seed, 63])
    level, held_v, amps, lag_v = rng.uniform(0.0, 0.5), 4.2, 1.5, 0.0
    capacity_ah, ohm, slow_ohm, slow_s = rng.uniform(1.3, 2.0), rng.uniform(0.05, 0.15), 0.06, rng.uniform(200, 800)
    rows: list[tuple[float, float]] = [(0.0, 3.5)] * 10
    while amps > 0.02:
        open_v = 3.3 + 0.6 * level + 0.28 * level**6 - 0.5 * np.exp(-30 * level)
        amps = min(1.5, (held_v - open_v - lag_v) / ohm)
        rows.append((amps, open_v + lag_v + amps * ohm))
        lag_v += (amps * slow_ohm - lag_v) / slow_s
        level += amps / 3600.0 / capacity_ah
    rows += [(0.0, rows[-1][1] - 0.01)] * int(rng.integers(0, 40))
    current, volts = np.array(rows).T
    t = np.cumsum(rng.integers(2, 12, current.size))
    t = np.concatenate(([0], t[t < current.size - 1], [current.size - 1]))  # up to the end, as a cycler logs
    amps_read, volts_read = current[t] + rng.normal(0, 0.001, t.size), volts[t] + rng.normal(0, 0.0005, t.size)
    at_s = t.astype(float)
    parts = [
        Part("charger_current", at_s, amps_read, "A", "Made.a"),
        Part("charger_voltage", at_s, volts_read, "V", "Made.v"),
    ]
    return Signals({part.name: part for part in parts}, 0.0, at_s[-1]), float(trapezoid(current, dx=1.0)) / 3600.0


def test_a_single_cell_is_charged_to_its_end() -> None:
    """scipy.integrate.trapezoid over the made current each second; a taper of two time constants, down to 20 mA."""
    vehicle = Vehicle(limits=Limits(cell_max_V=4.2), charging=Charging(end_current_A=0.02))
    study = LimitsStudy()
    for seed in range(9300, 9316):
        signals, charge_ah = cell_charge(seed)
        (found,) = findings_of(charging, signals, vehicle)
        assert (found.kind, found.severity) == ("charge.complete", Severity.GOOD)
        study.of(charge_ah, found.measured["charge_Ah"])
    study.judge()


THIN = {
    "one reading": lambda part: part.where(np.arange(part.time_s.size) == 1500),
    "few readings": lambda part: part.where(np.isin(np.arange(part.time_s.size), [1500, 1501, 1502])),
    "first half": lambda part: part.where(part.time_s < 200.0),
    "second half": lambda part: part.where(part.time_s > 200.0),
    "every five seconds": lambda part: part.where(np.diff(part.time_s // 5.0, prepend=-1.0) > 0),
    "nothing but zero": lambda part: replace(part, value=np.zeros_like(part.value)),
}


@pytest.mark.parametrize("absent", [(), ("charger_voltage", "battery_voltage"), ("battery_current",), ("charge_plug",)])
@pytest.mark.parametrize("thin", list(THIN))
def test_a_thin_log_of_a_charge_raises_nothing_and_guesses_no_end(thin: str, absent: tuple[str, ...]) -> None:
    """One reading, half a session, a message each five seconds, an absent sensor: said, never guessed."""
    signals = Made(without=absent).signals()
    parts = {
        name: THIN[thin](part) if thin not in ("nothing but zero",) or name == "charger_current" else part
        for name, part in signals.parts.items()
    }
    parts = {name: part for name, part in parts.items() if part.time_s.size}
    whole = thin == "every five seconds"
    end_s = max(float(part.time_s[-1]) for part in parts.values())
    start_s = min(float(part.time_s[0]) for part in parts.values())
    try:
        found = findings_of(charging, replace(signals, parts=parts, start_s=start_s, end_s=end_s), VEHICLE)
    except (MissingPart, NothingToCheck):
        return
    assert not [each.title for each in found if each.severity in (Severity.WARNING, Severity.DANGER)]
    ended = [each.kind for each in found if each.kind in ("charge.complete", "charge.stopped")]
    assert not ended or whole or thin == "second half"
