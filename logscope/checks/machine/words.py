"""The texts of the findings on the motor."""

from __future__ import annotations

from logscope.checks.machine.synchronous import Synchronous
from logscope.checks.machine.weakening import Weakening
from logscope.checks.wording import Words
from logscope.findings import Measured
from logscope.quantities import quantity_text


def points_words(shares: dict[str, float], power_w: float, efficiency: Measured | None, wrong: bool) -> Words:
    """Where the motor works."""
    spent = ", ".join(f"{share:.3g} % {name}" for name, share in shares.items())
    if efficiency is None:
        said = "Efficiency cannot be determined."
        method = "Efficiency needs battery voltage and current beside torque and speed, over at least half a minute of driving."
    else:
        said = f"{quantity_text(efficiency)} of the battery's energy reached the shaft while driving."
        method = (
            "Auxiliaries and inverter are included. Torque is the inverter's estimate, no measurement at the shaft; its scale "
            "and that of the current affect the efficiency and are not in its limits."
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
        f" At the highest speed {quantity_text(headroom)} of the voltage were left."
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
        f"Between {quantity_text(Measured(None, 'rpm', found.onset.low, found.onset.high))}.{left} Above it the same current "
        "gives less torque. A fuller pack moves it up, a sagging one down.",
        "Leave the current loop some voltage there. Tune torque and slip separately above and below that speed.",
        hands_near_hv=False,
        method=f"{method} The advice is common practice, no published source.",
    )


def slip_words(peak: Measured, inside: bool) -> Words:
    """Torque per ampere against slip."""
    where = "highest" if inside else "highest, at the end of what was driven,"
    return Words(
        f"Motor: torque per ampere is {where} at {quantity_text(Measured(peak.value, 'Hz'))} slip",
        f"From {quantity_text(Measured(None, 'Hz', peak.low, peak.high))} it is as high within the limits.",
        "To find the best slip, hold speed and current and change slip alone, one step a run.",
        hands_near_hv=False,
        method="Medians by slip, under load. Slip and current change together in most runs, so this shows what was driven, not "
        "the motor's whole map. The advice is common practice, no published source.",
    )


def synchronous_words(found: Synchronous, known: bool) -> Words:
    """A motor without slip; `known` : whether the pole pairs are, and so the lag's scale."""
    trails = f" The speed reading lags by {quantity_text(found.lag_s)}: its filter." if known else ""
    return Words(
        "Motor: synchronous; what reads as slip is the lag of the speed reading",
        f"Pole pairs times speed equals the electrical frequency at any torque.{trails} Torque against slip has no meaning here.",
        "Nothing to do. Leave slip out of the vehicle file.",
        hands_near_hv=False,
        method=f"At full torque a slip of {quantity_text(found.slip_hz)} remains; the rest follows the acceleration.",
    )
