"""Which counter an identifier is followed by: what 128 frames show, guard by guard, and how long logs are kept.

Expected by hand. A step that shares a factor with the span has no inverse, so that what it skips has no one number.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bus_frames import Frame, traffic_of

from logscope.bus import gather, walk
from logscope.bus.facts import CounterFacts, Skip
from logscope.capture.frames import Flag
from logscope.payload.counters import Counter
from logscope.payload.fields import Field

MS = 1_000_000


def learnt(
    monkeypatch: pytest.MonkeyPatch, *counters: Counter, frames: list[Frame] | None = None
) -> CounterFacts | None:
    """The counter of an identifier in whose frames these are found."""
    monkeypatch.setattr(gather, "find_counters", lambda rows: counters)
    made = frames or [Frame(0.01 * k, 0x100, bytes([k % 16, k % 7, 0, 3])) for k in range(200)]
    (message,) = traffic_of(made).buses[0].messages
    return message.counter


def counter(field: Field, step: int = 1, high: int = 15, share: float = 1.0) -> Counter:
    return Counter(field, step, 0, high, share)


LOW, HIGH = counter(Field(0, 4)), counter(Field(8, 3), high=6)


@pytest.mark.parametrize(
    ("counters", "start"),
    [
        ((LOW,), 0),
        ((counter(Field(0, 16), high=65535),), 0),
        ((counter(Field(0, 17), high=(1 << 17) - 1),), None),  # a clock
        ((counter(Field(4, 16), high=65535),), None),  # in three bytes
        ((counter(Field(0, 4), high=2),), 0),
        ((counter(Field(0, 1), high=1),), None),  # a flag
        ((counter(Field(0, 4), step=3),), 0),
        ((counter(Field(0, 4), step=2),), None),  # shares a factor with 16
        ((counter(Field(0, 4), step=2, high=14),), 0),  # with 15 it does not
        ((counter(Field(7, 16, True), high=65535),), 7),
        ((counter(Field(5, 12, True), high=4095),), None),  # does not end at a byte's end
        ((counter(Field(3, 12, True), high=4095),), 3),
        ((counter(Field(3, 3, True), high=7),), 3),
        ((), None),
        ((counter(Field(8, 3), high=6, share=0.9), LOW), 0),  # the one that fits more steps
        ((counter(Field(0, 17), high=9), HIGH), 8),
    ],
)
def test_a_counter_is_one_number_with_an_inverse(
    monkeypatch: pytest.MonkeyPatch, counters: tuple[Counter, ...], start: int | None
) -> None:
    found = learnt(monkeypatch, *counters)
    assert (None if found is None else found.start) == start


def sent(count: int, **changed: Any) -> list[Frame]:
    """Frames with a counter in byte 0; the hundredth is changed."""
    made = [Frame(0.01 * k, 0x100, bytes([k % 16, 1])) for k in range(count)]
    if changed and count > 100:
        made[100] = Frame(1.0, 0x100, **({"data": bytes([4, 1])} | changed))
    return made


@pytest.mark.parametrize(
    ("frames", "found"),
    [
        (sent(128), True),
        (sent(127), False),
        (sent(200, data=b"\4"), False),  # of another length
        (sent(200, data=b"", flags=Flag.REMOTE), False),
        ([Frame(0.01 * k, 0x100, b"") for k in range(200)], False),
    ],
)
def test_a_counter_is_learnt_of_128_frames_alike(
    monkeypatch: pytest.MonkeyPatch, frames: list[Frame], found: bool
) -> None:
    assert (learnt(monkeypatch, LOW, frames=frames) is not None) is found


@pytest.mark.parametrize(
    ("values", "skips", "skipped", "repeats", "listed"),
    [
        ([0, 1, 2], 0, 0, 0, ()),
        ([0, 2, 3], 1, 1, 0, (1,)),
        ([0, 0, 1], 0, 0, 1, ()),
        ([0, 15, 0], 1, 14, 0, (14,)),  # one back is fourteen missing
        ([0, 5, 9], 2, 7, 0, (4, 3)),
    ],
)
def test_steps_after_the_first_frames_are_counted(
    monkeypatch: pytest.MonkeyPatch, values: list[int], skips: int, skipped: int, repeats: int, listed: tuple[int, ...]
) -> None:
    """128 frames as they should be, to 15; then these."""
    after = [Frame(1.28 + 0.01 * k, 0x100, bytes([value, 1])) for k, value in enumerate(values)]
    found = learnt(monkeypatch, LOW, frames=[*sent(128), *after])
    assert found is not None
    assert (found.skips, found.skipped, found.repeats) == (skips, skipped, repeats)
    assert tuple(each.missing for each in found.listed) == listed
    if listed:
        at_ms = 1280 + 10 * next(k for k, v in enumerate(values) if v != k)
        assert found.listed[0] == Skip((at_ms - 10) * MS, at_ms * MS, listed[0], 0, values[(at_ms - 1280) // 10])


def test_a_counter_with_a_step_and_a_lowest_value_is_counted_by_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """It counts 3, 5, 7, 9, 11, 3 …: in steps of 2 modulo 9, of which three are left out."""
    values = [3 + 2 * k % 9 for k in range(140)]
    kept = [k for k in range(140) if k not in (130, 131, 132)]
    frames = [Frame(0.01 * k, 0x100, bytes([values[k], 1])) for k in kept]
    found = learnt(monkeypatch, Counter(Field(0, 4), 2, 3, 11, 1.0), frames=frames)
    assert found is not None
    assert (found.span, found.skips, found.skipped) == (9, 1, 3)
    assert found.listed == (Skip(1290 * MS, 1330 * MS, 3, 0, values[133] - 3),)


def test_other_frames_of_the_bus_between_two_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    others = [Frame(1.2801 + 0.001 * k, 0x200, b"") for k in range(5)]
    monkeypatch.setattr(gather, "find_counters", lambda rows: (LOW,))
    frames = [*sent(129), *others, Frame(1.31, 0x100, bytes([3, 1]))]
    message = traffic_of(frames).buses[0].messages[0]
    assert message.counter is not None
    assert message.counter.listed == (Skip(1280 * MS, 1310 * MS, 2, 5, 3),)
    assert max(message.silences, key=lambda each: each.length_ns).others == 5


def test_of_silences_the_sixteen_longest_are_kept() -> None:
    steps = np.array([*range(10, 40)]) * MS
    stamps = np.concatenate(([0], np.cumsum(steps)))
    (message,) = traffic_of([Frame(at / 1e9, 0x100, b"") for at in stamps.tolist()]).buses[0].messages
    assert [each.length_ns // MS for each in message.silences] == list(range(24, 40))


def test_the_busiest_second_ends_with_a_frame_and_leaves_the_earlier_one_out() -> None:
    """Ten frames of 48 bits within 0.9 s, then one exactly a second after the first."""
    frames = [Frame(5.0 + 0.1 * k, 0x123, b"") for k in range(10)] + [Frame(6.0, 0x123, b"")]
    (bus,) = traffic_of(frames).buses
    assert (bus.busiest_bits, bus.busiest_ns) == (10 * 48, 5900 * MS)
    assert bus.busiest_bits_per_s == 480.0
    (more,) = traffic_of([*frames, Frame(6.0, 0x123, b"")]).buses
    assert (more.busiest_bits, more.busiest_ns) == (11 * 48, 6000 * MS)


def test_windows_of_a_long_log_give_way_by_halves() -> None:
    """Of 2049 frames every other window of 64 is kept: rows 0 to 63, 128 to 191 …, and the last one."""
    count = walk.WINDOW * walk.WINDOWS + 1
    (message,) = traffic_of([Frame(0.001 * k, 0x100, k.to_bytes(2, "big")) for k in range(count)]).buses[0].messages
    rows = (message.payloads[:, 0].astype(int) << 8) + message.payloads[:, 1]
    assert rows.tolist() == [r for w in range(0, 32, 2) for r in range(64 * w, 64 * w + 64)] + [2048]
    assert message.window.tolist() == [k for k in range(16) for _ in range(64)] + [16]
    assert (message.stamps_ns // MS).tolist() == rows.tolist()
