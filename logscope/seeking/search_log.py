"""From opened logs to what was found in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from logscope.definitions.spec import MessageSpec
from logscope.errors import LogError, RequestError, did_you_mean
from logscope.parts import PARTS, part_name
from logscope.seeking.candidates import candidates
from logscope.seeking.events import WITHIN_S, at_moments
from logscope.seeking.follow import following, read_series
from logscope.seeking.gather import Key, Stream
from logscope.seeking.hits import Found, Hit
from logscope.seeking.rank import SOUGHT, ranked, resemblances
from logscope.seeking.search import Search, Series

MOST_HITS = 20


def search_log(
    streams: Mapping[Key, Stream],
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]] = (),
    known: Mapping[str, Series] | None = None,
    *,
    like: str = "",
    like_log: str = "",
    at: Sequence[float] = (),
    within_s: float = WITHIN_S,
) -> Found:
    """Search the fields of a log that have no definition.

    streams : the log's frames as `gather` gives them; definitions : (bus or None, messages), whose bits are left out
    known : parts that are defined, as times [s] and values in their units
    like : a part; like_log : FILE.csv:COLUMN; at : moments [s], noted within so long

    Without a wish every field is listed with the part that it most resembles. Raises RequestError where the wish cannot
    be met at all, LogError where there are no frames.
    """
    refuse(like, like_log, at)
    if not streams:
        raise LogError("no CAN frame with data could be read", do="Check that this is the right log.")
    end_s = max(float(stream.time_s[-1]) for stream in streams.values())
    searched = candidates(streams, definitions)
    search = Search(searched, known or {}, 0.0, end_s)
    notes: list[str] = []
    if like:
        sought = part_name(like)
        hits, notes = ranked(search, like)
    elif like_log:
        path, column = _file_and_column(like_log)
        sought = f"{column} of {path.name}"
        hits = following(search, column, read_series(path, column))
    elif at:
        if outside := [moment for moment in at if not 0 <= moment <= end_s]:
            raise RequestError(
                f"the log is {end_s:.1f} s long, without a moment at {', '.join(f'{m:g}' for m in outside)} s",
                do="Give the moments in seconds from the start of the log.",
            )
        sought = "changes at " + ", ".join(f"{moment:g} s" for moment in at)
        hits = at_moments(search, at, within_s)
    else:
        sought = ""
        hits = _resembling(search)
    kept = tuple(hits if not sought else hits[:MOST_HITS])
    return Found(sought, kept, len(searched.candidates), len(streams), end_s, searched.segmentations, tuple(notes))


def _resembling(search: Search) -> list[Hit]:
    """Every number with the part that it most resembles."""
    alike = resemblances(search)
    return [alike[number] for number in sorted(alike)]


def refuse(like: str, like_log: str, at: Sequence[float]) -> None:
    """Refuse a search that cannot be made, before the log is read."""
    if sum(map(bool, (like, like_log, at))) > 1:
        raise RequestError("--like, --like-log and --at are three searches", do="Ask for one of them.")
    if like and like not in PARTS:
        raise RequestError(
            f"“{like}” is not a known part", do=did_you_mean(like, PARTS) or f"Possible: {', '.join(SOUGHT)}."
        )
    if like and like not in SOUGHT:
        raise RequestError(
            f"how {part_name(like)} behaves is not known well enough to search for it",
            do=f"Use --like-log or --at, or one of: {', '.join(SOUGHT)}.",
        )


def _file_and_column(text: str) -> tuple[Path, str]:
    """FILE.csv:COLUMN; a drive letter of Windows has its colon elsewhere."""
    file, colon, column = text.rpartition(":")
    if not colon or not column or not file or not file.casefold().endswith((".csv", ".txt")):
        raise RequestError(f"“{text}” names no column", do="Write it as other.csv:column.")
    return Path(file), column
