"""A capture decoded: tables by message, from frames and serial logs on one clock, and what became of the frames."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from operator import add
from typing import TYPE_CHECKING

from logscope.capture.frames import DATES_FROM_NS, Account, Block, Gap
from logscope.capture.open import Capture
from logscope.capture.prefetch import prefetch_map
from logscope.capture.samples import SerialLog
from logscope.decoding.tables import DecodeCounts, DecodedBlock, Decoder, Table
from logscope.definitions.skipped import Skipped
from logscope.definitions.spec import MessageSpec
from logscope.errors import LogError
from logscope.files import Paths, as_paths

if TYPE_CHECKING:
    from logscope.definitions.load import BusDefinitions
    from logscope.mapping import SignalBinding
    from logscope.vehicle import Vehicle


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
    decoded = decode_capture(capture, Decoder(pairs, wanted=None if wanted is None else set(wanted)))
    left_out = tuple(f"{place.where}: {place.text}: {place.reason}" for place in skipped)
    return replace(decoded, notes=(*decoded.account.remarks, *decoded.notes, *left_out))


def read_definitions(
    vehicle: Vehicle | None, definitions: Paths = ()
) -> tuple[list[tuple[str | None, tuple[MessageSpec, ...]]], tuple[Skipped, ...]]:
    """(bus or None, messages) of a vehicle file and of definition files for every bus, and what was skipped."""
    from logscope.definitions.can import load_definitions
    from logscope.definitions.load import vehicle_definitions

    pairs, skipped = vehicle_definitions(vehicle) if vehicle is not None else ([], ())
    for path in as_paths(definitions):
        loaded = load_definitions(path)
        pairs.append((None, loaded.messages))
        skipped += loaded.skipped
    return pairs, skipped


def mapped_bindings(
    vehicle: Vehicle, definitions: BusDefinitions, skipped: Sequence[Skipped]
) -> tuple[list[SignalBinding], list[str]]:
    """Which signal plays which part, consoles included, and notes on what was assumed."""
    from logscope.definitions.load import vehicle_consoles
    from logscope.mapping import find_bindings

    consoles = [(None, (console.message,)) for console in vehicle_consoles(vehicle)]
    return find_bindings(vehicle, [*definitions, *consoles], skipped)


def decode_capture(capture: Capture, decoder: Decoder) -> Decoded:
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
        raise LogError("no frame and no sample could be read", where=where, do="Check that this is the right log.")
    tables = dict(decoder.tables(span[0]))
    for log in capture.serial:
        tables |= serial_tables(log, span[0])
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
        "these logs are on different clocks: one has no dates, or counts from its own start",
        where=files[0] if files else None,
        do="Check them one by one, or map a quantity that both logged.",
    )


def serial_tables(log: SerialLog, start_ns: int) -> Mapping[str, Table]:
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
