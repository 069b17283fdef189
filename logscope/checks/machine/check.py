"""The machine check: operating points, efficiency, torque per ampere against slip, onset of field weakening."""

from __future__ import annotations

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.machine.points import Binned, Points, by_bins, find_efficiency, find_points, slip_hz
from logscope.checks.machine.synchronous import Synchronous, find_synchronous
from logscope.checks.machine.weakening import Weakening, find_weakening
from logscope.checks.wording import Words
from logscope.findings import Chart, Evidence, Finding, Measured, NothingToCheck, Series, Severity, Style
from logscope.observations.observations import Observations
from logscope.quantities import quantity_text
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_POINTS = 2000  # in the chart of the map
_MOTOR_PARTS = ("torque", "motor_speed", "motor_current", "slip", "stator_frequency", "voltage_utilisation")


def machine(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge where the motor works.

    Needs `torque` and `motor_speed`; uses current, battery, `slip` and `voltage_utilisation`. Raises MissingPart, or
    NothingToCheck where the motor never drives.
    """
    points = find_points(signals)
    if not points.time_s.size or not np.any(points.motoring):
        raise NothingToCheck("the motor never drives forward under load")
    findings = [_points(points, signals)]
    weakening = find_weakening(points, signals)
    span = ((float(points.time_s[0]), float(points.time_s[-1])),)
    if weakening is not None and weakening.curve is not None:
        measured = {"onset_rpm": weakening.onset or Measured(None, "rpm", float(weakening.curve.at[-1]), None)}
        headroom = None
        if weakening.by == "voltage utilisation":
            headroom = Measured(
                100 - float(weakening.curve.median[-1]),
                "%",
                100 - float(weakening.curve.high[-1]),
                100 - float(weakening.curve.low[-1]),
            )
            measured["headroom_percent"] = headroom
        unit = "%" if headroom is not None else "Nm/A"
        evidence = Evidence(charts=(_curve("motor speed", "rpm", weakening.by, unit, weakening.curve),))
        words = weakening_words(weakening, headroom)
        findings.append(
            assemble("machine.field_weakening", Severity.INFO, words, span, measured, _MOTOR_PARTS, signals, evidence)
        )
    return [*findings, *_slip(points, signals, vehicle, span)]


def _points(points: Points, signals: Signals) -> Finding:
    total = float(points.held_s.sum()) or 1.0
    driving, braking = (100 * float(points.held_s[where].sum()) / total for where in (points.motoring, points.braking))
    shares = {"driving": driving, "braking": braking, "idle or backwards": max(100 - driving - braking, 0.0)}
    efficiency = find_efficiency(points, signals)
    power = float(np.max(points.power_w))
    wrong = efficiency is not None and (efficiency.low or 0.0) > 100.0
    measured = {"efficiency_percent": efficiency} if efficiency is not None else {}
    measured |= {
        "peak_power_W": Measured(power, "W"),
        "driving_percent": Measured(driving, "%"),
        "braking_percent": Measured(braking, "%"),
    }
    stride = -(-points.rpm.size // _POINTS)
    series = (Series("samples", points.rpm[::stride], points.torque[::stride], style=Style.POINTS),)
    evidence = Evidence(charts=(Chart("motor speed", "rpm", "torque", "Nm", series),))
    span = ((float(points.time_s[0]), float(points.time_s[-1])),)
    words = points_words(shares, power, efficiency, wrong)
    severity = Severity.WARNING if wrong else Severity.INFO
    return assemble("machine.operating_points", severity, words, span, measured, _MOTOR_PARTS, signals, evidence)


def _slip(points: Points, signals: Signals, vehicle: Vehicle, span: tuple[tuple[float, float], ...]) -> list[Finding]:
    signed, current = slip_hz(points, signals, vehicle.motor.pole_pairs), signals.get("motor_current")
    if signed is None:
        return []
    synchronous = find_synchronous(points, signed, (vehicle.motor.pole_pairs or 1) / 60.0)
    if synchronous is not None:
        measured = {"slip_Hz": synchronous.slip_hz, "lag_s": synchronous.lag_s}
        if not vehicle.motor.pole_pairs:
            del measured["lag_s"]  # its scale is unknown
        words = synchronous_words(synchronous, known=bool(vehicle.motor.pole_pairs))
        return [assemble("machine.synchronous", Severity.INFO, words, span, measured, _MOTOR_PARTS, signals)]
    if current is None:
        return []
    slip = np.abs(signed)
    amps = np.abs(points.of(current))
    use = points.motoring & (amps > 0.1 * np.nanmax(amps))
    curve = by_bins(slip[use], points.torque[use] / amps[use])
    if curve is None:
        return []
    best = int(np.argmax(curve.median))
    alike = curve.at[curve.high >= curve.low[best]]
    half = curve.width / 2
    peak = Measured(float(curve.at[best]), "Hz", float(alike.min()) - half, float(alike.max()) + half)
    evidence = Evidence(charts=(_curve("slip", "Hz", "torque per ampere", "Nm/A", curve),))
    measured = {"slip_Hz": peak, "torque_per_ampere_Nm_per_A": Measured(
        float(curve.median[best]), "Nm/A", float(curve.low[best]), float(curve.high[best])
    )}  # fmt: skip
    words = slip_words(peak, 0 < best < curve.at.size - 1)
    return [assemble("machine.slip", Severity.INFO, words, span, measured, _MOTOR_PARTS, signals, evidence)]


def _curve(x: str, x_unit: str, y: str, y_unit: str, curve: Binned) -> Chart:
    return Chart(
        x, x_unit, y, y_unit, (Series("median with 95 % interval", curve.at, curve.median, curve.low, curve.high),)
    )


def points_words(shares: dict[str, float], power_w: float, efficiency: Measured | None, wrong: bool) -> Words:
    """Where the motor works."""
    spent = ", ".join(f"{share:.3g} % {name}" for name, share in shares.items())
    if efficiency is None:
        said = "Efficiency cannot be determined."
        method = (
            "Efficiency needs battery voltage and current, torque and speed, over at least half a minute of driving."
        )
    else:
        said = f"{quantity_text(efficiency)} of the battery's energy reached the shaft while driving."
        method = (
            "Auxiliaries and inverter are included. Torque is the inverter's estimate, no measurement at the shaft; "
            "its scale and that of the current affect the efficiency and are not in its interval."
        )
    if wrong:
        said += " Above 100 % is impossible: the scale of torque, speed or current is wrong."
    return Words(
        f"Motor: up to {quantity_text(Measured(power_w, 'W'))}"
        + (f", efficiency {quantity_text(Measured(efficiency.value, '%'))}" if efficiency is not None else ""),
        f"{said} Time spent: {spent}.",
        "Check scale and offset of battery current, torque and speed in definitions and vehicle file."
        if wrong
        else "Compare map and efficiency with those of other runs over the same road.",
        hands_near_hv=False,
        method=method,
    )


def weakening_words(found: Weakening, headroom: Measured | None) -> Words:
    """Onset of field weakening."""
    left = (
        f" At the highest speed {quantity_text(headroom)} of the voltage was left."
        if headroom is not None and headroom.value is not None
        else ""
    )
    method = f"Judged by {found.by}, over the speeds that were driven under load."
    if found.onset is None:
        return Words(
            "Motor: no field weakening seen up to the highest speed driven under load",
            f"It begins above that speed, or the run was too short.{left}",
            "Drive up to the highest speed you mean to use, under load, on a clear straight.",
            hands_near_hv=False,
            method=method,
        )
    return Words(
        f"Motor: field weakening begins at about {quantity_text(Measured(found.onset.value, 'rpm'))}",
        f"95 % interval: {quantity_text(Measured(None, 'rpm', found.onset.low, found.onset.high))}.{left} Above it the "
        "same current gives less torque. A fuller pack moves it up, a sagging one down.",
        "Leave the current loop some voltage in reserve there. Tune torque and slip separately above and below that "
        "speed.",
        hands_near_hv=False,
        method=f"{method} The advice is common practice, no published source.",
    )


def slip_words(peak: Measured, inside: bool) -> Words:
    """Torque per ampere against slip."""
    where = "highest" if inside else "highest, at the end of what was driven,"
    return Words(
        f"Motor: torque per ampere is {where} at {quantity_text(Measured(peak.value, 'Hz'))} slip",
        f"From {quantity_text(Measured(None, 'Hz', peak.low, peak.high))} it does not differ within the 95 % interval.",
        "To find the best slip, hold speed and current and change slip alone, one step a run.",
        hands_near_hv=False,
        method="Medians by slip, under load. Slip and current change together in most runs, so this shows what was "
        "driven, not the motor's whole map. The advice is common practice, no published source.",
    )


def synchronous_words(found: Synchronous, known: bool) -> Words:
    """A motor without slip; `known` : whether the pole pairs are, and so the lag's scale."""
    trails = f" The speed reading lags by {quantity_text(found.lag_s)}: its filter." if known else ""
    return Words(
        "Motor: synchronous; what reads as slip is the lag of the speed reading",
        f"Pole pairs times speed equals the electrical frequency at any torque.{trails} Torque against slip has no "
        "meaning here.",
        "Nothing to do. Leave slip out of the vehicle file.",
        hands_near_hv=False,
        method=f"At full torque a slip of {quantity_text(found.slip_hz)} remains; the rest follows the acceleration.",
    )
