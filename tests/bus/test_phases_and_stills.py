"""Two senders, frozen content, failing checksums and echoes, rule by rule at its edge (common practice).

The line under a drift is that of scipy.stats.linregress.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, columns
from crccheck.crc import Crc8SaeJ1850
from made_facts import MS, counter, message
from scipy import stats

from logscope.bus.checksums import failing_checksums
from logscope.bus.echoes import Echoes
from logscope.bus.facts import MessageFacts, Still, Traffic
from logscope.bus.frozen import frozen_stretches
from logscope.bus.naming import spec_of, specs_by_key
from logscope.bus.record import BusRecord
from logscope.bus.senders import _copies, _distances, _line, _phases, _steady
from logscope.capture.frames import Flag
from logscope.definitions.spec import MessageSpec

S = 1_000_000_000


# ------------------------------------------------------------------------------------ two senders


def test_the_drift_is_the_slope_of_a_line_with_its_standard_error() -> None:
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0, 60, 40))
    phase = 0.004 - 40e-6 * times + rng.normal(0, 2e-5, 40)
    expected = stats.linregress(times, phase)
    line = _line(times, phase)
    assert line.slope == pytest.approx(abs(expected.slope))
    assert line.error == pytest.approx(expected.stderr)
    assert line.explained == pytest.approx(expected.rvalue**2)
    rest = phase - expected.intercept - expected.slope * times
    assert line.left == pytest.approx(np.sum(rest**2))
    assert _line(times, 0 * times).explained == 0.0


def test_parts_of_32_frames_have_their_time_distance_and_period() -> None:
    """Two senders every 20 ms, the second 4 ms after the first; the next part begins with the other's frame."""
    first, second = np.arange(0, 100) * 20 * MS, np.arange(0, 100) * 20 * MS + 4 * MS
    stamps = np.sort(np.concatenate((first, second)))
    both = np.concatenate((stamps[:70], stamps[71:141]))
    made = message(stamps_ns=both, window=np.repeat([0, 1], 70))
    times, distances, periods = _distances(made)
    assert distances == pytest.approx([0.004] * 4)
    assert periods == pytest.approx([0.02] * 4)
    # each at the middle of its 33 frames
    assert times == pytest.approx([both[k : k + 33].mean() / 1e9 for k in (0, 32, 70, 102)])


