"""Error frames in words, by the bits of Linux include/uapi/linux/can/error.h."""

from __future__ import annotations

import pytest
from bus_frames import Frame, traffic_of

from logscope.bus.error_frames import Episode, ErrorStory, State, class_counts, story_of
from logscope.capture.frames import Flag


def error(time_s: float, kind: int, data: str = "") -> Frame:
    return Frame(time_s, kind, bytes.fromhex(data.ljust(16, "0")), Flag.ERROR)


def story(*frames: Frame) -> ErrorStory:
    traffic = traffic_of(frames)
    return story_of(traffic.buses[0].errors, traffic.end_ns)


def test_an_error_passive_episode_has_a_start_and_an_end() -> None:
    told = story(
        error(1.0, 0x204, "0008000000006000"),  # 96 transmit errors: warning
        error(1.2, 0x204, "0020000000008000"),  # 128: passive
        error(1.5, 0x28, "0000800000008000"),  # no acknowledge meanwhile
        error(2.5, 0x204, "0040000000005F00"),  # 95: active again
        Frame(9.0, 0x100),
    )
    assert told.episodes == (Episode(State.PASSIVE, 1_200_000_000, 2_500_000_000, True),)
    assert (told.transmit_counter, told.receive_counter, told.no_acknowledge) == (128, 0, 1)


def test_counters_alone_show_the_state() -> None:
    told = story(error(1.0, 0x200, "0000000000000080"), error(2.0, 0x200, "0000000000000077"), Frame(3.0, 0x100))
    assert told.episodes == (Episode(State.PASSIVE, 1_000_000_000, 2_000_000_000, True),)
    assert told.receive_counter == 128


def test_bus_off_lasts_until_the_controller_restarts_or_the_log_ends() -> None:
    told = story(error(1.0, 0x40), error(1.1, 0x100), error(2.0, 0x40), Frame(3.0, 0x100))
    assert [(each.state, each.ended) for each in told.episodes] == [(State.OFF, True), (State.OFF, False)]


def test_what_is_no_disturbance_is_not_counted_as_one() -> None:
    """Lost arbitration is how a bus works; an overflow is the logger's own loss."""
    told = story(error(1.0, 0x002, "05"), error(1.1, 0x004, "0001"), error(2.0, 0x008, "000004"))
    assert (told.disturbing, told.overflows, told.violations) == (1, 1, {"bit stuffing": 1})


def test_error_frames_within_a_tenth_of_a_second_are_one_burst() -> None:
    told = story(*(error(t, 0x008, "000004") for t in (1.0, 1.02, 1.09, 3.0)))
    assert told.disturbing == 4
    assert told.bursts_ns.tolist() == [1_000_000_000, 3_000_000_000]


def test_classes_are_named() -> None:
    traffic = traffic_of([error(1.0, 0x0A8), error(1.1, 0x008), error(1.2, 0)])
    assert class_counts(traffic.buses[0].errors) == {
        "protocol violation": 2, "no acknowledge": 1, "bus error": 1, "no class logged": 1,
    }  # fmt: skip


def test_counts_stay_true_where_error_frames_are_too_many_to_keep(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logscope.bus.error_runs._MOST_RUNS", 5)
    kinds = ((0x008, "000004"), (0x020, ""), (0x004, "0001"))  # a stuffing violation, no acknowledge, an overflow
    frames = [error(0.3 * k, *kinds[k % 3]) for k in range(300)]
    told = story(*frames, error(95.0, 0x204, "0020000000008800"), Frame(99.0, 0x100))
    assert (told.disturbing, told.no_acknowledge, told.overflows) == (201, 100, 100)
    assert told.violations == {"bit stuffing": 100}
    assert told.transmit_counter == 136
    assert told.until_ns == 1_200_000_000
    assert (told.bursts_ns <= told.until_ns).all()


def test_error_frames_that_say_the_same_take_one_row() -> None:
    """A minute of five thousand a second, with one return to error active in the middle."""
    bus_in_trouble = [error(2e-4 * k, 0x220, "0020000000008000") for k in range(20_000)]
    back = error(1.00005, 0x204, "0040000000005F00")
    frames = sorted([*bus_in_trouble, back, Frame(9.0, 0x100)], key=lambda frame: frame.time_s)
    traffic = traffic_of(frames, 777)
    told = story_of(traffic.buses[0].errors, traffic.end_ns)
    assert traffic.buses[0].errors.start_ns.size < 40
    assert told.no_acknowledge == 20_000
    assert [(each.state, each.ended) for each in told.episodes] == [(State.PASSIVE, True), (State.PASSIVE, False)]
    assert told.bursts_ns.size == 1
