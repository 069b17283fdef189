"""The texts of the findings on regeneration."""

from __future__ import annotations

from logscope.checks.regeneration.braking import Braking, Fade
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.quantities import quantity_text

_FADE_EARLIER = "Let the torque fade out at a higher speed, or it rocks the vehicle at standstill. "
_LOWER = (
    "Lower the regeneration limit, or let it fall with the voltage, before you brake harder or with a fuller pack: if a "
    "contactor or fuse opens while braking, the link rises at once."
)
_REPEAT = "Repeat with a full pack and from the highest speed before you rely on it."


def summary_words(
    braking: Braking, power: float | None, margin: Measured | None, fade: Fade | None, limit: str, close: bool
) -> Words:
    """All braking of the log."""
    count, unit = len(braking.spans), "Nm" if braking.part.name == "torque" else "A"
    said, method = [], []
    if power is not None:
        said.append(f"Up to {quantity_text(Measured(power, 'W'))} went back into the battery.")
        method.append("The vehicle file states no limit for that power: compare it with the pack's data sheet.")
    if margin is not None:
        said.append(f"{quantity_text(Measured(margin.value, 'V'))} were left below {limit}.")
        method.append(f"Margin to the limit: {quantity_text(margin)}; a peak between two samples is not seen.")
    if fade is not None:
        said.append(f"The braking torque fades out towards standstill, to half at {quantity_text(fade.half)}.")
        method.append(f"The fade is measured in {fade.count} stops.")
        if fade.reverse_s > 0:
            said.append(f"It still braked for {seconds(fade.reverse_s)} after the motor had turned backwards.")
    else:
        method.append("The speed at which braking fades out needs two stops in which the torque fades gradually.")
    late = fade is not None and fade.reverse_s > 0
    if late:
        method.append("Fading at a higher speed is common practice, no published source.")
    return Words(
        f"Regeneration: braked {times(count)}, up to {number(braking.largest)} {unit}"
        + (", close to the voltage limit" if close else ""),
        " ".join(said),
        (_FADE_EARLIER if late else "") + (_LOWER if close else _REPEAT),
        method=" ".join(method),
    )


def full_words(amps: float, at_v: float, total_s: float, limit_v: float) -> Words:
    """Current into a full pack."""
    return Words(
        f"Regeneration into a full pack: {number(amps)} A at {number(at_v)} V",
        f"For {seconds(total_s)} the motor charged a pack at or above its configured maximum of {number(limit_v)} V. "
        "Overcharged cells can burn.",
        "Set inverter or pack controller so that regeneration ends below that voltage. Do not brake with a full pack until it "
        "does.",
    )