@pytest.mark.parametrize(("scatter", "parts"), [(0.09, 2), (0.11, 0)])
def test_a_part_that_keeps_no_period_is_left_out(scatter: float, parts: int) -> None:
    """From a frame to its next but one in turn longer, longer, as long, shorter, shorter by this share."""
    late = np.array([0, 1, 2, 2, 1])[np.arange(66) // 2 % 5] * scatter * 20 * MS
    stamps = np.arange(66) * 10 * MS + late
    assert _distances(message(stamps_ns=stamps.astype(np.int64)))[0].size == parts


def test_a_distance_may_turn_at_zero_or_at_half_the_period() -> None:
    """Distances of 3 2 1 1 2 ms of 20: as they are, through zero, or through half the period, at any part."""
    found = [each.tolist() for each in _phases(np.array([3.0, 2.0, 1.0, 1.0, 18.0]), 20.0)]
    assert found[0] == [3, 2, 1, 1, 18]
    assert len(found) == 1 + 2 * 4
    assert [-3, -2, -1, 1, 2] in found
    assert [3, 2, 1, 19, 18] in found
    assert [-3, 2, 1, 1, 2] in found


@pytest.mark.parametrize(
    ("wrong", "by", "steady"), [(0, 0.0, True), (4, 0.7, True), (5, 0.7, False), (10, 0.59, True), (10, 0.61, False)]
)
def test_a_steady_drift_grows_everywhere(wrong: int, by: float, steady: bool) -> None:
    """Of 40 steps so many grow by more than the line and as many by less: a fifth may, by more than 0.6 of it."""
    steps = np.ones(40)
    steps[:wrong], steps[20 : 20 + wrong] = 1.0 + by, 1.0 - by
    assert _steady(np.arange(41.0), np.concatenate(([0.0], np.cumsum(steps))), 1.0) == steady
    assert _steady(np.arange(41.0), -np.concatenate(([0.0], np.cumsum(steps))), 1.0) == steady


@pytest.mark.parametrize(("by", "steady"), [(1.98, True), (2.4, False)])
def test_a_drift_is_judged_over_as_many_parts_as_its_noise_asks_for(by: float, steady: bool) -> None:
    """Steps of 1 ± 1.98: a distance errs by 1.98/√2, eight of which take 12 of 41 parts; 1 ± 2.4 would take 14."""
    steps = 1.0 + by * np.where(np.arange(40) % 2, 1.0, -1.0)
    assert _steady(np.arange(41.0), np.concatenate(([0.0], np.cumsum(steps))), 1.0) == steady


@pytest.mark.parametrize(("repeats", "copies"), [(16, True), (15, True), (14, False)])
def test_copies_repeat_every_other_frame(repeats: int, copies: bool) -> None:
    """33 frames, 16 of which may repeat the one before: nine tenths of them must."""
    values = np.arange(33)
    again = [2 * k + 1 for k in range(repeats)]
    values[again] = values[[k - 1 for k in again]]
    payloads = values.astype(np.uint8)[:, None]
    made = message(stamps_ns=np.arange(33) * MS, payloads=payloads)
    assert _copies(made) == copies
    assert not _copies(message(stamps_ns=np.arange(32) * MS, payloads=payloads[:32]))


# ---------------------------------------------------------------------------------- frozen content


def held(
    still_frames: int = 200,
    still_ms: float = 2000.0,
    moving: int = 16,
    calmest: int = 16,
    chunks: int = 6,
    **facts: Any,
) -> list[Still]:
    """The frozen stretches of a message every 10 ms, of which so many in 32 frames differ from the one before.

    The stretch begins at 100 s, after the windows that were kept.
    """
    frames = 33 + 32 * (chunks - 1)
    changes = np.arange(frames) % 32 < moving
    changes[65:97] = np.arange(32) < min(moving, calmest)  # of the third 32
    values = np.cumsum(changes).astype(np.uint8)
    payloads = np.stack([np.arange(frames).astype(np.uint8), values], axis=1)
    still = Still(100 * S, 100 * S + round(still_ms * MS), still_frames)
    known: dict[str, Any] = {
        "stamps_ns": np.arange(frames) * 10 * MS, "payloads": payloads, "content": (0, 0xFF), "stills": (still,),
        "counter": counter(), "count": 1000,
    }  # fmt: skip
    return frozen_stretches(message(**(known | facts)), lambda start, end: True)


@pytest.mark.parametrize(
    ("changed", "frozen"),
    [
        ({}, True),
        ({"chunks": 4}, True),
        ({"chunks": 3}, False),  # too little else is known
        ({"still_ms": 1000}, True),
        ({"still_ms": 999}, False),
        ({"moving": 7}, True),
        ({"moving": 6}, False),  # less than a fifth
        ({"moving": 7, "still_frames": 84}, True),  # (25/32)^84 is 0.99e-9
        ({"moving": 7, "still_frames": 83}, False),
        ({"calmest": 7, "still_frames": 84}, True),  # the calmest of the other chunks counts
        ({"calmest": 7, "still_frames": 83}, False),
        ({"counter": counter(skips=10, repeats=10)}, True),  # a fiftieth of a thousand
        ({"counter": counter(skips=10, repeats=11)}, False),
        ({"counter": None}, False),
        ({"content": (0xFF, 0)}, True),  # the first byte moves in every frame
        ({"content": (0, 0)}, False),  # nothing but counter and checksum
    ],
)
def test_content_is_frozen_that_rests_longer_than_chance_allows(changed: dict[str, Any], frozen: bool) -> None:
    assert bool(held(**changed)) == frozen


def test_only_what_lies_in_use_counts() -> None:
    """In use from 1 s on: the chunks before it do not count, so that too few are left."""
    made: list[tuple[int, int]] = []

    def in_use(start: int, end: int) -> bool:
        made.append((start, end))
        return start >= 900 * MS

    frames = 33 + 32 * 5
    payloads = np.arange(frames).astype(np.uint8)[:, None]
    facts = {
        "stamps_ns": np.arange(frames) * 10 * MS, "payloads": payloads, "content": (0xFF,),
        "stills": (Still(100 * S, 102 * S, 200),), "counter": counter(),
    }  # fmt: skip
    assert frozen_stretches(message(**facts), in_use) == []
    assert (100 * S, 102 * S) in made
    assert (320 * MS, 640 * MS) in made
    assert len(frozen_stretches(message(**facts), lambda start, end: start >= 320 * MS)) == 1


# ------------------------------------------------------------------------------------- checksums


def summed(wrong: list[int], count: int = 600, **facts: Any) -> MessageFacts:
    """A message every 10 ms with a CRC of SAE J1850 in its last byte, wrong in these frames."""
    rng = np.random.default_rng(1)
    rows = rng.integers(0, 256, (count, 4)).astype(np.uint8)
    for row in rows:
        row[3] = Crc8SaeJ1850.calc(row[:3].tobytes())
    rows[wrong, 3] ^= 0x41
    known: dict[str, Any] = {"stamps_ns": np.arange(count) * 10 * MS, "payloads": rows, "shortest": 4, "longest": 4}
    return message(**(known | facts))


_SPREAD = list(range(205, 598, 13))  # 31 of them


@pytest.mark.parametrize(
    ("wrong", "facts", "found"),
    [
        ([250, 300, 350], {}, [250, 300, 350]),
        ([250, 300], {}, []),  # twice
        ([200, 250, 300, 350], {}, [250, 300, 350]),  # the first of them within two seconds of the start
        ([201, 250, 300], {}, [201, 250, 300]),
        ([250, 300, 350], {"first_ns": -10 * MS}, [250, 300, 350]),
        ([250, 300, 350], {"remotes": 1}, []),
        ([250, 300, 350], {"shortest": 3}, []),
        (_SPREAD[:-1], {}, _SPREAD[:-1]),  # a twentieth of 600
        (_SPREAD, {}, []),
        ([250, 260, 299], {"count": 300}, [250, 260, 299]),
        ([250, 260, 298], {"count": 299}, []),
    ],
)
def test_a_checksum_that_fails_now_and_then(wrong: list[int], facts: dict[str, Any], found: list[int]) -> None:
    failing = failing_checksums(summed(wrong, **facts))
    assert [each.wrong_ns.tolist() for each in failing] == ([[k * 10 * MS for k in found]] if found else [])
    if found:
        assert (failing[0].algorithm, failing[0].checked) == ("Crc8SaeJ1850", facts.get("count", 600))


def test_payloads_of_zeros_or_ones_alone_are_left_out() -> None:
    made = summed([250, 300, 350])
    made.payloads[[260, 270, 280]] = 0
    made.payloads[[290, 310, 320]] = 0xFF
    (failing,) = failing_checksums(made)
    assert (failing.wrong_ns / MS).tolist() == [2500, 3000, 3500]


# ----------------------------------------------------------------------------------------- echoes

_ASKED = int(Flag.TRANSMITTED)


@pytest.mark.parametrize(
    ("frames", "echoes"),
    [
        ([(0, 1, b"a", _ASKED), (100, 1, b"a", 0)], [1]),  # within a tenth of a second
        ([(0, 1, b"a", _ASKED), (100.001, 1, b"a", 0)], []),
        ([(0, 1, b"a", _ASKED), (60, 1, b"b", _ASKED), (110, 1, b"b", 0)], [2]),  # the first is given up
        ([(0, 1, b"a", _ASKED), (1, 1, b"b", _ASKED), (2, 1, b"b", 0), (3, 1, b"a", 0)], []),  # not the oldest
        ([(0, 1, b"a", _ASKED), (1, 1, b"b", _ASKED), (2, 1, b"a", 0), (3, 1, b"b", 0)], [2, 3]),
        ([(0, 1, b"a", _ASKED), (1, 1, b"a", 0), (2, 1, b"a", 0)], [1]),  # one for each request
        ([(0, 1, b"a", _ASKED), (1, 1, b"ab", 0)], []),
        ([(0, 1, b"ab", _ASKED), (1, 1, b"a", 0)], []),
        ([(0, 1, b"a", _ASKED), (1, 2, b"a", 0), (2, 1, b"a", 0)], [2]),
        ([(0, 1, b"a", _ASKED), (1, 1, b"a", int(Flag.EXTENDED)), (2, 1, b"a", 0)], [2]),
        ([(0, 1, b"a", _ASKED), (1, 1, b"a", int(Flag.ERROR)), (2, 1, b"a", 0)], [2]),
        ([*((k, 1, bytes([k]), _ASKED) for k in range(8)), *((10 + k, 1, bytes([k]), 0) for k in range(8))],
         list(range(8, 16))),  # eight at a time
        ([*((k, 1, bytes([k]), _ASKED) for k in range(9)), *((10 + k, 1, bytes([k]), 0) for k in range(9))],
         []),  # of nine the oldest is forgotten, and its frame is another sender's
        ([*((k, 1, bytes([k]), _ASKED) for k in range(9)), *((10 + k, 1, bytes([k]), 0) for k in range(1, 9))],
         list(range(9, 17))),
    ],
)  # fmt: skip
def test_an_echo_answers_the_oldest_request(frames: list[tuple[float, int, bytes, int]], echoes: list[int]) -> None:
    made = [Frame(at / 1e3, identifier, data, flags) for at, identifier, data, flags in frames]
    assert np.flatnonzero(Echoes().of(columns(made))).tolist() == echoes
    one_by_one = Echoes()
    assert [k for k, each in enumerate(made) if one_by_one.of(columns([each]))[0]] == echoes


# ---------------------------------------------------------------------------------------- naming


def test_a_definition_is_found_by_bus_before_every_bus_and_whole_before_its_group() -> None:
    """A parameter group of J1939 for one sender, for any sender, and the whole identifier."""
    every, own = MessageSpec("Every", 5, False, 8, ()), MessageSpec("Own", 5, False, 8, ())
    sender = MessageSpec("Sender", 0x18F00417, True, 8, (), j1939=True)
    anyone = MessageSpec("Anyone", 0x18F004FE, True, 8, (), j1939=True)
    whole = MessageSpec("Whole", 0x0CF00417, True, 8, ())
    specs = specs_by_key(
        [(None, (every, MessageSpec("Later", 5, False, 8, ()), sender, anyone)), ("can1", (own, whole))]
    )

    def name(bus: str, identifier: int, extended: bool = False) -> str | None:
        found = spec_of(bus, identifier, extended, specs)
        return None if found is None else found.name

    assert [name("can0", 5), name("can1", 5)] == ["Every", "Own"]
    assert [name("can0", 6), name("can0", 5, True)] == [None, None]
    assert [name("can0", 0x0CF00417, True), name("can1", 0x0CF00417, True)] == ["Sender", "Whole"]
    assert [name("can0", 0x18F00418, True), name("can0", 0x18F00517, True)] == ["Anyone", None]


def test_a_record_counts_seconds_from_the_start_and_names_messages_and_senders() -> None:
    specs = specs_by_key([(None, (MessageSpec("Drive", 5, False, 8, (), senders=("Inverter",)),
                                  MessageSpec("Both", 6, False, 8, (), senders=("A", "B"))))])  # fmt: skip
    record = BusRecord(Traffic((), 0, 0), 2 * S, specs)
    assert record.seconds(3_500 * MS) == 1.5
    assert [record.name(message(k)) for k in (5, 6, 0x1A)] == ["Drive", "Both", "0x01A"]
    assert [record.sender(message(k)) for k in (5, 6, 7)] == ["Inverter", None, None]
