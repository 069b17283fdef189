"""Names, identifiers and numbers of a DBC file as people write them, and as the standard has them.

What is forgiven becomes a `Repair`; what cannot be understood raises `Unreadable` with the reason.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_EXTENDED = 1 << 31  # marks an extended frame's identifier in a DBC file
_STANDARD_TOP = (1 << 11) - 1
_EXTENDED_TOP = (1 << 29) - 1
_LARGEST = 1e300  # of a factor or offset; beyond lie slips that a double cannot hold

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,3})?", re.ASCII)

NO_SEMICOLON = "the semicolon at its end is missing; read as if it were there"


class Unreadable(Exception):
    """A statement cannot be understood. `name` is the message's or signal's, where it is known."""

    def __init__(self, reason: str, name: str = "", marker: str = "") -> None:
        super().__init__(reason)
        self.reason, self.name, self.marker = reason, name, marker


@dataclass(frozen=True, slots=True)
class Repair:
    """What was forgiven; `doubtful` where it bears on the values."""

    reason: str
    doubtful: bool = False


def as_name(written: str) -> tuple[str, list[Repair]]:
    """The name as the standard allows it: letters, digits and underscores, no digit in front."""
    written = written.strip()
    if NAME.fullmatch(written):
        return written, []
    name = re.sub(r"[^A-Za-z0-9_]+", "_", written)
    name = f"_{name}" if name[:1].isdigit() else name
    return name, [Repair(f"“{written}” is not a name of letters, digits and underscores; read as “{name}”", True)]


def as_identifier(written: str, name: str) -> tuple[int, list[Repair]]:
    """The identifier as a DBC file holds it, of message `name`. Raises Unreadable."""
    repairs = []
    if re.fullmatch(r"\d{1,10}", written, re.ASCII):
        value = int(written)
    elif re.fullmatch(r"0[xX][0-9A-Fa-f]{1,8}", written):
        value = int(written, 16)
        repairs.append(Repair(f"the identifier {written} is hexadecimal; read as {value}", True))
    else:
        raise Unreadable(f"the identifier “{written}” is not a number", name)
    number = extended(value)
    if number != value:
        reason = f"identifier 0x{value:X} needs an extended frame but lacks the mark 0x80000000; read as extended"
        repairs.append(Repair(reason, True))
    if number & ~_EXTENDED > _EXTENDED_TOP:
        raise Unreadable(f"identifier 0x{value:X} is more than an extended frame's 29 bits", name)
    return number, repairs


def extended(value: int) -> int:
    """The identifier with the mark of an extended frame, where it is too large for a standard one."""
    return value | _EXTENDED if _STANDARD_TOP < value <= _EXTENDED_TOP else value


def factor_and_offset(written: str) -> tuple[str, str, list[Repair]]:
    """Factor and offset. Raises Unreadable where commas leave more than one reading."""
    parts = [part.strip() for part in written.split(",")]
    by_semicolon, by_space = written.split(";"), re.split(r",\s+", written.strip())
    if len(by_semicolon) == 2:
        parts = [part.strip().replace(",", ".") for part in by_semicolon]
    elif len(parts) > 2 and len(by_space) == 2:
        parts = [part.replace(",", ".") for part in by_space]
    elif len(parts) == 4:
        parts = [f"{parts[0]}.{parts[1]}", f"{parts[2]}.{parts[3]}"]
    elif len(parts) == 3 and parts[0] in ("0", "-0", "+0"):  # a factor of 0 would have no meaning
        parts = [f"{parts[0]}.{parts[1]}", parts[2]]
    elif len(parts) == 3:
        raise Unreadable(f"factor and offset ({written}) are ambiguous; write decimals with a point")
    if len(parts) != 2 or not all(_NUMBER.fullmatch(part) and abs(float(part)) < _LARGEST for part in parts):
        raise Unreadable(f"factor and offset ({written}) cannot be read")
    factor, offset = (re.sub(r"^([-+]?)\.", r"\g<1>0.", part) for part in parts)
    sound = [part.strip() for part in written.split(",")] == [factor, offset]
    repair = Repair(f"factor and offset ({written}) are not in standard form; read as {factor} and {offset}", True)
    return factor, offset, [] if sound else [repair]
