"""Fields found by their behaviour, against what was written into the log."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

import cantools
import numpy as np
import pytest
from made_logs import LENGTH_S, OPENS_S, RISES_S, TAU_S, link_volts, log, speed, stream, times
from seeds import seeds

from logscope.errors import RequestError
from logscope.payload.fields import Field
from logscope.seeking.follow import read_series
from logscope.seeking.gather import Key, Stream
from logscope.seeking.rank import SOUGHT
from logscope.seeking.search_log import search_log


def test_a_link_voltage_comes_first_with_its_time_constant_and_its_line() -> None:
    at = times(0.01)
    found = search_log(log(stream(0x1A0, 0.01, (Field(15, 12, True), link_volts(at) * 10))), like="dc_link_voltage")
    best = found.standing_out
    assert [hit.candidate.key.identifier for hit in best] == [0x1A0]
    assert best[0].candidate.field.positions()[0] == Field(15, 12, True).positions()[0]
    assert f"{1000 * TAU_S:.0f} ms" in best[0].reasons[0]
    assert abs(best[0].moments[0] - RISES_S) < 0.05


def test_the_scale_of_a_link_voltage_comes_from_the_known_pack() -> None:
    at = times(0.01)
    known = {"battery_voltage": (np.arange(0, LENGTH_S, 0.1), np.full(600, 330.0))}
    streams = log(stream(0x1A0, 0.01, (Field(0, 12), link_volts(at) * 4)))
    hit = search_log(streams, known=known, like="dc_link_voltage").hits[0]
    assert hit.scale == pytest.approx(0.25, rel=0.01)
    assert "battery voltage" in hit.scale_from


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_nothing_stands_out_where_no_field_is_the_part(seed: int) -> None:
    for part in ("dc_link_voltage", "motor_speed", "precharge_relay", "throttle", "battery_voltage"):
        assert search_log(log(seed=seed), like=part).standing_out == (), (seed, part)


def test_relay_and_contactor_are_the_bits_that_flip_at_the_precharge() -> None:
    slow = times(0.1)
    relay = (slow > RISES_S - 0.02) & (slow < RISES_S + 0.8)
    contactor = (slow > RISES_S + 0.75) & (slow < OPENS_S)
    late = (slow > RISES_S + 3) & (slow < OPENS_S + 3)
    streams = log(
        stream(0x1A0, 0.01, (Field(0, 12), link_volts(times(0.01)) * 10)),
        stream(0x2B0, 0.1, (Field(9, 1), relay), (Field(12, 1), late)),
        stream(0x2B4, 0.1, (Field(30, 1), ~contactor)),
    )
    first = search_log(streams, like="precharge_relay").hits[0]
    assert (first.candidate.key.identifier, first.candidate.field.start, first.on_is_high) == (0x2B0, 9, True)
    first = search_log(streams, like="main_contactor").hits[0]
    assert (first.candidate.key.identifier, first.candidate.field.start, first.on_is_high) == (0x2B4, 30, False)


def test_a_motor_speed_follows_a_known_road_speed() -> None:
    at, road = times(0.02), times(0.05)
    known = {"vehicle_speed": (road, speed(road) / 60)}
    found = search_log(log(stream(0x210, 0.02, (Field(7, 16, True), speed(at) * 4))), known=known, like="motor_speed")
    assert [hit.candidate.key.identifier for hit in found.standing_out] == [0x210]
    assert found.hits[0].candidate.segment.field.big_endian


def test_torque_and_throttle_differ_by_the_sides_to_which_they_move() -> None:
    at = times(0.02)
    force = np.gradient(speed(at), 0.02)
    streams = log(
        stream(0x210, 0.02, (Field(0, 16), speed(at) * 4)),
        stream(0x220, 0.02, (Field(0, 12), np.clip(force, -150, None) + 1000)),
        stream(0x230, 0.02, (Field(0, 12), np.maximum(force, 0.0))),
    )
    known = {"vehicle_speed": (at, speed(at) / 60)}
    assert search_log(streams, known=known, like="torque").hits[0].candidate.key.identifier == 0x220
    assert search_log(streams, known=known, like="throttle").hits[0].candidate.key.identifier == 0x230


@pytest.mark.parametrize("late_s", [0.0, 0.7])
def test_event_mode_allows_for_moments_noted_by_hand(late_s: float) -> None:
    slow = times(0.1)
    mode = np.searchsorted([12.3, 20.1, 31.0, 44.6], slow)  # a field of two bits that steps through four states
    streams = log(stream(0x3C0, 0.1, (Field(40, 3), mode)))
    found = search_log(streams, at=(12.3 + late_s, 20.1 + late_s, 31.0 + late_s, 44.6 + late_s))
    assert found.standing_out[0].candidate.key.identifier == 0x3C0
    assert found.standing_out[0].moments == pytest.approx((12.3, 20.1, 31.0, 44.6), abs=0.11)


def test_event_mode_makes_nothing_of_what_changes_at_other_moments_as_well() -> None:
    slow = times(0.1)
    busy = np.searchsorted(np.arange(0.05, 60, 0.4), slow) % 2  # at the moments too, as at every other
    found = search_log(log(stream(0x3C0, 0.1, (Field(21, 1), busy))), at=(12.0, 20.4, 44.5))
    assert found.standing_out == ()


def test_a_single_moment_is_doubted_where_many_fields_change() -> None:
    """One moment within a second of a minute is met by chance by some of so many states: once in twenty logs."""
    claimed = [bool(search_log(log(seed=seed), at=(23.0,)).standing_out) for seed in range(3)]
    assert sum(claimed) <= 1


def test_event_mode_finds_what_changes_at_the_moments_and_nowhere_else() -> None:
    slow = times(0.1)
    switched = ((slow > 12.3) & (slow < 20.1)) | (slow > 44.6)
    streams = log(stream(0x3C0, 0.1, (Field(21, 1), switched)))
    found = search_log(streams, at=(12.0, 20.4, 44.5))
    assert [(hit.candidate.key.identifier, hit.candidate.field.start) for hit in found.standing_out] == [(0x3C0, 21)]
    assert search_log(log(), at=(12.0, 20.4, 44.5)).standing_out == ()


@pytest.mark.parametrize("offset_s", [0.0, 7.3])
def test_a_series_of_another_device_is_followed_whatever_its_clock(tmp_path: Path, offset_s: float) -> None:
    at, gps = times(0.02), np.arange(2.0, 55.0, 0.5)
    path = tmp_path / "GPS track.csv"
    rows = [f"{t - offset_s:.2f};{v:.2f}".replace(".", ",") for t, v in zip(gps, speed(gps) / 60, strict=True)]
    path.write_text("time_s;speed [km/h]\n" + "\n".join(rows), encoding="utf-8")
    streams = log(stream(0x210, 0.02, (Field(10, 16), speed(at) * 4)))
    found = search_log(streams, like_log=f"{path}:speed")
    first = found.hits[0]
    assert first.candidate.key.identifier == 0x210
    assert first.stands_out
    assert first.scale == pytest.approx(1 / 240, rel=0.03)
    assert first.candidate.field.positions()[0] >= 10


def test_a_column_that_is_not_there_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time_s,speed\n0,1\n1,2\n2,3\n", encoding="utf-8")
    with pytest.raises(RequestError, match="speed"):
        search_log(log(), like_log=f"{path}:sped")
    with pytest.raises(RequestError, match="column"):
        search_log(log(), like_log=str(path))


def test_requests_that_cannot_be_met_say_what_can() -> None:
    with pytest.raises(RequestError, match="motor_speed"):
        search_log(log(), like="motor_sped")
    with pytest.raises(RequestError, match="like-log"):
        search_log(log(), like="charge_lock")
    with pytest.raises(RequestError, match="three searches"):
        search_log(log(), like="motor_speed", at=(1.0,))
    assert "dc_link_voltage" in SOUGHT


def test_written_definitions_read_back_to_the_same_values_with_cantools() -> None:
    """cantools decodes with the DBC text that was written; its values must be those of the hits."""
    at = times(0.01)
    streams = log(
        stream(0x1A0, 0.01, (Field(15, 12, True), link_volts(at) * 10), (Field(32, 10), link_volts(at, 1))),
        stream(0x1A8, 0.01, (Field(4, 14), link_volts(at, 2) * 16)),
    )
    found = search_log(streams, like="dc_link_voltage")
    assert len(found.standing_out) == 3
    database = cantools.database.load_string(found.to_dbc()["can0"], "dbc")
    for hit in found.standing_out:
        message = database.get_message_by_frame_id(hit.candidate.key.identifier)
        values = [message.decode(row.tobytes()) for row in hit.candidate.stream.rows[::97]]
        raw = hit.candidate.samples()[1][::97] * hit.scale + hit.offset
        assert any(np.allclose([each[name] for each in values], raw) for name in values[0])


def test_bits_that_are_defined_are_not_searched() -> None:
    from logscope.definitions.spec import MessageSpec, SignalSpec

    at = times(0.01)
    streams = log(stream(0x1A0, 0.01, (Field(0, 12), link_volts(at) * 10)))
    defined = MessageSpec("Link", 0x1A0, False, 8, (SignalSpec("Voltage", 0, 12),))
    assert search_log(streams, [(None, (defined,))], like="dc_link_voltage").standing_out == ()
    assert search_log(streams, [("can0", (defined,))], like="dc_link_voltage").standing_out == ()
    assert search_log(streams, [("can1", (defined,))], like="dc_link_voltage").standing_out != ()


@pytest.mark.parametrize("identifier", [0x18FF1027, 0x0CFF1027])
def test_bits_are_defined_whatever_the_priority_of_the_message(identifier: int) -> None:
    """SAE J1939-21: the priority is no part of what names a parameter group; from memory."""
    from logscope.definitions.spec import MessageSpec, SignalSpec

    made = stream(0x123, 0.01, (Field(0, 12), link_volts(times(0.01)) * 10))
    key = Key("can0", identifier, True, 8)
    defined = MessageSpec("Link", 0x18FF10FE, True, 8, (SignalSpec("Voltage", 0, 12),), j1939=True)
    streams = {**log(), key: Stream(key, made.time_s, made.rows)}
    assert search_log(streams, like="dc_link_voltage").standing_out != ()
    assert search_log(streams, [(None, (defined,))], like="dc_link_voltage").standing_out == ()


def test_identifiers_of_two_buses_are_written_apart() -> None:
    made = stream(0x1A0, 0.01, (Field(0, 12), link_volts(times(0.01)) * 10))
    keys = [Key(bus, 0x1A0, False, 8) for bus in ("can0", "can1")]
    streams = {**log(), **{key: Stream(key, made.time_s, made.rows) for key in keys}}
    texts = search_log(streams, like="dc_link_voltage").to_dbc()
    assert list(texts) == ["can0", "can1"]
    for text in texts.values():
        assert [message.frame_id for message in cantools.database.load_string(text, "dbc").messages] == [0x1A0]


def test_a_search_is_forgotten_with_all_its_frames() -> None:
    streams = log(stream(0x1A0, 0.01, (Field(0, 12), link_volts(times(0.01)) * 10)))
    frames = weakref.ref(next(iter(streams.values())).rows)
    search_log(streams, like="torque")
    streams.clear()
    gc.collect()
    assert frames() is None


def test_without_a_wish_every_identifier_is_divided() -> None:
    at = times(0.01)
    found = search_log(log(stream(0x1A0, 0.01, (Field(0, 12), link_volts(at) * 10))))
    assert len(found.segmentations) == 7
    assert any(hit.part == "dc_link_voltage" and hit.candidate.key.identifier == 0x1A0 for hit in found.hits)


@pytest.mark.parametrize("factor", [0.0, 1e9])
def test_a_series_without_times_in_seconds_is_refused(tmp_path: Path, factor: float) -> None:
    path = tmp_path / "a.csv"
    path.write_text("time,speed\n" + "".join(f"{k * factor},{k}\n" for k in range(50)), encoding="utf-8")
    with pytest.raises(RequestError, match="seconds"):
        search_log(log(), like_log=f"{path}:speed")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_series_is_read_in_the_encodings_of_spreadsheets(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(("time;Größe\n" + "".join(f"{k};{k}\n" for k in range(5))).encode(encoding))
    assert read_series(path, "Größe")[1].tolist() == [0, 1, 2, 3, 4]


def test_a_moment_outside_the_log_is_refused() -> None:
    with pytest.raises(RequestError, match="500 s"):
        search_log(log(), at=(12.0, 500.0))
