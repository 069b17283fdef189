"""The cooling check on drives whose bodies, flow and sensors are known: kinds found, false claims, coverage.

    python tests/diagnosis/cooling_score.py 20 --first 0
    python tests/diagnosis/cooling_score.py 5 --long

Each seed is a drive of some minutes (`--long`: of half an hour, in which inlet and outlet part without flow) with a
thermal chain of its own. The drive does not depend on its cooling, so it is played once and judged sound and with every
fault, through ways of logging of its own: temperatures every 0.3 s to 5 s in steps of 0.25 K to 1 K, by sensors that
are each off by what sound ones are, with or without an outlet sensor, and with or without the state of the pump.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from drive_catalogue import _drive
from score_matching import Claim, match
from score_signals import signals_of_drive, vehicle_for
from score_tally import share

from logscope.checks.cooling.check import cooling
from logscope.findings import Finding, NothingToCheck
from logscope.observations.observations import Observations
from logscope.plausibility.examine import examine
from logscope.signals import MissingPart, Part, Signals
from logscope.simulate.cooling_truth import body_constants, cooling_truth
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.drive_heat import drive_temperatures
from logscope.simulate.hazel_drives import pedal
from logscope.simulate.layouts import AS_DEFINED
from logscope.simulate.scenarios import KeyCycle, Profile
from logscope.simulate.thermal import Chain, Cooling, SensorFault
from logscope.simulate.truth import TruthEvent

_MINUTES, _LONG_MINUTES = (4.0, 9.0), (20.0, 35.0)
_FLOW = ("cooling.no_flow", "cooling.air", "cooling.low_flow")
_W_PER_K_OF_LITRE = 1.06 * 3500.0 / 60.0  # of the simulator's coolant, for each litre a minute
_CONTINUOUS_A = 150.0  # as Hazel's vehicle file states
_SPELL_READINGS = 20.0  # of a spell without flow: with fewer, its λ and that beside it are not apart
_SHOWS_K = 12.0  # of excess, and as much again for each kelvin of resolution
_OFF_K = 0.7  # standard deviation of a sound sensor, so that two differ by 1 K (practice)
# Where controllers surely run the pump; between its start and its stop, with what sensors leave open (practice).
_PUMPED_C, _SWITCHES_K = 52.0, 18.0
_CARRIES_K = 3.0  # of a device over the coolant: flow past one that has nothing to give off does not show
_NIGHT_K = 3.0  # that a motor lags behind a warm morning, and a loop's sensors are apart (practice)
_TEMPERATURES = (
    "motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out",
)  # fmt: skip


@dataclass
class Score:
    """Counts by kind: events, found, claims that are false; coverage by kind and value; responses left open."""

    events: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    held: dict[tuple[str, str], list[bool]] = field(default_factory=dict)
    open: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    sound_h: float = 0.0


def play(seed: int, minutes: tuple[float, float] = _MINUTES) -> Drive:
    """A drive with firm and gentle stretches, uphill and down, and a chain of its own."""
    rng = np.random.default_rng([seed, 4711])
    end_s = 60.0 * rng.uniform(*minutes)
    presses, at_s = [], 5.0
    while at_s < end_s - 25.0:
        held_s = rng.uniform(5.0, 45.0)
        presses.append((at_s, min(at_s + held_s, end_s - 15.0), rng.uniform(0.2, 0.75)))
        at_s += held_s + rng.uniform(2.0, 30.0)
    scenario = replace(
        _drive("cooling"),
        duration_s=end_s,
        key_cycles=(KeyCycle(1.5, end_s - 5.0),),
        throttle=pedal(*presses),
        brake=Profile(((0.0, 0.0),)),
        grade=Profile(((0.0, 0.0), (10.0, rng.uniform(0.0, 0.08)))),
        cooling=Cooling(
            ambient_C=rng.uniform(-10.0, 35.0), chain=random_chain(rng),
            sensor_s=tuple(rng.uniform(1.0, 6.0, 3).tolist()),
        ),
    )  # fmt: skip
    return simulate_drive(scenario, seed)


def random_chain(rng: np.random.Generator) -> Chain:
    plain, capacities = Chain(), Chain._fields[:4]
    conductances = ("winding_W_per_K", "sink_W_per_K", "radiator_W_per_K", "stream_W_per_K")
    return plain._replace(
        **{name: getattr(plain, name) * float(rng.uniform(0.7, 1.4)) for name in (*capacities, *conductances)}
    )


def cases(drive: Drive, rng: np.random.Generator) -> Iterator[tuple[str, Cooling]]:
    """Sound, and each fault."""
    cooling, end_s = drive.scenario.cooling, drive.scenario.duration_s
    since_s = rng.uniform(0.3, 0.5) * end_s
    twice = ((0.2 * end_s, 0.4 * end_s), (0.6 * end_s, 0.8 * end_s))
    flow = float(rng.choice([0.0, 0.03]))
    off_K = float(rng.uniform(5.0, 9.0))
    still = str(rng.choice(["motor", "inverter"]))
    swapped = (SensorFault("jacket", reads="coolant"), SensorFault("coolant", reads="jacket"))
    yield "sound", cooling
    yield "hot restart", replace(cooling, start_C=cooling.ambient_C + float(rng.uniform(5.0, 30.0)))
    yield "pump off", replace(cooling, pump_off=((0.0, np.inf),))
    yield "pump dead", replace(cooling, pump_dead=((0.0, np.inf),))
    yield "no flow", replace(cooling, air_lock=((0.0, np.inf),), air_flow=flow)
    yield "little flow", replace(cooling, air_lock=((0.0, np.inf),), air_flow=float(rng.uniform(0.05, 0.12)))
    yield "flow lost", replace(cooling, air_lock=((since_s, np.inf),), air_flow=flow)
    yield "air", replace(cooling, air_lock=twice, air_flow=flow)
    yield "stuck", replace(cooling, sensors=(SensorFault(still, 20.0, stuck=True),))
    yield "offset", replace(cooling, sensors=(SensorFault("motor", offset_K=-off_K),))
    yield "swapped", replace(cooling, sensors=swapped)


@dataclass(frozen=True)
class Logged:
    """The signals, where they begin [s], which way of logging it was, and by how much each sensor is off [K]."""

    signals: Signals
    start_s: float
    how: str
    off_K: dict[str, float]


def logged(drive: Drive, seed: int, rng: np.random.Generator) -> Logged:
    """The signals in a way of logging of their own."""
    signals, start_s = signals_of_drive(drive, seed, AS_DEFINED, vehicle_for(AS_DEFINED))
    period_s = float(rng.choice([0.3, 1.0, 1.0, 5.0]))
    step_K = float(rng.choice([0.25, 0.5, 1.0]))
    parts = dict(signals.parts)
    own = np.random.default_rng([seed, 4713])
    off_K = {name: float(own.normal(0.0, _OFF_K)) for name in _TEMPERATURES}
    for name in _TEMPERATURES:
        shown = replace(parts[name], value=parts[name].value + off_K[name])
        parts[name] = _coarser(shown, period_s, max(step_K, shown.step or 0.0))
    if rng.random() < 0.3:
        del parts["coolant_temperature_out"]
    if rng.random() < 0.3:
        for name in ("coolant_pump", "coolant_pump_speed", "coolant_pump_current"):
            del parts[name]
    how = f"{period_s:g} s, {step_K:g} K, {'' if 'coolant_temperature_out' in parts else 'no outlet, '}"
    how += "" if "coolant_pump" in parts else "no pump"
    return Logged(replace(signals, parts=parts), start_s, how, off_K)


def _coarser(part: Part, period_s: float, step_K: float) -> Part:
    last, keep = -np.inf, np.zeros(part.time_s.size, np.bool_)
    for row, at_s in enumerate(part.time_s.tolist()):
        if at_s - last >= period_s - 0.05:
            keep[row], last = True, at_s
    less = part.where(keep)
    return replace(less, value=np.round(less.value / step_K) * step_K, step=step_K)


def judge(signals: Signals) -> list[Finding]:
    """What the check says behind plausibility."""
    vehicle = vehicle_for(AS_DEFINED)
    plausible = examine(signals, vehicle)
    try:
        return cooling(plausible.signals, Observations(plausible.signals, plausible.vehicle), plausible.vehicle)
    except (MissingPart, NothingToCheck):
        return []


def run(seed: int, score: Score, minutes: tuple[float, float] = _MINUTES) -> None:
    """All cases of a seed into the score."""
    drive = play(seed, minutes)
    rng = np.random.default_rng([seed, 4712])
    for name, cooled in cases(drive, rng):
        played = replace(drive, scenario=replace(drive.scenario, cooling=cooled))
        kept = logged(played, seed, rng)
        signals, start_s, how = kept.signals, kept.start_s, kept.how
        off_K = {**kept.off_K, "motor_temperature": kept.off_K["motor_temperature"] + _fault_kelvin(cooled, "motor")}
        findings = judge(signals)
        events = [replace(e, start_s=e.start_s - start_s, end_s=e.end_s - start_s) for e in cooling_truth(played)]
        # what happened and need not show in such a log is no event that is missed, and none that is claimed falsely
        unseen = [e for e in events if not (_logged(e, signals, off_K) and _is_fault(e, played, kept))]
        events = [event for event in events if event not in unseen]
        outcome = match(events, findings, 5.0)
        for event in events:
            score.events[event.kind] += 1
        for event, _ in outcome.matched:
            score.found[event.kind] += 1
        lost = [*cooled.pump_off, *cooled.pump_dead, *cooled.air_lock]
        for claim in (*outcome.false, *outcome.misnamed):
            if any(_alike(event, claim) for event in unseen):
                continue
            if claim.kind in (f"cooling.sensor_{name}", "cooling." + name.replace(" ", "_")):
                continue  # true, where the truth asks for more warmth, or moves, than a log needs
            if claim.kind in _FLOW and any(a < claim.end_s and claim.start_s < b for a, b in lost):
                continue  # too short or too cool to count on, and true all the same
            score.false[claim.kind] += 1
            score.notes.append(f"seed {seed}, {name} ({how}): false {claim.kind}: {claim.title}")
        for event in (*outcome.missed, *outcome.undetermined, *outcome.renamed):
            score.notes.append(
                f"seed {seed}, {name} ({how}): missed {event.kind} {event.start_s:.0f} to {event.end_s:.0f}"
            )
        _bound(findings, cooled, score, f"seed {seed}, {name} ({how})")
        if name in ("sound", "hot restart"):
            score.sound_h += drive.scenario.duration_s / 3600.0
            _cover(findings, played, kept, score, f"seed {seed}, {name} ({how})")


def _fault_kelvin(cooled: Cooling, node: str) -> float:
    return sum(fault.offset_K for fault in cooled.sensors if fault.node == node)


def _alike(event: TruthEvent, claim: Claim) -> bool:
    return event.kind == claim.kind and event.start_s <= claim.end_s and claim.start_s <= event.end_s


def _is_fault(event: TruthEvent, played: Drive, kept: Logged) -> bool:
    """Whether a flow that is gone cannot be that of a pump which is switched by temperature, and is off while cool."""
    pump = kept.signals.get("coolant_pump")
    if event.kind not in _FLOW or (pump is not None and pump.on is not None and pump.on.any()):
        return True
    heat, at_s = drive_temperatures(played), event.start_s + kept.start_s
    lost = (heat.time_s >= at_s) & (heat.time_s <= event.end_s + kept.start_s)
    flows = (played.scenario.cooling.flow(heat.time_s) > 0.5) & (heat.inverter - heat.coolant > _CARRIES_K)
    hottest_C = float(heat.inverter[lost].max())
    coolest_C = float(np.quantile(heat.inverter[flows], 0.05)) if flows.any() else np.inf
    return hottest_C > _PUMPED_C or hottest_C > coolest_C + _SWITCHES_K


def _logged(event: TruthEvent, signals: Signals, off_K: dict[str, float]) -> bool:
    """Whether the parts that show an event are logged."""
    if event.kind in _FLOW:
        rounding = signals["inverter_temperature"].step or 0.0
        # with the outlet alone, water that stands in the devices warms as flowing water does
        beside = "coolant_temperature" in signals
        lasts_s = event.end_s - event.start_s  # of a spell, which needs readings over the plate's own time constant
        if event.kind == "cooling.air" and lasts_s < _SPELL_READINGS * signals["inverter_temperature"].spacing_s:
            return False
        return beside and event.parameters["highest_excess_K"] > _SHOWS_K * (1.0 + rounding)
    if event.kind == "cooling.pump_stopped" and event.parameters["lasts_all_along"] and not event.parameters["warm"]:
        return False  # signals that never show anything may be of what is not fitted, unless a device warms
    if event.kind.startswith("cooling.pump"):
        return "coolant_pump" in signals
    if event.kind == "cooling.sensor_offset":
        return _offset_shows(signals, off_K)
    return event.kind != "cooling.sensor_swapped" or "coolant_temperature_out" in signals


def _offset_shows(signals: Signals, off_K: dict[str, float]) -> bool:
    """Whether a motor's sensor stands apart by more than a night, sound sensors and the rounding of two leave.

    off_K : by which each sensor is off, the fault included
    """
    others = [off_K[name] for name in _TEMPERATURES if name in signals and name != "motor_temperature"]
    step_K = max(signals[name].step or 0.0 for name in _TEMPERATURES if name in signals)
    read_cold = signals["motor_temperature"].spacing_s < 2.0  # else there may be no reading before the load
    beyond_K = min(others) - off_K["motor_temperature"]
    return read_cold and beyond_K > max(_NIGHT_K + 2.0 * step_K, max(others) - min(others) + 2.0 * step_K)


def _ends(played: Drive, current_A: float) -> dict[str, float]:
    """Where motor and inverter end at a steady current beside the coolant of the last minute with flow [°C]."""
    heat, closed = drive_temperatures(played), played.high_voltage.closed[-1]
    last = (heat.time_s <= closed[1]) & (heat.time_s > closed[1] - 60.0)
    coolant_C = float(heat.jacket[last].mean())
    rises = body_constants(played.scenario.cooling.chain, current_A)
    return {kind: coolant_C + next(v for k, v in each.items() if k.startswith("rise")) for kind, each in rises.items()}


def _bound(findings: list[Finding], cooled: Cooling, score: Score, label: str) -> None:
    """Whether the upper bound of the flow held it, where inlet and outlet gave one."""
    for finding in findings:
        bound = finding.measured.get("flow_L_per_min")
        if bound is None or bound.high is None:
            continue
        at_s = np.linspace(finding.start_s, finding.end_s, 50)
        true = float(cooled.flow(at_s).min()) * cooled.chain.stream_W_per_K / _W_PER_K_OF_LITRE
        held = true <= bound.high
        score.held.setdefault((finding.kind, "flow_L_per_min"), []).append(held)
        if not held:
            score.notes.append(f"{label}: flow at most {bound.high:.2g}, truly {true:.2g}")


def _cover(findings: list[Finding], played: Drive, kept: Logged, score: Score, label: str) -> None:
    """Whether the limits held the truth; the chain's is about the outlet, and an end is what the sensor then shows."""
    for finding in findings:
        if finding.kind == "cooling.undetermined":
            score.open[finding.parts[0]] += 1
        true = body_constants(played.scenario.cooling.chain).get(finding.kind)
        if true is None or "coolant_temperature_out" not in kept.signals:
            continue
        own_K = kept.off_K[finding.parts[0]]
        true["continuous_end_temperature_C"] = _ends(played, _CONTINUOUS_A)[finding.kind] + own_K
        for value, truth in true.items():
            measured = finding.measured.get(value)
            if measured is None or measured.low is None or measured.high is None:
                continue
            held = measured.low <= truth <= measured.high
            score.held.setdefault((finding.kind, value), []).append(held)
            if not held:
                score.notes.append(
                    f"{label}: {finding.kind} {value} {measured.low:.4g} to {measured.high:.4g}, truly {truth:.4g}"
                )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--long", action="store_true", help="drives of half an hour")
    asked, score = parser.parse_args(), Score()
    for seed in range(asked.first, asked.first + asked.seeds):
        run(seed, score, _LONG_MINUTES if asked.long else _MINUTES)
    for kind in sorted({*score.events, *score.false}):
        found, events = score.found[kind], score.events[kind]
        print(f"{kind:26s} found {share(found, events):14s} {found} of {events}, false {score.false[kind]}")
    print(f"sound driving: {score.sound_h:.1f} h; left open: {dict(score.open)}")
    for (kind, value), held in sorted(score.held.items()):
        print(f"limits held the truth: {kind:18s} {value:18s} {share(sum(held), len(held))} of {len(held)}")
    print("\n".join(score.notes))


if __name__ == "__main__":
    main()
