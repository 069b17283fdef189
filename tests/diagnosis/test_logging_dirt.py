"""The dirt of real logs is what it says, by what other programs read from the logs."""

from __future__ import annotations

from dataclasses import replace

import can
import cantools
import numpy as np
import pytest
from logging_dirt.boot import Asleep, Boot
from logging_dirt.definitions import HAZEL_FILE, OTHER_FILE, message
from logging_dirt.drive_dirt import draw_drive_dirt
from logging_dirt.drive_log import dirty_log
from logging_dirt.foreign import Foreign
from logging_dirt.logger import GRIDS_S, Logger, in_bursts
from logging_dirt.no_value import NoValue, marks_of
from logging_dirt.precharge_log import dirty_precharge
from logging_dirt.refresh import Refresh
from logging_dirt.repetition import Repetition
from logging_dirt.sensing import Sensing
from logging_dirt.states import Reporting, States, closed, state_messages
from precharge_cases import random_precharge
from scipy import signal
from score_runs import CASES, play
from score_signals import signals_of_drive, vehicle_for
from sound_cycle_logs import sound_cycle

from logscope.simulate.can_output import Stream, pack
from logscope.simulate.hazel_bus import Sent, sent_messages
from logscope.simulate.layouts import LAYOUTS

SEEDS = range(3000, 3012)


def frames_of(text: bytes, folder) -> list[can.Message]:
    path = folder / "dirty.log"
    path.write_bytes(text)
    with can.LogReader(path) as reader:
        return list(reader)


@pytest.mark.parametrize("lags_s", [(0.004,), (0.03, 0.011)])
def test_lags_answer_as_scipys_simulation_of_the_same_transfer_function(lags_s):
    step_s = 5e-4
    time_s = np.arange(0, 1, step_s)
    true = np.where(time_s < 0.1, 2.0, 2.0 + 300 * -np.expm1(-(time_s - 0.1) / 0.08))
    denominator = np.array([1.0])
    for lag_s in lags_s:
        denominator = np.polymul(denominator, [lag_s, 1.0])
    _, expected, _ = signal.lsim(([1.0], denominator), true - true[0], time_s)
    assert Sensing(lags_s).reading(true, step_s) == pytest.approx(expected + true[0], abs=2e-3)  # of 300 V


def test_a_moving_average_of_a_ramp_is_late_by_half_its_length():
    time_s = np.arange(0, 1, 1e-3)
    shown = Sensing(average_s=0.0304).reading(5 * time_s, 1e-3)
    assert shown[40:] == pytest.approx(5 * (time_s[40:] - 0.0152), abs=1e-9)
    assert shown[:2] == pytest.approx([0, 0], abs=1e-3)


def test_a_moving_average_of_whole_steps_is_that_of_numpy_for_a_value_that_holds():
    """numpy.convolve, for a value that is held from step to step where it counts: a rectangle of 20 steps."""
    true = np.repeat([0.0, 1.0, 0.0], [100, 20, 100])
    shown = Sensing(average_s=10.0).reading(true, 1.0)
    edges = np.convolve((true[1:] + true[:-1]) / 2, np.full(10, 0.1))[: true.size - 1]
    assert shown[1:] == pytest.approx(edges, abs=1e-12)


def test_a_sensor_of_59_ms_repeats_readings_of_a_message_of_50_ms():
    """Within 59 · 50 ms both periods end together: of 59 messages, 50 bring a new reading."""
    ready_s = 1.0 + 0.05 * np.arange(590)
    taken_s = Refresh(0.059, 0.013).taken_s(ready_s)
    assert np.all((taken_s <= ready_s) & (taken_s > ready_s - 0.059))
    assert np.unique(np.round(taken_s, 6)).size == pytest.approx(500, abs=1)


