"""The cheapest division of a payload into fields of both byte orders: a shortest path from byte to byte.

A field within one byte has no order. One that crosses bytes leaves its first byte at the upper end where it is little
endian and at the lower end where it is big endian, and enters the next byte at the other end. What is left of a byte
between a field that enters and one that leaves is divided by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.payload.description_length import WIDEST
from logscope.payload.fields import Field, from_lowest


@dataclass(frozen=True, slots=True)
class _Path:
    cost: float
    fields: tuple[Field, ...]


_NOWHERE = _Path(math.inf, ())


def cheapest(costs: FloatArray, free: BoolArray, barred: BoolArray) -> tuple[Field, ...]:
    """The fields of the cheapest division, by their lowest bits.

    costs : as `description_length.costs` gives them; free : bits that never change, which cost nothing by themselves;
    barred : bits that no field may hold, such as those of counters; both of shape (8 · length,)
    """
    length = free.size // 8
    costs = costs.copy()
    _bar(costs, barred)
    inside = [
        _inside(costs[8 * byte : 8 * byte + 8, 0], (free | barred)[8 * byte : 8 * byte + 8]) for byte in range(length)
    ]
    # By byte, order of the field that enters, and bits it takes of the byte: the best path up to there.
    best: list[dict[tuple[int, int], _Path]] = [{} for _ in range(length + 1)]
    best[0][0, 0] = _Path(0.0, ())
    for byte in range(length):
        for (order, taken), path in best[byte].items():
            _leave(best, byte, order, taken, path, costs, inside[byte])
    found = best[length].get((0, 0), _NOWHERE).fields
    return tuple(sorted(found, key=lambda field: field.positions()[0]))


def _leave(
    best: list[dict[tuple[int, int], _Path]],
    byte: int,
    order: int,
    taken: int,
    path: _Path,
    costs: FloatArray,
    inside: dict[tuple[int, int], _Path],
) -> None:
    """Every way on from a byte of which a field that enters has taken so many bits."""
    length = len(best) - 1

    def reach(at: int, state: tuple[int, int], cost: float, more: tuple[Field, ...]) -> None:
        if cost < best[at].get(state, _NOWHERE).cost:
            best[at][state] = _Path(cost, (*path.fields, *more))

    def between(low: int, high: int) -> _Path:
        shift = 8 * byte
        part = inside[low, high]
        return _Path(part.cost, tuple(Field(field.start + shift, field.bits) for field in part.fields))

    low, high = (0, 8 - taken) if order else (taken, 8)
    rest = between(low, high)
    reach(byte + 1, (0, 0), path.cost + rest.cost, rest.fields)
    for big in (0, 1) if taken == 0 else (order,):
        for here in range(1, 9 - taken):
            rest = between(here, high) if big else between(low, 8 - here)
            if path.cost + rest.cost == math.inf:
                continue
            for last in range(byte + 1, min(length, byte + 5)):
                for there in range(1, 9):
                    bits = here + 8 * (last - byte - 1) + there
                    if bits > WIDEST:
                        break
                    lowest = 8 * last + 8 - there if big else 8 * byte + 8 - here
                    cost = path.cost + rest.cost + float(costs[lowest, big, bits])
                    if cost == math.inf:
                        continue
                    more = (*rest.fields, from_lowest(lowest, bits, bool(big)))
                    if there == 8:
                        reach(last + 1, (0, 0), cost, more)
                    else:
                        reach(last, (big, there), cost, more)


def _inside(costs: FloatArray, nothing: BoolArray) -> dict[tuple[int, int], _Path]:
    """The cheapest division of the bits low to high − 1 of one byte."""
    best: dict[tuple[int, int], _Path] = {}
    for high in range(9):
        best[high, high] = _Path(0.0, ())
        for low in range(high - 1, -1, -1):
            ways = [_Path(best[low + 1, high].cost, best[low + 1, high].fields)] if nothing[low] else []
            for bits in range(1, high - low + 1):
                after = best[low + bits, high]
                ways.append(_Path(float(costs[low, bits]) + after.cost, (Field(low, bits), *after.fields)))
            best[low, high] = min(ways, key=lambda way: way.cost)
    return best


def _bar(costs: FloatArray, barred: BoolArray) -> None:
    """No field over a barred bit."""
    places = barred.size
    for lowest in range(places):
        for big in (0, 1):
            for bits in range(1, WIDEST + 1):
                top = ((lowest ^ 7) - bits + 1) ^ 7 if big else lowest + bits - 1
                if not 0 <= top < places or barred[top]:
                    costs[lowest, big, bits:] = np.inf
                    break
