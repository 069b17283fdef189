"""The stages in order: logs → blocks → decoded tables → parts → plausibility → checks → result."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import reduce
from operator import add
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.columns import ColumnLayout
from logscope.capture.frames import DATES_FROM_NS, Account, Block, Gap
from logscope.capture.open import Capture, stream
from logscope.capture.prefetch import prefetch_map
from logscope.capture.samples import SerialLog
from logscope.checks.capture_findings import definition_skipped
from logscope.checks.capture_silence import console_restart, message_silent
from logscope.checks.capture_time import gap, time_step, time_unit
from logscope.checks.joint_clock import joint_clock
from logscope.checks.told_once import told_once
from logscope.clocks import ALIKE, Joined, SeenLog, by_hand, by_recording, by_signals
from logscope.decoding.tables import DecodeCounts, DecodedBlock, Decoder, Table
from logscope.definitions.can import MessageSpec, Skipped, load_definitions
from logscope.definitions.load import BusDefinitions, vehicle_consoles, vehicle_definitions
from logscope.definitions.serial import SerialDefinition
from logscope.errors import LogError, RequestError, VehicleError
from logscope.files import as_paths, refuse_repeated
from logscope.findings import Finding, NotChecked, NothingToCheck
from logscope.mapping import SignalBinding, build_signals, find_bindings
from logscope.parts import PARTS
from logscope.plausibility.examine import examine
from logscope.plausibility.name import said
from logscope.result import CaptureSummary, Result
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle, load_vehicle

if TYPE_CHECKING:
    import pandas as pd

    from logscope.comparison.outcome import Comparison, Difference

_UNITS_NAMED = 3  # on the terminal; the report and the JSON name them all

Check = Callable[[Signals, Vehicle], list[Finding]]
Paths = Path | str | Sequence[Path | str]


def checks() -> tuple[tuple[str, Check], ...]:
    """The checks by name, in the order in which a conversion meets them."""
    from logscope.checks.contactors.check import contactors
    from logscope.checks.current_control.check import current_control
    from logscope.checks.discharge.check import discharge
    from logscope.checks.driveline.check import driveline
    from logscope.checks.encoder.check import encoder
    from logscope.checks.limits.check import limits
    from logscope.checks.machine.check import machine
    from logscope.checks.pack.check import pack
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
        ("battery", pack),
        ("current_control", current_control),
        ("driveline", driveline),
        ("throttle", throttle),
        ("regeneration", regeneration),
        ("machine", machine),
    )


def read(*paths: Path | str, vehicle: Vehicle | Path | str | None = None, align: Sequence[float] = ()) -> Capture:
    """Read the logs of one recording into memory.

    vehicle : tells the columns of delimited logs and the formats of serial logs; CAN logs do without. With its
        signals, logs that have clocks of their own are brought onto one
    align : the same by hand, for each log after the first the seconds from the first log's start to its own

    Raises LogError where a log cannot be opened or is in no known format, or where clocks differ and nothing tells how.
    """
    return open_logs(paths, None if vehicle is None else _loaded(vehicle), align).in_memory()


def open_runs(paths: Sequence[Path | str], vehicle: Vehicle) -> list[Capture]:
    """The logs of several runs, one capture a run: logs of one recording are found by their dates or signals."""
    refuse_repeated(paths)
    if len(paths) == 1:
        return [open_logs(paths, vehicle)]
    layout, consoles = _formats(vehicle)
    seen = [_seen(path, stream([path], layout, consoles), vehicle) for path in paths]
    return [open_logs([log.file for log in run], vehicle) for run in by_recording(seen)]


def open_logs(
    paths: Sequence[Path | str],
    vehicle: Vehicle | None = None,
    align: Sequence[float] = (),
    *,
    joint: bool = True,
) -> Capture:
    """The same without reading the frames yet: they pass block by block, once.

    joint : whether logs are brought onto one clock, for which each is read once more
    """
    refuse_repeated(paths)
    layout, consoles = _formats(vehicle)
    joined: Sequence[Joined | None] = [None] * len(paths)
    if align or (joint and len(paths) > 1 and vehicle is not None and vehicle.signals):
        seen = [_seen(path, stream([path], layout, consoles), vehicle or Vehicle()) for path in paths]
        joined = by_hand(seen, align) if align else by_signals(seen)
    capture = stream(paths, layout, consoles, [None if one is None else one.shift for one in joined])
    return replace(capture, clocks=tuple(one.clock for one in joined if one is not None))


def _loaded(vehicle: Vehicle | Path | str) -> Vehicle:
    return vehicle if isinstance(vehicle, Vehicle) else load_vehicle(vehicle)


def _opened(logs: Capture | Paths, vehicle: Vehicle | None) -> Capture:
    return logs if isinstance(logs, Capture) else open_logs(as_paths(logs), vehicle)


def _runs(side: Capture | Sequence[Capture] | Paths, vehicle: Vehicle) -> tuple[Capture, ...]:
    """One side of a comparison as captures, one a run."""
    if isinstance(side, Capture):
        return (side,)
    several = [side] if isinstance(side, str | Path) else list(side)
    captures = tuple(each for each in several if isinstance(each, Capture))
    paths = [Path(each) for each in several if not isinstance(each, Capture)]
    return (*captures, *(open_runs(paths, vehicle) if paths else ()))


def _formats(vehicle: Vehicle | None) -> tuple[ColumnLayout | None, Sequence[SerialDefinition]]:
    """What a vehicle file says of its logs: the columns of delimited ones, and the consoles."""
    if vehicle is None:
        return None, ()
    layouts = {section.columns for section in vehicle.can if section.columns}
    if len(layouts) > 1:
        raise VehicleError(
            "two [[can]] sections tell different columns, and a log does not say which are its own",
            where=vehicle.path,
            do="Use one vehicle file a log format.",
        )
    return next(iter(layouts), None), vehicle_consoles(vehicle)


def _seen(path: Path | str, capture: Capture, vehicle: Vehicle) -> SeenLog:
    """One log by itself: its span, and the parts that may tell how its clock stands to another."""
    definitions, skipped = vehicle_definitions(vehicle)
    bindings, _ = _bindings(vehicle, definitions, skipped)
    useful = [binding for binding in bindings if any(binding.part in parts for parts in ALIKE)]
    decoded = _decode_all(capture, Decoder(definitions, wanted={binding.wanted for binding in useful}))
    return SeenLog(
        file=str(path),
        start_ns=decoded.start_ns,
        end_ns=decoded.end_ns,
        dated=decoded.start_ns >= DATES_FROM_NS,
        serial=bool(capture.serial),
        signals=build_signals(vehicle, useful, decoded.tables, decoded.seconds(decoded.end_ns)),
    )


def check(logs: Capture | Paths, vehicle: Vehicle | Path | str) -> Result:
    """Run every check on the logs of one recording. Only the signals that the vehicle file maps are decoded.

    logs : what `read` gave, or a path, or several; vehicle : what `load_vehicle` gave, or a path

    Raises LogscopeError where the vehicle file, its definitions or the logs cannot be used.
    """
    vehicle = _loaded(vehicle)
    capture = _opened(logs, vehicle)
    definitions, skipped = vehicle_definitions(vehicle)
    bindings, notes = _bindings(vehicle, definitions, skipped)
    decoded = _decode_all(capture, Decoder(definitions, wanted={binding.wanted for binding in bindings}))
    signals = build_signals(vehicle, bindings, decoded.tables, decoded.seconds(decoded.end_ns))
    plausible = examine(signals, vehicle)
    findings, not_checked = run_checks(plausible.signals, plausible.vehicle)
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
    return Result(
        vehicle_name=vehicle.vehicle.name,
        capture=_summary(account, decoded),
        findings=(*plausible.findings, *sorted(findings, key=lambda finding: finding.start_s)),
        not_checked=tuple(not_checked),
        signals=plausible.signals,
        doubted=plausible.doubted,
        sources={binding.part: binding.mapped.signal for binding in bindings},
    )


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

    before, after : one capture a run, or paths, of which logs of one recording are found as by `open_runs`
    before_vehicle : where the vehicle file differed before the change

    Raises LogscopeError as `check` does.
    """
    from logscope.checks.measures import MEASURES
    from logscope.comparison.compare import compare_results

    vehicle = _loaded(vehicle)
    vehicles = (_loaded(before_vehicle) if before_vehicle is not None else vehicle, vehicle)
    runs = [_runs(side, of) for side, of in zip((before, after), vehicles, strict=True)]
    if not all(runs):
        raise RequestError("a comparison needs at least one run on each side", do="Name logs before and after.")
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
    bindings, _ = _bindings(vehicle, *vehicle_definitions(vehicle))
    return {binding.part: (binding.spec, binding.conversion) for binding in bindings}


