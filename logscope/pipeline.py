"""The stages in order: logs → blocks → decoded tables → parts → plausibility → checks → diagnosis → result."""

from __future__ import annotations

import traceback
import warnings
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.bus.bit_rate import rates_by_bus, refuse_unknown_buses
from logscope.bus.gather import BusGathering
from logscope.bus.naming import specs_by_key
from logscope.bus.record import BusRecord
from logscope.capture.frames import DATES_FROM_NS, Account
from logscope.capture.open import Capture
from logscope.checks.capture_findings import definition_skipped
from logscope.checks.capture_silence import console_restart, message_silent
from logscope.checks.capture_time import gap, joint_clock, time_step, time_unit
from logscope.checks.merge_findings import merge_findings
from logscope.decoded import Decoded, decode_capture, mapped_bindings
from logscope.decoding.tables import Decoder
from logscope.definitions.load import vehicle_definitions
from logscope.diagnosis.explain import explain
from logscope.errors import RequestError, did_you_mean
from logscope.files import Paths
from logscope.findings import Finding, NotChecked, NothingToCheck
from logscope.logs import loaded, opened, runs_of
from logscope.mapping import build_signals
from logscope.observations.observations import Observations
from logscope.parts import PARTS, part_name
from logscope.plausibility.examine import examine
from logscope.result import CaptureSummary, Result
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

if TYPE_CHECKING:
    from logscope.comparison.outcome import Comparison, Difference

_UNITS_NAMED = 3  # on the terminal; the report and the JSON name them all

Check = Callable[[Signals, Observations, Vehicle], list[Finding]]


def checks() -> tuple[tuple[str, Check], ...]:
    """The checks by name, in the order in which a conversion meets them."""
    from logscope.checks.aux_supply.check import aux_supply
    from logscope.checks.battery.check import battery
    from logscope.checks.bus.check import bus
    from logscope.checks.charging.check import charging
    from logscope.checks.contactors.check import contactors
    from logscope.checks.cooling.check import cooling
    from logscope.checks.current_control.check import current_control
    from logscope.checks.discharge.check import discharge
    from logscope.checks.driveline.check import driveline
    from logscope.checks.encoder.check import encoder
    from logscope.checks.limits.check import limits
    from logscope.checks.machine.check import machine
    from logscope.checks.precharge.check import precharge
    from logscope.checks.regeneration.check import regeneration
    from logscope.checks.throttle.check import throttle
    from logscope.checks.trips.check import trips

    return (
        ("precharge", precharge),
        ("discharge", discharge),
        ("contactors", contactors),
        ("encoder", encoder),
        ("trips", trips),
        ("limits", limits),
        ("battery", battery),
        ("aux_supply", aux_supply),
        ("current_control", current_control),
        ("driveline", driveline),
        ("throttle", throttle),
        ("regeneration", regeneration),
        ("machine", machine),
        ("cooling", cooling),
        ("charging", charging),
        ("bus", bus),
    )


