"""Overlaps and misfits. The oracle is cantools' strict check of a message."""

from __future__ import annotations

from pathlib import Path

from cantools.database import load_string
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.definitions.database import message_specs, parse
from logscope.definitions.layout import misfits, occupied, overlaps
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec

SIGNALS = st.lists(
    st.tuples(st.integers(0, 40), st.integers(1, 16), st.integers(0, 1), st.sampled_from(["", "m0", "m1"])),
    min_size=1,
    max_size=4,
)


@settings(max_examples=200)
@given(SIGNALS)
def test_a_message_is_at_fault_exactly_where_cantools_says_so(signals: list[tuple[int, int, int, str]]) -> None:
    text = 'BO_ 1 Pack: 6 Hazel\n SG_ Page M : 0|4@1+ (1,0) [0|0] "" Hazel\n'
    for number, (start, bits, order, marker) in enumerate(signals):
        text += f' SG_ S{number} {marker} : {start}|{bits}@{order}+ (1,0) [0|0] "" Hazel\n'
    (spec,) = message_specs(parse(text, "dbc", strict=False), Path("x.dbc"))
    try:
        load_string(text, "dbc", strict=True)
        sound = True
    except Exception:  # cantools has many kinds
        sound = False
    assert (not overlaps(spec) and not misfits(spec)) == sound


@given(st.integers(0, 60), st.integers(1, 64), st.booleans())
def test_the_occupied_bits_are_those_that_cantools_encodes(start: int, bits: int, big_endian: bool) -> None:
    """All ones in the signal alone leave exactly its bits set in the payload."""
    spec = SignalSpec("S", start=start, bits=bits, big_endian=big_endian)
    text = f'BO_ 1 M: 32 X\n SG_ S : {start}|{bits}@{int(not big_endian)}+ (1,0) [0|0] "" X\n'
    payload = load_string(text, "dbc").messages[0].encode({"S": (1 << bits) - 1}, padding=False)
    assert int.from_bytes(payload, "little") == occupied(spec)


def test_branches_of_one_selector_do_not_overlap_but_those_of_two_do() -> None:
    def branch(name: str, selector: str, low: int, high: int) -> SignalSpec:
        return SignalSpec(name, start=8, bits=8, multiplexer=(Selection(selector, ((low, high),)),))

    signals = (
        branch("A", "Page", 0, 3),
        branch("B", "Page", 4, 5),
        branch("C", "Page", 3, 4),
        branch("D", "Item", 9, 9),
    )
    pairs = {(one.name, other.name) for one, other in overlaps(MessageSpec("M", 1, False, 8, signals))}
    assert pairs == {("A", "C"), ("B", "C"), ("A", "D"), ("B", "D"), ("C", "D")}
