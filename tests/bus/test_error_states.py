"""The states of a controller by its error frames, one rule at a time.

Bits and bytes are those of Linux include/uapi/linux/can/error.h, the levels those of Bosch CAN 2.0, part A, chapter 8.
"""

from __future__ import annotations

import numpy as np
import pytest
from bus_frames import Frame, columns, traffic_of

from logscope.bus.error_frames import (
    CLASSES,
    VIOLATIONS,
    State,
    _bursts,
    _disturbs,
    _state_after,
    class_counts,
    counted_rows,
    level_of,
    story_of,
)
from logscope.bus.error_runs import error_rows
from logscope.bus.facts import ErrorFrames
from logscope.capture.frames import Flag

MS = 1_000_000


def counters(transmit: int, receive: int) -> np.ndarray:
    """The payload of an error frame with these counters."""
    return np.array([0, 0, 0, 0, 0, 0, transmit, receive], np.uint8)


@pytest.mark.parametrize(
    ("before", "kind", "status", "counted", "after"),
    [
        (State.ACTIVE, 0x040, 0, None, State.OFF),  # CAN_ERR_BUSOFF
        (State.PASSIVE, 0x140, 0, None, State.OFF),  # off and restarted in one frame: what counts is off
        (State.OFF, 0x100, 0, None, State.ACTIVE),  # CAN_ERR_RESTARTED
        (State.ACTIVE, 0x004, 0x10, None, State.PASSIVE),  # CAN_ERR_CRTL_RX_PASSIVE
        (State.ACTIVE, 0x004, 0x20, None, State.PASSIVE),  # CAN_ERR_CRTL_TX_PASSIVE
        (State.ACTIVE, 0x004, 0x28, None, State.PASSIVE),  # with a warning beside it
        (State.ACTIVE, 0x004, 0x04, None, State.WARNING),  # CAN_ERR_CRTL_RX_WARNING
        (State.ACTIVE, 0x004, 0x08, None, State.WARNING),  # CAN_ERR_CRTL_TX_WARNING
        (State.PASSIVE, 0x004, 0x08, None, State.WARNING),
        (State.PASSIVE, 0x004, 0x40, None, State.ACTIVE),  # CAN_ERR_CRTL_ACTIVE
        (State.PASSIVE, 0x004, 0x01, None, State.PASSIVE),  # an overflow says nothing of it
        (State.PASSIVE, 0x008, 0, None, State.PASSIVE),
        (State.ACTIVE, 0x200, 0, (127, 0), State.WARNING),
        (State.ACTIVE, 0x200, 0, (128, 0), State.PASSIVE),
        (State.ACTIVE, 0x200, 0, (0, 128), State.PASSIVE),
        (State.ACTIVE, 0x200, 0, (95, 96), State.WARNING),
        (State.PASSIVE, 0x200, 0, (95, 95), State.ACTIVE),
        (State.OFF, 0x200, 0, (0, 0), State.OFF),  # the counters of a controller that is off say nothing
        (State.WARNING, 0x204, 0x40, (200, 0), State.ACTIVE),  # what it says of itself goes before its counters
    ],
)
def test_the_state_after_an_error_frame(
    before: State, kind: int, status: int, counted: tuple[int, int] | None, after: State
) -> None:
    assert _state_after(before, kind, status, None if counted is None else counters(*counted)) is after


