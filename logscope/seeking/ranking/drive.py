"""What the parts of the drive do beside the torque: a known one, a field like one, or the acceleration."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.seeking.correlation import Correlated, correlate
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.driving import beside_force, templates
from logscope.seeking.ranking.outcome import hits_of, rests
from logscope.seeking.search import Search, once

Drive = tuple[dict[str, Correlated], str]


_LEAST_TORQUE = 0.6  # likeness of a field that serves as the torque where none is known


_LATER = 0.5  # of the likeness of a pedal, for each second after the torque


@once
def drive_of(search: Search) -> Drive:
    """Every field against what the parts of the drive do beside the acceleration, and where that is from."""
    if search.speed is None:
        return {}, ""
    speed, source = search.speed
    return _against(search, templates(speed, search.scene.step_s)), f"the acceleration of {source}"


@once
def torque_field(search: Search) -> Drive | None:
    """The same beside the torque, known or found: what the motor does, without brakes and hills."""
    force = force_of(search)
    if search.speed is None or force is None:
        return None
    rolling = np.abs(search.speed[0]) / max(float(np.max(np.abs(search.speed[0]))), 1e-9)
    return _against(search, beside_force(force[0], rolling)), force[1]


@once
def force_of(search: Search) -> tuple[FloatArray, str] | None:
    """The torque over the grid, zero at rest: a known one, else the field most like one; and where it is from."""
    for part in ("torque", "torque_target"):
        if part in search.scene.known:
            return search.scene.known[part], f"the known {part_name(part)}"
    found, source = drive_of(search)
    hits = of_the_drive(search, "torque", "torque", found, source, []) if found else []
    if not hits or not hits[0].stands_out or hits[0].score < _LEAST_TORQUE:
        return None
    number = search.numbers.index(hits[0].candidate)
    row = search.scene.rows[number]
    force = np.sign(found["torque"].best[number]) * (row - rests(search)[number])
    return force, f"{hits[0].candidate.name}, which is most like a torque"


def _against(search: Search, wanted: Mapping[str, FloatArray]) -> dict[str, Correlated]:
    scene = search.scene
    return {part: correlate(scene.rows, template, scene.step_s) for part, template in wanted.items()}


def of_the_drive(
    search: Search,
    part: str,
    kind: str,
    found: Mapping[str, Correlated],
    source: str,
    extra: list[tuple[str, Correlated]],
    likelier: FloatArray | None = None,
) -> list[Hit]:
    """Hits for a part of the drive: like it, and more like it than like the other parts.

    extra : further templates; likelier : what else makes each field likely, as a factor, shape (n,)
    """
    every = np.abs(np.array([each.best for each in found.values()]))
    own = np.abs(found[kind].best)
    apart = (own / np.maximum(every.max(axis=0), 1e-9)) ** 2
    if likelier is not None:
        apart = apart * likelier
    if kind == "throttle":  # the pedal comes first
        late = np.clip(found[kind].delay_s, -0.5, 0.5)
        apart = apart * (1.0 - _LATER * (late + 0.5))
    return hits_of(
        search, part, [(f"{kind} together with {source}", found[kind]), *extra], "", sides=True, weights=apart
    )
