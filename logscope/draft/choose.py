"""Which signal plays which part: the best pairs first, each signal once, and whatever speaks against being sure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from logscope.draft.behaviour import reads_the_same
from logscope.draft.logged import Logged
from logscope.draft.profiles import PROFILES, TWINS
from logscope.draft.scoring import DOUBTFUL, MARGIN, SURE, Fit, fit
from logscope.draft.surroundings import Surroundings
from logscope.draft.words import Word
from logscope.parts import PARTS, Role


@dataclass(frozen=True, slots=True)
class Choice:
    """The best signal for a part.

    runner_up : the next best that is not surely another part; None where there is none
    doubts : why it is not sure; empty where it is
    """

    fit: Fit
    runner_up: Fit | None
    doubts: tuple[str, ...]

    @property
    def sure(self) -> bool:
        return not self.doubts


def choose(signals: Sequence[Logged], around: Surroundings) -> dict[str, Choice]:
    """The choices by part, in the order of the table of parts; a part that nothing fits is not among them."""
    fits = {part: _ranked(part, signals, around) for part in PROFILES}
    taken = _assign(fits)
    twins = dict(_twins(taken, fits))
    players = {found.signal.reference: found for found in (*taken.values(), *twins.values())}
    chosen = {part: _judge(found, fits, players) for part, found in taken.items()}
    for part, found in twins.items():
        first = chosen[_first_of(part)]
        chosen[part] = Choice(found, None, first.doubts)
    return {part: chosen[part] for part in PARTS if part in chosen}


def _ranked(part: str, signals: Sequence[Logged], around: Surroundings) -> list[Fit]:
    found = (fit(part, signal, around) for signal in signals)
    return sorted((one for one in found if one is not None), key=_rank)


def _rank(found: Fit) -> tuple[float, str]:
    return -found.points, found.signal.reference


def _assign(fits: Mapping[str, Sequence[Fit]]) -> dict[str, Fit]:
    """The best pair of part and signal, then the best of what is left, as long as it is worth showing."""
    taken: dict[str, Fit] = {}
    used: set[str] = set()
    for found in sorted((one for ranked in fits.values() for one in ranked), key=_rank):
        worth_it = found.speaks and found.points >= DOUBTFUL and not _one_of_many(found, fits[found.part])
        if worth_it and found.part not in taken and found.signal.reference not in used:
            taken[found.part] = found
            used.add(found.signal.reference)
    return taken


def _one_of_many(found: Fit, ranked: Sequence[Fit]) -> bool:
    """Whether a signal that never changes is as likely as another: nothing in the log chooses between them."""
    rivals = (one for one in ranked if one.signal is not found.signal and not one.signal.copies(found.signal))
    return not found.moves and found.points < SURE and any(found.points - one.points < MARGIN for one in rivals)


def _twins(taken: Mapping[str, Fit], fits: Mapping[str, Sequence[Fit]]) -> Iterator[tuple[str, Fit]]:
    """Second sources: signals that would nearly do for the part, and read the same as its player all along."""
    used = {found.signal.reference for found in taken.values()}
    for part, second in TWINS.items():
        if part not in taken:
            continue
        own, values = taken[part].signal, taken[part].signal.as_part(part)
        for found in fits[part]:
            others = found.signal.as_part(part)
            if found.signal.reference in used or found.signal.copies(own) or values is None or others is None:
                continue
            second_named = Word.SECOND in found.signal.sense.own  # which has cost it a point
            near = found.points >= taken[part].points - MARGIN - second_named
            if near and reads_the_same(own.time_s, values, found.signal.time_s, others):
                reason = f"reads the same as {own.reference}"
                yield second, replace(found, part=second, reasons=(*found.reasons, reason))
                used.add(found.signal.reference)
                break


def _first_of(twin: str) -> str:
    return next(first for first, second in TWINS.items() if second == twin)


def _judge(found: Fit, fits: Mapping[str, Sequence[Fit]], players: Mapping[str, Fit]) -> Choice:
    rivals = [
        rival
        for rival in fits[found.part]
        if not rival.signal.copies(found.signal) and not _plays_better(rival, players)
    ]
    runner_up = rivals[0] if rivals and rivals[0].points > 0 else None
    doubts = []
    if not found.moves and PARTS[found.part].role is Role.QUANTITY and not found.signal.unit:
        doubts.append("it has no unit and never changes in this log")
    if found.points < SURE:
        doubts.append("too little evidence")
    if runner_up is not None and found.points - runner_up.points < MARGIN:
        doubts.append(f"{runner_up.signal.reference} fits nearly as well")
    for part, ranked in fits.items():
        beside = next((one for one in ranked if one.signal is found.signal), None)
        if beside is None or part == found.part:
            continue
        taken = any(player.part == part and player.points >= beside.points for player in players.values())
        if not taken and found.points - beside.points < MARGIN:
            doubts.append(f"it may equally be {part}")
    return Choice(found, runner_up, tuple(doubts))


def _plays_better(rival: Fit, players: Mapping[str, Fit]) -> bool:
    """Whether a rival is chosen for another part, which it fits better by a clear margin, or as a second source."""
    player = players.get(rival.signal.reference)
    if player is None:
        return False
    return player.part == TWINS.get(rival.part) or player.points - rival.points >= MARGIN
