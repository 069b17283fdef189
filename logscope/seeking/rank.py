"""The fields of a log in the order of their likeness to a part."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from logscope.arrays import FloatArray
from logscope.parts import PARTS
from logscope.seeking.candidates import widened
from logscope.seeking.correlation import Correlated, correlate, false_positive_rate, line
from logscope.seeking.hits import Hit
from logscope.seeking.likeness.battery import levels, sag
from logscope.seeking.likeness.driving import (
    beside_force,
    detrended,
    rest_of,
    sidedness,
    speedlike,
    templates,
)
from logscope.seeking.likeness.link_cycles import LinkCycle, link_cycles
from logscope.seeking.likeness.switches import REPORT_S, Moment, fits, flips_of
from logscope.seeking.likeness.thermal import heated, slow
from logscope.seeking.search import Search

Ranked = tuple[list[Hit], list[str]]  # hits, the best first, and notes
_SPEEDS = ("motor_speed", "motor_speed_second", "vehicle_speed", "stator_frequency")
# Parts that show the same quantity: the one is the reference of the other, in the same unit.
_TWINS = {
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
_FORCES = ("torque", "torque_target", "motor_current", "motor_current_target", "throttle", "throttle_second")
_FALL_SHOWS_S = 0.1  # by which the begin of a fall is uncertain
_HANDS_OVER_S = 0.3  # from a link that is up to the contactor, and as long again to the relay (common practice)
_LEAST_TORQUE = 0.6  # likeness of a field that serves as the torque where none is known
_BIT_OF_A_FIELD = 0.97
_NOT_MAGNETISED = 0.75  # of the likeness of a motor's current, where none flows before torque is asked
_LEAST_MAGNETISING = 0.03  # of its span
_LATER = 0.5  # of the likeness of a pedal, for each second after the torque
_WEIGHT = 0.25  # of the sides to which a field moves, beside its correlation
# Traction batteries of passenger cars and conversions, in which a level reads as volts without more being known.
_USUAL_V = (60.0, 900.0)
_FACTORS = (1.0, 0.5, 0.1, 0.25, 0.2, 0.05, 0.01, 2.0)


def ranked(search: Search, part: str) -> Ranked:
    """The fields in the order of their likeness to a part."""
    return _BY_PART[part](search, part)


def _link(search: Search, part: str) -> Ranked:
    chance = search.rise_chance
    hits = []
    pack = search.known.get("battery_voltage")
    for candidate, rise in search.rises:
        scale, why = _link_scale(rise.high, pack, rise.end_s)
        reasons = (
            f"rises like a precharge at {rise.start_s:.3f} s, from {rise.low:.0f} to {rise.high:.0f} counts, time "
            f"constant {1000 * rise.tau_s:.0f} ms, {100 * rise.misfit:.1f} % off the curve",
        )
        rate = false_positive_rate(rise.score, chance)
        moments = (rise.start_s, rise.end_s)
        hits.append(Hit(part, candidate, rise.score, rate, scale, 0.0, "V", why, reasons, moments))
    return hits, [] if hits else ["No field rises and stays up as a DC link does while it is precharged."]


def _link_scale(level: float, pack: tuple[FloatArray, FloatArray] | None, at_s: float) -> tuple[float, str]:
    if pack is not None:
        time_s, volts = pack
        there = volts[(time_s >= at_s) & (time_s <= at_s + 3.0)]
        if there.size and np.median(there) > 0:
            return float(np.median(there)) / level, "Scale: the level after the precharge equals battery_voltage."
    return _usual_scale(level)


def _usual_scale(level: float) -> tuple[float, str]:
    for factor in _FACTORS:
        if _USUAL_V[0] <= level * factor <= _USUAL_V[1]:
            return factor, f"Scale assumed: a usual factor, with which the level is {level * factor:.0f} V; measure it."
    return 1.0, "Scale unknown."


def _switches(search: Search, part: str) -> Ranked:
    link = search.link
    if link is None:
        return [], ["No DC-link voltage is known or found, so that the moments of relay and contactors are unknown."]
    moments = [moment for cycle in link_cycles(*link[0]) for moment in _moments_of(part, cycle, search.end_s)]
    if not moments:
        return [], ["The DC-link voltage shows no precharge, so that the moments are unknown."]
    hits, chance = [], np.zeros(0)
    single = set(search.searched.candidates)
    listed = ", ".join(f"{'on' if m.on else 'off'} at {m.early_s:.2f} to {m.late_s:.2f} s" for m in moments[:4])
    for candidate in search.flags:
        time_s, raw = candidate.samples()
        fit = fits(time_s, raw > 0, moments)
        if fit is None:
            continue
        chance = np.maximum(chance, fit.chance) if chance.size else fit.chance
        seen = flips_of(time_s, (raw > 0) == fit.on_is_high)
        flips = ", ".join(f"{'on' if on else 'off'} {at:.3f} s" for on, at in zip(seen.on, seen.after_s, strict=True))
        reasons = (f"flips: {flips}", f"expected: {listed}")
        at = tuple(seen.after_s.tolist())
        # A bit of a longer field is a state only where nothing else is.
        score = fit.score * (1.0 if candidate in single else _BIT_OF_A_FIELD)
        hits.append(Hit(part, candidate, score, 1.0, reasons=reasons, moments=at, on_is_high=fit.on_is_high))
    return _with_rates(hits, chance), [f"The moments are those of {link[1]}."]


def _moments_of(part: str, cycle: LinkCycle, end_s: float) -> list[Moment]:
    """What a switch must do around one precharge."""
    falls = cycle.falls_s < end_s - 1.0
    opens = [Moment(False, cycle.falls_s - _FALL_SHOWS_S, cycle.falls_s + REPORT_S)] if falls else []
    rises = Moment(True, cycle.rises_s - REPORT_S, cycle.rises_s)
    if part == "precharge_relay":
        return [rises, Moment(False, cycle.up_s, cycle.up_s + 2 * _HANDS_OVER_S)]
    if part == "negative_contactor":
        return [Moment(True, cycle.rises_s - 1.0, cycle.rises_s), *opens]
    return [Moment(True, cycle.nearly_up_s, cycle.up_s + _HANDS_OVER_S), *opens]


def _with_rates(hits: list[Hit], chance: FloatArray) -> list[Hit]:
    rated = [replace(hit, false_positive_rate=false_positive_rate(hit.score, chance)) for hit in hits]
    return sorted(rated, key=lambda hit: -hit.score)


def _speed(search: Search, part: str) -> Ranked:
    scene = search.scene
    reference = next((each for each in _SPEEDS if each in scene.known and each != part), None)
    if reference is not None:
        same_unit = {part, reference} <= {"motor_speed", "motor_speed_second"}
        found = correlate(scene.rows, scene.known[reference], scene.step_s)
        return _hits_of(search, part, [(reference, found)], reference if same_unit else ""), []
    scores = speedlike(scene.rows, scene.step_s)
    chance = _speed_chance(search)
    reasons = ("its rate of change goes with another field as with a force, and it rests at one value",)
    unit, why = PARTS[part].unit, "Scale unknown: no speed is known."
    hits = [
        Hit(part, each, float(score), 1.0, unit=unit, scale_from=why, reasons=reasons)
        for each, score in zip(search.numbers, scores, strict=True)
        if score > 0
    ]
    notes = ["No speed is known: road speed and motor speed look alike up to their scale."]
    return _with_rates(hits, chance), notes


def _speed_chance(search: Search) -> FloatArray:
    """Of speeds by themselves: each field's acceleration against the other fields at another time."""
    rows = search.scene.rows
    shifts = np.linspace(0.15, 0.85, 30) * rows.shape[1]
    tries = (speedlike(rows, search.scene.step_s, np.roll(rows, round(shift), axis=1)) for shift in shifts.tolist())
    return np.array([np.max(each, initial=0.0) for each in tries])


