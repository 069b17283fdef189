"""The bit rate from the spacing of frames, on a bus with arbitration of its own (`bus_traffic`)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bus_frames import Frame, columns
from bus_traffic import LOGGERS, Bus, Message, Node, play

from logscope.bus.bit_rate import USUAL_RATES, BitRate, Source, bit_rate_of
from logscope.bus.gather import BusGathering
from logscope.errors import VehicleError
from logscope.vehicle import load_vehicle


def _filled(bit_rate: int) -> list[Frame]:
    """A bus filled to some 40 %, whatever its rate: twelve messages, each every 30 frames."""
    period = 30 * 120 / bit_rate
    messages = tuple(Message(0x100 + 16 * k, period * (1 + 0.07 * k)) for k in range(12))
    return play(Bus((Node("node", messages),), bit_rate, 3000 * 120 / bit_rate))


def _rate(frames: list[Frame], given: int | None = None) -> BitRate:
    gathering = BusGathering()
    gathering.add(columns(frames))
    return bit_rate_of(gathering.traffic().buses[0], given)


@pytest.mark.parametrize("bit_rate", USUAL_RATES)
def test_every_usual_rate_is_inferred_from_stamps_to_the_microsecond(bit_rate: int) -> None:
    frames = LOGGERS["exact"](_filled(bit_rate), np.random.default_rng(1))
    assert _rate(frames).value == bit_rate


@pytest.mark.parametrize("logger", ["1 ms", "batches"])
def test_stamps_that_show_no_single_frame_leave_the_rate_open(logger: str) -> None:
    frames = LOGGERS[logger](_filled(500_000), np.random.default_rng(1))
    assert _rate(frames).source is Source.UNKNOWN


def test_a_bus_on_which_no_frame_waits_leaves_the_rate_open() -> None:
    frames = [Frame(0.01 * k, 0x100 + k % 7, bytes([k & 255] * 8)) for k in range(3000)]
    assert _rate(frames).source is Source.UNKNOWN


def test_a_stated_rate_is_used_and_contradicted_where_the_log_shows_another() -> None:
    frames = _filled(250_000)
    assert not _rate(frames, 250_000).contradicted
    wrong = _rate(frames, 500_000)
    assert (wrong.value, wrong.inferred, wrong.contradicted) == (500_000, 250_000, True)


def test_more_bits_in_a_second_than_the_stated_rate_contradict_it() -> None:
    frames = [replace(f, time_s=round(f.time_s, 2)) for f in _filled(250_000) * 2]
    assert _rate(sorted(frames, key=lambda f: f.time_s), 100_000).contradicted


@pytest.mark.parametrize(
    ("value", "said"), [("500", "500 kbit/s is 500000"), ("2.5e5", "whole number"), ("0", "whole")]
)
def test_a_bit_rate_in_the_vehicle_file_is_in_bit_per_second(value: str, said: str, tmp_path: Path) -> None:
    file = tmp_path / "v.toml"
    file.write_text(f'[[can]]\nbus = "can0"\nbit_rate = {value}\n', encoding="utf-8")
    with pytest.raises(VehicleError, match=said):
        load_vehicle(file)
    file.write_text('[[can]]\nbus = "can0"\nbit_rate = 83333\n', encoding="utf-8")
    assert load_vehicle(file).bit_rates == {"can0": 83_333}


def test_what_a_stalled_logger_stamps_late_contradicts_no_rate() -> None:
    """A bus filled to 40 %; for two seconds the computer takes no frame, then it stamps all of them at once."""
    frames = [Frame(0.001 * k, 0x100 + k % 7, bytes([k & 255] * 8)) for k in range(10_000)]
    late = [replace(f, time_s=5.0) if 3.0 < f.time_s < 5.0 else f for f in frames]
    assert not _rate(late, 250_000).contradicted
