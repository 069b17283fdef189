"""The findings on regeneration in plain words."""

from __future__ import annotations

from logscope.checks.regeneration.braking import Braking, Fade
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured


def summary_words(
    braking: Braking, power: float | None, margin: Measured | None, fade: Fade | None, limit: str, close: bool
) -> Words:
    """All braking of the log."""
    count, unit = len(braking.spans), "Nm" if braking.part.name == "torque" else "A"
    told = [
        f"The motor braked {'once' if count == 1 else f'{count} times'}, with up to {number(braking.largest)} {unit}."
    ]
    if power is not None:
        told.append(
            f"At the most {number(power / 1e3)} kW went back into the battery; the vehicle file states no limit for that: compare it with the pack's own."
        )
    if margin is not None:
        told.append(
            f"While braking {number(margin.value or 0)} V were left below {limit}; a peak between two samples is not seen."
        )
    if fade is not None:
        told.append(
            f"Towards standstill the braking torque falls through half of its plateau at {_limits(fade.half)} rpm ({fade.count} stops)."
        )
        if fade.reverse_s > 0:
            told.append(f"It still braked for {seconds(fade.reverse_s)} when the motor already turned backwards.")
    else:
        told.append(
            "At which speed it fades cannot be determined: it takes two stops in which the torque itself lets go gradually."
        )
    late = fade is not None and fade.reverse_s > 0
    return Words(
        f"Regeneration: {'once' if count == 1 else f'{count} times'}, up to {number(braking.largest)} {unit}"
        + (", close to the voltage limit" if close else ""),
        " ".join(told),
        (
            "Common practice, no published source: let the torque fade at a higher speed, or it will rock the vehicle at standstill. "
            if late
            else ""
        )
        + (
            "Lower the regeneration limit, or let it fall with the voltage, before you brake harder or with a fuller pack: if a contactor or fuse opens while braking, the link rises at once."
            if close
            else "Repeat with a full pack and from the highest speed before you count on it."
        ),
    )


def full_words(amps: float, at_v: float, total_s: float, limit_v: float) -> Words:
    """Current into a full pack."""
    return Words(
        f"Braking current into a full pack: {number(amps)} A at {number(at_v)} V",
        f"For {seconds(total_s)} the motor charged a pack that stood at its stated maximum of {number(limit_v)} V or above.",
        "Set the inverter or the pack controller so that regeneration ends before that voltage; do not brake with a full pack until it does. Overcharged cells can burn.",
    )


def _limits(value: Measured) -> str:
    return f"{number(value.value or 0)} ({number(value.low or 0)} to {number(value.high or 0)})"
