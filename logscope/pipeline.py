"""The stages in order: blocks of a log → decoded tables → parts → checks → result."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import Account, Block
from logscope.capture.open import Capture
from logscope.decode.tables import DecodeCounts, Decoder, Table
from logscope.definitions.can import load_definitions
from logscope.definitions.load import vehicle_definitions
from logscope.errors import LogError
from logscope.findings import Finding, NotChecked, NothingToCheck
from logscope.mapping import build_signals, find_players
from logscope.parts import PARTS
from logscope.result import CaptureSummary, Result
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Vehicle

if TYPE_CHECKING:
    import pandas as pd

Check = Callable[[Signals, Vehicle], list[Finding]]

# Stamps before 2001-09-09 count from a zero of the logger's own: no vehicle was logged with dates before it.
_EPOCH_FROM_NS = 1_000_000_000 * 1_000_000_000


def checks() -> tuple[tuple[str, Check], ...]:
    """The checks by name, in the order in which a conversion meets them."""
    from logscope.checks.encoder import encoder
    from logscope.checks.precharge.check import precharge
    from logscope.checks.trips import trips

    return (("precharge", precharge), ("encoder", encoder), ("trips", trips))


def check(capture: Capture | Iterable[Block], vehicle: Vehicle) -> Result:
    """Run every check on a capture. Only the signals that the vehicle file maps are decoded.

    Raises LogscopeError where the vehicle file, its definitions or the logs cannot be used.
    """
    definitions = vehicle_definitions(vehicle)
    players, notes = find_players(vehicle, definitions)
    decoder = Decoder(definitions, wanted={player.wanted for player in players})
    account, start_ns, end_ns = _decode_all(capture, decoder)
    end_s = (end_ns - start_ns) / 1e9
    signals = build_signals(vehicle, players, decoder.tables(start_ns), end_s)
    findings, not_checked = _run(signals, vehicle)
    account = replace(account, notes=(*account.notes, *decoder.notes, *notes))
    return Result(
        vehicle_name=vehicle.vehicle.name,
        capture=_summary(account, decoder.counts, start_ns, end_s),
        findings=tuple(findings),
        not_checked=tuple(not_checked),
        signals=signals,
        sources={player.part: player.mapped.signal for player in players},
    )


def decode(
    capture: Capture | Iterable[Block],
    vehicle: Vehicle | None = None,
    definitions: Sequence[Path | str] = (),
    *,
    labels: bool = False,
) -> Mapping[str, pd.DataFrame]:
    """All defined messages of a capture as DataFrames by message name, indexed by `time_s`.

    vehicle : gives the definitions by bus; definitions : files for every bus, beside or instead of it
    labels : enumerations as texts
    """
    pairs = list(vehicle_definitions(vehicle)) if vehicle is not None else []
    pairs += [(None, load_definitions(Path(path))) for path in definitions]
    tables, _ = decode_tables(capture, Decoder(pairs))
    return {name: table.to_dataframe(labels=labels) for name, table in tables.items()}


def decode_tables(capture: Capture | Iterable[Block], decoder: Decoder) -> tuple[Mapping[str, Table], Account]:
    """Run a capture through a decoder; the tables count from the capture's start."""
    account, start_ns, _ = _decode_all(capture, decoder)
    return decoder.tables(start_ns), account


def _decode_all(capture: Capture | Iterable[Block], decoder: Decoder) -> tuple[Account, int, int]:
    """Decode block by block; returns the account, and the first and last stamp [ns]."""
    account = Account()
    start_ns: int | None = None
    end_ns = 0
    for block in capture.blocks if isinstance(capture, Capture) else capture:
        account += block.account
        if not len(block.frames):
            continue
        first, last = int(block.frames.time_ns.min()), int(block.frames.time_ns.max())
        if start_ns is not None and (first < _EPOCH_FROM_NS) != (start_ns < _EPOCH_FROM_NS):
            raise LogError(
                "the logs are on different clocks, one with dates and one counting from its own start",
                where=block.account.files[0],
                do="Check them one by one.",
            )
        start_ns, end_ns = (first, last) if start_ns is None else (min(start_ns, first), max(end_ns, last))
        decoder.add(block.frames)
    if start_ns is None:
        raise LogError(
            "no frame could be read", where=", ".join(account.files) or None, do="Is this the log you meant?"
        )
    return account, start_ns, end_ns


def _run(signals: Signals, vehicle: Vehicle) -> tuple[list[Finding], list[NotChecked]]:
    findings: list[Finding] = []
    not_checked: list[NotChecked] = []
    for name, run in checks():
        try:
            findings += run(signals, vehicle)
        except MissingPart as missing:
            not_checked.append(NotChecked(name, _why_missing(missing.part, signals)))
        except NothingToCheck as nothing:
            not_checked.append(NotChecked(name, str(nothing)))
    findings.sort(key=lambda finding: finding.start_s)
    return findings, not_checked


def _why_missing(part: str, signals: Signals) -> str:
    if part in signals.empty:
        return signals.empty[part]
    return f"no signal is mapped to {part} ({PARTS[part].meaning})"


def _summary(account: Account, counts: DecodeCounts, start_ns: int, duration_s: float) -> CaptureSummary:
    dated = start_ns >= _EPOCH_FROM_NS
    return CaptureSummary(
        account=account,
        start_utc=datetime.fromtimestamp(start_ns / 1e9, UTC) if dated else None,
        duration_s=duration_s,
        frames_decoded=counts.decoded,
        frames_undefined=counts.undefined,
        frames_undecodable=counts.undecodable,
        samples_undecodable=counts.samples_undecodable,
    )
