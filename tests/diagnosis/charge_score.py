"""The charging check on sessions whose course is known: endings and faults named, false claims, coverage.

    python tests/diagnosis/charge_score.py 10 --first 0
    python tests/diagnosis/charge_score.py 100 --sound

Each seed is a pack, a charger and a way of logging of its own (every 0.1 to 5 s, with or without the battery's current,
the plug, the input power or the end current in the vehicle file), charged soundly and with every fault. All meters are
off by what sound ones are: 0.3 % of a voltage, 1 % and 0.25 A of a current (common practice, no published source).
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from drive_catalogue import CHARGING
from score_matching import match
from score_signals import signals_of_drive, vehicle_for
from score_tally import share

from logscope.checks.charging.check import charging
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.observations.observations import Observations
from logscope.plausibility.examine import examine
from logscope.signals import MissingPart, Part, Signals
from logscope.simulate.charge import Charge, Pack
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.hazel_drives import HAZEL
from logscope.simulate.layouts import AS_DEFINED
from logscope.simulate.scenarios import Scenario
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import Vehicle

_RATED_A = 32.0  # Hazel's charger, and what her battery takes
_HOT_C = 55.0
_PERIODS_S = (0.1, 0.5, 1.0, 5.0)
_VOLT_SHARE, _AMPERE_SHARE, _AMPERE_A = 0.003, 0.01, 0.25
_BELOW = _VOLT_SHARE + 0.002  # of a voltage: further below it, a sound meter and its noise do not reach it
_VOLTS = ("charger_voltage", "battery_voltage")
_AMPS = ("charger_current", "battery_current")
_OPTIONAL = (("battery_current",), ("charge_plug", "charge_lock"), ("charger_input_power",), ("charger_voltage",))


@dataclass
class Score:
    """Counts by kind and cause: events, found and named; claims that are false; coverage by value; sound sessions."""

    events: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    held: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    kinds: Counter[str] = field(default_factory=Counter)
    sound: int = 0
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Session:
    """What the draw of a seed gave: the sound charge, its pack, and the pack's voltage when it begins."""

    charge: Charge
    end_stated: bool
    pack: Pack
    pack_ohm: float
    open_circuit_V: float

    lasts_s: float

    def played(
        self, charge: Charge, seed: int, *, pack: Pack | None = None, ambient_C: float = 18.0, lower_V: float = 0.0
    ) -> Drive:
        """A charge of this pack, or of one that is emptier by so much voltage."""
        circuit = replace(HAZEL, open_circuit_V=self.open_circuit_V - lower_V, pack_ohm=self.pack_ohm)
        scenario: Scenario = replace(
            CHARGING, circuit=circuit, charge=charge, pack=pack or self.pack, duration_s=self.lasts_s,
            cooling=replace(CHARGING.cooling, ambient_C=ambient_C),
        )  # fmt: skip
        return simulate_drive(scenario, seed)


def draw(rng: np.random.Generator) -> Session:
    """A pack near the end of its charge, so that a session takes minutes."""
    amps, ohm = float(rng.uniform(8.0, 30.0)), float(rng.uniform(0.05, 0.15))
    volts = float(rng.uniform(322.0, 342.5))
    pack = Pack(capacity_Ah=float(rng.uniform(25.0, 60.0)))
    held_s = float(rng.uniform(30.0, 120.0))  # at a constant current, before the voltage is reached
    stated = bool(rng.random() < 0.7)  # without a stated end, half the current is what counts as full
    end_A = amps * float(rng.uniform(0.3, 0.7) if stated else rng.uniform(0.2, 0.45))
    charge = Charge(
        4.0, current_A=amps, voltage_V=volts, end_A=end_A,
        ramp_A_per_s=float(rng.uniform(1.0, 10.0)), after_s=float(rng.uniform(6.0, 20.0)),
        load_A=float(rng.uniform(0.5, 2.5)) if rng.random() < 0.3 else 0.0,
    )  # fmt: skip
    tapers_s = ohm / pack.volts_per_coulomb * float(np.log(amps / charge.end_A))
    begins_V = volts - amps * ohm - held_s * amps * pack.volts_per_coulomb
    # the same with a charger of less power takes longer
    return Session(charge, stated, pack, ohm, begins_V, 2.0 * held_s + 1.5 * tapers_s + 60.0)


