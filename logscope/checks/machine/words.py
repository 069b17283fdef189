"""The findings on the motor in plain words."""

from __future__ import annotations

from logscope.checks.machine.synchronous import Synchronous
from logscope.checks.machine.weakening import Weakening
from logscope.checks.wording import Words, number
from logscope.findings import Measured


def points_words(shares: dict[str, float], power_w: float, efficiency: Measured | None, wrong: bool) -> Words:
    """Where the motor works."""
    told = ", ".join(f"{share:.3g} % {name}" for name, share in shares.items())
    if efficiency is None:
        eta = "Efficiency cannot be determined: it takes battery voltage and current beside torque and speed, over half a minute of driving at least."
    else:
        eta = (
            f"Of the battery's energy {_limits(efficiency)} % arrived at the shaft while driving, auxiliaries and inverter included. Torque is what the inverter reckons, not what a shaft "
            "was measured to give; its scale and that of the current are in this figure, and not in its limits."
        )
    if wrong:
        eta += " More than all of it cannot be: the scale of torque, speed or current is wrong."
    return Words(
        f"The motor gave up to {number(power_w / 1e3)} kW"
        + (f", efficiency {number(efficiency.value or 0)} %" if efficiency is not None else ""),
        f"Time spent: {told}. {eta}",
        "Check scale and offset of battery current, torque and speed in definitions and vehicle file."
        if wrong
        else "Compare maps and efficiency of runs over the same road.",
        hands_near_hv=False,
    )


def weakening_words(found: Weakening, headroom: Measured | None) -> Words:
    """Onset of field weakening."""
    left = (
        f" At the highest speed {number(headroom.value or 0)} % of the voltage were left."
        if headroom is not None and headroom.value is not None
        else ""
    )
    if found.onset is None:
        return Words(
            "Field weakening was not seen to begin in this log",
            f"Judged by {found.by}, over the speeds that were driven under load.{left} Either it begins above them, or the run was too short to tell.",
            "Drive up to the highest speed you mean to use, under load, on a clear straight.",
            hands_near_hv=False,
        )
    onset = found.onset
    return Words(
        f"Field weakening begins at about {number(onset.value or 0)} rpm",
        f"Judged by {found.by}: between {number(onset.low or 0)} and {number(onset.high or 0)} rpm.{left} Above it torque falls for the same current; a fuller pack moves it up, a sagging one down.",
        "Common practice, no published source: leave the current loop some voltage there, and tune torque and slip above and below that speed apart.",
        hands_near_hv=False,
    )


def slip_words(peak: Measured, inside: bool) -> Words:
    """Torque per ampere against slip."""
    where = "peaks" if inside else "is largest at the end of what was driven,"
    return Words(
        f"Torque per ampere {where} at {number(peak.value or 0)} Hz slip",
        f"Medians by slip, under load: between {number(peak.low or 0)} and {number(peak.high or 0)} Hz. Slip and current change together in most runs, so this is what was driven, not the motor's whole map.",
        "Common practice, no published source: to find the best slip, hold speed and current and change slip alone, one step a run.",
        hands_near_hv=False,
    )


def synchronous_words(found: Synchronous, told: bool) -> Words:
    """A motor without slip; `told` : whether the pole pairs are known, and so the lag's scale."""
    slip, lag = found.slip_hz, found.lag_s
    trails = (
        f" The motor speed trails the electrical frequency by {number(1e3 * (lag.value or 0))} ms (95 %: {number(1e3 * (lag.low or 0))} to {number(1e3 * (lag.high or 0))} ms), which is the lag of its filter."
        if told
        else ""
    )
    return Words(
        "The motor is synchronous: what reads as slip is the lag of the speed reading",
        f"Pole pairs times speed equals the electrical frequency whatever the torque: at full torque {number(slip.value or 0)} Hz are left (95 %: {number(slip.low or 0)} to {number(slip.high or 0)} Hz). "
        f"The rest follows the acceleration.{trails} Torque against slip has no meaning here.",
        "Nothing to do. Leave slip out of the vehicle file.",
        hands_near_hv=False,
    )


def _limits(value: Measured) -> str:
    return f"{number(value.value or 0)} ({number(value.low or 0)} to {number(value.high or 0)})"