def test_each_state_is_told_by_a_message_of_its_own_which_cantools_decodes():
    rng = np.random.default_rng(8)
    relay, contactor, negative = [(1.0, 1.705)], [(1.7, 9.0)], [(0.8, 9.1)]
    states = States(Reporting.APART, late_s=(0.0, 0.02, 0.01))
    sent = state_messages(rng, states, relay, contactor, negative, 10.0)
    database = cantools.database.load_file(OTHER_FILE)
    spans = zip(sent, states.late_s, (relay, contactor, negative), strict=True)
    assert [each.message.name for each in sent] == ["RelayState", "ContactorState", "NegativeState"]
    for each, late_s, ((begin_s, end_s),) in spans:
        (name,) = each.values
        frame_id = each.message.frame_id
        rows = [database.decode_message(frame_id, row.tobytes()) for row in pack(each.message, each.values)]
        on = np.array([str(row[name]) == "Closed" for row in rows])
        assert np.median(np.diff(each.ready_s)) == pytest.approx(0.1, rel=0.01)
        # told up to a period and the controller's own delay late, never early
        first, last = each.ready_s[on][0], each.ready_s[~on & (each.ready_s > begin_s + 0.5)][0]
        assert begin_s <= first <= begin_s + late_s + 0.102
        assert end_s <= last <= end_s + late_s + 0.102


def test_relay_and_contactor_messages_cross_in_some_logs():
    """With a hand-over of 5 ms the log must sometimes say "relay off" before "contactor on"."""
    crossed = 0
    for seed in range(40):
        sent = state_messages(np.random.default_rng(seed), States(), [(1.0, 2.005)], [(2.0, 4.0)], [(0.9, 4.0)], 5.0)
        relay, contactor = sent[0], sent[1]
        off_s = relay.ready_s[(relay.values["PrechargeRelay"] == 0) & (relay.ready_s > 1.5)][0]
        crossed += off_s < contactor.ready_s[contactor.values["MainContactor"] == 1][0]
    assert 8 <= crossed <= 32


def test_one_enumeration_passes_through_its_states_in_order():
    rng = np.random.default_rng(2)
    (sent,) = state_messages(rng, States(Reporting.ENUMERATION), [(1.0, 2.3)], [(2.0, 4.0)], [(0.9, 4.0)], 5.0)
    database = cantools.database.load_file(OTHER_FILE)
    texts = [str(database.decode_message(468, row.tobytes())["State"]) for row in pack(sent.message, sent.values)]
    changes = [text for text, before in zip(texts, [None, *texts], strict=False) if text != before]
    assert changes == ["Off", "Precharge", "Closed", "Off"]


def test_stamps_stand_on_the_grid_and_no_frame_is_early(tmp_path):
    rng = np.random.default_rng(3)
    ready_s = np.sort(rng.uniform(0.3, 4.0, 400))
    stream = Stream("can0", 0x123, False, ready_s, rng.integers(0, 256, (400, 8), dtype=np.uint8))
    for grid_s in GRIDS_S:
        text, clock = Logger(grid_s=grid_s).written([stream])
        stamps = np.array([frame.timestamp for frame in frames_of(text, tmp_path)])
        assert np.abs(stamps / grid_s - np.round(stamps / grid_s)).max() < 1e-6
        late = stamps - clock.log_s(ready_s)
        assert late.min() >= -1e-6
        assert late.max() <= grid_s + 0.01  # frames that wait for the bus come later


def test_two_buses_are_out_of_order_and_nothing_is_lost(tmp_path):
    rng = np.random.default_rng(4)
    streams = [
        Stream(bus, number, False, np.sort(rng.uniform(0, 3, 300)), rng.integers(0, 256, (300, 4), dtype=np.uint8))
        for number, bus in enumerate(("can0", "can1"), start=0x100)
    ]
    text, _ = Logger(block_s=0.02).written(streams)
    frames = frames_of(text, tmp_path)
    back = np.diff([frame.timestamp for frame in frames]) < 0
    assert len(frames) == 600
    assert 50 < back.sum() < 150  # once a block of 20 ms in which both buses sent
    for stream in streams:
        own = [frame for frame in frames if frame.channel == stream.bus]
        assert np.all(np.diff([frame.timestamp for frame in own]) >= 0)
        assert [bytes(frame.data) for frame in own] == [row.tobytes() for row in stream.payload]


def test_a_clock_that_is_fast_and_dated_says_so_in_the_stamps(tmp_path):
    ready_s = np.arange(0.5, 100.0, 0.5)
    stream = Stream("can0", 0x123, False, ready_s, np.zeros((ready_s.size, 8), dtype=np.uint8))
    text, clock = Logger(clock_ppm=100.0, epoch_s=1_772_355_600.0).written([stream])
    stamps = np.array([frame.timestamp for frame in frames_of(text, tmp_path)]) - 1_772_355_600.0
    assert stamps[0] == 0
    assert stamps[-1] == pytest.approx((ready_s[-1] - ready_s[0]) * 1.0001, abs=2e-6)
    assert clock.at(ready_s[-1]) == pytest.approx(stamps[-1], abs=1e-3)