def check(
    logs: Capture | Signals | Paths,
    vehicle: Vehicle | Path | str,
    *,
    only: str | Collection[str] = (),
    bit_rate: int | Mapping[str | None, int] | None = None,
) -> Result:
    """Run the checks on the logs of one recording. Only the signals that the vehicle file maps are decoded.

    Parameters
    ----------
    logs : path, paths, Capture or Signals
        The log files of one recording, what `read` gave, or signals of your own (`Signals.from_dataframe`).
    vehicle : Vehicle or path
        The vehicle file. For signals of your own its sections on definitions and signals are not used.
    only : str or collection of str, optional
        Run these checks alone, named as in `result.not_checked`: "precharge", "encoder" … What concerns the log itself
        and the mapping is reported in any case.
    bit_rate : int or mapping, optional
        Of every bus [bit/s], or by the name of the bus; instead of what the vehicle file states.

    Returns
    -------
    Result

    Raises
    ------
    LogscopeError
        Where the vehicle file, its definitions or the logs cannot be used, or there is no such check.

    Examples
    --------
    >>> import logscope
    >>> result = logscope.check("sample_logs/hazel-healthy.log", "decoders/hazel.toml", only="precharge")
    >>> [finding.kind for finding in result.findings if finding.kind.startswith("precharge")]
    ['precharge.complete']
    """
    chosen = chosen_checks(only)
    vehicle = loaded(vehicle)
    if isinstance(logs, Signals):
        return _check_signals(logs, vehicle, chosen)
    capture = opened(logs, vehicle)
    definitions, skipped = vehicle_definitions(vehicle)
    bindings, notes = mapped_bindings(vehicle, definitions, skipped)
    gathering = BusGathering()
    capture = replace(capture, blocks=gathering.watch(capture.blocks))
    decoded = decode_capture(capture, Decoder(definitions, wanted={binding.wanted for binding in bindings}))
    signals = build_signals(vehicle, bindings, decoded.tables, decoded.seconds(decoded.end_ns))
    plausible = examine(signals, vehicle)
    traffic, rates = gathering.traffic(), rates_by_bus(vehicle.bit_rates, bit_rate)
    refuse_unknown_buses(bit_rate, traffic)
    frames = BusRecord(traffic, decoded.start_ns, specs_by_key(definitions), rates)
    findings, not_checked = run_checks(plausible.signals, plausible.vehicle, chosen, frames)
    mapped = {(binding.message, binding.spec.name) for binding in bindings}
    findings += [replace(f, end_s=signals.end_s) for f in definition_skipped(skipped, mapped)]
    findings += time_step([(decoded.seconds(s.at_ns), s.step_ns / 1e9) for s in decoded.account.time_steps])
    gaps, restarts = decoded.stretches(decoded.account.gaps), decoded.stretches(decoded.account.restarts)
    findings += gap(gaps)
    findings += message_silent(signals, [*gaps, *restarts])
    findings += console_restart(restarts, signals)
    findings += time_unit(decoded.account.time_doubts, signals.end_s)
    findings += joint_clock(capture.clocks, signals.end_s)
    account = replace(
        decoded.account,
        notes=(*decoded.account.notes, *decoded.notes, *notes),
        assumptions=(*decoded.account.assumptions, *_in_short(notes)),
    )
    # merged once more: what the log itself is silent about may be what a check has found
    ordered = _in_order(plausible.findings, merge_findings(findings))
    return Result(
        vehicle_name=vehicle.vehicle.name,
        capture=_summary(account, decoded),
        findings=ordered,
        explanations=explain(ordered, plausible.signals.parts),
        not_checked=tuple(not_checked),
        signals=plausible.signals,
        doubted=plausible.doubted,
        originals=plausible.originals,
        sources={binding.part: binding.mapped.signal for binding in bindings},
    )


def chosen_checks(only: str | Collection[str]) -> tuple[tuple[str, Check], ...]:
    """The checks that are asked for, in their usual order; all where none is."""
    known = dict(checks())
    names = [only] if isinstance(only, str) else list(only)
    for name in names:
        if name not in known:
            hint = did_you_mean(name, known) or f"There are: {', '.join(known)}."
            raise RequestError(f"there is no check “{name}”", do=hint)
    return tuple((name, run) for name, run in known.items() if not names or name in names)


def _check_signals(signals: Signals, vehicle: Vehicle, chosen: Sequence[tuple[str, Check]]) -> Result:
    """The checks on signals that come from no log: there is no account of one to judge."""
    plausible = examine(signals, vehicle)
    findings, not_checked = run_checks(plausible.signals, plausible.vehicle, chosen)
    ordered = _in_order(plausible.findings, findings)
    return Result(
        vehicle_name=vehicle.vehicle.name,
        capture=CaptureSummary(Account(), None, signals.end_s - signals.start_s, 0, 0, 0),
        findings=ordered,
        explanations=explain(ordered, plausible.signals.parts),
        not_checked=tuple(not_checked),
        signals=plausible.signals,
        doubted=plausible.doubted,
        sources={name: part.source for name, part in signals.parts.items()},
    )


