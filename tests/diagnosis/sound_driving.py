"""Hours of sound driving through the mapping and its plausibility alone: no text log, no check.

    python tests/diagnosis/mapping_score.py --sound 10 --first 3000

Each drive is a vehicle of its own (pack voltage and resistance, mass, gearing, wheel, heat, 12 V supply, now and then
a vehicle file that leaves values out), driven at random: key cycles, presses of any length, brakes, hills, slippery
ground, neutral, a charge; logged in turn through samplings and layouts, every second drive with slow sensors, lags,
bursts and booting controllers. Nothing in it is wrong, so each doubt is a false one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from logging_dirt.drive_dirt import draw_drive_dirt
from logging_dirt.drive_log import dirty_messages
from score_runs import layout_of
from score_signals import signals_of_messages, vehicle_for

from logscope.findings import Severity
from logscope.plausibility.examine import examine
from logscope.signals import Signals
from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import Charge
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.hazel_bus import sent_messages
from logscope.simulate.hazel_drives import HAZEL
from logscope.simulate.motion import Body
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario
from logscope.simulate.thermal import Cooling
from logscope.vehicle import Vehicle

_DURATION_S = (60.0, 900.0)
_STANDARD_V = 331.0
_FEWER_VALUES = 0.25  # vehicle files that state less than Hazel's
_CHARGED, _NEUTRAL, _SLIPPERY, _PARKED = 0.15, 0.1, 0.15, 0.1  # of the drives
_CHARGE_S = 240.0
_PLUGGED_LATER_S = 8.0  # the key is off by then
_PARKING_BRAKE = 0.5  # stops it before the plug is in
_HAND_BRAKE = 0.3  # without it a vehicle on a slope rolls backwards faster than anybody reverses
_OVERSPEED = 0.97


@dataclass(frozen=True)
class Outcome:
    """What one drive gave: its length, and each doubt, and each reading that was taken out, by where it was."""

    seed: int
    hours: float
    doubts: tuple[str, ...] = ()
    odd: tuple[str, ...] = ()
    taken: tuple[str, ...] = ()


def outcomes(first: int, hours: float) -> Iterator[Outcome]:
    """Drives from this seed on until there are so many hours; what is no sound drive after all is left out."""
    driven, seed = 0.0, first
    while driven < hours:
        outcome = outcome_of(seed)
        if outcome is not None:
            driven += outcome.hours
            yield outcome
        seed += 1


def outcome_of(seed: int) -> Outcome | None:
    """One drive; None where the driver overdid it: a trip, or a motor beyond its highest speed."""
    logged = sound_signals(seed)
    if logged is None:
        return None
    signals, vehicle, how, hours = logged
    plausible = examine(signals, vehicle)
    label = f"seed {seed}, {how}"
    found = plausible.findings
    doubts = [f"{label}: {each.title}" for each in found if each.severity is not Severity.INFO]
    named = {part for each in found if each.severity is not Severity.INFO for part in each.parts}
    doubts += [f"{label}: {part} in doubt" for part in plausible.doubted if part not in named]
    odd = [f"{label}: {each.title}" for each in found if each.kind == "mapping.odd"]
    taken = [f"{label}: {each.title}" for each in found if each.kind in ("mapping.no_value", "mapping.waking")]
    return Outcome(seed, hours, tuple(doubts), tuple(odd), tuple(taken))


def sound_signals(seed: int) -> tuple[Signals, Vehicle, str, float] | None:
    """The parts of a sound drive, its vehicle file, how it was logged, and its hours."""
    rng = np.random.default_rng([seed, 2101])
    played = sound_drive(seed, rng)
    if played is None:
        return None
    drive, vehicle = played
    signals, how = logged(drive, vehicle, seed, rng)
    return signals, vehicle, how, drive.scenario.duration_s / 3600.0


def sound_drive(seed: int, rng: np.random.Generator) -> tuple[Drive, Vehicle] | None:
    """A sound drive and its vehicle file; None where the driver overdid it."""
    scenario, vehicle = _draw(rng, vehicle_for(layout_of(seed)))
    drive = simulate_drive(scenario, seed)
    if drive.column("fault").any() or np.abs(drive.column("rotor_rpm")).max() > _OVERSPEED * _fastest(vehicle):
        return None
    return drive, vehicle


def logged(drive: Drive, vehicle: Vehicle, seed: int, rng: np.random.Generator) -> tuple[Signals, str]:
    """A drive through the layout and sampling of its seed, every second one with slow sensors and the like; and how."""
    layout = layout_of(seed)
    sent = sent_messages(drive, seed, layout)
    how = f"{layout.name}, {1e3 * (layout.period_s or 0):.0f} ms"
    if rng.random() < 0.5:
        dirt = replace(draw_drive_dirt(seed, drive, sent), foreign=None, no_value=None, restart=None)
        sent = dirty_messages(rng, drive, seed, layout, sent, dirt)
        how += f" ({', '.join(dirt.what)})"
    signals, _ = signals_of_messages(sent, drive, vehicle)
    return signals, f"{how}, {drive.scenario.name}"


def _fastest(vehicle: Vehicle) -> float:
    return vehicle.motor.max_speed_rpm or 9000.0


def _draw(rng: np.random.Generator, vehicle: Vehicle) -> tuple[Scenario, Vehicle]:
    """A vehicle, its file and its drive."""
    volts = rng.uniform(0.8, 1.12)
    charged, parked = bool(rng.random() < _CHARGED), bool(rng.random() < _PARKED)
    volts = 1.0 if charged else volts  # what a charger is asked for belongs to its pack
    circuit = replace(
        HAZEL,
        open_circuit_V=_STANDARD_V * volts * (1.0 if charged else rng.uniform(0.93, 1.01)),
        resistance_ohm=HAZEL.resistance_ohm * rng.uniform(0.95, 1.05),
        pack_ohm=rng.uniform(0.04, 0.2),
    )
    body = Body()._replace(
        mass_kg=rng.uniform(700.0, 2200.0), wheel_radius_m=rng.uniform(0.27, 0.36),
        drag_area_m2=rng.uniform(0.5, 0.95), rolling=rng.uniform(0.009, 0.016),
    )  # fmt: skip
    ratio = rng.uniform(6.0, 11.0)
    duration_s = float(np.exp(rng.uniform(*np.log(_DURATION_S)))) + (_CHARGE_S if charged else 0.0)
    driven_s = duration_s - (_CHARGE_S if charged else 0.0)
    cycles = () if parked and charged else _cycles(rng, driven_s - (_PLUGGED_LATER_S if charged else 0.0))
    throttle, brake = _feet(rng, cycles, parked, mass_kg=body.mass_kg, ratio=ratio)
    if charged and cycles and not parked:  # nobody plugs in a vehicle that rolls
        off_s = cycles[-1].off_s
        brake = Profile((*brake.corners, (off_s - 2.0, 0.0), (off_s - 1.0, _PARKING_BRAKE)))
    name = "parked" if parked else "driven"
    scenario = Scenario(
        name=name + (", charged" if charged else ""),
        duration_s=duration_s,
        circuit=circuit,
        key_cycles=cycles,
        throttle=throttle,
        brake=brake,
        grade=_walk(rng, driven_s, 0.0, 0.04),
        grip=Profile(((0.0, 0.35 if rng.random() < _SLIPPERY else 0.9),)),
        ratio=_gearing(rng, cycles, ratio),
        cooling=Cooling(ambient_C=rng.uniform(-20.0, 38.0)),
        charge=Charge(driven_s + 5.0, voltage_V=332.6, end_A=14.0) if charged else None,
        aux=AuxSupply(battery_V=rng.uniform(12.1, 12.8), converter_V=rng.uniform(13.4, 14.4)),
        awake_s=rng.uniform(0.2, 1.2),
        body=body,
    )
    return scenario, _file(rng, vehicle, volts, body, ratio)


def _cycles(rng: np.random.Generator, end_s: float) -> tuple[KeyCycle, ...]:
    """Key cycles one after the other, the last one mostly ended in the log."""
    cycles, at_s = [], rng.uniform(1.5, 6.0)
    while at_s + 20.0 < end_s:
        off_s = min(at_s + rng.uniform(20.0, 600.0), end_s + rng.uniform(-8.0, 8.0))
        cycles.append(KeyCycle(at_s, off_s))
        at_s = off_s + rng.uniform(4.0, 60.0)
    return tuple(cycles)


def _feet(
    rng: np.random.Generator, cycles: tuple[KeyCycle, ...], parked: bool, *, mass_kg: float, ratio: float
) -> tuple[Profile, Profile]:
    """Throttle and brake: presses after which the driver coasts, brakes, or presses again."""
    if parked:
        return Profile(((0.0, 0.0),)), Profile(((0.0, _HAND_BRAKE),))
    throttle, brake = [(0.0, 0.0)], [(0.0, 0.0)]
    hardest = rng.uniform(0.15, 0.9)
    # what a light vehicle in a low gear does in a moment takes a heavy one long
    patience = (mass_kg / 1350.0) * (ratio / 8.2)
    for cycle in cycles:
        at_s = cycle.relay_s + rng.uniform(2.0, 8.0)
        while at_s < cycle.off_s - 6.0:
            press = rng.uniform(0.08, hardest)
            until_s = min(at_s + float(rng.uniform(1.5, 7.0)) * patience * min(0.5 / press, 4.0), cycle.off_s - 5.0)
            if until_s < at_s + 1.0:
                break
            throttle += _press(at_s, until_s, press, rng.uniform(0.15, 0.8))
            at_s = until_s + rng.uniform(0.5, 8.0)
            braked_s = min(at_s + rng.uniform(1.0, 14.0), cycle.off_s - 2.0)
            if braked_s > at_s + 1.0:
                brake += _press(at_s, braked_s, rng.uniform(0.05, 0.3), 0.3)
                at_s = braked_s + rng.uniform(0.5, 10.0)
    return Profile(tuple(throttle)), Profile(tuple(brake))


def _press(from_s: float, until_s: float, level: float, foot_s: float) -> list[tuple[float, float]]:
    down_s = min(from_s + foot_s, until_s - 0.1)
    return [(from_s, 0.0), (down_s, level), (until_s, level), (until_s + 0.25, 0.0)]


def _walk(rng: np.random.Generator, end_s: float, start: float, size: float) -> Profile:
    """Hills: another slope every half minute or so."""
    times = np.cumsum(rng.uniform(10.0, 60.0, int(end_s / 30.0) + 2))
    slopes = rng.normal(0.0, size / 2, times.size)
    return Profile(((0.0, start), *zip(times.tolist(), slopes.tolist(), strict=True)))


def _gearing(rng: np.random.Generator, cycles: tuple[KeyCycle, ...], ratio: float) -> Profile:
    """The driveline, now and then in neutral for a while."""
    corners = [(0.0, ratio)]
    for cycle in cycles:
        if rng.random() < _NEUTRAL and cycle.off_s - cycle.relay_s > 30.0:
            at_s = rng.uniform(cycle.relay_s + 8.0, cycle.off_s - 12.0)
            back_s = at_s + rng.uniform(2.0, 8.0)
            corners += [(at_s, ratio), (at_s + 0.001, 0.0), (back_s, 0.0), (back_s + 0.001, ratio)]
    return Profile(tuple(corners))


def _file(rng: np.random.Generator, vehicle: Vehicle, volts: float, body: Body, ratio: float) -> Vehicle:
    """The vehicle file of this vehicle, sometimes with few values."""
    limits, link_V = vehicle.limits, vehicle.dc_link.max_voltage_V or 400.0
    driveline = vehicle.driveline.model_copy(
        update={
            "ratio": ratio,
            "wheel_radius_m": body.wheel_radius_m * rng.uniform(0.98, 1.02),
            "mass_kg": body.mass_kg,
        }
    )
    own: dict[str, object] = {
        "driveline": driveline,
        "limits": limits.model_copy(
            update={
                "battery_min_V": (limits.battery_min_V or 240.0) * volts,
                "battery_max_V": (limits.battery_max_V or 344.0) * volts,
            }
        ),
        "dc_link": vehicle.dc_link.model_copy(update={"max_voltage_V": link_V * volts}),
    }
    for section in ("driveline", "limits", "dc_link", "motor", "precharge"):
        if rng.random() < _FEWER_VALUES:
            own[section] = type(getattr(vehicle, section))()
    return vehicle.model_copy(update=own)
