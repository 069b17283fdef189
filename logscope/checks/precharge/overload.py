"""The finding of a precharge resistor that took more heat than its data sheet allows."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from logscope.checks.assemble import assemble
from logscope.checks.precharge.stress import COOLING_SLOWEST_S, Stress
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Finding, Measured, Severity
from logscope.physics.resistor import least_interval_s


def overload(stresses: Sequence[Stress], held: Sequence[Measured], rated_j: float | None) -> list[Finding]:
    """One finding where an attempt, or several together, put more into the resistor than it is rated for; else none.

    held : heat in the resistor after each attempt, what is left of the earlier ones included
    """
    if rated_j is None:
        return []
    over = [k for k, heat in enumerate(held) if _told(heat) > rated_j]
    if not over:
        return []
    worst = max(over, key=lambda k: _told(held[k]))
    surely = any((held[k].low or 0.0) > rated_j for k in over)
    one, heat = stresses[worst], held[worst]
    words = Words(
        title=f"The precharge resistor took {_joule(heat)}, more than the {number(rated_j)} J it is rated for",
        explanation=_explanation(one, heat, worst, rated_j),
        next_step=_next_step(one, rated_j),
    )
    return [
        assemble(
            "precharge.resistor_stress",
            Severity.DANGER if surely else Severity.WARNING,
            words,
            [(stresses[k].start_s, stresses[k].end_s) for k in over],
            {
                "resistor_heat_J": heat,
                "resistor_energy_J": one.energy_J,
                "resistor_peak_power_W": one.peak_power_W,
                "count": Measured(float(len(over)), "1"),
            },
            ("dc_link_voltage",),
            expected={"resistor_heat_J": Measured(None, "J", None, rated_j)},
        )
    ]


def _told(heat: Measured) -> float:
    """The value, or what it is at least."""
    return (heat.low or 0.0) if heat.value is None else heat.value


def _joule(heat: Measured) -> str:
    return f"{'at least ' if heat.value is None else ''}{number(_told(heat))} J"


def _explanation(one: Stress, heat: Measured, earlier: int, rated_j: float) -> str:
    sentences = [f"The attempt alone put {_joule(one.energy_J)} into it."]
    if one.stall is not None and one.stall.energy_J.value is not None and one.stall.power_W.value is not None:
        sentences.append(
            f"Of that, {number(one.stall.energy_J.value)} J came after the rise had stalled: "
            f"{number(one.stall.power_W.value)} W for {seconds(one.stall.lasted_s)}."
        )
    if earlier and heat.high is not None:
        sentences.append(
            f"With what was left of {earlier} earlier attempt{'s' if earlier > 1 else ''} it held "
            f"{number(heat.low or 0.0)} to {number(heat.high)} J, with its cooling time constant assumed "
            "between 20 s and 5 min."
        )
    elif heat.low is not None and heat.high is not None:
        sentences.append(f"Range {number(heat.low)} to {number(heat.high)} J, for sensors that differ by 1.5 %.")
    sentences.append(
        f"The rating of {number(rated_j)} J for one pulse and the resistance are those of the vehicle file; heat "
        "that the resistor gives off during the attempt is not counted."
    )
    return " ".join(sentences)


def _next_step(one: Stress, rated_j: float) -> str:
    interval_s = least_interval_s(_told(one.energy_J), rated_j, COOLING_SLOWEST_S)
    if isfinite(interval_s):
        wait = f"Space attempts of this size by {seconds(interval_s)} or more, and limit their number. "
    elif one.stall is not None:
        wait = "Shorten the time-out of the sequence, or take a resistor rated for the stall. "
    else:
        wait = "One such attempt is too much for it: take a resistor of a higher pulse rating. "
    return (
        wait
        + "Before another attempt let it cool. With the power off, isolated and proven dead, look for discolouring and "
        "measure its resistance cold."
    )