def _force(search: Search, part: str) -> Ranked:
    scene = search.scene
    twin = next((each for each in _TWINS.get(part, ()) if each in scene.known), "")
    if twin:
        beside = correlate(scene.rows, scene.known[twin], scene.step_s)
        return _hits_of(search, part, [(f"the known {twin}", beside)], twin), []
    found, source = _drive(search)
    if not found:
        return [], ["No speed is known or found, so that nothing shows what moves the vehicle."]
    kind = next(each for each in found if part.startswith(each))
    if kind != "torque" and (field := _torque_field(search)) is not None:
        found, source = field
    if kind == "motor_current":
        found = {**found, kind: _without_magnetising(search, found[kind])}
    return _of_the_drive(search, part, kind, found, source, []), [f"The force is that of {source}."]


def _without_magnetising(search: Search, found: Correlated) -> Correlated:
    """The correlation with the current less what flows without torque, where that is better."""
    template, up = _current_template(search), _link_up(search)
    if template is None or up is None:
        return found
    rest = _magnetising(search, up)
    less = correlate(search.scene.rows - rest[:, None] * up[None], template, search.scene.step_s)
    better = np.abs(less.best) > np.abs(found.best)
    best, delay = np.where(better, less.best, found.best), np.where(better, less.delay_s, found.delay_s)
    return Correlated(best, delay, np.maximum(less.chance, found.chance))