def cases(drawn: Session, seed: int, rng: np.random.Generator) -> Iterator[tuple[str, Drive]]:
    """The sound charge, and each fault."""
    sound, at_s = drawn.charge, float(rng.uniform(14.0, 30.0))
    yield "sound", drawn.played(sound, seed)
    weaker = float(rng.uniform(0.6, 0.9))
    most_W = weaker * sound.current_A * drawn.open_circuit_V
    less = weaker - sound.load_A / sound.current_A  # of it for the battery, whose end current is as small a share of it
    faults = {
        "request withdrawn": replace(sound, request_ends_s=at_s),
        "request silent": replace(sound, request_silent_s=at_s),
        "supply lost": replace(sound, supply_lost_s=at_s),
        "fault": replace(sound, fault_s=at_s),
        "stops": replace(sound, stops_s=at_s),
        "plug pulled": replace(sound, unplugged_s=at_s),
        "not stopping": replace(sound, request_ends_s=at_s, obeys_s=float(rng.uniform(15.0, 60.0))),
        "too weak": replace(sound, current_share=float(rng.uniform(0.5, 0.85))),
        "too strong": replace(sound, current_share=float(rng.uniform(1.2, 1.5))),
        "does not start": replace(sound, starts=False),
        "limited by its power": replace(sound, most_W=most_W, end_A=less * sound.end_A),
    }  # fmt: skip
    for name, charge in faults.items():
        # what gives more reaches its voltage sooner
        yield name, drawn.played(charge, seed, lower_V=sound.current_A * drawn.pack_ohm * (name == "too strong"))
    hot = replace(drawn.pack, heat_J_per_K=drawn.pack_ohm * sound.current_A**2 * 60.0)  # a kelvin in a minute
    yield (
        "too hot",
        drawn.played(
            replace(sound, ends_at_C=_HOT_C), seed, pack=hot, ambient_C=_HOT_C - 1.0 - float(rng.uniform(0.3, 0.7))
        ),
    )


def logged(drive: Drive, drawn: Session, seed: int, rng: np.random.Generator) -> tuple[Signals, Vehicle, float, str]:
    """The signals in a way of logging of their own, the vehicle file, where they begin, and which way it was."""
    vehicle = vehicle_for(AS_DEFINED)
    charge = drive.scenario.charge
    assert charge is not None
    stated = {"end_current_A": charge.end_A if drawn.end_stated else None}
    if np.isfinite(charge.most_W):
        stated["charger_max_power_W"] = charge.most_W
    vehicle = vehicle.model_copy(update={"charging": vehicle.charging.model_copy(update=stated)})
    signals, start_s = signals_of_drive(drive, seed, AS_DEFINED, vehicle)
    period_s = float(rng.choice(_PERIODS_S))
    parts = {name: seldom(part, period_s) for name, part in signals.parts.items()}
    for name in _VOLTS:
        error = 1.0 + rng.uniform(-_VOLT_SHARE, _VOLT_SHARE)
        parts[name] = replace(parts[name], value=parts[name].value * error)
    for name in _AMPS:
        error, off_A = 1.0 + rng.uniform(-_AMPERE_SHARE, _AMPERE_SHARE), rng.uniform(-_AMPERE_A, _AMPERE_A)
        flowing = parts[name].value != 0.0  # a charger that is off says so
        parts[name] = replace(parts[name], value=parts[name].value * error + off_A * flowing)
    without = [names for names in _OPTIONAL if rng.random() < 0.2]
    parts = {name: part for name, part in parts.items() if not any(name in names for names in without)}
    how = f"{charge.current_A:.0f} A, {charge.voltage_V:.0f} V, {period_s:g} s"
    return replace(signals, parts=parts), vehicle, start_s, ", without ".join([how, *(names[0] for names in without)])


def seldom(part: Part, period_s: float) -> Part:
    """A part whose readings come at most so often."""
    last, keep = -np.inf, np.zeros(part.time_s.size, np.bool_)
    for row, at_s in enumerate(part.time_s.tolist()):
        if at_s - last >= period_s - 1e-6:
            keep[row], last = True, at_s
    return part.where(keep)


