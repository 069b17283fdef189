"""Checksums in payloads: which bytes hold one, by which algorithm, and in which frames it does not hold.

Exclusive-or and sums, of bytes or half bytes, and the CRCs of crccheck's catalogue. What a sender adds that is no
part of the payload (an initial value, a final inversion, the identifier, the Data ID of AUTOSAR's end-to-end profiles)
is the same in every frame, and both sums and CRCs are affine: it shifts every checksum by one constant. So a checksum
shows as a constant difference between what is stored and what is calculated, whatever that constant is. In end-to-end
profile 2 the Data ID is picked by the message's counter, so there is one constant for each of the counter's values.

A calculation over few changing bits would fit by chance. It counts where the payloads span so many dimensions over
GF(2) that a chance fit of any of the calculations tried has a probability below 2⁻¹⁶.

References: AUTOSAR, Specification of SW-C End-to-End Communication Protection Library (profiles 1, 2, 4 to 7, 11);
Koopman, Driscoll and Hall, Selection of Cyclic Redundancy Code and Checksum Algorithms (DOT/FAA/TC-14/49, 2015).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray
from logscope.definitions.checksums import checksum_named
from logscope.payload.counters import Counter, find_counters
from logscope.payload.fields import Bytes, Field, Integers
from logscope.payload.stretches import stretches

_MOST_ROWS = 2048
_FIRST_ROWS = 48  # a first look: a wrong calculation fits 95 % of so many frames with a chance below 10⁻⁷⁰
_LEAST_ROWS = 24
_LEAST_SHARE = 0.95  # of frames in which it holds: foreign or damaged frames are few
_WORTH_ALL_ROWS = 0.5  # of a first look at the frames of one count: less, and it cannot hold in nearly all of them
_FOLLOWS = 0.90  # changes of the payload after which a checksum changes: all but 1 of 16 for a half byte
_RESTS = 0.97  # repeats of the payload in which it stays
_CHANCE_BITS = 28.0  # 12 bits for some thousand calculations that are tried, 16 for the certainty
_SURE_BITS = 4  # of a counter; the bits of a checksum over little but a counter may count up to eight
_ROWS_PER_COUNT = 3  # frames for each value of the counter, where each has a constant of its own

# Of several names for one polynomial those that a vehicle's engineer knows; most of them AUTOSAR's CRC library names.
_IN_VEHICLES = ("Crc8SaeJ1850", "Crc8Autosar", "Crc16CcittFalse", "Crc16Arc", "Crc32", "Crc32Autosar")

Difference = Literal["xor", "subtract", "add"]


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a checksum is calculated over: these bytes in this order, and so many zero bytes after them.

    The zero bytes stand for a Data ID or an identifier that the sender appends.
    """

    bytes: tuple[int, ...]
    appended: int = 0


@dataclass(frozen=True, slots=True)
class PayloadChecksum:
    """A checksum found in the payloads of one identifier.

    algorithm : "xor8", "sum8", "xor4" and "sum4" of half bytes, or a CRC's name in crccheck
    difference : how the stored value differs by a constant from the calculated one; "add" for the complement of a sum
    constants : by the value of `counter` where there is one, None for values that were not seen; else a single one
    share : of the frames in which it holds
    """

    field: Field
    algorithm: str
    coverage: Coverage
    difference: Difference
    constants: tuple[int | None, ...]
    counter: Counter | None
    share: float

    def holds(self, rows: Bytes) -> BoolArray:
        """In which payloads the checksum is right, shape (n,); right also where its constant is unknown."""
        seen = _difference(self.field, self.algorithm, self.coverage, self.difference, rows)
        if self.counter is None:
            return np.asarray(seen == self.constants[0])
        known = np.array([-1 if constant is None else constant for constant in self.constants])
        at = self.counter.field.values(rows)
        expected = known[np.clip(at, 0, known.size - 1)]
        return np.asarray((seen == expected) | (expected < 0) | (at >= known.size))


def find_checksums(rows: Bytes, counters: Sequence[Counter] = ()) -> tuple[PayloadChecksum, ...]:
    """The checksums in the payloads of one identifier, of which `counters` are known; they share no bit."""
    if len(rows) < _LEAST_ROWS or rows.shape[1] < 2:
        return ()
    rows = rows[np.concatenate([np.arange(part.start, part.stop) for part in stretches(len(rows), _MOST_ROWS)])]
    in_counters = sum(counter.field.mask() for counter in counters if counter.field.bits >= _SURE_BITS)
    found: list[PayloadChecksum] = []
    for field in _places(rows.shape[1]):
        taken = in_counters | sum(each.field.mask() for each in found)
        if field.mask() & taken or not _behaves(field, rows):
            continue
        if (checksum := _identified(field, rows, counters)) is not None:
            found.append(checksum)
    return _one_of_a_sum(found, rows)


