"""Fields in the order of their likeness to torque, motor current, pedal, and battery current."""

from __future__ import annotations

from logscope.parts import part_name
from logscope.seeking.correlation import Correlated, correlate
from logscope.seeking.likeness.battery import sag
from logscope.seeking.likeness.driving import detrended
from logscope.seeking.ranking.drive import drive_of, of_the_drive, torque_field
from logscope.seeking.ranking.magnetising import magnetised, without_magnetising
from logscope.seeking.ranking.outcome import TWINS, Ranked, hits_of
from logscope.seeking.search import Search

FORCES = ("torque", "torque_target", "motor_current", "motor_current_target", "throttle", "throttle_second")


def by_force(search: Search, part: str) -> Ranked:
    """Rank by the motor's force: torque, motor current, pedal, and their targets."""
    scene = search.scene
    twin = next((each for each in TWINS.get(part, ()) if each in scene.known), "")
    if twin:
        beside = correlate(scene.rows, scene.known[twin], scene.step_s)
        return hits_of(search, part, [(f"the known {part_name(twin)}", beside)], twin), []
    found, source = drive_of(search)
    if not found:
        return [], ["No speed is known or found, so that nothing shows what moves the vehicle."]
    kind = next(each for each in found if part.startswith(each))
    if kind != "torque" and (field := torque_field(search)) is not None:
        found, source = field
    if kind == "motor_current":
        found = {**found, kind: without_magnetising(search, found[kind])}
    likelier = magnetised(search) if kind == "motor_current" else None
    return of_the_drive(search, part, kind, found, source, [], likelier), [f"The force is that of {source}."]


def by_sag_and_power(search: Search, part: str) -> Ranked:
    """Rank by how a current makes the battery sag, and by force times speed."""
    scene = search.scene
    extra: list[tuple[str, Correlated]] = []
    volts = next((each for each in ("battery_voltage", "dc_link_voltage") if each in scene.known), None)
    if volts is not None:
        lost = sag(scene.known[volts], scene.step_s)
        quick = detrended(scene.rows, scene.step_s)
        extra.append((f"the sag of the known {part_name(volts)}", correlate(quick, lost, scene.step_s)))
    found, source = torque_field(search) or drive_of(search)
    if not found and not extra:
        return [], ["Neither a battery voltage nor a speed is known or found."]
    if not found:
        return hits_of(search, part, extra, "", sides=True), []
    return of_the_drive(search, part, part, found, source, extra), [f"The force is that of {source}."]
