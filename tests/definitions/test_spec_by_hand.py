"""Signals and messages as plain data, by hand: steps, texts, branches, layouts, and who is whose namesake.

Bits of start bits as DBC files count them: 7 is the most significant bit of the first byte.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logscope.definitions import can
from logscope.definitions.can import load_definitions, read_definition_text
from logscope.definitions.database import _is_j1939, _selections, message_specs, parse
from logscope.definitions.layout import exclusive
from logscope.definitions.load import vehicle_consoles, vehicle_definitions
from logscope.definitions.namesakes import has_namesakes, one_name_each, set_apart
from logscope.definitions.skipped import Definitions, Skipped
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec
from logscope.errors import DefinitionError
from logscope.vehicle import CanSection, SerialSection, Vehicle


@pytest.mark.parametrize(
    ("start", "bits", "big_endian", "first", "needed"),
    [
        (0, 8, False, 0, 1), (0, 9, False, 0, 2), (7, 1, False, 7, 1), (7, 2, False, 7, 2), (12, 12, False, 12, 3),
        (7, 8, True, 0, 1), (7, 9, True, 0, 2), (0, 1, True, 7, 1), (0, 2, True, 7, 2), (15, 16, True, 8, 3),
        (11, 12, True, 12, 3), (11, 13, True, 12, 4),
    ],
)  # fmt: skip
def test_a_signal_needs_the_bytes_up_to_its_last_bit(
    start: int, bits: int, big_endian: bool, first: int, needed: int
) -> None:
    spec = SignalSpec("S", start, bits, big_endian=big_endian)
    assert (spec.first_bit, spec.bytes_needed) == (first, needed)


@pytest.mark.parametrize(
    ("facts", "sound"),
    [
        ({"bits": 1}, True), ({"bits": 0}, False), ({"bits": 64}, True), ({"bits": 65}, False), ({"start": -1}, False),
        ({"bits": 16, "floating": True}, True), ({"bits": 32, "floating": True}, True),
        ({"bits": 64, "floating": True}, True), ({"bits": 24, "floating": True}, False),
    ],
)  # fmt: skip
def test_a_number_has_one_to_64_bits_and_a_float_16_32_or_64(facts: dict[str, Any], sound: bool) -> None:
    made = {"name": "S", "start": 0, "bits": 8} | facts
    if sound:
        assert SignalSpec(**made).bits == made["bits"]
    else:
        with pytest.raises(ValueError, match="signal S: ") as caught:
            SignalSpec(**made)
        assert str(made["bits"]) in str(caught.value)


def test_the_step_is_the_coarsest_and_a_float_has_none() -> None:
    fine, coarse = SignalSpec("S", 0, 8, scale=0.1), SignalSpec("S", 0, 8, scale=-0.5)
    floating = SignalSpec("S", 0, 32, floating=True)
    both = SignalSpec("S", 0, 8, scale=0.1, elsewhere=(coarse,))
    assert (fine.step, coarse.step, floating.step, both.step) == (0.1, 0.5, None, 0.5)
    assert SignalSpec("S", 0, 8, elsewhere=(floating,)).step is None
    assert both.variants == (fine, coarse)
    assert fine.variants == (fine,)


@pytest.mark.parametrize(
    ("facts", "exact"),
    [
        ({"bits": 54}, True), ({"bits": 53}, False), ({"bits": 64, "scale": 2.0}, False),
        ({"bits": 64, "offset": 1.0}, False), ({"bits": 64, "floating": True}, False),
        ({"bits": 64, "elsewhere": (SignalSpec("S", 0, 8),)}, False),
    ],
)  # fmt: skip
def test_an_integer_wider_than_a_double_is_kept_as_one(facts: dict[str, Any], exact: bool) -> None:
    spec = SignalSpec("S", 0, choices={2**60 + 1: "x"}, **facts)
    assert spec.exact_integer is exact
    assert (next(iter(spec.labels)) == 2**60 + 1) is exact


def test_texts_stand_by_the_value_that_their_branch_makes_of_them() -> None:
    other = SignalSpec("S", 0, 8, scale=10.0, offset=-40.0, choices={1: "low"})
    spec = SignalSpec("S", 0, 8, scale=0.5, offset=3.0, choices={0: "off", 4: "on"}, elsewhere=(other,))
    assert spec.labels == {3.0: "off", 5.0: "on", -30.0: "low"}


def test_a_branch_is_selected_with_both_ends_of_its_ranges() -> None:
    raw = np.array([-1, 0, 1, 2, 4, 5, 9, 10])
    assert Selection("Page", ((0, 1), (5, 9))).holds(raw).tolist() == [
        False,
        True,
        True,
        False,
        False,
        True,
        True,
        False,
    ]
    assert not Selection("Page", ()).holds(raw).any()


def test_a_message_needs_the_bytes_of_every_branch() -> None:
    far = SignalSpec("A", 40, 8)
    message = MessageSpec("M", 1, False, 2, (SignalSpec("A", 0, 8, elsewhere=(far,)), SignalSpec("B", 8, 16)))
    assert (message.bytes_needed, len(message.variants), list(message.by_name)) == (6, 3, ["A", "B"])
    assert MessageSpec("M", 1, False, 2, ()).bytes_needed == 0


# ------------------------------------------------------------------------------------ branches


def branch(low: int, high: int, name: str = "V", selector: str = "Mode", **facts: Any) -> SignalSpec:
    return SignalSpec(**({"name": name, "start": 8, "bits": 8, "multiplexer": (Selection(selector, ((low, high),)),)}
                         | facts))  # fmt: skip


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ((0, 3), (4, 5), True), ((0, 3), (3, 5), False), ((4, 5), (0, 3), True), ((3, 5), (0, 3), False),
        ((0, 9), (4, 5), False), ((4, 5), (0, 9), False),
    ],
)  # fmt: skip
def test_branches_are_exclusive_whose_ranges_do_not_meet(one: Any, other: Any, apart: bool) -> None:
    assert exclusive(branch(*one), branch(*other)) is apart
    assert not exclusive(branch(*one), branch(*other, selector="Page"))
    assert not exclusive(branch(*one), SignalSpec("W", 0, 8))


@pytest.mark.parametrize(
    ("signals", "names", "shown"),
    [
        ((branch(0, 0), branch(1, 1)), ["V"], False),
        ((branch(0, 0), branch(0, 0)), ["V", "V@Mode=0"], True),  # one frame can hold both
        ((branch(0, 0), branch(1, 1, unit="V")), ["V", "V@Mode=1"], True),
        ((branch(0, 0, choices={1: "a"}), branch(1, 3, choices={1: "b"})), ["V", "V@Mode=1-3"], True),
        ((branch(0, 0, choices={1: "a"}), branch(1, 1, choices={1: "a", 2: "b"})), ["V"], True),
        ((branch(0, 0), branch(1, 1, name="W"), branch(2, 2)), ["V", "W"], False),
        ((branch(0, 0), branch(1, 1), branch(1, 2)), ["V", "V@Mode=1", "V@Mode=1-2"], True),
    ],
)
def test_namesakes_of_exclusive_branches_are_one_signal(
    signals: tuple[SignalSpec, ...], names: list[str], shown: bool
) -> None:
    found = one_name_each(signals)
    assert [each.name for each in found] == names
    assert has_namesakes(MessageSpec("M", 1, False, 8, found)) is shown
    assert [set_apart(each) for each in found] == ["@" in name for name in names]
    assert not has_namesakes(MessageSpec("M", 1, False, 8, (branch(0, 0), SignalSpec("A@Mode=0", 0, 8))))


def test_namesakes_laid_out_alike_are_taken_together() -> None:
    (found,) = one_name_each([branch(0, 0), branch(2, 4), branch(6, 6, start=16)])
    assert found.multiplexer == (Selection("Mode", ((0, 0), (2, 4))),)
    assert [(each.start, each.multiplexer[0].ranges) for each in found.elsewhere] == [(16, ((6, 6),))]
    outer = Selection("Page", ((7, 7),))
    (nested,) = one_name_each([branch(k, k, multiplexer=(outer, Selection("Mode", ((k, k),)))) for k in (0, 5)])
    assert nested.multiplexer == (outer, Selection("Mode", ((0, 0), (5, 5))))


def test_three_of_one_name_in_one_branch_have_no_name_left() -> None:
    with pytest.raises(ValueError, match="two signals named V in one branch"):
        one_name_each([branch(0, 0), branch(0, 0, start=16), branch(0, 0, start=24)])


# -------------------------------------------------------------------------------------- cantools


@pytest.mark.parametrize(
    ("protocol", "extended", "database", "expected"),
    [
        ("j1939", True, None, True),
        ("j1939", False, None, False),
        (None, True, None, False),
        (None, True, ({}, "J1939"), True),
        (None, False, ({}, "J1939"), False),
        (None, True, ({}, "CAN"), False),
        (None, True, ({}, None), False),
        (None, True, ({"VFrameFormat": 1}, "J1939"), False),  # its own attribute would say so
    ],
)
def test_j1939_by_the_frame_format_and_else_by_the_protocol(
    protocol: str | None, extended: bool, database: tuple[dict[str, int], str | None] | None, expected: bool
) -> None:
    message: Any = SimpleNamespace(protocol=protocol, is_extended_frame=extended)
    dbc = database and SimpleNamespace(
        attribute_definitions=database[0],
        attributes={} if database[1] is None else {"ProtocolType": SimpleNamespace(value=database[1])},
    )
    assert _is_j1939(message, SimpleNamespace(dbc=dbc)) is expected  # type: ignore[arg-type]


def muxed(name: str, selector: str | None, ids: list[int] | None = None, length: int = 8) -> Any:
    return SimpleNamespace(name=name, multiplexer_signal=selector, multiplexer_ids=ids, length=length)


def test_the_way_to_a_signal_begins_with_the_outermost_selector() -> None:
    by_name = {"Page": muxed("Page", None), "Item": muxed("Item", "Page", [2, 1])}
    assert _selections(muxed("A", "Item", [5, 7]), by_name) == (
        Selection("Page", ((1, 2),)), Selection("Item", ((5, 5), (7, 7))),
    )  # fmt: skip
    assert _selections(by_name["Page"], by_name) == ()


@pytest.mark.parametrize(
    ("by_name", "said"),
    [
        ({"P": muxed("P", "A", [1])}, "signal A: its multiplexer A is selected by itself"),
        ({"P": muxed("P", "P", [1])}, "signal A: its multiplexer P is selected by itself"),
        ({}, "signal A: its multiplexer P is not in the message"),
        ({"P": muxed("P", None, length=65)}, "signal A: its multiplexer P is not in the message"),
    ],
)
def test_a_selector_that_is_missing_or_its_own_is_refused(by_name: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        _selections(muxed("A", "P", [1]), {"A": muxed("A", "P", [1]), **by_name})


def test_a_message_is_taken_over_field_by_field() -> None:
    text = (
        'BU_: Hazel\nBO_ 2147483653 Drive: 12 Hazel\n SG_ F : 0|32@1- (2,-1) [0|0] "A" Hazel\n'
        ' SG_ I : 39|16@0- (1,0) [0|0] "" Hazel\n SG_ W : 7|65@0+ (1,0) [0|0] "" Hazel\nBO_ 6 Still: 8 Vector__XXX\n'
        'SIG_VALTYPE_ 2147483653 F : 1;\nVAL_ 2147483653 I 1 "On" ;\n'
    )
    drive, still = message_specs(parse(text, "dbc", strict=False), Path("x.dbc"))
    signals = (
        SignalSpec("F", 0, 32, floating=True, scale=2.0, offset=-1.0, unit="A"),
        SignalSpec("I", 39, 16, big_endian=True, signed=True, choices={1: "On"}),
    )
    assert (drive.senders, drive.left_out, drive.source) == (("Hazel",), ("W",), Path("x.dbc"))
    assert (drive.name, drive.identifier, drive.extended, drive.length) == ("Drive", 5, True, 12)
    assert drive.by_name == {each.name: each for each in signals}
    assert (still.senders, still.signals, still.j1939, still.fd, still.left_out) == ((), (), False, False, ())


def test_two_signals_of_one_name_are_a_contradiction() -> None:
    line = ' SG_ A : {}|8@1+ (1,0) [0|0] "" X\n'
    with pytest.raises(ValueError, match="message M has two signals named A"):
        message_specs(parse("BO_ 5 M: 8 X\n" + line.format(0) + line.format(8), "dbc", strict=False), Path("x"))


# ------------------------------------------------------------------------------------ whole files


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"a\r\nb\rc\r\r\nd", "a\nb\nc\nd"),
        (b"\xef\xbb\xbf\xc2\xb0C\n\xb0C", "°C\n°C"),  # of each line by itself
        (b"\x9d", "\x9d"),
        ("°C\r\n".encode("utf-16-le"), None),
        ("°C\r\nx".encode("utf-16"), "°C\nx"),
        (b"\xfe\xff\x00a", "a"),
    ],
)
def test_the_text_of_a_file_whatever_its_encoding(content: bytes, text: str | None, tmp_path: Path) -> None:
    (tmp_path / "x.dbc").write_bytes(content)
    found = read_definition_text(tmp_path / "x.dbc")
    assert text is None or found == text


def test_repeats_are_reported_at_the_second_and_namesakes_at_the_later(tmp_path: Path) -> None:
    signal = ' SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'
    path = tmp_path / "x.dbc"
    path.write_text(
        f"BO_ 5 One: 8 X\n{signal}BO_ 5 Two: 8 X\n{signal}BO_ 2147483653 One: 8 X\n{signal}", encoding="utf-8"
    )
    found = load_definitions(path)
    assert [(each.name, each.extended) for each in found.messages] == [("One", False), ("One", True)]
    assert [(each.line, each.reason, each.kept, each.message, each.text) for each in found.skipped] == [
        (3, "its identifier is that of message One, which comes first and is used", False, "Two",
         "Two (identifier 0x5)"),
        (5, "identifier 0x5 has a message of that name too; both are used", True, "One", "One (identifier 0x5)"),
    ]  # fmt: skip


SOUND = 'BO_ 5 M: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'


@pytest.mark.parametrize(
    "mended",
    [
        [],  # what the strict reading says counts, though nothing else is found
        [Skipped(Path("x"), 1, "t", "r")],
    ],
)
def test_a_file_that_is_refused_strictly_is_never_without_a_report(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, mended: list[Skipped]
) -> None:
    path = tmp_path / "x.dbc"
    path.write_text(SOUND, encoding="utf-8")
    (spec,) = load_definitions(path).messages

    def refused(*_: object) -> None:
        raise ValueError("the message cannot be read, at line 2, column 7")

    monkeypatch.setattr(can, "message_specs", refused)
    monkeypatch.setattr(can, "mended_dbc", lambda *_: Definitions((spec,), tuple(mended)))
    found = load_definitions(path)
    assert found.messages == (spec,)
    said = Skipped(path, 2, "", "cannot be read: the message cannot be read,, column 7", kept=True)
    assert found.skipped == ((said,) if not mended else tuple(mended))
    monkeypatch.setattr(can, "mended_dbc", lambda *_: Definitions((MessageSpec("M", 5, False, 8, ()),)))
    with pytest.raises(DefinitionError, match=r"x\.dbc:2: cannot be read"):  # nothing of it can be used
        load_definitions(path)
    only_wide = MessageSpec("M", 5, False, 8, (), left_out=("W",))
    monkeypatch.setattr(can, "mended_dbc", lambda *_: Definitions((only_wide,)))
    assert load_definitions(path).messages == (only_wide,)


def test_where_messages_of_a_file_stand() -> None:
    text = f"{SOUND}BO_ 5 Again: 8 X\n  BO_ 2147483653 Far: 8 X\nBO_ x\n"
    assert can._message_lines(text, "dbc") == {(5, False): [1, 3], (5, True): [4]}
    assert can._message_lines(text, "kcd") == {}


def test_what_a_vehicle_names_is_read_by_bus_and_in_order(tmp_path: Path) -> None:
    for name, identifier in (("a", 5), ("b", 6)):
        line = f'BO_ {identifier} M{identifier}: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'
        (tmp_path / f"{name}.dbc").write_text(line, encoding="utf-8")
        console = f'[console]\nname = "{name}"\n[pairs]\n[time]\nrate_Hz = 10\n[[signal]]\nname = "S"\n'
        (tmp_path / f"{name}.toml").write_text(console, encoding="utf-8")
    vehicle = Vehicle(
        can=(CanSection(bus="can1", definitions=("a.dbc", "b.dbc")), CanSection(definitions=("b.dbc",))),
        serial=(SerialSection(definitions=("b.toml",)), SerialSection(definitions=("a.toml",))),
        path=tmp_path / "v.toml",
    )
    pairs, skipped = vehicle_definitions(vehicle)
    assert [(bus, messages[0].name) for bus, messages in pairs] == [("can1", "M5"), ("can1", "M6"), (None, "M6")]
    assert pairs[1][1] is pairs[2][1]
    assert skipped == ()
    assert [console.name for console in vehicle_consoles(vehicle)] == ["b", "a"]
    assert vehicle_consoles(Vehicle()) == []
    with pytest.raises(DefinitionError, match="not the ending of a definition file"):
        load_definitions(tmp_path / "a.toml")