def _current_template(search: Search) -> FloatArray | None:
    """The magnitude of the torque: of a known one, else of the field most like one, else of the acceleration."""
    force = _force_of(search)
    return None if force is None else np.abs(force[0])


def _magnetised(search: Search, weights: FloatArray) -> FloatArray:
    """The weights, less for fields that show no current while the inverter is ready and no torque is asked."""
    up = _link_up(search)
    if up is None:
        return weights
    spans = np.maximum(np.ptp(search.scene.rows, axis=1), 1e-9)
    flows = np.abs(_magnetising(search, up)) / spans > _LEAST_MAGNETISING
    return weights * np.where(flows, 1.0, _NOT_MAGNETISED)


def _magnetising(search: Search, up: FloatArray) -> FloatArray:
    """What each field shows while the link is up and the vehicle rests, over what it shows while the link is dead."""
    template = _current_template(search)
    rows = search.scene.rows
    if template is None:
        return np.zeros(len(rows))
    idle = (up > 0) & (template <= 0.02 * np.max(template))
    dead = up == 0
    if np.count_nonzero(idle) < 10 or np.count_nonzero(dead) < 10:
        return np.zeros(len(rows))
    return np.asarray(np.median(rows[:, idle], axis=1) - np.median(rows[:, dead], axis=1))


@lru_cache(maxsize=2)
def _rests(search: Search) -> FloatArray:
    """What each field shows while the vehicle stands, or where it stays longest if no speed is known; shape (n,)."""
    rows = search.scene.rows
    if search.speed is not None:
        speed = np.abs(search.speed[0])
        standing = speed <= 0.01 * np.max(speed)
        if np.count_nonzero(standing) >= 20:
            return np.asarray(np.median(rows[:, standing], axis=1))
    return np.array([rest_of(row)[0] for row in rows])


@lru_cache(maxsize=2)
def _link_up(search: Search) -> FloatArray | None:
    """1 while the link is up, over the grid; None where no precharge is seen."""
    if search.link is None:
        return None
    time_s = search.scene.time_s
    up = np.zeros(time_s.size)
    for cycle in link_cycles(*search.link[0]):
        up[(time_s >= cycle.up_s) & (time_s <= cycle.falls_s)] = 1.0
    return up if up.any() else None


def _battery_current(search: Search, part: str) -> Ranked:
    scene = search.scene
    extra: list[tuple[str, Correlated]] = []
    volts = next((each for each in ("battery_voltage", "dc_link_voltage") if each in scene.known), None)
    if volts is not None:
        lost = sag(scene.known[volts], scene.step_s)
        quick = detrended(scene.rows, scene.step_s)
        extra.append((f"the sag of the known {volts}", correlate(quick, lost, scene.step_s)))
    found, source = _torque_field(search) or _drive(search)
    if not found and not extra:
        return [], ["Neither a battery voltage nor a speed is known or found."]
    if not found:
        return _hits_of(search, part, extra, "", sides=True), []
    return _of_the_drive(search, part, part, found, source, extra), [f"The force is that of {source}."]


Drive = tuple[dict[str, Correlated], str]


@lru_cache(maxsize=2)
def _drive(search: Search) -> Drive:
    """Every field against what the parts of the drive do beside the acceleration, and where that is from."""
    if search.speed is None:
        return {}, ""
    speed, source = search.speed
    return _against(search, templates(speed, search.scene.step_s)), f"the acceleration of {source}"