@pytest.mark.parametrize(
    ("kind", "status", "disturbs"),
    [
        (0x000, 0, True),  # no class logged
        (0x001, 0, False),  # a transmission that took too long
        (0x002, 0, False),  # lost arbitration
        (0x100, 0, False),  # restarted
        (0x200, 0, False),  # counters alone
        (0x303, 0, False),
        (0x004, 0x00, True),  # a problem without a detail
        (0x004, 0x01, False),  # receive overflow of the logger
        (0x004, 0x02, False),
        (0x004, 0x40, False),  # active again
        (0x004, 0x04, True),
        (0x004, 0x08, True),
        (0x004, 0x10, True),
        (0x004, 0x20, True),
        (0x004, 0x21, True),
        (0x006, 0x01, False),
        (0x008, 0, True),
        (0x00C, 0x01, True),
        (0x010, 0, True),
        (0x020, 0, True),
        (0x040, 0, True),
        (0x080, 0, True),
    ],
)
def test_what_disturbs_a_bus(kind: int, status: int, disturbs: bool) -> None:
    assert _disturbs(kind, status) == disturbs


@pytest.mark.parametrize(
    ("kind", "transmit", "receive", "level"),
    [
        (0x200, 0, 0, 1),
        (0x200, 95, 95, 1),
        (0x200, 96, 0, 2),
        (0x200, 0, 127, 2),
        (0x200, 128, 0, 3),
        (0x200, 0, 128, 3),
        (0x004, 0, 0, 0),  # from older kernels: nothing filled in
        (0x004, 0, 1, 1),
        (0x008, 130, 0, 3),
        (0x080, 100, 0, 2),
        (0x020, 100, 0, 2),
        (0x002, 100, 0, 0),  # the last bytes of other classes are no counters
        (0x040, 100, 0, 0),
        (0x100, 0, 200, 0),
    ],
)
def test_the_level_of_the_counters(kind: int, transmit: int, receive: int, level: int) -> None:
    kinds, data = np.array([kind]), counters(transmit, receive)[None]
    assert level_of(kinds, data).tolist() == [level]
    assert counted_rows(kinds, data).tolist() == [level > 0]


def test_details_count_by_their_own_class_and_bits() -> None:
    """First and second detail byte of frames that are alike, with their counts."""
    errors = ErrorFrames(
        count=63,
        alike={
            (0x004, 0x01, 0x04): 1,  # the second byte belongs to a violation: none here
            (0x004, 0x02, 0x00): 2,
            (0x008, 0x03, 0x04): 4,  # the first byte belongs to a controller problem: none here
            (0x008, 0x00, 0x21): 8,
            (0x028, 0x00, 0x18): 16,
            (0x022, 0x00, 0x00): 32,
        },
    )
    story = story_of(errors, 7)
    assert story.overflows == 3
    assert story.violations == {
        "single bit": 8,
        "bit stuffing": 4,
        "a dominant bit read as recessive": 16,
        "a recessive bit read as dominant": 16,
        "overload": 8,
    }
    assert story.no_acknowledge == 48
    assert story.disturbing == 4 + 8 + 16 + 32
    assert (story.until_ns, story.transmit_counter, story.receive_counter) == (7, None, None)
    assert class_counts(errors) == {
        "lost arbitration": 32,
        "controller problem": 3,
        "protocol violation": 28,
        "no acknowledge": 48,
    }
    assert next(iter(class_counts(errors))) == "lost arbitration"  # in the order of their bits


@pytest.mark.parametrize(
    ("times_ms", "bursts_ms"),
    [
        ((0, 100, 200), [0]),
        ((0, 100.001, 200), [0, 100.001]),
        ((0, 250, 100), [0, 250]),  # one a little late in the log
        ((5,), [5]),
        ((), []),
    ],
)
def test_a_burst_ends_after_a_tenth_of_a_second(times_ms: tuple[float, ...], bursts_ms: list[float]) -> None:
    """Of two kinds in turn, so that each is a run of its own."""
    kinds = (0x008, 0x020)
    frames = [Frame(t / 1e3, kinds[k % 2], bytes(8), Flag.ERROR) for k, t in enumerate(times_ms)]
    (bus,) = traffic_of([*frames, Frame(9.0, 0x100)]).buses
    assert (story_of(bus.errors, 9_000 * MS).bursts_ns / MS).tolist() == pytest.approx(bursts_ms)


