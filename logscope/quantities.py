"""Numbers as text: as many digits as the interval bears, each with its unit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from logscope.findings import Measured

INTERVAL_DIGITS = 2  # significant digits of an interval's half width at most (GUM, JCGM 100:2008, 7.2.6)
DIGITS = 3  # significant digits of a value, unless its limits bear more or fewer
GIVEN_DIGITS = 4  # of a number that the user gave
_LOWEST_PERCENT = 0.1  # less than this is said to be less
_ROUNDS_UP = 0.9995  # of a power of a thousand: what three digits show as 1 of it
_IN_WORDS = {"1/min": "per minute", "1/h": "per hour"}  # units that are spelled out beside a number
_SIZES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"))
# Units that take a prefix in this trade, largest first; nobody says a kilosecond.
_PREFIXES = {
    **dict.fromkeys(("V", "A", "W", "J", "ohm", "Wh"), _SIZES),
    "s": ((1.0, ""), (1e-3, "m"), (1e-6, "µ")),
    "F": ((1e-3, "m"), (1e-6, "µ"), (1e-9, "n")),
    **dict.fromkeys(("Hz", "bit/s"), _SIZES[:3]),
}
MOST_DECIMALS = 6  # a microsecond is finer than any stamp of a log

_SHOWN_UNITS = {"ohm": "Ω", "uF": "µF", "degC": "°C", "1": "", "min^-1": "1/min"}
NO_VALUE = "not determined"
_HELD, _GROUP = "\N{NO-BREAK SPACE}", "\N{NARROW NO-BREAK SPACE}"


def counted(count: int, noun: str) -> str:
    """So many of something, the noun in the number that goes with it.

    >>> counted(1, "error frame"), counted(12000, "frame").split()
    ('1 error frame', ['12', '000', 'frames'])
    """
    return f"{grouped(count)} {noun}{'s' * (count != 1)}"


def finite(value: float | None) -> float | None:
    """The value, or None where it is missing, NaN or without bound."""
    return value if value is not None and math.isfinite(value) else None


def decimals(measured: Measured, digits: int = DIGITS) -> int:
    """Decimal places that show three digits, or those that the limits bear; none for a whole number without limits.

    >>> decimals(Measured(266.21, "ms", 265.2, 267.2)), decimals(Measured(311.274, "V")), decimals(Measured(3.0, ""))
    (0, 0, 0)
    """
    value, low, high = finite(measured.value), finite(measured.low), finite(measured.high)
    known = [each for each in (value, low, high) if each is not None]
    if (low is None or high is None or low == high) and all(each.is_integer() for each in map(float, known)):
        return 0
    return _places(value, low, high, digits)


def number_text(value: float, places: int) -> str:
    """The value rounded to `places` decimals; negative places round to tens, hundreds …

    >>> number_text(12815.3, -2), number_text(-0.0004, 2)
    ('12800', '0.00')
    """
    rounded = round(float(value), places) + 0.0
    return f"{rounded:.{max(places, 0)}f}"


def grouped(count: int) -> str:
    """A count in groups of three digits, as ISO 80000-1 asks.

    >>> grouped(1234567).split()
    ['1', '234', '567']
    """
    return f"{count:,}".replace(",", _GROUP)


def shown_unit(unit: str) -> str:
    """A unit as it is printed."""
    return _SHOWN_UNITS.get(unit, unit.replace("ohm", "Ω"))


def with_unit(number: str, unit: str) -> str:
    """Number and unit, held together by a no-break space.

    >>> with_unit("25", "1/min"), with_unit("3", "")
    ('25\\xa0per minute', '3')
    """
    shown = _IN_WORDS.get(unit, shown_unit(unit))
    return f"{number}{_HELD}{shown}" if shown else number


def value_text(measured: Measured) -> str:
    """The value with its unit, or that there is none."""
    shown = prefixed(measured)
    value = finite(shown.value)
    return NO_VALUE if value is None else with_unit(number_text(value, decimals(shown)), shown.unit)


def stated(value: float) -> str:
    """A number as it was given, in no more than four significant digits and without trailing zeros.

    >>> stated(0.150), stated(400.0), stated(12345.0)
    ('0.15', '400', '12345')
    """
    text = number_text(value, max(0, decimals(Measured(value, ""), GIVEN_DIGITS)))
    return text.rstrip("0").rstrip(".") if "." in text else text


def limits_text(measured: Measured) -> str:
    """The 95 % limits with their unit; empty where there are none.

    >>> limits_text(Measured(0.21, "s", 0.2, 0.22))
    '200 to 220\\xa0ms'
    """
    measured = prefixed(measured)
    low, high, places = finite(measured.low), finite(measured.high), decimals(measured)
    if low is not None and high is not None:
        return with_unit(f"{number_text(low, places)} to {number_text(high, places)}", measured.unit)
    if low is not None:
        return f"at least {with_unit(stated(low), measured.unit)}"
    if high is not None:
        return f"at most {with_unit(stated(high), measured.unit)}"
    return ""


def prefixed(measured: Measured) -> Measured:
    """The same with the SI prefix that brings the number between 1 and 1000, where its unit takes one.

    Limits that would then be 1000 or more set the prefix instead.

    >>> prefixed(Measured(0.266, "s", 0.265, 0.267)), prefixed(Measured(9173.0, "A")).unit
    (Measured(value=266.0, unit='ms', low=265.0, high=267.0), 'kA')
    """
    known = [abs(each) for each in map(finite, (measured.value, measured.high, measured.low)) if each]
    if measured.unit not in _PREFIXES or not known:
        return measured
    sizes = _PREFIXES[measured.unit]
    factor, prefix = _size(known[0], sizes)
    if max(known) >= 1000 * factor:
        factor, prefix = _size(max(known), sizes)

    def scaled(number: float | None) -> float | None:
        return None if number is None else number / factor

    return Measured(scaled(measured.value), f"{prefix}{measured.unit}", scaled(measured.low), scaled(measured.high))


def _size(number: float, sizes: Sequence[tuple[float, str]]) -> tuple[float, str]:
    """The factor and prefix under which a number is 1 or more; the smallest where none is."""
    return next((each for each in sizes if number >= each[0] * _ROUNDS_UP), sizes[-1])


def quantity_text(measured: Measured) -> str:
    """A value as it stands in a sentence: with its unit once, and its 95 % limits.

    Three significant digits, or those that the limits bear.

    >>> quantity_text(Measured(0.266, "s", 0.265, 0.267)).replace(chr(160), " ")
    '266 ms (95 %: 265 to 267 ms)'
    >>> quantity_text(Measured(31e3, "ohm")).replace(chr(160), " "), quantity_text(Measured(0.0, "V", None, 0.4))
    ('31.0 kΩ', '0\xa0mV (95 %: at most 400\xa0mV)')
    """
    shown = prefixed(measured)
    value, low, high = finite(shown.value), finite(shown.low), finite(shown.high)
    places = _sentence_places(value, low, high)
    if low is not None and high is not None:
        limits = with_unit(f"{number_text(low, places)} to {number_text(high, places)}", shown.unit)
    else:
        limits = " ".join(
            f"{bound} {with_unit(number_text(each, _sentence_places(each, None, None)), shown.unit)}"
            for bound, each in (("at least", low), ("at most", high))
            if each is not None
        )
    if value is None:
        return limits or NO_VALUE
    small = shown.unit == "%" and not limits and 0 < abs(value) < _LOWEST_PERCENT
    text = with_unit(f"< {_LOWEST_PERCENT}" if small else number_text(value, places), shown.unit)
    return f"{text} (95 %: {limits})" if limits else text


def _places(value: float | None, low: float | None, high: float | None, digits: int = DIGITS) -> int:
    """Decimal places for so many digits of the value, or the digits that two limits bear; negative for tens …"""
    size = abs(next((each for each in (value, high, low) if each is not None), 0.0))
    spread = 0.0 if low is None or high is None else (high - low) / 2
    places = 0 if size == 0 else digits - 1 - math.floor(math.log10(size))
    if spread > 0:
        first = -math.floor(math.log10(spread))  # the place of the first digit of the limits' half width
        places = min(max(places, first), first + INTERVAL_DIGITS - 1)
    return max(-MOST_DECIMALS, min(MOST_DECIMALS, places))


def _sentence_places(value: float | None, low: float | None, high: float | None) -> int:
    return max(0, _places(value, low, high))


def expected_text(expected: Measured) -> str:
    """What was expected: a value, a range, a bound, or a value with its range.

    >>> expected_text(Measured(0.15, "s", 0.12, 0.18))
    '150\\xa0ms (120 to 180\\xa0ms)'
    """
    expected = prefixed(expected)
    value, low, high = finite(expected.value), finite(expected.low), finite(expected.high)
    if low is not None and high is not None:
        limits = with_unit(f"{stated(low)} to {stated(high)}", expected.unit)
    else:
        limits = limits_text(expected)
    if value is None:
        return limits
    shown = with_unit(stated(value), expected.unit)
    return f"{shown} ({limits})" if limits else shown


def seconds_text(start_s: float, end_s: float) -> str:
    """A stretch of time in seconds from the capture's start, to the millisecond."""
    if not (math.isfinite(start_s) and math.isfinite(end_s)):
        return "at an unknown time"
    if round(start_s, 3) == round(end_s, 3):
        return with_unit(f"{start_s:.3f}", "s")
    return with_unit(f"{start_s:.3f} to {end_s:.3f}", "s")


def duration_text(seconds: float) -> str:
    """A length of time in the units one would say it in.

    >>> duration_text(61.23), duration_text(3723.0)
    ('61.23\\xa0s', '1\\xa0h\\xa02\\xa0min\\xa03\\xa0s')
    """
    if not math.isfinite(seconds):
        return NO_VALUE
    if seconds < 120:
        return with_unit(f"{seconds:.2f}", "s")
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{f'{hours} h ' if hours else ''}{minutes} min {rest} s".replace(" ", _HELD)


def clock_text(start_utc: datetime | None, offset_s: float) -> str:
    """The UTC clock time of a moment of the capture; empty where the log has no date."""
    if start_utc is None or not math.isfinite(offset_s):
        return ""
    start = start_utc.replace(tzinfo=UTC) if start_utc.tzinfo is None else start_utc.astimezone(UTC)
    try:
        moment = start + timedelta(seconds=float(offset_s))
    except OverflowError:
        return ""
    return f"{moment:%H:%M:%S}.{moment.microsecond // 1000:03d} UTC"