def _one_of_a_sum(found: Sequence[PayloadChecksum], rows: Bytes) -> tuple[PayloadChecksum, ...]:
    """Of a sum every term is the sum of the others, but for sign: the one that jumps most is the checksum."""
    sums = [each for each in found if not each.algorithm.startswith("Crc")]
    if len(sums) < 2:
        return tuple(found)
    chosen = max(sums, key=lambda each: (each.field.bits, round(_mean_jump(each.field, rows), 3), each.field.start))
    return tuple(each for each in found if each is chosen or each not in sums)


def _mean_jump(field: Field, rows: Bytes) -> float:
    span = 1 << field.bits
    change = np.diff(field.values(rows)) % span
    return float(np.mean(np.minimum(change, span - change)))


def _places(length: int) -> Iterator[Field]:
    """Where a checksum may be: whole bytes, narrow ones first, then half bytes."""
    for byte in range(length):
        yield Field(8 * byte, 8)
    for width in (2, 4):
        for byte in range(length - width + 1):
            yield Field(8 * byte + 7, 8 * width, True)
            yield Field(8 * byte, 8 * width)
    for half in range(2 * length):
        yield Field(4 * half, 4)


def _behaves(field: Field, rows: Bytes) -> bool:
    """Whether it changes with the rest of the payload, nearly always, and stays with it."""
    values = field.values(rows)
    others = _without(field, rows)
    changes = values[1:] != values[:-1]
    rest = np.any(others[1:] != others[:-1], axis=1)
    if np.count_nonzero(rest) < _LEAST_ROWS:
        return False
    follows, rests = changes[rest], ~changes[~rest]
    return float(np.mean(follows)) >= _FOLLOWS and (not rests.size or float(np.mean(rests)) >= _RESTS)


def _without(field: Field, rows: Bytes) -> Bytes:
    """The payloads with the field's bits as zeros."""
    mask = field.mask()
    keep = np.array([~(mask >> (8 * byte)) & 0xFF for byte in range(rows.shape[1])], np.uint8)
    return np.asarray(rows & keep)


def _identified(field: Field, rows: Bytes, counters: Sequence[Counter]) -> PayloadChecksum | None:
    others = _without(field, rows)
    distinct = np.unique(others, axis=0, return_index=True)[1]
    first = _spread(rows[np.sort(distinct)])
    if not _certain(field, _without(field, first)):
        return None
    for algorithm, coverage, difference in _calculations(field, rows.shape[1]):
        seen = _difference(field, algorithm, coverage, difference, first)
        constant, share = _mode(seen)
        if share >= _LEAST_SHARE and _adds(algorithm, coverage, others):
            whole = float(np.mean(_difference(field, algorithm, coverage, difference, rows) == constant))
            if whole >= _LEAST_SHARE:
                return PayloadChecksum(field, algorithm, coverage, difference, (constant,), None, whole)
    for counter in counters:
        found = _by_counter(field, rows, counter)
        if found is not None:
            return found
    return None


def _spread(rows: Bytes) -> Bytes:
    """Rows for a first look, from all over the log: a controller that starts may send other contents at first."""
    return np.asarray(rows[np.linspace(0, len(rows) - 1, min(_FIRST_ROWS, len(rows))).astype(int)])


def _by_counter(field: Field, rows: Bytes, counter: Counter) -> PayloadChecksum | None:
    """A CRC with a constant for each value of a counter, as in end-to-end profile 2."""
    if field.bits > 16 or counter.high > 63 or len(rows) < _ROWS_PER_COUNT * counter.span:
        return None
    at = counter.field.values(rows)
    of_one = rows[at == _mode(at)[0]]
    if not _certain(field, _without(counter.field, _without(field, of_one))):
        return None
    first = _spread(of_one)
    for algorithm, coverage, difference in _calculations(field, rows.shape[1]):
        if not algorithm.startswith("Crc"):
            continue
        if _mode(_difference(field, algorithm, coverage, difference, first))[1] < _WORTH_ALL_ROWS:
            continue
        seen = _difference(field, algorithm, coverage, difference, rows)
        constants = tuple(
            _mode(seen[at == count])[0] if np.any(at == count) else None for count in range(counter.high + 1)
        )
        found = PayloadChecksum(field, algorithm, coverage, difference, constants, counter, 0.0)
        share = float(np.mean(found.holds(rows)))
        if share >= _LEAST_SHARE:
            return PayloadChecksum(field, algorithm, coverage, difference, constants, counter, share)
    return None