@lru_cache(maxsize=2)
def _torque_field(search: Search) -> Drive | None:
    """The same beside the torque, known or found: what the motor does, without brakes and hills."""
    force = _force_of(search)
    if search.speed is None or force is None:
        return None
    rolling = np.abs(search.speed[0]) / max(float(np.max(np.abs(search.speed[0]))), 1e-9)
    return _against(search, beside_force(force[0], rolling)), force[1]


@lru_cache(maxsize=2)
def _force_of(search: Search) -> tuple[FloatArray, str] | None:
    """The torque over the grid, zero at rest: a known one, else the field most like one; and where it is from."""
    for part in ("torque", "torque_target"):
        if part in search.scene.known:
            return search.scene.known[part], f"the known {part}"
    found, source = _drive(search)
    hits = _of_the_drive(search, "torque", "torque", found, source, []) if found else []
    if not hits or not hits[0].stands_out or hits[0].score < _LEAST_TORQUE:
        return None
    number = search.numbers.index(hits[0].candidate)
    row = search.scene.rows[number]
    force = np.sign(found["torque"].best[number]) * (row - _rests(search)[number])
    return force, f"{hits[0].candidate.name}, which is most like a torque"


def _against(search: Search, wanted: Mapping[str, FloatArray]) -> dict[str, Correlated]:
    scene = search.scene
    return {part: correlate(scene.rows, template, scene.step_s) for part, template in wanted.items()}


def _of_the_drive(
    search: Search,
    part: str,
    kind: str,
    found: Mapping[str, Correlated],
    source: str,
    extra: list[tuple[str, Correlated]],
) -> list[Hit]:
    """Hits for a part of the drive: like it, and more like it than like the other parts."""
    every = np.abs(np.array([each.best for each in found.values()]))
    own = np.abs(found[kind].best)
    apart = (own / np.maximum(every.max(axis=0), 1e-9)) ** 2
    if kind == "motor_current":
        apart = _magnetised(search, apart)
    if kind == "throttle":  # the pedal comes first
        late = np.clip(found[kind].delay_s, -0.5, 0.5)
        apart = apart * (1.0 - _LATER * (late + 0.5))
    return _hits_of(search, part, [(f"{kind} beside {source}", found[kind]), *extra], "", sides=True, weights=apart)


def _battery_voltage(search: Search, part: str) -> Ranked:
    scene = search.scene
    wide = [widened(each) for each in search.numbers]
    like = np.array([levels(row + above) for row, (_, above) in zip(scene.rows, wide, strict=True)])
    quick = np.zeros_like(scene.rows)
    for number in np.flatnonzero(like > 0).tolist():
        quick[number] = sag(scene.rows[number] + wide[number][1], scene.step_s)
    found: list[tuple[str, Correlated]] = []
    if "battery_current" in scene.known:
        current = detrended(scene.known["battery_current"], scene.step_s)
        found.append(("the known battery_current", correlate(quick, current, scene.step_s, signed=False)))
    elif search.speed is not None:
        power = detrended(templates(search.speed[0], scene.step_s)["battery_current"], scene.step_s)
        found.append((f"force times speed of {search.speed[1]}", correlate(quick, power, scene.step_s, signed=False)))
    if not found:
        return [], ["No current and no speed is known or found that a battery's voltage would sag under."]
    hits = _hits_of(search, part, found, "dc_link_voltage" if "dc_link_voltage" in scene.known else "", weights=like)
    places = {id(each): number for number, each in enumerate(search.numbers)}
    whole = [replace(hit, candidate=wide[places[id(hit.candidate)]][0]) for hit in hits]
    return [_with_usual_scale(hit) for hit in whole], []


def _with_usual_scale(hit: Hit) -> Hit:
    if hit.scale_from.startswith("Fitted"):
        return hit
    raw = hit.candidate.samples()[1]
    scale, why = _usual_scale(float(np.quantile(raw, 0.95)))
    return replace(hit, scale=scale, scale_from=why)


