"""The statements of a DBC file that a decoder needs, each read on its own, forgiving slips of the hand.

What is forgiven is said in `repairs`; what cannot be understood raises `Unreadable` with the reason.
Nothing is guessed: where a slip leaves two readings, the statement is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from logscope.definitions.dbc_words import (
    NAME,
    NO_SEMICOLON,
    Repair,
    Unreadable,
    as_identifier,
    as_name,
    extended,
    factor_and_offset,
)

_FURTHEST_BIT = 8 * 2048  # beyond the longest payload of any transport on CAN (SAE J1939-21: 1785 bytes)

_MARKER = re.compile(r"M|m\d{1,18}M?", re.ASCII)
_STRING = r'"(?:\\"|[^"])*"'
NO_NODE = "Vector__XXX"  # what DBC files call a sender that is not known
_MESSAGE = re.compile(r"BO_\s+(?P<number>\S+)\s+(?P<name>.+?)\s*:\s*(?P<length>\d{1,4})\b\s*(?P<sender>.*)", re.DOTALL)
_SIGNAL = re.compile(
    rf"""SG_\s+(?P<head>[^:"]*?)\s*:\s*(?P<start>\d{{1,6}})\s*\|\s*(?P<bits>\d{{1,6}})\s*
    @\s*(?P<order>[01])\s*(?P<sign>[-+])\s*\((?P<conversion>[^()]*)\)\s*
    (?P<range>\[[^\]"]*\])?\s*(?P<unit>{_STRING})\s*(?P<receivers>.*)""",
    re.VERBOSE | re.DOTALL | re.ASCII,
)
_SIGNAL_HEAD = re.compile(r'SG_\s+(?P<head>[^:"|@]*?)\s*:')
_RANGE = re.compile(r"\[\s*{n}\s*\|\s*{n}\s*\]".format(n=r"[-+]?\d+\.?\d*([eE][-+]?\d+)?"), re.ASCII)
_RECEIVERS = re.compile(r"[A-Za-z0-9_]+(\s*,\s*[A-Za-z0-9_]+)*\s*")
_VALUES = re.compile(rf"VAL_\s+(?P<number>\S+)\s+(?P<name>[^\"]+?)\s+(?P<pairs>[-+]?\d+\s*{_STRING}.*)", re.DOTALL)
_PAIRS = re.compile(rf"(?:\s*[-+]?\d{{1,20}}\s*{_STRING})+", re.ASCII)
_FLOATING = re.compile(r"SIG_VALTYPE_\s+(?P<number>\S+)\s+(?P<name>.+?)\s*:\s*(?P<type>[012])", re.DOTALL)
_SELECTED = re.compile(
    r"SG_MUL_VAL_\s+(?P<number>\S+)\s+(?P<name>\S+)\s+(?P<selector>\S+)\s+"
    r"(?P<ranges>\d{1,18}\s*-\s*\d{1,18}(?:\s*,\s*\d{1,18}\s*-\s*\d{1,18})*)",
    re.ASCII,
)
_ATTRIBUTE = re.compile(
    rf'BA_\s+"(?P<attribute>[^"]*)"\s*(?P<kind>BO_|SG_|BU_|EV_)?\s*(?P<target>[^"]*?)\s*'
    rf"(?P<value>{_STRING}|[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?)\s*",
    re.DOTALL | re.ASCII,
)
_DEFINED = re.compile(r'BA_DEF_\s+(?:SG_|BO_|EV_|BU_)?\s*"(?P<attribute>[^"]*)"')


@dataclass(frozen=True, slots=True)
class MessageEntry:
    """BO_; `number` is the identifier as a DBC file holds it, with bit 31 set for extended frames."""

    number: int
    name: str
    length: int
    repairs: tuple[Repair, ...] = ()
    sender: str = NO_NODE


@dataclass(frozen=True, slots=True)
class SignalEntry:
    """SG_; `marker` is M, m<value> or m<value>M, empty for a signal that takes no part in multiplexing."""

    name: str
    marker: str
    bits: int
    layout: str
    repairs: tuple[Repair, ...] = ()

    @property
    def selects(self) -> bool:
        """Whether it is a multiplexer."""
        return self.marker.endswith("M")

    @property
    def selected(self) -> bool:
        """Whether it is there for some values of a multiplexer only."""
        return self.marker.startswith("m")

    def dbc(self) -> str:
        """The statement as the standard has it. Display limits and receivers, which nothing needs, are fixed."""
        marker = f" {self.marker}" if self.marker else ""
        return f" SG_ {self.name}{marker} : {self.layout} Receiver"


@dataclass(frozen=True, slots=True)
class DetailEntry:
    """VAL_, SIG_VALTYPE_, SG_MUL_VAL_ or BA_: something said of a message or a signal.

    number : of the message; None where it is said of neither
    signal : empty where it is said of the message
    selector : of SG_MUL_VAL_; attribute : of BA_; rest : the remainder as the standard has it
    """

    kind: str
    number: int | None
    signal: str
    rest: str
    selector: str = ""
    attribute: str = ""
    repairs: tuple[Repair, ...] = ()

    def dbc(self) -> str:
        """The statement as the standard has it."""
        if self.kind == "BA_":
            target = f" SG_ {self.number} {self.signal}" if self.signal else f" BO_ {self.number}"
            target = "" if self.number is None else target
            return f'BA_ "{self.attribute}"{target} {self.rest};'
        selector = f"{self.selector} " if self.selector else ""
        return f"{self.kind} {self.number} {self.signal} {selector}{self.rest};"


def read_message(text: str) -> MessageEntry:
    """A BO_ statement. Raises Unreadable."""
    found = _MESSAGE.fullmatch(text)
    if found is None:
        reason = "the message cannot be read: “BO_ identifier Name: length Sender” is expected"
        raise Unreadable(reason, _likely_name(text))
    name, repairs = as_name(found["name"])
    number, more = as_identifier(found["number"], name)
    repairs += more
    sender = found["sender"].strip()
    if not NAME.fullmatch(sender):
        repairs.append(Repair("the sender is missing or not a name; not needed"))
        sender = NO_NODE
    return MessageEntry(number, name, int(found["length"]), tuple(repairs), sender)


def read_signal(text: str) -> SignalEntry:
    """An SG_ statement. Raises Unreadable."""
    found = _SIGNAL.fullmatch(text)
    head = (found or _SIGNAL_HEAD.match(text) or {"head": ""})["head"]
    written, marker = _marked(head)
    if any(_MARKER.fullmatch(word) for word in written.split()[1:]):
        raise Unreadable("the multiplexer mark is inside the name", as_name(written.split()[0])[0], "M")
    name, repairs = as_name(written)
    if found is None:
        raise Unreadable(_why_no_signal(text), name, marker)
    if not name:
        raise Unreadable("the signal has no name", "", marker)
    start, bits = int(found["start"]), int(found["bits"])
    if not bits:
        raise Unreadable("the signal has no bits", name, marker)
    if max(start, bits) >= _FURTHEST_BIT:
        raise Unreadable("the signal lies beyond any payload", name, marker)
    try:
        factor, offset, more = factor_and_offset(found["conversion"])
    except Unreadable as unreadable:
        raise Unreadable(unreadable.reason, name, marker) from None
    repairs += more
    if float(factor) == 0:
        reason = f"a factor of 0 makes every value {offset}"
        if not marker.endswith("M"):
            raise Unreadable(reason, name, marker)
        factor = "1"  # what a multiplexer selects goes by its bits
        repairs.append(Repair(f"{reason}; read as 1", True))
    if not found["range"] or not _RANGE.fullmatch(found["range"]):
        repairs.append(Repair("the range [minimum|maximum] is missing or unreadable; not needed"))
    if not _RECEIVERS.fullmatch(found["receivers"]):
        repairs.append(Repair("the receivers after the unit are missing or unreadable; not needed"))
    layout = f"{start}|{bits}@{found['order']}{found['sign']} ({factor},{offset}) [0|0] {found['unit']}"
    return SignalEntry(name, marker, bits, layout, tuple(repairs))


def read_detail(kind: str, text: str) -> DetailEntry | None:
    """A VAL_, SIG_VALTYPE_, SG_MUL_VAL_ or BA_ statement; None for one about something other than signals.

    Raises Unreadable.
    """
    body, repairs = _body(text)
    if kind == "BA_":
        return _read_attribute(body, repairs)
    pattern = {"VAL_": _VALUES, "SIG_VALTYPE_": _FLOATING, "SG_MUL_VAL_": _SELECTED}[kind]
    found = pattern.fullmatch(body)
    if found is None:
        if kind == "VAL_" and re.fullmatch(r"VAL_\s+([A-Za-z_]\w*\s.*|\S+\s+\w+)", body, re.DOTALL):
            return None  # of an environment variable, or without any text
        raise Unreadable("cannot be read")
    name, more = as_name(found["name"])
    number, _ = as_identifier(found["number"], "")
    repairs += more
    if kind == "VAL_":
        if not _PAIRS.fullmatch(found["pairs"].rstrip()):
            raise Unreadable("the list of numbers and texts cannot be read", name)
        return DetailEntry(kind, number, name, found["pairs"].strip() + " ", repairs=tuple(repairs))
    if kind == "SIG_VALTYPE_":
        return DetailEntry(kind, number, name, f": {found['type']}", repairs=tuple(repairs))
    selector, _ = as_name(found["selector"])
    return DetailEntry(kind, number, name, found["ranges"], selector, repairs=tuple(repairs))


def subject(text: str) -> tuple[int, str] | None:
    """Which signal a damaged statement is about, (number of the message, name), where its head still says so."""
    found = re.match(r"\w+\s+(\d{1,10})\s+(\w+)", text, re.ASCII)
    return (extended(int(found[1])), found[2]) if found else None


def defined_attribute(text: str) -> str | None:
    """The attribute that a BA_DEF_ statement defines."""
    found = _DEFINED.match(text)
    return found["attribute"] if found else None


def _read_attribute(body: str, repairs: list[Repair]) -> DetailEntry | None:
    found = _ATTRIBUTE.fullmatch(body)
    if found is None:
        raise Unreadable("the attribute cannot be read")
    kind, target = found["kind"] or "", found["target"].split(None, 1)
    if kind in ("BU_", "EV_"):
        return None
    if len(target) != {"": 0, "BO_": 1, "SG_": 2}[kind]:
        raise Unreadable("it is unclear what the attribute belongs to")
    number = as_identifier(target[0], "")[0] if target else None
    signal = as_name(target[1])[0] if len(target) > 1 else ""
    return DetailEntry("BA_", number, signal, found["value"], attribute=found["attribute"], repairs=tuple(repairs))


def _body(text: str) -> tuple[str, list[Repair]]:
    text = text.strip()
    return (text[:-1].rstrip(), []) if text.endswith(";") else (text, [Repair(NO_SEMICOLON)])


def _likely_name(text: str) -> str:
    found = re.match(r"BO_\s+\S+\s+([A-Za-z_]\w*)", text, re.ASCII)
    return found[1] if found else ""


def _marked(head: str) -> tuple[str, str]:
    written, _, last = head.strip().rpartition(" ")
    return (written.strip(), last) if written.strip() and _MARKER.fullmatch(last) else (head.strip(), "")


def _why_no_signal(text: str) -> str:
    if text.count('"') < 2:
        return "the unit is missing or its quotation marks are incomplete"
    return 'the signal cannot be read: “SG_ Name : start|length@order± (factor,offset) [min|max] "unit"” is expected'
