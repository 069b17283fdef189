"""Logs by what they hold: one drive logged in two formats, and logs that seem to be of another vehicle or bus."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from logscope.shelf.job import CHECKED
from logscope.shelf.schema import Record

# Formats round stamps, and leave out what comes before the first or after the last frame that they can hold.
_SAME_LENGTH, _SAME_LENGTH_S = 0.01, 1.0
_ALIKE = 0.5  # share of identifiers in common: a part more or less changes few of them, another vehicle nearly all
_DATED = ("log", "name", "file")  # the best first


def twins(rows: Sequence[Record]) -> dict[str, Record]:
    """Rows that hold the drive of another row, by their keys, each with the row that counts.

    Equal first frames and equal length: the same drive in two formats. The one with the better date counts.
    """
    found: dict[str, Record] = {}
    by_content: dict[tuple[str | None, str], list[Record]] = {}
    for row in sorted(rows, key=lambda row: (_DATED.index(row["date_from"]), row["logs"])):
        if row["status"] != CHECKED or not row["content"]:
            continue
        group = by_content.setdefault((row["vehicle"], row["content"]), [])
        first = next((other for other in group if _equally_long(row, other)), None)
        if first is None:
            group.append(row)
        else:
            found[row["key"]] = first
    return found


def _equally_long(one: Record, other: Record) -> bool:
    apart = abs(one["duration_s"] - other["duration_s"])
    return bool(apart <= _SAME_LENGTH_S + _SAME_LENGTH * max(one["duration_s"], other["duration_s"]))


def kinds_by_identifiers(identifiers: Mapping[str, Sequence[int]]) -> dict[str, int]:
    """Logs in kinds that share most of their identifiers, by their keys; the kind of most logs is 0.

    identifiers : of each log, by its key; logs without any are of kind 0
    """
    leaders: list[set[int]] = []
    members: list[list[str]] = []
    for key in sorted(identifiers):
        own = set(identifiers[key])
        if not own:
            continue
        kind = next((n for n, other in enumerate(leaders) if len(own & other) >= _ALIKE * len(own | other)), None)
        if kind is None:
            leaders.append(own)
            members.append([key])
        else:
            members[kind].append(key)
    members.sort(key=len, reverse=True)
    return dict.fromkeys(identifiers, 0) | {key: kind for kind, keys in enumerate(members) for key in keys}
