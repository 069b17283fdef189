"""One run of the score: a case, a seed and a way of logging in; truth, and findings of both methods, out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from zlib import crc32

from cramer_rao import bounds
from precharge_score import signals_of, vehicle_of
from score_baseline import baseline
from score_signals import signals_of_drive, vehicle_for

from logscope.checks.told_once import told_once
from logscope.findings import Finding, NothingToCheck
from logscope.pipeline import checks
from logscope.signals import MissingPart, Signals
from logscope.simulate.catalogue import Case, faults, healthy, vary
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.layouts import LAYOUTS, SAMPLINGS_S, Layout
from logscope.simulate.precharge_cases import KINDS, PrechargeCase, random_precharge
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

    findings : by method; bound_s : Cramér–Rao bound of the time constant, infinite where there is none
    healthy_s : seconds of a sound drive in it, 0 where something was wrong
    """

    case: str
    seed: int
    layout: Layout
    truth: tuple[TruthEvent, ...]
    findings: dict[str, list[Finding]]
    bound_s: float = inf
    healthy_s: float = 0.0


def layout_of(seed: int) -> Layout:
    """Layouts and samplings in turn: six seeds meet each of either, and 36 every pair."""
    layout, turn = LAYOUTS[seed % len(LAYOUTS)], seed // len(LAYOUTS)
    return replace(layout, period_s=SAMPLINGS_S[(seed + turn) % len(SAMPLINGS_S)])


def run(name: str, seed: int, layout: Layout | None = None) -> Run:
    """Play a case and let both methods judge it."""
    layout = layout or layout_of(seed)
    if name in PRECHARGES:
        return _precharge_run(name, seed, layout)
    return _drive_run(CASES[name], seed, layout)


def play(case: Case, seed: int) -> tuple[Drive, int]:
    """The drive, and the seed of what its controllers send: other cases draw other noise with the same seed.

    The draw is made from the name, so that a case stays what it was when others are added.
    """
    draw = crc32(f"{case.name}, {seed}".encode())
    return simulate_drive(vary(case.scenario, draw), draw), draw


def _drive_run(case: Case, seed: int, layout: Layout) -> Run:
    drive, draw = play(case, seed)
    vehicle = vehicle_for(layout)
    signals, start_s = signals_of_drive(drive, draw, layout, vehicle)
    truth = tuple(event for event in drive_truth(drive, start_s) if _in_log(event, layout))
    if case.severity and case.family.startswith(_AFTER_PRECHARGE):
        truth = tuple(event for event in truth if not event.kind.startswith("precharge"))
        return Run(case.name, seed, layout, truth, _judge(signals, vehicle, without="precharge"))
    healthy_s = 0.0 if case.severity else drive.scenario.duration_s
    return Run(case.name, seed, layout, truth, _judge(signals, vehicle), healthy_s=healthy_s)


def _in_log(event: TruthEvent, layout: Layout) -> bool:
    """Whether a log of this layout holds anything of an event: a link that stays down says nothing alone."""
    return layout.flags or event.kind != "precharge.no_rise"


def _precharge_run(name: str, seed: int, layout: Layout) -> Run:
    case = random_precharge(seed, kind=PRECHARGES[name], sampling_s=layout.period_s)
    signals = signals_of(case, flags=layout.flags, pack=layout.pack)
    findings = _judge(signals, vehicle_of(case), only="precharge")  # what follows it, the truth does not tell
    event = _precharge_truth(case)
    truth = (event,) if _in_log(event, layout) else ()
    return Run(name, seed, layout, truth, findings, bounds(case).time_constant_s)


def _precharge_truth(case: PrechargeCase) -> TruthEvent:
    truth = case.truth
    parameters = {"time_constant_s": truth.time_constant_s, "start_voltage_V": truth.start_V}
    if truth.close_V is not None:
        parameters |= {
            "fraction_at_close": truth.close_V / truth.pack_V,
            "close_difference_V": truth.pack_V - truth.close_V,
        }
    kind = "complete" if truth.kind == "parallel_load" else truth.kind
    end_s = truth.relay_open_s if truth.close_s is None else truth.close_s
    return TruthEvent(f"precharge.{kind}", truth.start_s, end_s, None, parameters)


def _judge(
    signals: Signals, vehicle: Vehicle, *, only: str = "", without: str | None = None
) -> dict[str, list[Finding]]:
    """Findings by method; `only` and `without` name checks, and the baseline's findings of the same name."""
    found: list[Finding] = []
    for name, check in checks():
        if name != without and only in ("", name):
            found += _of(check, signals, vehicle)
    plain = [
        f
        for f in _of(baseline, signals, vehicle)
        if f.kind.startswith(only) and (without is None or not f.kind.startswith(without))
    ]
    return {"checks": told_once(found), "baseline": plain}


def _of(check: Callable[[Signals, Vehicle], list[Finding]], signals: Signals, vehicle: Vehicle) -> list[Finding]:
    try:
        return check(signals, vehicle)
    except (MissingPart, NothingToCheck):
        return []