def test_a_burst_goes_on_as_long_as_any_run_in_it() -> None:
    """One from 0 to 300 ms, another within it, a third 40 ms after the first; a fourth 110 ms later."""
    start, end = np.array([0, 50, 340, 460]) * MS, np.array([300, 60, 350, 470]) * MS
    order = [1, 3, 0, 2]
    assert _bursts(start[order], end[order]).tolist() == [0, 460 * MS]


def test_a_run_is_of_frames_that_say_the_same_within_a_tenth_of_a_second() -> None:
    """A run has its first and last stamp, its count, and the highest counters that it holds."""
    rows = [
        (0, 0x204, "0008000000006003"),
        (100, 0x204, "0008000000006101"),  # counters rise within the same level
        (150, 0x204, "0020000000008000"),
        (250.001, 0x204, "0020000000008100"),  # too late for the run
        (260, 0x008, "0000040000000000"),
        (270, 0x008, "0000020000000000"),
    ]
    made = [Frame(t / 1e3, kind, bytes.fromhex(data), Flag.ERROR) for t, kind, data in rows]
    errors = traffic_of(made).buses[0].errors
    assert (errors.start_ns / MS).tolist() == [0, 150, 250.001, 260, 270]
    assert (errors.end_ns / MS).tolist() == [100, 150, 250.001, 260, 270]
    assert errors.frames.tolist() == [2, 1, 1, 1, 1]
    assert errors.kinds.tolist() == [0x204, 0x204, 0x204, 0x008, 0x008]
    assert errors.data[:, 6:8].tolist() == [[0x61, 3], [0x80, 0], [0x81, 0], [0, 0], [0, 0]]
    assert (errors.count, errors.transmit_counter, errors.receive_counter) == (6, 0x81, 3)
    assert errors.alike == {
        (0x008, 0, 2): 1, (0x008, 0, 4): 1, (0x204, 8, 0): 2, (0x204, 32, 0): 2,
    }  # fmt: skip


def test_short_error_frames_are_filled_up_with_zeros_by_bus() -> None:
    frames = columns(
        [
            Frame(1.0, 0x08, b"\x01\x02", Flag.ERROR),
            Frame(2.0, 0x100, b"\xff" * 8),
            Frame(3.0, 0x20, b"", Flag.ERROR, "can1"),
            Frame(4.0, 0x04, bytes(range(8)), Flag.ERROR),
        ]
    )
    rows = error_rows(frames)
    assert {name: (times / 1e9).tolist() for name, (times, _, _) in rows.items()} == {"can0": [1, 4], "can1": [3]}
    assert {name: kinds.tolist() for name, (_, kinds, _) in rows.items()} == {"can0": [8, 4], "can1": [0x20]}
    assert rows["can0"][2].tolist() == [[1, 2, 0, 0, 0, 0, 0, 0], list(range(8))]
    assert rows["can1"][2].tolist() == [[0] * 8]


def test_classes_and_violations_are_those_of_the_kernels_header() -> None:
    """Source: include/uapi/linux/can/error.h of the Linux kernel (CAN_ERR_*, CAN_ERR_PROT_*; from memory)."""
    header = {
        0x001: "time-out", 0x002: "arbitration", 0x004: "controller", 0x008: "protocol", 0x010: "transceiver",
        0x020: "acknowledge", 0x040: "bus off", 0x080: "bus error", 0x100: "restarted", 0x200: "counters",
    }  # fmt: skip
    assert CLASSES.keys() == header.keys()
    assert [code for code, word in header.items() if word not in CLASSES[code]] == []
    protocol = {
        0x01: "single bit", 0x02: "format", 0x04: "stuffing", 0x08: "dominant bit read", 0x10: "recessive bit read",
        0x20: "overload",
    }  # fmt: skip
    assert VIOLATIONS.keys() == protocol.keys()
    assert [code for code, word in protocol.items() if word not in VIOLATIONS[code]] == []
