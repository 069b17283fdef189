"""What ranking gives, and what all families of parts share: scores into hits, twins, rests, usual scales."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import PARTS, part_name
from logscope.seeking.correlation import Correlated, Line, false_positive_rate, line
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.driving import rest_of, sidedness
from logscope.seeking.likeness.link_cycles import link_cycles
from logscope.seeking.search import Search, once

Ranked = tuple[list[Hit], list[str]]  # hits, the best first, and notes


# Parts that show the same quantity: the one is the reference of the other, in the same unit.
TWINS = {
    "dc_link_voltage_second": ("dc_link_voltage",),
    "motor_speed_second": ("motor_speed",),
    "motor_speed": ("motor_speed_second",),
    "throttle_second": ("throttle",),
    "throttle": ("throttle_second",),
    "torque": ("torque_target",),
    "torque_target": ("torque",),
    "motor_current": ("motor_current_target",),
    "motor_current_target": ("motor_current",),
    "coolant_temperature": ("coolant_temperature_out",),
    "coolant_temperature_out": ("coolant_temperature",),
}


_ONE_SIDED = ("motor_current", "motor_current_target", "throttle", "throttle_second")


_WEIGHT = 0.25  # of the sides to which a field moves, beside its correlation


# Traction batteries of passenger cars and conversions, in which a level reads as volts without more being known.
_USUAL_V = (60.0, 900.0)


_FACTORS = (1.0, 0.5, 0.1, 0.05, 0.01, 2.0)


def usual_scale(level: float) -> tuple[float, str, str]:
    """A factor with which a level reads as a traction battery's volts, its unit, and what it rests on."""
    for factor in _FACTORS:
        if _USUAL_V[0] <= level * factor <= _USUAL_V[1]:
            why = f"Scale assumed: a usual factor, with which the level is {level * factor:.0f} V; measure it."
            return factor, "V", why
    return 1.0, "", "Scale unknown."


def with_rates(hits: list[Hit], chance: FloatArray) -> list[Hit]:
    rated = [replace(hit, false_positive_rate=false_positive_rate(hit.score, chance)) for hit in hits]
    return sorted(rated, key=lambda hit: -hit.score)


def hits_of(
    search: Search,
    part: str,
    found: Sequence[tuple[str, Correlated]],
    fitted_to: str,
    *,
    sides: bool = False,
    weights: FloatArray | None = None,
) -> list[Hit]:
    """Hits from correlations with one or more templates; fitted_to : the known part that gives scale and offset."""
    scene = search.scene
    best = np.mean([np.abs(each.best) for _, each in found], axis=0)
    chance = np.mean([each.chance for _, each in found], axis=0)
    if weights is not None:
        best = best * weights
    if sides:
        wanted = -1.0 if part in _ONE_SIDED else 1.0
        both = np.array([sidedness(row, rest) for row, rest in zip(scene.rows, rests(search), strict=True)])
        best = best * (1.0 - _WEIGHT * (1.0 - wanted * both) / 2.0)
    hits = []
    for number, candidate in enumerate(search.numbers):
        if best[number] <= 0:
            continue
        unit, fit, why = "", Line(), "Scale unknown: nothing in its unit is known."
        if fitted_to and best[number] >= 0.8:
            unit, fit = PARTS[part].unit, line(scene.known[fitted_to], scene.rows[number])
            why = fit.in_words(part_name(fitted_to), unit)
        reasons = tuple(f"correlation {each.best[number]:+.2f} with {name}" for name, each in found)
        delay = found[0][1].delay_s[number]
        if abs(delay) >= scene.step_s:
            reasons += (f"{abs(delay):.2f} s {'after' if delay > 0 else 'before'} it",)
        score, rate = float(best[number]), false_positive_rate(float(best[number]), chance)
        hits.append(
            Hit(
                part, candidate, score, rate, fit.scale, fit.offset, unit, why, reasons,
                scale_limits=fit.scale_limits, offset_limits=fit.offset_limits,
            )
        )  # fmt: skip
    return sorted(hits, key=lambda hit: -hit.score)


@once
def rests(search: Search) -> FloatArray:
    """What each field shows while the vehicle stands, or where it stays longest if no speed is known; shape (n,)."""
    rows = search.scene.rows
    if search.speed is not None:
        speed = np.abs(search.speed[0])
        standing = speed <= 0.01 * np.max(speed)
        if np.count_nonzero(standing) >= 20:
            return np.asarray(np.median(rows[:, standing], axis=1))
    return np.array([rest_of(row)[0] for row in rows])


@once
def link_up(search: Search) -> FloatArray | None:
    """1 while the link is up, over the grid; None where no precharge is seen."""
    if search.link is None:
        return None
    time_s = search.scene.time_s
    up = np.zeros(time_s.size)
    for cycle in link_cycles(*search.link[0]):
        up[(time_s >= cycle.up_s) & (time_s <= cycle.falls_s)] = 1.0
    return up if up.any() else None