def decode(
    logs: Capture | Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    labels: bool = False,
) -> Mapping[str, pd.DataFrame]:
    """All defined messages of the logs as DataFrames by message name, indexed by `time_s`.

    logs : what `read` gave, or a path, or several
    vehicle : gives the definitions by bus; definitions : files, or one, for every bus, beside or instead of it
    labels : enumerations as texts

    Raises LogscopeError where the vehicle file, the definitions or the logs cannot be used.
    """
    known = None if vehicle is None else _loaded(vehicle)
    tables = decode_tables(_opened(logs, known), known, definitions).tables
    return {name: table.to_dataframe(labels=labels) for name, table in tables.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """A decoded capture: tables by message name, the account, first and last stamp [ns], and notes."""

    tables: Mapping[str, Table]
    account: Account
    counts: DecodeCounts
    start_ns: int
    end_ns: int
    notes: tuple[str, ...]

    def seconds(self, stamp_ns: int) -> float:
        """A stamp in seconds from the capture's start."""
        return (stamp_ns - self.start_ns) / 1e9

    def stretches(self, gaps: Sequence[Gap]) -> list[tuple[float, float]]:
        """Start and end of stretches in seconds from the capture's start."""
        return [(self.seconds(each.start_ns), self.seconds(each.end_ns)) for each in gaps]


def decode_tables(
    capture: Capture,
    vehicle: Vehicle | None = None,
    definitions: Paths = (),
    wanted: Iterable[tuple[str | None, str, str]] | None = None,
) -> Decoded:
    """The same as plain arrays; `wanted` are the (bus or None, message, signal) to decode, all if not given."""
    pairs, skipped = read_definitions(vehicle, definitions)
    decoded = _decode_all(capture, Decoder(pairs, wanted=None if wanted is None else set(wanted)))
    told = tuple(f"{place.where}: {place.text}: {place.reason}" for place in skipped)
    return replace(decoded, notes=(*decoded.account.remarks, *decoded.notes, *told))


def read_definitions(
    vehicle: Vehicle | None, definitions: Paths = ()
) -> tuple[list[tuple[str | None, tuple[MessageSpec, ...]]], tuple[Skipped, ...]]:
    """(bus or None, messages) of a vehicle file and of definition files for every bus, and what was skipped."""
    pairs, skipped = vehicle_definitions(vehicle) if vehicle is not None else ([], ())
    for path in as_paths(definitions):
        loaded = load_definitions(path)
        pairs.append((None, loaded.messages))
        skipped += loaded.skipped
    return pairs, skipped


def _bindings(
    vehicle: Vehicle, definitions: BusDefinitions, skipped: Sequence[Skipped]
) -> tuple[list[SignalBinding], list[str]]:
    """Which signal plays which part, consoles included, and notes on what was assumed."""
    consoles = [(None, (console.message,)) for console in vehicle_consoles(vehicle)]
    return find_bindings(vehicle, [*definitions, *consoles], skipped)


def _decode_all(capture: Capture, decoder: Decoder) -> Decoded:
    """Decode frames block by block, and lay the serial logs beside them on one clock."""
    account = reduce(add, (log.account.as_account() for log in capture.serial), Account())
    span: tuple[int, int] | None = None
    for log in capture.serial:
        for samples in log.signals.values():
            if len(samples):
                times = int(samples.time_ns[0]), int(samples.time_ns[-1])
                span = _joined(span, times, log.account.files)
    tasks = ((block, decoder.task(block.frames)) for block in capture.blocks)
    for block, decoded in prefetch_map(_done, tasks):
        account += block.account
        if len(block.frames):
            times = int(block.frames.time_ns.min()), int(block.frames.time_ns.max())
            if capture.serial and not capture.clocks and span is not None and times[0] < DATES_FROM_NS:
                raise _two_clocks(block.account.files)
            span = _joined(span, times, block.account.files)
            decoder.keep(decoded)
    if span is None:
        where = ", ".join(account.files) or None
        raise LogError("no frame and no sample could be read", where=where, do="Is this the log you meant?")
    tables = dict(decoder.tables(span[0]))
    for log in capture.serial:
        tables |= _serial_tables(log, span[0])
    return Decoded(tables, account, decoder.counts, *span, decoder.notes)


def _done(task: tuple[Block, Callable[[], DecodedBlock]]) -> tuple[Block, DecodedBlock]:
    block, decode_it = task
    return block, decode_it()


def _joined(span: tuple[int, int] | None, more: tuple[int, int], files: Sequence[str]) -> tuple[int, int]:
    if span is None:
        return more
    if (more[0] < DATES_FROM_NS) != (span[0] < DATES_FROM_NS):
        raise _two_clocks(files)
    return min(span[0], more[0]), max(span[1], more[1])


def _two_clocks(files: Sequence[str]) -> LogError:
    return LogError(
        "these logs are on different clocks: one has no dates, or counts from a start of its own",
        where=files[0] if files else None,
        do="Check them one by one, or map a quantity that both logged.",
    )


def _serial_tables(log: SerialLog, start_ns: int) -> Mapping[str, Table]:
    """One table a signal, for a console need not print all of them in every line."""
    return {
        f"{log.console}.{name}": Table(
            message=log.console,
            bus="",
            spec=log.message,
            start_ns=start_ns,
            time_ns=samples.time_ns,
            columns={name: samples.value},
            absent={},
        )
        for name, samples in log.signals.items()
        if len(samples)
    }


def run_checks(signals: Signals, vehicle: Vehicle) -> tuple[list[Finding], list[NotChecked]]:
    """The findings of every check, each event told once, and what could not be checked or only without a part."""
    findings: list[Finding] = []
    not_checked: list[NotChecked] = []
    for name, run in checks():
        watched = signals.watched()
        try:
            findings += run(watched, vehicle)
        except MissingPart as missing:
            not_checked += [NotChecked(name, reason) for reason in _why_missing(missing.part, watched)]
            continue
        except NothingToCheck as nothing:
            not_checked.append(NotChecked(name, str(nothing)))
        not_checked += [
            NotChecked(name, f"checked without {said(part)}, which is in doubt", in_part=True)
            for part in watched.missed
        ]
    return told_once(findings), not_checked


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
