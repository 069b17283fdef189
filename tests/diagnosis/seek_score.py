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
from logscope.seeking.candidates import candidates
from logscope.seeking.gather import Key, Stream
from logscope.seeking.rank import SOUGHT, ranked
from logscope.seeking.search import Search


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


# Parts of one quantity: the log cannot show which of them a field is.
ALIKE = ({"torque", "torque_target"}, {"motor_temperature", "inverter_temperature", "coolant_temperature"})
SPEEDS = {"motor_speed", "vehicle_speed"}  # alike but for their scale, where no other speed is known
REFERENCES = ("vehicle_speed", "battery_voltage")  # what the definitions of a vehicle's own bus usually have


@dataclass
class Places:
    """At which place the asked part comes, 0 where it is not found, and whether what comes first stands out."""

    places: list[int] = field(default_factory=list)
    claims: int = 0
    wrong_claims: int = 0

    def __str__(self) -> str:
        count = max(len(self.places), 1)
        first = sum(place == 1 for place in self.places) / count
        five = sum(0 < place <= 5 for place in self.places) / count
        return f"{len(self.places)} sought: first {first:.0%}, in the first five {five:.0%}, " + (
            f"wrong among those that stand out {self.wrong_claims} of {self.claims}"
        )


def score_parts(seed: int, references: tuple[str, ...], scores: dict[str, Places], detail: bool) -> None:
    """Seek each part of a vehicle; the references are known, and no longer in the log."""
    messages = vehicle(seed)
    known, streams, owners = {}, {}, {}
    for message in messages:
        sent = message.stream
        key = Key(sent.bus, sent.identifier, sent.extended, sent.payload.shape[1])
        rows = sent.payload.copy()
        for truth in message.fields:
            if truth.carries in references:
                raw = truth.field.values(rows, signed=truth.signed)
                known[truth.carries] = (sent.ready_s, raw * truth.factor + truth.offset)
                for place in truth.field.positions():
                    rows[:, place // 8] &= np.uint8(~(1 << place % 8) & 0xFF)
            for place in truth.field.positions():
                owners[sent.identifier, place] = truth.carries
        streams[key] = Stream(key, sent.ready_s, rows)
    searched = candidates(streams)
    search = Search(searched, known, 0.0, max(float(each.time_s[-1]) for each in streams.values()))
    moving = {truth.carries for message in messages for truth in message.fields if _moves(message, truth)}
    for part in sorted(moving & set(SOUGHT) - set(references)):
        alike = next((group for group in ALIKE if part in group), {part})
        if part in SPEEDS and not SPEEDS & set(references):
            alike = SPEEDS
        hits = ranked(search, part)[0]
        right = [
            owners.get((hit.candidate.key.identifier, hit.candidate.field.positions()[0])) in alike for hit in hits
        ]
        tally = scores.setdefault(part, Places())
        place = right.index(True) + 1 if any(right) else 0
        tally.places.append(place)
        if hits and hits[0].stands_out:
            tally.claims += 1
            tally.wrong_claims += not right[0]
        if detail and place != 1:
            best = [
                f"{owners.get((h.candidate.key.identifier, h.candidate.field.positions()[0])) or '-'} {h.score:.2f}"
                for h in hits[:4]
            ]
            print(f"seed {seed}, {part}: place {place}; {best}", flush=True)


def _moves(message: Message, truth: Truth) -> bool:
    return bool(np.ptp(truth.field.values(message.stream.payload)) > (0 if truth.field.bits < 8 else 8))


def main() -> None:
    """Score vehicles of consecutive seeds."""
    parser = argparse.ArgumentParser()
    parser.add_argument("vehicles", type=int)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--parts", action="store_true")
    parser.add_argument("--detail", action="store_true")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.vehicles)
    if arguments.parts:
        for references in ((), REFERENCES):
            scores: dict[str, Places] = {}
            for seed in seeds:
                score_parts(seed, references, scores, arguments.detail)
            print(f"Known: {', '.join(references) or 'nothing'}")
            for part, places in scores.items():
                print(f"  {part}: {places}")
            every = Places([p for s in scores.values() for p in s.places], *(
                sum(getattr(s, name) for s in scores.values()) for name in ("claims", "wrong_claims")
            ))  # fmt: skip
            print(f"  all: {every}", flush=True)
        return
    tally = Tally()
    for seed in seeds:
        for message in vehicle(seed):
            score_message(message, tally)
    if arguments.detail:
        print("\n".join(tally.wrong))
    print(tally)


if __name__ == "__main__":
    main()