def test_messages_sent_three_at_a_time_come_with_the_last_of_them():
    assert in_bursts(np.array([0.1, 0.2, 0.3, 0.4, 0.5]), 3).tolist() == [0.3, 0.3, 0.3, 0.5, 0.5]


def test_a_controller_that_restarts_is_silent_then_wrong_then_slow():
    ready_s = np.arange(0.0, 2.0, 0.1)
    sent = Sent(message("InverterHv"), ready_s, {"DcLinkVoltage": np.full(20, 300.0)})
    booted = Boot(0.95, silent_s=0.3, readings=(0.0, 4.0), filter_s=0.2).sent(sent)
    assert booted.ready_s == pytest.approx([*ready_s[:10], *ready_s[13:]])
    shown = booted.values["DcLinkVoltage"]
    assert shown[9:12].tolist() == [300.0, 0.0, 4.0]
    assert shown[12:] == pytest.approx(300 * -np.expm1(-0.5 * np.arange(5)))


def test_a_sleeping_controller_is_silent_or_sends_zeros():
    ready_s = np.arange(0.0, 1.0, 0.1)
    sent = Sent(message("Pack"), ready_s, {"Voltage": np.full(10, 300.0)})
    assert Asleep(0.45, silent=True).sent(sent).ready_s == pytest.approx(ready_s[5:])
    assert Asleep(0.45, silent=False).sent(sent).values["Voltage"].tolist() == [0.0] * 5 + [300.0] * 5


def test_a_repetition_holds_what_the_first_message_held_last():
    ready_s = np.arange(0.0, 5.0, 0.07)
    first = Sent(message("InverterHv"), ready_s, {"DcLinkVoltage": np.arange(ready_s.size, dtype=float)})
    again = Repetition("dc_link_voltage").repeated(np.random.default_rng(1), first, 5.0)
    values = again.values["DcLinkVoltage"].astype(int)
    assert np.all(ready_s[values] <= again.ready_s)
    assert np.all(again.ready_s - ready_s[values] <= 0.07)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_cycle_shows_its_precharge_to_an_independent_reader(seed, tmp_path):
    """python-can and cantools: each link comes from its start to the pack's voltage, less the load's share."""
    cycle = sound_cycle(seed)
    frames = frames_of(cycle.text, tmp_path)
    database = cantools.database.load_file(HAZEL_FILE)
    database.add_dbc_file(OTHER_FILE)
    name, _, field = cycle.vehicle.signals["dc_link_voltage"].signal.partition(".")
    own = [frame for frame in frames if frame.arbitration_id == database.get_message_by_name(name).frame_id]
    epoch_s = cycle.dirt.logger.epoch_s
    rows = sorted((frame.timestamp - epoch_s, database.decode_message(name, frame.data)[field]) for frame in own)
    time_s, volts = np.array(rows).T
    first = cycle.attempts[0]
    before = volts[(time_s < first.start_s - cycle.dirt.sampling_s)]
    level = float(np.median(volts[(time_s > first.end_s + 0.35) & (time_s < first.end_s + 0.55)]))
    assert first.parameters["start_voltage_V"] == pytest.approx(float(before[-1]), abs=2.0 + 0.1 * float(before[-1]))
    assert 80 < level < 451
    assert min(frame.timestamp for frame in frames) == pytest.approx(epoch_s, abs=1e-6)


def test_closed_counts_the_spans_themselves():
    assert closed(np.array([0.9, 1.0, 1.9, 2.0]), [(1.0, 2.0)]).tolist() == [0, 1, 1, 0]


@pytest.fixture(scope="module")
def driven():
    return play(CASES["city"], 3000)


def test_a_drive_without_dirt_decodes_to_the_signals_themselves(driven, tmp_path):
    """python-can and cantools against `score_signals`: the clean log is what the controllers sent."""
    drive, draw = driven
    layout = replace(LAYOUTS[0], period_s=0.02)
    log = dirty_log(drive, draw, layout, vehicle_for(layout), clean=True)
    direct, _ = signals_of_drive(drive, draw, layout, vehicle_for(layout))
    hazel = cantools.database.load_file(HAZEL_FILE)
    values = [
        hazel.decode_message(frame.arbitration_id, frame.data)["MotorSpeed"]
        for frame in frames_of(log.text, tmp_path)
        if frame.arbitration_id == hazel.get_message_by_name("InverterMotion").frame_id
    ]
    assert values == pytest.approx(direct["motor_speed"].value)
    assert log.dirt.what == ("whole microseconds", "relative")


