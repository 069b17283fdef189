"""What an inventory takes over of a bus and its messages, field by field, and how it is written."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from made_facts import MS, bus, message, silence

from logscope.bus.bit_rate import BitRate, bit_rate_of
from logscope.bus.facts import ErrorFrames
from logscope.bus.naming import specs_by_key
from logscope.definitions.spec import MessageSpec
from logscope.inventory.collect import Bus, Message, _bus, _message
from logscope.inventory.show import _bus_text, _every, _load_text, _time, changing_text

SPECS = specs_by_key([(None, (MessageSpec("Drive", 0x100, False, 8, ()),))])


def test_a_message_is_taken_over_field_by_field() -> None:
    """Steps of 10, 10, 12, 14 and 40 ms: the middle half lies between 10 and 14."""
    stamps = np.cumsum([1000, 10, 10, 12, 14, 40]) * MS
    facts = message(
        stamps_ns=stamps, count=6, shortest=2, longest=3, changing=(True, False, True), first_ns=1000 * MS,
        last_ns=1086 * MS, silences=(silence(1046, 1086), silence(1032, 1046)),
    )  # fmt: skip
    assert _message(facts, 400 * MS, SPECS, 0.0007) == Message(
        bus="can0", identifier=0x100, extended=False, name="Drive", count=6, period_s=pytest.approx(0.012),
        jitter_s=pytest.approx(0.002), longest_gap_s=pytest.approx(0.04), longest_wait_s=0.0007, periodic=True,
        shortest=2, longest=3, changing=(True, False, True), first_s=pytest.approx(0.6), last_s=pytest.approx(0.686),
    )  # fmt: skip


def test_of_one_interval_its_length_is_all_that_is_known_and_of_none_nothing() -> None:
    two = _message(message(0x1A, stamps_ns=np.array([0, 30]) * MS, count=2), 0, SPECS, None)
    assert (two.name, two.period_s, two.longest_gap_s) == (None, 0.03, 0.03)
    assert (two.jitter_s, two.periodic) == (None, False)
    one = _message(message(0x1A, stamps_ns=np.array([0]), count=1), 0, SPECS, None)
    assert (one.period_s, one.longest_gap_s, one.jitter_s, one.periodic) == (None, None, None, False)


def test_a_bus_is_taken_over_field_by_field() -> None:
    facts = bus(
        [], frames=70, unlisted=7, remotes=5, requests=3, bits=50_000, busiest_bits=20_000, busiest_ns=9_000 * MS,
        switched=1, errors=ErrorFrames(count=4, alike={(0x008, 0, 4): 4}),
    )  # fmt: skip
    rate = bit_rate_of(facts, 500_000)
    assert _bus(facts, 10.0, rate) == Bus(
        name="can0", frames=70, unlisted_frames=7, remote_frames=5, error_frames=4, transmit_requests=3,
        mean_bits_per_s=5_000.0, busiest_bits_per_s=20_000.0, lower_bound=True, bit_rate=500_000,
        bit_rate_source=rate.source.value, bit_rate_contradicted=rate.contradicted, bit_rate_seen=rate.inferred,
        mean_load=0.01, busiest_load=0.04, errors={"protocol violation": 4},
    )  # fmt: skip
    unknown: BitRate = bit_rate_of(facts, None)
    found = _bus(facts, 0.5, unknown)
    assert (found.mean_load, found.busiest_load, found.bit_rate) == (None, None, None)
    assert (found.mean_bits_per_s, found.busiest_bits_per_s) == (50_000.0, 50_000.0)  # a second at least
    assert not _bus(replace(facts, switched=0), 10.0, rate).lower_bound


BUS = Bus(
    name="can0", frames=1200, unlisted_frames=0, remote_frames=2, error_frames=3, transmit_requests=0,
    mean_bits_per_s=62_500.0, busiest_bits_per_s=125_000.0, lower_bound=False, bit_rate=500_000,
    bit_rate_source="stated", bit_rate_contradicted=False, bit_rate_seen=None, mean_load=0.125, busiest_load=0.25,
    errors={"bus error": 3},
)  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "texts"),
    [
        ({}, ["load 12.5 % on average, 25.0 % in the busiest second, at 500 kbit/s", "2 remote", "(bus error 3)"]),
        ({"lower_bound": True}, ["load at least 12.5 %", "at least 25.0 %"]),
        ({"bit_rate": None, "mean_load": None, "busiest_load": None},
         ["62.5 kbit/s on average, 125 kbit/s in the busiest second (load unknown"]),
        ({"bit_rate_source": "inferred"}, ["at 500 kbit/s, inferred from the spacing"]),
        ({"transmit_requests": 4}, ["4 transmit requests as well"]),
        ({"unlisted_frames": 9}, ["9 frames of further identifiers"]),
    ],
)  # fmt: skip
def test_a_bus_in_words(changed: dict[str, Any], texts: list[str]) -> None:
    said = _bus_text(replace(BUS, **changed))
    assert [text for text in texts if text not in said] == []
    assert ("transmit" in said) == ("transmit_requests" in changed)
    assert ("further" in said) == ("unlisted_frames" in changed)
    assert ("inferred" in _load_text(replace(BUS, **changed))) == ("bit_rate_source" in changed)


@pytest.mark.parametrize(
    ("period_s", "jitter_s", "periodic", "every"),
    [(0.01, 0.00025, True, "10 ± 0.25 ms"), (0.01, 0.00025, False, "events"), (0.01, None, True, "events"),
     (None, None, False, "")],
)  # fmt: skip
def test_how_often_in_words(period_s: float | None, jitter_s: float | None, periodic: bool, every: str) -> None:
    made = _message(message(), 0, SPECS, None)
    made = replace(made, period_s=period_s, jitter_s=jitter_s, periodic=periodic)
    assert _every(made) == every
    assert changing_text(replace(made, changing=(True, False) * 6)) == "0.2.4.6.8.0."


@pytest.mark.parametrize(
    ("value_s", "text"), [(None, ""), (0.0125, "12 ms"), (9.9994, "9999 ms"), (10.0, "10 s"), (75.4, "75 s")]
)
def test_a_gap_in_words(value_s: float | None, text: str) -> None:
    assert _time(value_s) == text
