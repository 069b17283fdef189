"""What a search found, on the terminal and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logscope.payload.segmentation import Segmentation
from logscope.quantities import counted
from logscope.report.json import number, to_json_text, version
from logscope.report.terminal import printable
from logscope.seeking.gather import Key
from logscope.seeking.hits import LEAST_SCORE, STANDS_OUT, Found, Hit

if TYPE_CHECKING:
    from rich.console import Console

SCHEMA = 1
MOST_SHOWN = 10
NOTATION = "Fields as in DBC files: start bit|bits@order and sign; order 0 is high byte first, 1 low byte first."


def to_json(found: Found) -> str:
    """The outcome as JSON text."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "sought": found.sought or None,
            "fields": found.fields,
            "identifiers": found.identifiers,
            "hits": [_hit_fields(hit) for hit in found.hits],
            "identified": [_identifier_fields(key, each) for key, each in found.segmentations.items()],
            "notes": list(found.notes),
        }
    )


def _hit_fields(hit: Hit) -> dict[str, Any]:
    candidate = hit.candidate
    return {
        "part": hit.part,
        "bus": candidate.key.bus,
        "identifier": candidate.key.identifier,
        "extended": candidate.key.extended,
        "start": candidate.field.start,
        "bits": candidate.field.bits,
        "big_endian": candidate.field.big_endian,
        "signed": candidate.segment.signed,
        "selected_by": candidate.segment.selected_by,
        "score": number(hit.score),
        "false_positive_rate": number(hit.false_positive_rate),
        "stands_out": hit.stands_out,
        "scale": number(hit.scale),
        "offset": number(hit.offset),
        "unit": hit.unit,
        "scale_limits": hit.scale_limits and list(hit.scale_limits),
        "offset_limits": hit.offset_limits and list(hit.offset_limits),
        "scale_from": hit.scale_from,
        "reasons": list(hit.reasons),
        "dbc": hit.dbc_line.strip(),
    }


def _identifier_fields(key: Key, found: Segmentation) -> dict[str, Any]:
    return {
        "bus": key.bus,
        "identifier": key.identifier,
        "extended": key.extended,
        "length": key.length,
        "counters": [
            {"start": each.field.start, "bits": each.field.bits, "step": each.step, "low": each.low, "high": each.high}
            for each in found.counters
        ],
        "checksums": [
            {
                "start": each.field.start,
                "bits": each.field.bits,
                "algorithm": each.algorithm,
                "by_counter": each.counter is not None,
            }
            for each in found.checksums
        ],
        "fields": [
            {
                "start": each.field.start,
                "bits": each.field.bits,
                "big_endian": each.field.big_endian,
                "signed": each.signed,
                "sort": each.sort.value,
                "selected_by": each.selected_by,
            }
            for each in found.segments
        ],
    }


def headline(found: Found) -> str:
    """What was found, in a sentence or two."""
    fields = f"{counted(found.fields, 'field')} of {counted(found.identifiers, 'identifier')}"
    if not found.sought:
        return f"Divided {fields}. Like a part of the drive system: {len(found.hits)}."
    best = found.standing_out
    if best:
        first = f"{len(best)} stand out, most of all" if len(best) > 1 else "one stands out,"
        return f"Sought {found.sought} in {fields}: {first} {best[0].candidate.in_words}."
    return (
        f"Sought {found.sought} in {fields}: nothing stands out. No field reaches a likeness of {LEAST_SCORE:g} that "
        f"fewer than {100 * STANDS_OUT:g} % of chance logs reach."
    )


def rate_text(hit: Hit) -> str:
    """A false-positive rate in per cent."""
    percent = 100 * hit.false_positive_rate
    return f"{percent:.0f} %" if percent >= 10 else f"{percent:.2g} %"


def print_found(found: Found, console: Console) -> None:
    """Headline, the best hits as a table with their evidence, and the lines for a DBC file."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    def text(words: str) -> Text:
        return Text(printable(words, console.encoding))

    console.print(text(headline(found)))
    for note in found.notes:
        console.print(text(note))
    if found.hits:
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
        for heading in ("", "field", "like", "chance", "seen"):
            table.add_column(heading, overflow="fold")
        for rank, hit in enumerate(found.hits[:MOST_SHOWN], 1):
            seen = "; ".join(hit.reasons) if found.sought else f"{hit.part}: {'; '.join(hit.reasons)}"
            cells = (f"{rank}", hit.candidate.name, f"{hit.score:.2f}", rate_text(hit), seen)
            table.add_row(*map(text, cells), style="" if hit.stands_out else "dim")
        console.print(table)
        console.print(text(NOTATION))
    if not found.sought:
        for key, each in found.segmentations.items():
            console.print(text(identifier_text(key, each)))
    for hit in found.standing_out[:MOST_SHOWN]:
        console.print(text(f"{hit.dbc_line.strip()}   ({hit.candidate.key.name}) {hit.scale_from}"), soft_wrap=True)


def identifier_text(key: Key, found: Segmentation) -> str:
    """An identifier's fields in a line."""
    names = {each.field: each.algorithm for each in found.checksums}
    parts = []
    for each in found.segments:
        order, sign = int(not each.field.big_endian), "-" if each.signed else "+"
        page = "" if each.selected_by is None else f" m{each.selected_by}"
        sort = names.get(each.field, "" if each.sort.value in ("number", "flag") else each.sort.value)
        parts.append(f"{each.field.start}|{each.field.bits}@{order}{sign}{page}{f' {sort}' if sort else ''}")
    return f"{key.name} [{key.length}]: {', '.join(parts) or 'nothing changes'}"
