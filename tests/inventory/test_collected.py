"""What an inventory takes over of a bus and its messages, field by field, and how it is written."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, columns
from made_facts import MS, S, bus, message, silence
from rich.console import Console

from logscope.bus.bit_rate import BitRate, bit_rate_of
from logscope.bus.facts import ErrorFrames
from logscope.bus.naming import specs_by_key
from logscope.capture.frames import Account, Block, Gap
from logscope.definitions.spec import MessageSpec
from logscope.errors import RequestError
from logscope.inventory.collect import Bus, Inventory, Message, _bus, _message, count_frames
from logscope.inventory.show import (
    _bus_text,
    _every,
    _load_text,
    _time,
    changing_text,
    print_inventory,
    to_csv,
    to_json,
)

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
    [
        (0.01, 0.00025, True, "10.0 ± 0.25 ms"), (0.0025, 0.0001, True, "2.50 ± 0.1 ms"),
        (0.00025, 1e-5, True, "0.25 ± 0.01 ms"), (0.009996, 0.0, True, "10.0 ± 0 ms"),
        (0.0994, 0.0, True, "99.4 ± 0 ms"), (0.09996, 0.0, True, "100 ± 0 ms"), (0.1001, 0.002, True, "100 ± 2 ms"),
        (0.01, 0.00025, False, "events"), (0.01, None, True, "events"), (None, None, False, ""),
    ],
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


# ------------------------------------------------------------------------------------ the whole of it

LISTED = replace(
    _message(message(), 0, SPECS, 0.0007), period_s=0.01, jitter_s=0.00025, longest_gap_s=12.4, count=1200,
    changing=(True, False, True), shortest=2, longest=3, first_s=0.5, last_s=19.5,
)  # fmt: skip
UNNAMED = replace(LISTED, identifier=0x1ABC, extended=True, name=None, count=30, shortest=3, longest_gap_s=0.05)
WHOLE = Inventory(
    Account(
        files=("a.log",), lines=1300, lines_bad=2, frames=1230, notes=("odd",), gaps=(Gap(5 * S, 7 * S), Gap(0, S)),
    ),
    20.04, (BUS,), (LISTED, UNNAMED), ("Charger", "Pump"),
)  # fmt: skip


def test_an_inventory_is_written_as_json_and_csv() -> None:
    content = json.loads(to_json(WHOLE))
    messages = content.pop("messages")
    assert content.pop("logscope")
    assert content.pop("buses") == [
        {
            "name": "can0", "frames": 1200, "unlisted_frames": 0, "remote_frames": 2, "error_frames": 3,
            "transmit_requests": 0, "mean_bits_per_s": 62_500.0, "busiest_bits_per_s": 125_000.0, "lower_bound": False,
            "bit_rate": 500_000, "bit_rate_source": "stated", "bit_rate_contradicted": False, "bit_rate_seen": None,
            "mean_load": 0.125, "busiest_load": 0.25, "errors": {"bus error": 3},
        }
    ]  # fmt: skip
    assert content == {
        "schema": 1, "files": ["a.log"], "duration_s": 20.04, "lines": 1300, "lines_bad": 2, "frames": 1230,
        "defined_but_unseen": ["Charger", "Pump"], "longest_silence_s": 2.0, "notes": ["odd"],
    }  # fmt: skip
    first = {
        "bus": "can0", "identifier": "100", "extended": False, "name": "Drive", "count": 1200, "period_s": 0.01,
        "jitter_s": 0.00025, "longest_gap_s": 12.4, "longest_wait_s": 0.0007, "periodic": True, "shortest_bytes": 2,
        "longest_bytes": 3, "changing_bytes": "0.2", "first_s": 0.5, "last_s": 19.5,
    }  # fmt: skip
    assert messages == [
        first, first | {"identifier": "00001ABC", "extended": True, "name": None, "count": 30, "shortest_bytes": 3,
                        "longest_gap_s": 0.05},
    ]  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(to_csv(WHOLE))))
    assert [list(row) for row in rows] == [list(first)] * 2
    assert rows[0] == {key: str(value) for key, value in first.items()}
    empty = replace(WHOLE, account=Account(), messages=(), buses=())
    assert json.loads(to_json(empty))["longest_silence_s"] is None


def test_an_inventory_is_shown_as_a_table() -> None:
    text = io.StringIO()
    print_inventory(WHOLE, Console(file=text, width=100))
    said = " ".join(text.getvalue().split())
    assert "can0 100 Drive 1200 10.0 ± 0.25 ms 12 s 2-3 0.2" in said
    assert "can0 00001ABC - 30 10.0 ± 0.25 ms 50 ms 3 0.2" in said
    assert "2 identifiers in 20.0 s, 1 of them (30 frames) without a definition; 2 bad lines." in said
    assert "Defined but never seen: Charger, Pump Note: odd" in said
    bare = io.StringIO()
    print_inventory(replace(WHOLE, unseen=(), account=Account()), Console(file=bare, width=100))
    assert "never seen" not in bare.getvalue()
    assert "Note:" not in bare.getvalue()


@pytest.mark.parametrize(
    ("stated", "bit_rate", "rate", "source"),
    [
        (None, None, None, "unknown"), ({None: 250_000}, None, 250_000, "given"),
        ({"can1": 250_000}, None, None, "unknown"),
        ({None: 250_000}, 500_000, 500_000, "given"), ({None: 250_000}, {"can0": 125_000}, 125_000, "given"),
    ],
)  # fmt: skip
def test_frames_are_counted_with_the_rate_of_their_bus(
    stated: dict[str | None, int] | None, bit_rate: int | dict[str | None, int] | None, rate: int | None, source: str
) -> None:
    """Two identifiers every 10 ms from 5.00 s and 5.01 s on."""
    sent = [Frame(5.0 + 0.01 * k, 0x100 + k % 2, bytes([k % 256])) for k in range(400)]
    blocks = [Block(columns(sent[at : at + 100]), Account(lines=100, frames=100)) for at in range(0, 400, 100)]
    specs = (MessageSpec("Drive", 0x100, False, 8, ()), MessageSpec("Pump", 0x200, False, 8, ()))
    found = count_frames(blocks, [(None, specs)], stated, bit_rate)
    (bus_of,) = found.buses
    assert (bus_of.frames, bus_of.bit_rate, bus_of.bit_rate_source) == (400, rate, source)
    assert (found.duration_s, found.account.frames) == (pytest.approx(3.99), 400)
    assert [(m.name, m.count, m.identifier) for m in found.messages] == [("Drive", 200, 0x100), (None, 200, 0x101)]
    assert [(m.first_s, m.last_s) for m in found.messages] == [pytest.approx((0.0, 3.98)), pytest.approx((0.01, 3.99))]
    assert found.unseen == ("Pump",)
    assert [m.longest_wait_s is None for m in found.messages] == [rate is None] * 2
    with pytest.raises(RequestError, match="can7"):
        count_frames(blocks, bit_rate={"can7": 500_000})
