"""What the names in the header of a delimited log say about its columns."""

from __future__ import annotations

import re
from collections.abc import Sequence

from logscope.capture.columns import Column, TimeUnit

# usual column names, without blanks, brackets and case (common practice, no published source)
_NAMES = {
    "time": (
        "time timestamp timestamps t timeoffset timeabs timerel abstime reltime absolutetime relativetime "
        "datetime date recordtime zeit zeitstempel temps tiempo tijd"
    ),
    "identifier": (
        "id canid identifier canidentifier arbitrationid arbid messageid msgid frameid canmsgid idhex iddec "
        "canidhex arbitrationidhex"
    ),
    "bus": "bus channel ch chan can canbus canchannel buschannel busid interface iface port network",
    "extended": "extended ext ide xtd isextended isextendedid extendedid eff idtype",
    "length": "dlc length len datalength datalen size bytecount numbytes lengthbytes",
    "data": "data payload databytes bytes datahex candata payloadhex datafield",
    "direction": "dir direction rxtx txrx",
}
_ROLE_OF = {name: role for role, names in _NAMES.items() for name in names.split()}
_BYTE = re.compile(r"(?:d|b|db|byte|data|databyte)_?(\d{1,2})")
_UNITS: dict[str, TimeUnit] = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "micros": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nanos": "ns", "nanoseconds": "ns",
}  # fmt: skip
_BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]")


def roles_of(header: Sequence[str]) -> dict[str, tuple[Column, ...]] | None:
    """Role → columns by number from 1, or None where a time, an identifier or the data have no column.

    The first column of a role counts; the bytes stand in the order of their numbers.
    """
    roles: dict[str, tuple[Column, ...]] = {}
    data_bytes: dict[int, int] = {}
    for number, name in enumerate(header, start=1):
        bare = _bare(name)
        if byte := _BYTE.fullmatch(bare):
            data_bytes.setdefault(int(byte[1]), number)
            continue
        role = _ROLE_OF.get(bare) or _ROLE_OF.get(_without_unit(bare))
        if role is not None:
            roles.setdefault(role, (number,))
    if data_bytes:
        roles["data"] = tuple(data_bytes[k] for k in sorted(data_bytes))
    return roles if roles.keys() >= {"time", "identifier", "data"} else None


def is_time(name: str) -> bool:
    """Whether a column's name says that it holds the time."""
    bare = _bare(name)
    return "time" in (_ROLE_OF.get(bare), _ROLE_OF.get(_without_unit(bare)))


def time_unit_of(name: str) -> TimeUnit | None:
    """The unit that the name of a time column gives, as in “Time [ms]”, “time_ms” or “Timestamp (µs)”."""
    if bracket := _BRACKETS.search(name):
        return _UNITS.get(bracket[1].strip().casefold())
    return _UNITS.get(re.split(r"[\s_\-./]+", name.strip().casefold())[-1]) if len(name.strip()) > 1 else None


def base_of(name: str) -> int | None:
    """The number base that a column's name gives, as in “ID (hex)”."""
    words = re.split(r"[^a-z]+", name.casefold())
    if "hex" in words:
        return 16
    return 10 if {"dec", "decimal"} & set(words) else None


def _bare(name: str) -> str:
    return re.sub(r"[^0-9a-zµμ]", "", _BRACKETS.sub("", name).casefold())


def _without_unit(bare: str) -> str:
    longest_first = sorted(_UNITS, key=len, reverse=True)
    return next((bare.removesuffix(unit) for unit in longest_first if bare.endswith(unit)), bare)
