"""Fields without a definition: how well they are cut out, and how often the asked part comes first.

    python tests/diagnosis/seek_score.py 10                    # ten vehicles: boundaries, coverage, signs
    python tests/diagnosis/seek_score.py 10 --parts            # and which field comes first for each part

Exact: all bits of a field that ever change in the log, and no bit of another field, in one field of the right byte
order; the bits that never change show nothing. Covered: bits that change, in a field that holds mostly bits of their
own signal. Published, on recordings of real vehicles: 80.2 % sliced right, 95.2 % covered, 68.7 % labelled (ByCAN,
arXiv 2408.09265); signedness F 97 % (CAN-D, arXiv 2006.05993).
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from seek_frames import Message, Truth, vehicle

from logscope.payload.fields import Field
from logscope.payload.flips import flip_counts
from logscope.payload.segmentation import Segment, segment


@dataclass
class Tally:
    """Counts over all fields."""

    fields: int = 0
    exact: int = 0
    bits: int = 0
    covered: int = 0
    signs: int = 0
    signs_right: int = 0
    confusion: Counter[tuple[bool, bool]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    @property
    def signed_f(self) -> float:
        """Harmonic mean of precision and recall of "signed"."""
        hits = self.confusion[True, True]
        return 2 * hits / max(2 * hits + self.confusion[True, False] + self.confusion[False, True], 1)

    def __str__(self) -> str:
        return (
            f"{self.fields} fields: {self.exact / self.fields:.1%} exact, {self.covered / self.bits:.1%} of bits, "
            f"signs {self.signs_right / max(self.signs, 1):.1%} of {self.signs} (F {self.signed_f:.1%})"
        )


def score_message(message: Message, tally: Tally) -> None:
    """Add the fields of one message."""
    rows = message.stream.payload
    moving = flip_counts(rows) > 0
    found = segment(rows).segments
    owner = {place: number for number, truth in enumerate(message.fields) for place in truth.field.positions()}
    for number, truth in enumerate(message.fields):
        seen = [place for place in truth.field.positions() if moving[place]]
        if not seen:
            continue
        tally.fields += 1
        tally.bits += len(seen)
        match = next((each for each in found if each.field.mask() >> seen[0] & 1), None)
        exact = match is not None and _exact(match.field, seen, owner, number)
        tally.exact += exact
        tally.covered += sum(any(_own(each.field, owner, number, moving, place) for each in found) for place in seen)
        if exact and truth.field.bits >= 3 and _shows(truth, rows):
            assert match is not None
            tally.signs += 1
            tally.signs_right += match.signed == truth.signed
            tally.confusion[truth.signed, match.signed] += 1
        if not exact:
            tally.wrong.append(_described(message, truth, seen, found))


def _exact(found: Field, seen: list[int], owner: dict[int, int], number: int) -> bool:
    places = found.positions()
    return (
        places[0] == seen[0] and places[-1] == seen[-1] and all(owner.get(place) in (number, None) for place in places)
    )


def _own(found: Field, owner: dict[int, int], number: int, moving: np.ndarray, place: int) -> bool:
    if not found.mask() >> place & 1:
        return False
    owners = [owner.get(each) for each in found.positions() if moving[each]]
    return 2 * owners.count(number) > len(owners)


def _shows(truth: Truth, rows: np.ndarray) -> bool:
    """Whether the log shows a sign: a signed field that is ever negative, or an unsigned one beyond its middle."""
    values = truth.field.values(rows)
    return bool(np.any(values >> (truth.field.bits - 1)))


def _described(message: Message, truth: Truth, seen: list[int], found: tuple[Segment, ...]) -> str:
    near = [_short(each.field) for each in found if each.field.mask() & truth.field.mask()]
    frames = f"0x{message.stream.identifier:X}, {len(message.stream.payload)} frames"
    return f"{frames}: {truth.carries or '-'} {_short(truth.field)}, of which {len(seen)} bits change: {near}"


def _short(field: Field) -> str:
    return f"{field.start}|{field.bits}@{int(not field.big_endian)}"


def main() -> None:
    """Score vehicles of consecutive seeds."""
    parser = argparse.ArgumentParser()
    parser.add_argument("vehicles", type=int)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--detail", action="store_true")
    arguments = parser.parse_args()
    tally = Tally()
    for seed in range(arguments.first, arguments.first + arguments.vehicles):
        for message in vehicle(seed):
            score_message(message, tally)
    if arguments.detail:
        print("\n".join(tally.wrong))
    print(tally)


if __name__ == "__main__":
    main()
