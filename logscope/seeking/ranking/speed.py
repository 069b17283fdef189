"""Fields in the order of their likeness to a speed."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.seeking.correlation import correlate
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.driving import speedlike
from logscope.seeking.ranking.outcome import Ranked, hits_of, with_rates
from logscope.seeking.search import Search

SPEEDS = ("motor_speed", "motor_speed_second", "vehicle_speed", "stator_frequency")


def by_speed(search: Search, part: str) -> Ranked:
    """Rank by a known speed, or by an acceleration that goes with a force."""
    scene = search.scene
    reference = next((each for each in SPEEDS if each in scene.known and each != part), None)
    if reference is not None:
        same_unit = {part, reference} <= {"motor_speed", "motor_speed_second"}
        found = correlate(scene.rows, scene.known[reference], scene.step_s)
        return hits_of(search, part, [(part_name(reference), found)], reference if same_unit else ""), []
    scores = speedlike(scene.rows, scene.step_s)
    chance = _speed_chance(search)
    reasons = ("its rate of change follows another field, as a speed follows a force, and it rests at one value",)
    why = "Scale unknown: no speed is known."
    hits = [
        Hit(part, each, float(score), 1.0, scale_from=why, reasons=reasons)
        for each, score in zip(search.numbers, scores, strict=True)
        if score > 0
    ]
    notes = ["No speed is known: road speed and motor speed look alike up to their scale."]
    return with_rates(hits, chance), notes


def _speed_chance(search: Search) -> FloatArray:
    """Of speeds by themselves: each field's acceleration against the other fields at another time."""
    rows = search.scene.rows
    shifts = np.linspace(0.15, 0.85, 30) * rows.shape[1]
    tries = (speedlike(rows, search.scene.step_s, np.roll(rows, round(shift), axis=1)) for shift in shifts.tolist())
    return np.array([np.max(each, initial=0.0) for each in tries])