def judge(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    """What the check says behind plausibility."""
    plausible = examine(signals, vehicle)
    try:
        return charging(plausible.signals, Observations(plausible.signals, plausible.vehicle), plausible.vehicle)
    except (MissingPart, NothingToCheck):
        return []


def decidable(event: TruthEvent, drawn: Session, drive: Drive, signals: Signals) -> bool:
    """Whether what shows an event is logged, often enough."""
    charge = drive.scenario.charge
    assert charge is not None
    period_s = signals["charger_current"].spacing_s
    circuit, below = drive.scenario.circuit, (1.0 - _BELOW) * charge.voltage_V
    if event.kind == "charge.off_target":  # the level must be held for a few readings, within the charger's rating
        amps = charge.current_A * charge.current_share
        # what gives less than it should may be held back where its meter reads the voltage requested
        free = charge.current_share > 1.0 or circuit.open_circuit_V + amps * circuit.pack_ohm < below
        return period_s < 2.0 and amps < _RATED_A and free
    if event.kind == "charge.complete":  # else what flows beside the battery keeps the current above the end current
        return not (charge.load_A and drawn.end_stated) or "battery_current" in signals
    if event.kind == "charge.no_current":  # a battery that reads the voltage requested may be full
        return "charge_plug" in signals and circuit.open_circuit_V < below
    if event.kind == "charge.plug_out":
        return "charge_plug" in signals and period_s < 0.7 * charge.arc_s
    if event.kind == "charge.not_stopping":
        return charge.obeys_s > 5.0 + 6.0 * period_s
    needs = {"supply": "charger_input_power", "plug": "charge_plug", "temperature": "battery_temperature_highest"}
    # what follows within a fraction of a second cannot be put in order by slower messages
    return needs.get(event.cause or "", "charger_current") in signals and period_s <= 1.0


def run(seed: int, sound_only: bool, score: Score) -> None:
    """All cases of a seed into the score."""
    rng = np.random.default_rng([seed, 4715])
    drawn = draw(rng)
    for name, drive in cases(drawn, seed, rng):
        signals, vehicle, start_s, how = logged(drive, drawn, seed, rng)
        findings = judge(signals, vehicle)
        events = [event for event in drive_truth(drive, start_s) if event.kind.startswith("charge.")]
        events = [event for event in events if decidable(event, drawn, drive, signals)]
        outcome = match(events, findings, signals["charger_current"].spacing_s)
        label = f"seed {seed}, {name} ({how})"
        for event in events:
            key = f"{event.kind} {event.cause or ''}".strip()
            score.events[key] += 1
        for event, claim in outcome.matched:
            key = f"{event.kind} {event.cause or ''}".strip()
            if event.cause is None or event.cause == claim.cause:
                score.found[key] += 1
            else:
                score.notes.append(f"{label}: {event.kind} {event.cause} named {claim.cause}")
        lost = (*outcome.missed, *outcome.undetermined, *outcome.renamed)
        score.notes += [f"{label}: missed {event.kind} {event.cause or ''}" for event in lost]
        if name in ("sound", "limited by its power"):
            score.sound += 1
            score.kinds.update(f.kind for f in findings)
            wrong = [
                f for f in findings if f.severity in (Severity.WARNING, Severity.DANGER) or f.kind == "charge.stopped"
            ]
            for each in wrong:
                score.false[each.kind] += 1
                score.notes.append(f"{label}: false {each.kind} {each.cause or ''}: {each.title}")
            _cover(findings, drawn, drive, signals, score, label)
        if sound_only:
            break


def _cover(findings: list[Finding], drawn: Session, drive: Drive, signals: Signals, score: Score, label: str) -> None:
    """Whether the limits held the truth, by the charger's own meter."""
    true = {"taper_time_constant_s": drawn.pack_ohm / drawn.pack.volts_per_coulomb}
    for finding in findings:
        for name, value in true.items():
            measured = finding.measured.get(name)
            if measured is None or measured.low is None or measured.high is None:
                continue
            held = measured.low <= value <= measured.high
            score.held[name].append(held)
            if not held:
                score.notes.append(f"{label}: {name} {measured.low:.4g} to {measured.high:.4g}, truly {value:.4g}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("seeds", type=int)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sound", action="store_true", help="sound sessions alone")
    asked, score = parser.parse_args(), Score()
    for seed in range(asked.first, asked.first + asked.seeds):
        run(seed, asked.sound, score)
    for key in sorted(score.events):
        print(f"{key:34s} found and named {share(score.found[key], score.events[key]):18s} of {score.events[key]}")
    print(f"sound sessions: {score.sound}, false {dict(score.false)}, {dict(score.kinds)}")
    for name, held in sorted(score.held.items()):
        print(f"limits held the truth: {name:26s} {share(sum(held), len(held))} of {len(held)}")
    print("\n".join(score.notes))


if __name__ == "__main__":
    main()