def _in_order(doubts: Sequence[Finding], findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Those on the mapping first, for they may explain the others; the others in order of time."""
    return (*doubts, *sorted(findings, key=lambda finding: finding.start_s))


def _in_short(notes: Sequence[str]) -> tuple[str, ...]:
    """What was assumed of units, as one note for the terminal."""
    if not notes:
        return ()
    more = len(notes) - _UNITS_NAMED
    return ("; ".join(notes[:_UNITS_NAMED]) + (f"; and {more} more, see the report" if more > 0 else ""),)


def compare(
    before: Capture | Sequence[Capture] | Paths,
    after: Capture | Sequence[Capture] | Paths,
    vehicle: Vehicle | Path | str,
    before_vehicle: Vehicle | Path | str | None = None,
) -> Comparison:
    """Check the runs before and after a change, and compare them measure by measure, like with like.

    Parameters
    ----------
    before, after : path, paths, Capture or captures
        One capture a run, or log files, of which those of one recording are found by their dates or signals.
    vehicle : Vehicle or path
        The vehicle file.
    before_vehicle : Vehicle or path, optional
        The vehicle file before the change, where it differed.

    Returns
    -------
    Comparison
        `verdict`, its `reason`, and for each of the `measures` the effect with 95 % limits.

    Raises
    ------
    LogscopeError
        As `check` does, and where a side has no run.

    Examples
    --------
    >>> import logscope
    >>> log = "sample_logs/hazel-healthy.log"
    >>> logscope.compare(log, log, "decoders/hazel.toml").verdict.value
    'no_difference'
    """
    from logscope.checks.measures import MEASURES
    from logscope.comparison.compare import compare_results

    vehicle = loaded(vehicle)
    vehicles = (loaded(before_vehicle) if before_vehicle is not None else vehicle, vehicle)
    runs = [runs_of(side, of) for side, of in zip((before, after), vehicles, strict=True)]
    if not all(runs):
        raise RequestError("a comparison needs at least one run on each side", do="Give logs before and after.")
    first, second = ([check(run, of) for run in side] for side, of in zip(runs, vehicles, strict=True))
    return compare_results(first, second, vehicles, MEASURES, _differences(*vehicles))


def _differences(before: Vehicle, after: Vehicle) -> list[Difference]:
    """What two vehicle files and their definitions say differently."""
    from logscope.comparison.differences import definition_differences, vehicle_differences

    if before is after:
        return []
    return [*vehicle_differences(before, after), *definition_differences(_layouts(before), _layouts(after))]


def _layouts(vehicle: Vehicle) -> dict[str, object]:
    """How the signal of each mapped part is laid out and converted."""
    bindings, _ = mapped_bindings(vehicle, *vehicle_definitions(vehicle))
    return {binding.part: (binding.spec, binding.conversion) for binding in bindings}


def run_checks(
    signals: Signals,
    vehicle: Vehicle,
    chosen: Sequence[tuple[str, Check]] | None = None,
    frames: BusRecord | None = None,
) -> tuple[list[Finding], list[NotChecked]]:
    """The findings of the chosen checks, or of all, each event reported once.

    Beside them what could not be checked, or only without a part.
    """
    findings: list[Finding] = []
    not_checked: list[NotChecked] = []
    observations = Observations(signals, vehicle, frames)
    for name, run in checks() if chosen is None else chosen:
        watched = signals.watched()
        try:
            findings += run(watched, observations.seen_through(watched), vehicle)
        except MissingPart as missing:
            not_checked += [NotChecked(name, reason) for reason in _why_missing(missing.part, watched)]
            continue
        except NothingToCheck as nothing:
            not_checked.append(NotChecked(name, str(nothing)))
        except Exception as defect:  # of one check, which must not cost the findings of the others
            not_checked.append(NotChecked(name, _why_failed(defect)))
            warnings.warn(f"the check “{name}” failed: {defect!r}", RuntimeWarning, stacklevel=2)
            continue
        not_checked += [
            NotChecked(name, f"checked without {part_name(part)}, which is in doubt", in_part=True)
            for part in watched.missed
        ]
    return merge_findings(findings), not_checked


def _why_failed(defect: Exception) -> str:
    """What is said of a check that a log made fail, with the place for whoever mends it."""
    place = traceback.extract_tb(defect.__traceback__)[-1]
    return (
        f"it failed on this log: a defect of logscope, not of the vehicle. Please report it with the log: "
        f"{type(defect).__name__} in {Path(place.filename).name}:{place.lineno}"
    )


def _why_missing(part: str, watched: Signals) -> list[str]:
    """Why a check could not run: for the parts in doubt that it asked for, else for the part that it named."""
    if watched.missed:
        return list(dict.fromkeys(watched.doubtful[name] for name in watched.missed))
    return [watched.empty.get(part, f"no signal is mapped to {part} ({PARTS[part].meaning})")]


def _summary(account: Account, decoded: Decoded) -> CaptureSummary:
    dated = decoded.start_ns >= DATES_FROM_NS
    return CaptureSummary(
        account=account,
        start_utc=datetime.fromtimestamp(decoded.start_ns / 1e9, UTC) if dated else None,
        duration_s=decoded.seconds(decoded.end_ns),
        frames_decoded=decoded.counts.decoded,
        frames_undefined=decoded.counts.undefined,
        frames_undecodable=decoded.counts.undecodable,
        samples_undecodable=decoded.counts.samples_undecodable,
        time_steps=tuple((decoded.seconds(s.at_ns), s.step_ns / 1e9) for s in account.time_steps),
    )
