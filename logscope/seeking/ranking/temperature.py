"""Fields in the order of their likeness to a temperature of the drive."""

from __future__ import annotations

import numpy as np
from scipy.signal import detrend

from logscope.parts import part_name
from logscope.seeking.correlation import Correlated, correlate
from logscope.seeking.likeness.driving import templates
from logscope.seeking.likeness.thermal import heated, slow
from logscope.seeking.ranking.outcome import TWINS, Ranked, hits_of
from logscope.seeking.search import Search


def by_heat(search: Search, part: str) -> Ranked:
    """Rank slow fields by the heat of the last minutes."""
    scene = search.scene
    if not scene.rows.size:
        return [], ["No field of this log changes."]
    twin = next((each for each in TWINS.get(part, ()) if each in scene.known), "")
    if twin:
        beside = correlate(scene.rows, scene.known[twin], scene.step_s)
        return hits_of(search, part, [(f"the known {part_name(twin)}", beside)], twin), []
    heating = [each for each in ("motor_current", "torque", "battery_current") if each in scene.known]
    heat = scene.known[heating[0]] ** 2 if heating else None
    notes = []
    if heat is None and search.speed is not None:
        heat = templates(search.speed[0], scene.step_s)["torque"] ** 2
        notes.append(f"The heat is taken from the acceleration of {search.speed[1]}.")
    if heat is None:
        return [], ["No current, torque or speed is known or found, so no heating can be followed."]
    weights = np.array([float(slow(row, scene.step_s)) for row in scene.rows])
    # What merely rises, as a clock does, goes with whatever rises; a temperature also bends where the heat does.
    rows = detrend(scene.rows, axis=1) * weights[:, None]
    tried = [correlate(rows, detrend(each), scene.step_s, signed=False) for each in heated(heat, scene.step_s)]
    likeness = np.max([each.best for each in tried], axis=0)
    best = Correlated(likeness, np.zeros(len(rows)), np.max([each.chance for each in tried], axis=0))
    notes.append("Temperatures of one drive rise together: which is which cannot be determined.")
    return hits_of(search, part, [("the heat of the last minutes", best)], "", weights=weights), notes