def test_every_dirt_is_drawn_and_each_log_can_be_decoded_by_cantools(driven, tmp_path):
    drive, draw = driven
    layout = replace(LAYOUTS[0], period_s=0.05)
    vehicle, names = vehicle_for(layout), set[str]()
    database = cantools.database.load_file(HAZEL_FILE)
    database.add_dbc_file(OTHER_FILE)
    known = {message.frame_id for message in database.messages}
    for seed in range(60):
        names |= set(draw_drive_dirt(seed, drive, sent_messages(drive, draw, layout)).what)
    wanted = {
        "one lag", "two lags", "moving average", "states together", "states apart at 10 Hz",
        "states in one enumeration", "boot-up readings", "restart at speed", "silent until it wakes",
        "no value for a moment", "no value at the start", "no value throughout", "two contents of one identifier",
        "repeated readings of InverterHv", "bursts of InverterMotion", "repetition of motor_speed",
        "logger starts late", "stamps on 1 ms", "stamps on 10 ms", "stamps on 50 ms", "out of order", "dated",
    }  # fmt: skip
    assert wanted <= names
    for seed in range(3):
        log = dirty_log(drive, seed, layout, vehicle)
        frames = [frame for frame in frames_of(log.text, tmp_path) if frame.arbitration_id in known]
        for frame in frames[:2000]:
            database.decode_message(frame.arbitration_id, frame.data, decode_choices=False)
        for mapped in log.vehicle.signals.values():
            message, _, signal = mapped.signal.partition(".")
            assert signal in database.get_message_by_name(message).signal_tree or message == "Temperatures"


def test_marks_for_no_value_are_the_raw_numbers_that_stand_in_the_frames():
    hazel = cantools.database.load_file(HAZEL_FILE)
    ready_s = np.arange(0.0, 1.0, 0.1)
    for name in ("InverterHv.DcLinkVoltage", "InverterMotion.MotorSpeed", "Pedals.Throttle", "Auxiliary.Voltage"):
        message_name, _, field = name.partition(".")
        definition = hazel.get_message_by_name(message_name)
        values = {each.name: np.zeros(10) for each in definition.signals}
        for raw in marks_of(definition.get_signal_by_name(field)):
            sent = NoValue(name, raw, 0.25, 0.55).sent(Sent(definition, ready_s, values))
            rows = [
                definition.decode(row.tobytes(), scaling=False, decode_choices=False)[field]
                for row in pack(definition, sent.values)
            ]
            assert rows == [0] * 3 + [raw] * 3 + [0] * 4


def test_a_restart_at_speed_falls_to_zero_while_the_shaft_turns(driven):
    drive, draw = driven
    layout = replace(LAYOUTS[0], period_s=0.01)
    drawn = (draw_drive_dirt(seed, drive, sent_messages(drive, draw, layout)).restart for seed in range(200))
    restarts = [restart for restart in drawn if restart is not None]
    assert len(restarts) >= 8
    for restart in restarts:
        rows = slice(round(restart.at_s * 1000), round((restart.at_s + 0.5) * 1000))
        assert np.abs(drive.column("rotor_rpm")[rows]).min() > 700
        assert drive.column("current_A")[rows].max() < 30


def test_foreign_frames_stand_beside_the_true_ones_of_their_identifier():
    true = Stream("can0", 0xA5, False, np.arange(0.0, 2.0, 0.02), np.zeros((100, 4), dtype=np.uint8))
    foreign = Foreign("InverterHv", 10).stream(np.random.default_rng(1), true)
    assert foreign.ready_s.size == 10
    assert np.isin(np.round(foreign.ready_s - 1e-6, 6), np.round(true.ready_s, 6)).all()
    assert (foreign.identifier, foreign.payload.shape) == (0xA5, (10, 4))


def test_a_dirty_precharge_is_the_one_of_the_clean_case():
    clean, dirty = random_precharge(3, kind="interrupted"), dirty_precharge(3, "interrupted")
    assert dirty.truth.time_constant_s == clean.truth.time_constant_s
    assert dirty.truth.relay_open_s - dirty.truth.start_s == pytest.approx(
        clean.truth.relay_open_s - clean.truth.start_s, rel=2e-4
    )
    assert dirty.truth.close_s is None
