"""What a finding says, and the numbers in its sentences: values to the digits that their limits leave meaning."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isfinite, log10

_SHOWN = 0.0005  # the least share that one decimal of a percentage shows


@dataclass(frozen=True, slots=True)
class Words:
    """Title, explanation and next step of a finding; method : how it was worked out, see `Finding`."""

    title: str
    explanation: str
    next_step: str
    hands_near_hv: bool = True
    method: str = ""


def number(value: float, uncertainty: float | None = None) -> str:
    """A number to three digits, or to the digit its uncertainty reaches.

    >>> number(315.937, 0.4), number(0.09764)
    ('315.9', '0.0976')
    """
    if not isfinite(value):
        return "–"
    if value == 0:
        return "0"
    size = floor(log10(abs(value)))
    places = 2 - size
    if uncertainty and isfinite(uncertainty) and uncertainty > 0:
        places = max(min(-floor(log10(uncertainty)), 5 - size), 2 - size if size < 2 else 0)
    return f"{value:.{max(places, 0)}f}"


def seconds(value: float) -> str:
    """A duration in s, or in ms where that is shorter.

    >>> seconds(0.0976), seconds(2.5)
    ('97.6 ms', '2.5 s')
    """
    if abs(value) < 0.9995:  # which three digits round to 1 s
        return f"{_trim(value * 1e3)} ms"
    return f"{_trim(value)} s"


def times(count: int) -> str:
    """How often: 'once', '3 times'."""
    return "once" if count == 1 else f"{count} times"


def if_in_fahrenheit(celsius: float) -> str:
    """What a hot reading would mean if its signal were in another unit than its definition says.

    >>> if_in_fahrenheit(86.0)
    'A signal in °F would look the same: 86 °F is 30 °C.'
    """
    return f"A signal in °F would look the same: {celsius:.0f} °F is {(celsius - 32.0) / 1.8:.0f} °C."


def percent(fraction: float) -> str:
    """A fraction as a percentage: 0.953 → '95.3 %'; one that would show as nothing: '< 0.1 %'."""
    return "< 0.1 %" if 0.0 < fraction < _SHOWN else f"{fraction * 100:.1f} %"


def _trim(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 999.5 else f"{value:.0f}"  # from there on three digits have an exponent