def _temperature(search: Search, part: str) -> Ranked:
    scene = search.scene
    twin = next((each for each in _TWINS.get(part, ()) if each in scene.known), "")
    if twin:
        beside = correlate(scene.rows, scene.known[twin], scene.step_s)
        return _hits_of(search, part, [(f"the known {twin}", beside)], twin), []
    heating = [each for each in ("motor_current", "torque", "battery_current") if each in scene.known]
    heat = scene.known[heating[0]] ** 2 if heating else None
    notes = []
    if heat is None and search.speed is not None:
        heat = templates(search.speed[0], scene.step_s)["torque"] ** 2
        notes.append(f"The heat is taken from the acceleration of {search.speed[1]}.")
    if heat is None:
        return [], ["No current, torque or speed is known or found that would heat anything."]
    weights = np.array([float(slow(row, scene.step_s)) for row in scene.rows])
    rows = scene.rows * weights[:, None]
    tried = [correlate(rows, each, scene.step_s, signed=False) for each in heated(heat, scene.step_s)]
    likeness = np.max([each.best for each in tried], axis=0)
    best = Correlated(likeness, np.zeros(len(rows)), np.max([each.chance for each in tried], axis=0))
    notes.append("Temperatures of one drive rise together: which is which, their names do not show.")
    return _hits_of(search, part, [("the heat of the last minutes", best)], "", weights=weights), notes


def _aux_voltage(search: Search, part: str) -> Ranked:
    scene = search.scene
    up = _link_up(search)
    if up is None:
        return [], ["No DC-link voltage with a precharge is known or found, after which a converter would start."]
    wide = [widened(each) for each in search.numbers]
    whole = [row + above for row, (_, above) in zip(scene.rows, wide, strict=True)]
    weights = np.array([levels(row) * _moves_a_little(row) for row in whole])
    found = correlate(scene.rows, up, scene.step_s, signed=False)
    return _hits_of(search, part, [("the time in which the link is up", found)], "", weights=weights), []


def _moves_a_little(row: FloatArray) -> bool:
    """Whether a field changes by a part of its level, as a 12 V supply does when its converter starts."""
    low, level, high = np.quantile(row, (0.005, 0.95, 0.995))
    return bool(0.005 < (high - low) / max(level, 1.0) < 0.6)


def _hits_of(
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
        both = np.array([sidedness(row, rest) for row, rest in zip(scene.rows, _rests(search), strict=True)])
        best = best * (1.0 - _WEIGHT * (1.0 - wanted * both) / 2.0)
    hits = []
    for number, candidate in enumerate(search.numbers):
        if best[number] <= 0:
            continue
        unit, scale, offset = PARTS[part].unit, 1.0, 0.0
        why = "Scale unknown: nothing in its unit is known."
        if fitted_to and best[number] >= 0.8:
            scale, offset = line(scene.known[fitted_to], scene.rows[number])
            why = f"Fitted to {fitted_to} by a straight line."
        reasons = tuple(f"correlation {each.best[number]:+.2f} with {name}" for name, each in found)
        delay = found[0][1].delay_s[number]
        if abs(delay) >= scene.step_s:
            reasons += (f"{abs(delay):.2f} s {'after' if delay > 0 else 'before'} it",)
        score, rate = float(best[number]), false_positive_rate(float(best[number]), chance)
        hits.append(Hit(part, candidate, score, rate, scale, offset, unit, why, reasons))
    return sorted(hits, key=lambda hit: -hit.score)


_BY_PART: dict[str, Callable[[Search, str], Ranked]] = {
    "dc_link_voltage": _link,
    "dc_link_voltage_second": _link,
    "precharge_relay": _switches,
    "main_contactor": _switches,
    "negative_contactor": _switches,
    "battery_current": _battery_current,
    "battery_voltage": _battery_voltage,
    "aux_voltage": _aux_voltage,
    "converter_voltage": _aux_voltage,
    **dict.fromkeys(_SPEEDS, _speed),
    **dict.fromkeys(_FORCES, _force),
    **dict.fromkeys(
        ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out"), _temperature
    ),
}
SOUGHT = tuple(_BY_PART)


def resemblances(search: Search) -> dict[int, Hit]:
    """The likeness to the part that each field most resembles, by the field's place, where any stands out."""
    found: dict[int, Hit] = {}
    places = {id(each): number for number, each in enumerate((*search.numbers, *search.flags))}
    for part in SOUGHT:
        for hit in ranked(search, part)[0]:
            place = places.get(id(hit.candidate))
            if place is not None and hit.stands_out and (place not in found or hit.score > found[place].score):
                found[place] = hit
    return found
