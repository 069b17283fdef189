"""Text of a serial console, names with values: the definition that would read it, to copy.

Such a log (`rpm=1500 udc: 312.5V`) is no CAN log under any description of columns. It is read through `[[serial]]`, and
its own lines fill the definition.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from logscope.capture.delimited_header import is_time, time_unit_of
from logscope.capture.serial_text import stamp_reader

_MOST_LINES = 200  # enough to see what the lines hold
_LEAST_LINES = 3
_LEAST_NAMES = 2  # one name with a value stands in many a text
_SHARE = 0.5  # of the lines that must hold a pair: start-up messages and warnings come between them
_STAMPED = 0.9  # of the lines with pairs that must begin with the stamp; the rest may be cut
_RARE = 0.05  # of the lines with pairs, in which a name must occur to be a signal
_PAIR = re.compile(r"(?<![\w.])([A-Za-z_]\w*)\s*[=:]\s*([+-]?\d+(?:\.\d+)?)([A-Za-z%°Ω/]*)(?=[\s,;|]|$)")
_STAMPS = ("iso", "clock", "epoch", "uptime")
_GUESSED_RATE_HZ = 10
_UNITS_AS_NAMES = {"rpm": "rpm", "kmh": "km/h", "volts": "V", "amps": "A"}


def advice(lines: Sequence[str], path: Path) -> tuple[str, str, str] | None:
    """What the log is, what to do, and the definition to copy; None where its lines are no names with values."""
    lines = [line for line in lines[:_MOST_LINES] if line.strip()]
    stamp = _stamp_of(lines)
    pairs = [found for line in lines if (found := _PAIR.findall(_without_stamp(line, stamp)))]
    often = Counter(name for found in pairs for name in {name for name, _, _ in found})
    order = dict.fromkeys(name for found in pairs for name, _, _ in found)
    names = [name for name in order if often[name] >= max(2.0, _RARE * len(pairs))]
    if len(pairs) < max(_LEAST_LINES, _SHARE * len(lines)) or len(names) < _LEAST_NAMES:
        return None
    console = re.sub(r"[^0-9A-Za-z]+", "_", path.name.split(".")[0]).strip("_") or "Console"
    file = f"{console}-signals.toml"
    own_time = None if stamp else next((n for n in names if is_time(n) and _rises(_values(pairs, n))), None)
    signals = [name for name in names if name != own_time]
    what = f"this looks like the text of a serial console ({', '.join(signals[:6])}), not a log of CAN frames"
    do = (
        f"Save the definition that follows on standard output as {file}, and complete it. Write in the vehicle file: "
        f'[[serial]] definitions = "{file}". Then map signals as "{console}.{signals[0]}", or let “logscope draft '
        f"LOG --definitions {file}” propose the vehicle file."
    )
    return what, do, _definition(console, signals, pairs, stamp, own_time)


def _definition(
    console: str, signals: Sequence[str], pairs: Sequence[list[tuple[str, str, str]]], stamp: str, own_time: str | None
) -> str:
    text = ["[console]", f'name = "{console}"', "", "[pairs]", "", "[time]"]
    if stamp:
        text.append(f'stamp = "{stamp}"')
    elif own_time:
        unit = time_unit_of(own_time)
        known = unit is not None and unit != "date"
        text += [f'field = "{own_time}"', f'unit = "{unit}"' if known else 'unit = "ms"   # "s", "ms" or "us"?']
    else:
        text.append(f"rate_Hz = {_GUESSED_RATE_HZ}   # the lines hold no time: samples in a second, as you know it")
    for name in signals:
        text += ["", "[[signal]]", f'name = "{name}"', f'unit = "{_unit(pairs, name)}"']
    return "\n".join(text) + "\n"


def _unit(pairs: Sequence[list[tuple[str, str, str]]], name: str) -> str:
    """What stands after most of the numbers, or is their name; empty where neither is a unit."""
    behind = Counter(unit for found in pairs for own, _, unit in found if own == name).most_common(1)[0][0]
    return behind or _UNITS_AS_NAMES.get(name.lower(), "")


def _values(pairs: Sequence[list[tuple[str, str, str]]], name: str) -> list[float]:
    return [float(value) for found in pairs for own, value, _ in found if own == name]


def _rises(values: Sequence[float]) -> bool:
    return values[0] < values[-1] and all(a <= b for a, b in pairwise(values))


def _stamp_of(lines: Sequence[str]) -> str:
    """The kind of stamp in front of the lines with pairs; empty where there is none."""
    held = [line for line in lines if _PAIR.search(line)]
    for kind in _STAMPS:
        read = stamp_reader(kind)
        if held and sum(read(line) is not None for line in held) >= _STAMPED * len(held):
            return kind
    return ""


def _without_stamp(line: str, stamp: str) -> str:
    found = stamp_reader(stamp)(line) if stamp else None
    return found[1] if found else line
