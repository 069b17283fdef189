"""An inventory as JSON, CSV or a table in the terminal."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from logscope import __version__
from logscope.inventory.collect import Bus, Inventory, Message
from logscope.quantities import counted

if TYPE_CHECKING:
    from rich.console import Console

SCHEMA = 1
CSV_COLUMNS = (
    "bus", "identifier", "extended", "name", "count", "period_s", "jitter_s", "longest_gap_s", "longest_wait_s",
    "periodic", "shortest_bytes", "longest_bytes", "changing_bytes", "first_s", "last_s",
)  # fmt: skip


def to_json(inventory: Inventory) -> str:
    """The inventory as JSON text; times in s, rates in bit/s, loads as fractions."""
    fields = {
        "schema": SCHEMA,
        "logscope": __version__,
        "files": list(inventory.account.files),
        "duration_s": inventory.duration_s,
        "lines": inventory.account.lines,
        "lines_bad": inventory.account.lines_bad,
        "frames": inventory.account.frames,
        "buses": [_bus_fields(bus) for bus in inventory.buses],
        "messages": [_message_fields(message) for message in inventory.messages],
        "defined_but_unseen": list(inventory.unseen),
        "longest_silence_s": max(((g.end_ns - g.start_ns) / 1e9 for g in inventory.account.gaps), default=None),
        "notes": list(inventory.account.remarks),
    }
    return json.dumps(fields, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def _bus_fields(bus: Bus) -> dict[str, Any]:
    return asdict(bus)


def _message_fields(message: Message) -> dict[str, Any]:
    return {
        "bus": message.bus,
        "identifier": message.identifier_text,
        "extended": message.extended,
        "name": message.name,
        "count": message.count,
        "period_s": message.period_s,
        "jitter_s": message.jitter_s,
        "longest_gap_s": message.longest_gap_s,
        "longest_wait_s": message.longest_wait_s,
        "periodic": message.periodic,
        "shortest_bytes": message.shortest,
        "longest_bytes": message.longest,
        "changing_bytes": changing_text(message),
        "first_s": message.first_s,
        "last_s": message.last_s,
    }


def to_csv(inventory: Inventory) -> str:
    """One row an identifier, with a header."""
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_message_fields(message) for message in inventory.messages)
    return text.getvalue()


def changing_text(message: Message) -> str:
    """One character a payload byte: its number (last digit) where it ever changed, a dot where it never did.

    '01.3....' : bytes 0, 1 and 3 change.
    """
    return "".join(str(k % 10) if changes else "." for k, changes in enumerate(message.changing))


def print_inventory(inventory: Inventory, console: Console) -> None:
    """The inventory as tables for a terminal of 80 columns."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for bus in inventory.buses:
        console.print(Text(_bus_text(bus)))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading, side in (
        ("bus", "left"), ("id", "right"), ("name", "left"), ("count", "right"), ("every", "right"),
        ("gap", "right"), ("len", "right"), ("bytes", "left"),
    ):  # fmt: skip
        table.add_column(heading, justify=side, overflow="fold")  # type: ignore[arg-type]
    for message in inventory.messages:
        fixed = message.shortest == message.longest
        length = f"{message.shortest}" if fixed else f"{message.shortest}-{message.longest}"
        table.add_row(
            Text(message.bus),
            message.identifier_text,
            Text(message.name or "-"),
            str(message.count),
            _every(message),
            _time(message.longest_gap_s),
            length,
            changing_text(message),
        )
    console.print(table)
    console.print(
        Text(
            "every: median time from frame to frame ± half the width of its middle half; gap: the longest; bytes: "
            "the number of each payload byte that ever changes, a dot for one that never does."
        )
    )
    undefined = [message for message in inventory.messages if message.name is None]
    frames = sum(message.count for message in undefined)
    console.print(
        Text(
            f"{counted(len(inventory.messages), 'identifier')} in {inventory.duration_s:.1f} s, {len(undefined)} of "
            f"them ({counted(frames, 'frame')}) without a definition; "
            f"{counted(inventory.account.lines_bad, 'bad line')}."
        )
    )
    if inventory.unseen:
        console.print(Text("Defined but never seen: " + ", ".join(inventory.unseen)))
    for note in inventory.account.remarks:
        console.print(Text(f"Note: {note}"))


def _bus_text(bus: Bus) -> str:
    errors = ", ".join(f"{name} {count}" for name, count in bus.errors.items())
    requests = ""
    if bus.transmit_requests:
        requests = f"; {counted(bus.transmit_requests, 'transmit request')} as well, not counted as frames"
    unlisted = f"; {counted(bus.unlisted_frames, 'frame')} of further identifiers, which are not listed"
    return (
        f"{bus.name}: {counted(bus.frames, 'frame')}, {_load_text(bus)}; {bus.remote_frames:,} remote, "
        + counted(bus.error_frames, "error frame")
        + (f" ({errors})" if errors else "")
        + requests
        + (unlisted if bus.unlisted_frames else "")
    )


def _load_text(bus: Bus) -> str:
    """The load, or the bits on the wire where nothing gives the bit rate that a load is a share of."""
    bound = "at least " if bus.lower_bound else ""
    if bus.bit_rate is not None and bus.mean_load is not None and bus.busiest_load is not None:
        inferred = ", inferred from the spacing of frames" if bus.bit_rate_source == "inferred" else ""
        return (
            f"load {bound}{bus.mean_load * 100:.1f} % on average, {bound}{bus.busiest_load * 100:.1f} % in the "
            f"busiest second, at {bus.bit_rate / 1000:.4g} kbit/s{inferred}"
        )
    return (
        f"{bound}{bus.mean_bits_per_s / 1000:.3g} kbit/s on average, {bound}{bus.busiest_bits_per_s / 1000:.3g} kbit/s "
        f"in the busiest second (load unknown: give --bit-rate)"
    )


def _every(message: Message) -> str:
    if message.period_s is None:
        return ""
    if not message.periodic or message.jitter_s is None:
        return "events"
    period_ms = message.period_s * 1e3
    decimals = 2 if period_ms < 9.995 else 1 if period_ms < 99.95 else 0  # three digits: 2.5 ms is not 2 ms
    return f"{period_ms:.{decimals}f} ± {message.jitter_s * 1e3:.2g} ms"


def _time(value_s: float | None) -> str:
    if value_s is None:
        return ""
    return f"{value_s * 1e3:.0f} ms" if value_s < 10 else f"{value_s:.0f} s"
