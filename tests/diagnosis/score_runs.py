"""One run of the score: a case, a seed and a way of logging in; truth, and findings of both methods, out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf
from zlib import crc32

from cramer_rao import bounds
from drive_catalogue import Case, faults, healthy, vary
from logging_dirt.drive_dirt import with_loaded_link
from logging_dirt.drive_log import dirty_log
from logging_dirt.precharge_log import dirty_precharge
from logging_dirt.whole_log import checked
from precharge_cases import KINDS, PrechargeTruth, random_precharge
from precharge_score import judged, signals_of, vehicle_of
from score_baseline import baseline
from score_signals import vehicle_for

from logscope.findings import Finding, NothingToCheck
from logscope.signals import MissingPart, Signals
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.layouts import LAYOUTS, SAMPLINGS_S, Layout
from logscope.simulate.truth import TruthEvent
from logscope.vehicle import Vehicle

METHODS = ("checks", "baseline")
# Faults beside which the precharge is as in a healthy drive: it is not judged once more in each of them.
_AFTER_PRECHARGE = ("encoder", "trip", "cooling", "aux", "charge")
CASES = {case.name: case for case in (*healthy(), *faults())}
PRECHARGES = {f"any circuit, {kind}": kind for kind in KINDS}


@dataclass(frozen=True)
class Run:
    """What one run gave.

    unshown : openings of contactors that no method can find in the log (`logging_dirt.shown`)
    findings : by method; bound_s : Cramér–Rao bound of the time constant, infinite where there is none
    healthy_s : seconds of a sound drive in it, 0 where something was wrong, be it on the bus
    dirt : names of what the logger did; resolution_s : by how much it may have been late with a value
    """

    case: str
    seed: int
    layout: Layout
    truth: tuple[TruthEvent, ...]
    findings: dict[str, list[Finding]]
    bound_s: float = inf
    healthy_s: float = 0.0
    dirt: tuple[str, ...] = ()
    resolution_s: float = 0.0
    unshown: tuple[TruthEvent, ...] = ()


def layout_of(seed: int) -> Layout:
    """Layouts and samplings in turn: six seeds meet each of either, and 36 every pair."""
    layout, turn = LAYOUTS[seed % len(LAYOUTS)], seed // len(LAYOUTS)
    return replace(layout, period_s=SAMPLINGS_S[(seed + turn) % len(SAMPLINGS_S)])


def run(
    name: str, seed: int, layout: Layout | None = None, *, clean: bool = False, only: str | tuple[str, ...] = ()
) -> Run:
    """Play a case and let both methods judge it; `clean` logs it without what real loggers do.

    only : these checks alone, without the baseline, where the rest is not looked at
    """
    layout = layout or layout_of(seed)
    if name in PRECHARGES:
        return _precharge_run(name, seed, layout, clean)
    return _drive_run(CASES[name], seed, layout, clean, only)


def play(case: Case, seed: int, *, clean: bool = True) -> tuple[Drive, int]:
    """The drive, and the seed of what its controllers send: other cases draw other noise with the same seed.

    The draw is made from the name, so that a case stays what it was when others are added.
    """
    draw = crc32(f"{case.name}, {seed}".encode())
    scenario = vary(case.scenario, draw)
    return simulate_drive(scenario if clean else with_loaded_link(scenario, draw), draw), draw


def _drive_run(case: Case, seed: int, layout: Layout, clean: bool, only: str | tuple[str, ...]) -> Run:
    drive, draw = play(case, seed, clean=clean)
    log = dirty_log(drive, draw, layout, vehicle_for(layout), clean=clean)
    result = checked(log.text, log.vehicle, only)
    after = bool(case.severity) and case.family.startswith(_AFTER_PRECHARGE)
    findings = {
        "checks": list(result.findings),
        "baseline": [] if only else _by_general_tools(result.signals, log.vehicle),
    }
    truth = [event for event in log.truth if _in_log(event, layout)]
    if after:
        truth = [event for event in truth if not event.kind.startswith("precharge")]
        findings = {m: [f for f in found if not f.kind.startswith("precharge")] for m, found in findings.items()}
    healthy_s = 0.0 if case.severity or log.dirt.spoils else drive.scenario.duration_s
    dirt, resolution_s = log.dirt.what, log.dirt.resolution_s
    return Run(
        case.name, seed, layout, tuple(truth), findings, healthy_s=healthy_s, dirt=dirt, resolution_s=resolution_s,
        unshown=log.unshown,
    )  # fmt: skip


def _in_log(event: TruthEvent, layout: Layout) -> bool:
    """Whether a log of this layout holds anything of an event: a link that stays down says nothing alone."""
    if event.kind == "charge.while_enabled":
        return "inverter_state" not in layout.unmapped
    return layout.flags or event.kind != "precharge.no_rise"


def _precharge_run(name: str, seed: int, layout: Layout, clean: bool) -> Run:
    """What follows the precharge, the truth does not tell, and it is not judged."""
    kind = PRECHARGES[name]
    case = random_precharge(seed, kind=kind, sampling_s=layout.period_s)
    bound_s = bounds(case).time_constant_s
    if clean:
        signals = signals_of(case, flags=layout.flags, pack=layout.pack)
        findings = {"checks": judged(case, flags=layout.flags, pack=layout.pack)}
        vehicle, event, dirt, resolution_s = vehicle_of(case), _precharge_truth(case.truth), (), 0.0
    else:
        log = dirty_precharge(seed, kind, sampling_s=layout.period_s, flags=layout.flags, pack=layout.pack)
        result = checked(log.text, log.vehicle)
        findings = {"checks": [f for f in result.findings if f.kind.startswith("precharge.")]}
        vehicle, event, signals = log.vehicle, _precharge_truth(log.truth), result.signals
        dirt, resolution_s = log.dirt.what, max(log.dirt.sampling_s, log.dirt.states.period_s)
    findings["baseline"] = [f for f in _by_general_tools(signals, vehicle) if f.kind.startswith("precharge")]
    truth = (event,) if _in_log(event, layout) else ()
    return Run(name, seed, layout, truth, findings, bound_s, dirt=dirt, resolution_s=resolution_s)


def _precharge_truth(truth: PrechargeTruth) -> TruthEvent:
    parameters = {"time_constant_s": truth.time_constant_s, "start_voltage_V": truth.start_V}
    if truth.close_V is not None:
        parameters |= {
            "fraction_at_close": truth.close_V / truth.pack_V,
            "close_difference_V": truth.pack_V - truth.close_V,
        }
    kind = "complete" if truth.kind == "parallel_load" else truth.kind
    end_s = truth.relay_open_s if truth.close_s is None else truth.close_s
    return TruthEvent(f"precharge.{kind}", truth.start_s, end_s, None, parameters)


def _by_general_tools(signals: Signals, vehicle: Vehicle) -> list[Finding]:
    try:
        return baseline(signals, vehicle)
    except (MissingPart, NothingToCheck):
        return []