def _calculations(field: Field, length: int) -> Iterator[tuple[str, Coverage, Difference]]:
    if field.bits == 4:
        whole = Coverage(tuple(range(length)))
        yield from ((name, whole, how) for name, how in (("xor4", "xor"), ("sum4", "subtract"), ("sum4", "add")))  # type: ignore[misc]
        return
    own = {place // 8 for place in field.positions()}
    covers = _coverages(own, length)
    if field.bits <= 16:
        for cover in covers[:1]:
            if field.bits == 8:
                yield "xor8", cover, "xor"
            yield f"sum{field.bits}", cover, "subtract"
            yield f"sum{field.bits}", cover, "add"
    for appended in (0, 1, 2):
        for cover in covers:
            for name in _crcs(field.bits):
                yield name, Coverage(cover.bytes, appended), "xor"


def _coverages(own: set[int], length: int) -> list[Coverage]:
    """All other bytes, those before the checksum, those after it; each but once."""
    everything = [place for place in range(length) if place not in own]
    before, after = [p for p in everything if p < min(own)], [p for p in everything if p > max(own)]
    return [Coverage(each) for each in dict.fromkeys(map(tuple, (everything, before, after))) if each]


@cache
def _crcs(bits: int) -> tuple[str, ...]:
    """Of the catalogue's CRCs of so many bits one for each polynomial and order of bits; the rest is a constant."""
    from crccheck import crc

    in_vehicles = {getattr(crc, name): name for name in _IN_VEHICLES}  # some are second names of a class
    by_form: dict[tuple[int, bool, bool], str] = {}
    for known in sorted(crc.ALLCRCCLASSES, key=lambda each: each not in in_vehicles):
        if known.width() == bits:
            form = known.poly(), known.reflect_input(), known.reflect_output()
            by_form.setdefault(form, in_vehicles.get(known, known.__name__))
    return tuple(by_form.values())


def _difference(field: Field, algorithm: str, coverage: Coverage, difference: Difference, rows: Bytes) -> Integers:
    stored, calculated = field.values(rows), _calculated(field, algorithm, coverage, rows)
    if difference == "xor":
        return stored ^ calculated
    return (stored - calculated if difference == "subtract" else stored + calculated) & ((1 << field.bits) - 1)


def _calculated(field: Field, algorithm: str, coverage: Coverage, rows: Bytes) -> Integers:
    covered = rows[:, list(coverage.bytes)]
    if algorithm in ("xor4", "sum4"):
        halves = _without(field, rows).astype(np.int64)
        parts = np.concatenate((halves >> 4, halves & 0xF), axis=1)
        return np.asarray(np.bitwise_xor.reduce(parts, axis=1) if algorithm == "xor4" else parts.sum(axis=1) & 0xF)
    if algorithm == "sum16":
        return np.asarray(covered.sum(axis=1, dtype=np.int64) & 0xFFFF)
    known = checksum_named(algorithm)
    assert known is not None
    if coverage.appended:
        covered = np.pad(covered, ((0, 0), (0, coverage.appended)))
    return known.of(covered).astype(np.int64)


def _mode(values: NDArray[np.int64]) -> tuple[int, float]:
    """The commonest value and its share."""
    each, counts = np.unique(values, return_counts=True)
    at = int(np.argmax(counts))
    return int(each[at]), float(counts[at] / values.size)


def _adds(algorithm: str, coverage: Coverage, others: Bytes) -> bool:
    """Not a mere copy: of a sum or an exclusive-or at least two bytes must change, in ways of their own."""
    if algorithm.startswith("Crc"):
        return True
    covered = others[:, list(coverage.bytes)]
    return len(np.unique(covered, axis=0)) > max(len(np.unique(byte)) for byte in covered.T)


def _certain(field: Field, others: Bytes) -> bool:
    """Whether a calculation that fits all these payloads can hardly fit by chance."""
    needed = int(np.ceil(_CHANCE_BITS / field.bits))
    return _rank(others ^ others[:1], needed) >= needed


def _rank(rows: Bytes, enough: int) -> int:
    """The rank over GF(2) of the payloads as vectors of bits, counted up to `enough`."""
    basis: list[int] = []
    for row in rows:
        number = int.from_bytes(row.tobytes(), "little")
        for vector in basis:
            number = min(number, number ^ vector)
        if number:
            basis.append(number)
            if len(basis) >= enough:
                break
    return len(basis)


def counters_and_checksums(rows: Bytes) -> tuple[tuple[Counter, ...], tuple[PayloadChecksum, ...]]:
    """Both, without the counters that are but a part of a checksum."""
    counters = find_counters(rows)
    checksums = find_checksums(rows, counters)
    taken = sum(each.field.mask() for each in checksums)
    return tuple(each for each in counters if not each.field.mask() & taken), checksums
