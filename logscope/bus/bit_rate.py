"""The bit rate of a bus: as stated, or from the closest spacing of its frames and their lengths.

Frames that wait for the bus follow each other without a pause. The time from one stamp to the next is then exactly the
length of a frame, and these spacings pile up at the lower edge of all of them. A rate fits where they do: spacings are
taken as a mixture of such frames (normal about the frame's length, as wide as stamps are coarse), frames that the bus
stood idle before (anything beyond it) and a few that are stamped wrongly. The usual rates are compared by their
likelihood, and the best must be a maximum among its neighbours too. No rate is named where stamps are too coarse to
show single frames, where a logger's buffer stamps them in groups, or where too few frames follow each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy import special

from logscope.arrays import FloatArray
from logscope.bus.facts import BusFacts, Traffic
from logscope.errors import RequestError

# Rates in use on vehicles [bit/s]: ISO 11898-2 and -3, SAE J1939 (250 and 500 k), SAE J2284 (500 k), SAE J2411
# (33.3 and 83.3 k); 95.2 and 100 k are common practice with no published source.
USUAL_RATES = (33_333, 50_000, 83_333, 95_238, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
_JITTERS_S = (0.0, 2e-6, 8e-6, 25e-6)  # of a logger's stamps beside their resolution: hardware to interrupt
_MOST_SPACINGS = 3000  # of some ten thousand kept: enough to separate 95.2 from 100 kbit/s, and quick
_CLOSEST, _NEAR = 0.05, 3.0  # spacings up to so many times this quantile of them, by their bits, are used
_FEWEST_SPACINGS = 100
_FEWEST_CLOSE = 25.0  # frames that follow without a pause
_RESOLVED = 0.35  # of a frame's length: stamps that scatter more show no single frames
_MOST_WRONG = 0.03  # share of spacings that are too short by far: a log with more stamps frames in groups
_FAR = 4.0  # standard deviations
_CLEAR = 15.0  # of log-likelihood between the best rate and the next: one in three million
_STRAY = 0.02  # share of spacings that follow none of this
_STEPS = 8  # of expectation and maximisation: the share settles to a percent
_NEIGHBOURS = np.linspace(0.92, 1.08, 33)
_MOST_OFF = 0.05  # how far the best of the neighbouring rates may lie from the usual one, for stamps are rounded


class Source(StrEnum):
    """Where a bit rate comes from."""

    GIVEN = "given"
    INFERRED = "inferred"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class BitRate:
    """A bus's bit rate [bit/s].

    value : None where nothing gives it; at_least : by the frames within the busiest second
    close_frames : frames that follow another without a pause, on which an inferred rate rests
    inferred : what the spacing shows, where a rate is given as well
    """

    value: int | None
    source: Source
    at_least: float
    close_frames: int = 0
    inferred: int | None = None

    @property
    def contradicted(self) -> bool:
        """Whether the log shows another rate than the one that is given."""
        given = self.source is Source.GIVEN and self.value is not None
        return given and (self.at_least > float(self.value or 0) or self._differs)

    @property
    def _differs(self) -> bool:
        return self.inferred is not None and abs(self.inferred / (self.value or 1) - 1.0) > _MOST_OFF


def rates_by_bus(
    stated: Mapping[str | None, int], given: int | Mapping[str | None, int] | None
) -> Mapping[str | None, int]:
    """The rates to use [bit/s]: as the vehicle file states them, under those that are given now.

    given : for every bus, or by bus, None for every other one

    >>> rates_by_bus({"can0": 250_000}, 500_000), rates_by_bus({"can0": 250_000}, {"can1": 125_000})
    ({None: 500000}, {'can0': 250000, 'can1': 125000})
    """
    if given is None:
        return stated
    named: dict[str | None, int] = {None: given} if isinstance(given, int) else dict(given)
    return named if None in named else {**stated, **named}


def refuse_unknown_buses(given: int | Mapping[str | None, int] | None, traffic: Traffic) -> None:
    """Refuse a rate of a bus that the log does not have: its name may be mistyped, and the rate would go unused."""
    names = [bus.name for bus in traffic.buses]
    asked = {} if given is None or isinstance(given, int) else given
    for name in asked:
        if name is not None and name not in names:
            raise RequestError(
                f"a bit rate is given for bus “{name}”, which the log does not have",
                do=f"Its buses are: {', '.join(names) or 'none'}.",
            )


def given_rate(bus: str, rates: Mapping[str | None, int]) -> int | None:
    """The rate that is stated for a bus, or for every bus under None [bit/s]."""
    return rates.get(bus, rates.get(None))


def bit_rate_of(bus: BusFacts, given: int | None = None) -> BitRate:
    """The rate of a bus; given : as stated by the user [bit/s]."""
    inferred, close = _inferred(bus.spacing_ns, bus.spacing_bits)
    at_least = bus.busiest_bits_per_s
    if inferred is not None and inferred < at_least:
        inferred = None
    if given is not None:
        return BitRate(given, Source.GIVEN, at_least, close, inferred)
    if inferred is None:
        return BitRate(None, Source.UNKNOWN, at_least)
    return BitRate(inferred, Source.INFERRED, at_least, close, inferred)


def _inferred(spacing_ns: NDArray[np.int64], bits: NDArray[np.int64]) -> tuple[int | None, int]:
    """The rate that spacings show, or None, and how many frames follow without a pause."""
    if spacing_ns.size < _FEWEST_SPACINGS:
        return None, 0
    step_s = _resolution_ns(spacing_ns) / 1e9
    per_bit = spacing_ns / bits[:, 1]
    # frames that the bus stood idle before for long bear on no rate
    limit = _NEAR * float(np.quantile(per_bit, _CLOSEST))
    near = np.flatnonzero(per_bit <= limit)
    used = near[np.linspace(0, near.size - 1, min(_MOST_SPACINGS, near.size)).astype(np.int64)]
    if used.size < _FEWEST_SPACINGS or not np.any(spacing_ns[used] > 0):
        return None, 0
    time_s, most_s = spacing_ns[used] / 1e9, limit * bits[used, 1] / 1e9
    best: tuple[float, int, float, float, FloatArray] | None = None
    scores: dict[int, float] = {}
    for lengths in bits[used].T.astype(np.float64):  # stamped at the start of a frame, or at its end
        for rate in USUAL_RATES:
            for jitter_s in _JITTERS_S:
                width = float(np.hypot(jitter_s, step_s / np.sqrt(6.0)))
                likelihood, share = _fit(time_s, most_s, lengths / rate, width)
                scores[rate] = max(scores.get(rate, -np.inf), likelihood)
                if best is None or likelihood > best[0]:
                    best = (likelihood, rate, width, share, lengths)
    assert best is not None
    likelihood, rate, width, share, lengths = best
    others = max(score for other, score in scores.items() if other != rate)
    close = round(share * near.size)
    short = float(np.mean(spacing_ns / 1e9 - bits.min(axis=1) / rate < -_FAR * width))
    around = [_fit(time_s, most_s, lengths / (rate * factor), width)[0] for factor in _NEIGHBOURS]
    sure = (
        share * used.size >= _FEWEST_CLOSE
        and likelihood - others >= _CLEAR
        and width <= _RESOLVED * float(np.median(lengths)) / rate
        and short <= _MOST_WRONG
        and abs(float(_NEIGHBOURS[int(np.argmax(around))]) - 1.0) <= _most_off(rate)
    )
    return (rate, close) if sure else (None, 0)


def _most_off(rate: int) -> float:
    """How far a rate may be off, as a share of it: never nearer to another usual rate."""
    apart = min(abs(other / rate - 1.0) for other in USUAL_RATES if other != rate)
    return min(_MOST_OFF, apart / 2.0)


def _resolution_ns(spacing_ns: NDArray[np.int64]) -> float:
    """The grid of the stamps: the largest step of which nearly all spacings are whole multiples, 1 ns where none is."""
    for step in (1_000_000, 500_000, 100_000, 50_000, 10_000, 1_000, 100):
        off = spacing_ns % step
        if float(np.mean(np.minimum(off, step - off) <= step // 50)) > 0.95:
            return float(step)
    return 1.0


def _fit(time_s: FloatArray, most_s: FloatArray, least_s: FloatArray, width_s: float) -> tuple[float, float]:
    """Log-likelihood of spacings, and the share of them that follow without a pause.

    most_s : up to which each was taken; least_s : the length of each frame at the rate
    width_s : scatter of a spacing by its stamps
    """
    beyond = time_s - least_s
    scaled = beyond / width_s
    close = np.exp(-0.5 * scaled**2) / (width_s * np.sqrt(2.0 * np.pi))
    idle = special.ndtr(scaled) / np.maximum(most_s - least_s, width_s)
    stray = _STRAY / float(time_s.max())
    share = 0.3
    for _ in range(_STEPS):
        each = (1.0 - _STRAY) * share * close
        total = each + (1.0 - _STRAY) * (1.0 - share) * idle + stray
        share = float(np.clip(np.mean(each / total), 1e-6, 1.0 - 1e-6))
    return float(np.sum(np.log(total))), share
