"""Fields in the order of their likeness to the battery's voltage and to the 12 V supply."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import part_name
from logscope.seeking.candidates import Candidate, widened
from logscope.seeking.correlation import Correlated, correlate, line
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.battery import levels, sag
from logscope.seeking.likeness.driving import detrended, templates
from logscope.seeking.ranking.outcome import Ranked, hits_of, link_up, usual_scale
from logscope.seeking.search import Search


def by_sag(search: Search, part: str) -> Ranked:
    """Rank levels by how they sag under the drive's power."""
    scene = search.scene
    wide = [widened(each) for each in search.numbers]
    like = np.array([levels(row + above) for row, (_, above) in zip(scene.rows, wide, strict=True)])
    quick = np.zeros_like(scene.rows)
    for number in np.flatnonzero(like > 0).tolist():
        quick[number] = sag(scene.rows[number] + wide[number][1], scene.step_s)
    found: list[tuple[str, Correlated]] = []
    if "battery_current" in scene.known:
        current = detrended(scene.known["battery_current"], scene.step_s)
        found.append(("the known battery current", correlate(quick, current, scene.step_s, signed=False)))
    elif search.speed is not None:
        power = detrended(templates(search.speed[0], scene.step_s)["battery_current"], scene.step_s)
        found.append((f"force times speed of {search.speed[1]}", correlate(quick, power, scene.step_s, signed=False)))
    if not found:
        return [], ["No current and no speed is known or found, so no sag of a battery can be followed."]
    hits = hits_of(search, part, found, "dc_link_voltage" if "dc_link_voltage" in scene.known else "", weights=like)
    places = {id(each): number for number, each in enumerate(search.numbers)}
    link = scene.known.get("dc_link_voltage")
    whole = []
    for hit in hits:
        number = places[id(hit.candidate)]
        whole.append(_widened(hit, *wide[number], scene.rows[number], link))
    return [_with_usual_scale(hit) for hit in whole], []


def _widened(hit: Hit, candidate: Candidate, above: float, raw: FloatArray, reference: FloatArray | None) -> Hit:
    """The same hit on the wider field, whose raw values are higher by what stands above; fitted anew where it was."""
    if reference is None or hit.scale_limits is None or not above:
        return replace(hit, candidate=candidate)
    fit = line(reference, raw + above)
    return replace(
        hit, candidate=candidate, scale=fit.scale, offset=fit.offset, scale_limits=fit.scale_limits,
        offset_limits=fit.offset_limits, scale_from=fit.in_words(part_name("dc_link_voltage"), hit.unit),
    )  # fmt: skip


def _with_usual_scale(hit: Hit) -> Hit:
    if hit.scale_from.startswith("Fitted"):
        return hit
    raw = hit.candidate.samples()[1]
    scale, unit, why = usual_scale(float(np.quantile(raw, 0.95)))
    return replace(hit, scale=scale, unit=unit, scale_from=why)


def by_converter(search: Search, part: str) -> Ranked:
    """Rank levels by how they rise while the link is up."""
    scene = search.scene
    up = link_up(search)
    if up is None:
        return [], ["No DC-link voltage with a precharge is known or found, after which a converter would start."]
    wide = [widened(each) for each in search.numbers]
    whole = [row + above for row, (_, above) in zip(scene.rows, wide, strict=True)]
    weights = np.array([levels(row) * _moves_a_little(row) for row in whole])
    found = correlate(scene.rows, up, scene.step_s, signed=False)
    return hits_of(search, part, [("the time in which the link is up", found)], "", weights=weights), []


def _moves_a_little(row: FloatArray) -> bool:
    """Whether a field changes by a part of its level, as a 12 V supply does when its converter starts."""
    low, level, high = np.quantile(row, (0.005, 0.95, 0.995))
    return bool(0.005 < (high - low) / max(level, 1.0) < 0.6)
