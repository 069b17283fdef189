"""A motor speed that falls to zero while the shaft turns: each guard at its edge, by hand.

Own measures of the trade (practice, no published source); Newton's second law: a rotor of J under M changes by
60/(2π)·M/J rpm in a second.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
import pytest
from made_speeds import P, T, model, speed
from motor_traces import HAZEL, part, signals

from logscope.observations.motor_speed import analysis
from logscope.observations.motor_speed.analysis import _meet, wrong_speed
from logscope.observations.motor_speed.departures import Departure
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis
from logscope.observations.motor_speed.lost import (
    LostSpeed,
    _beyond_tyres,
    _by_torque,
    _edge,
    _emptied,
    _full_slew,
    _judge,
    _Look,
    _mean,
    _moment_s,
    _silent,
    _starts_again,
    _turning,
    _wheels_turn,
    lost_speeds,
)
from logscope.observations.motor_speed.other_readings import OtherSpeed
from logscope.vehicle import Vehicle


def look(value: Any, *others: Any, time_s: np.ndarray = T, witnesses: Any = (), low: float = 20.0, **more: Any) -> Any:
    made = speed(value, time_s)
    return _Look(signals(made, *others), made, np.abs(made.value), model(time_s.size, **more), HAZEL, low, witnesses)


def fall(from_rpm: float = 3000.0, takes_s: float = 0.1, lasts_s: float = 2.0, back_s: float = 0.1) -> np.ndarray:
    """At 5 s it falls to zero, and it is back after `lasts_s`."""
    ends_s = 5.0 + takes_s
    return np.interp(T, [5.0, ends_s, ends_s + lasts_s, ends_s + lasts_s + back_s], [from_rpm, 0.0, 0.0, from_rpm])


def test_a_sample_after_a_silence_that_reads_far_less_starts_again() -> None:
    """0.25 s and five updates; three tenths of what was before."""
    size = np.array([500.0, 1000.0, 299.0, 301.0])
    for pause_s, update_s, seen in ((0.26, 0.01, True), (0.24, 0.01, False), (0.26, 0.06, False), (0.31, 0.06, True)):
        time_s = np.array([0.0, 0.01, 0.01 + pause_s, 0.02 + 2 * pause_s])
        got = _starts_again(time_s, size, model(update_s=update_s))
        assert got.tolist() == [False, False, seen, False]


def test_the_edge_of_a_fall_is_the_last_sample_at_nine_tenths() -> None:
    one = look(fall())
    first, last = int(np.argmax(one.size <= 1e-6)), int(np.argmax(T > 7.1)) - 1
    before, after = _edge(one, first, -1), _edge(one, last, +1)
    assert before is not None
    assert after is not None
    assert (T[before], T[after]) == (pytest.approx(5.01, abs=0.011), pytest.approx(7.19, abs=0.011))
    assert one.size[before] >= 2700.0
    assert one.size[before + 1] < 2700.0
    assert _edge(one, 0, -1) is None
    assert _edge(one, T.size - 1, +1) is None
    for rpm, known in ((301.0, True), (299.0, False)):  # a gentle shaft stops as fast
        assert (_edge(look(fall(rpm)), first, -1) is not None) is known
    assert _edge(look(fall(500.0), low=170.0), first, -1) is None  # less than three times what counts as zero
    slope = look(np.interp(T, [3.0, 5.0], [3000.0, 0.0]))  # within a second of it 1500 rpm are the most
    at = _edge(slope, int(np.argmax(slope.size <= 0.0)), -1)
    assert at is not None
    assert T[at] == pytest.approx(4.1, abs=0.02)


@pytest.mark.parametrize(("takes_s", "beyond"), [(0.58, True), (0.60, False)])
def test_a_fall_is_faster_than_tyres_allow(takes_s: float, beyond: bool) -> None:
    """3000 rpm at 5000 rpm/s take 0.6 s, less 10 ms of a stamp and 6 rpm of slack."""
    one = look(fall(takes_s=takes_s))
    assert _beyond_tyres(one, 500, int(np.argmax(one.size <= 1e-6))) is beyond
    assert _moment_s(one) == pytest.approx(P)
    assert _moment_s(look(fall(), update_s=0.04)) == 0.04
    uneven = np.cumsum(np.where(np.arange(T.size) % 5 == 0, 0.046, 0.001))
    assert _moment_s(look(T, time_s=uneven)) == pytest.approx(0.046)


def other(name: str, rpm: Any, known: Any = True, on_shaft: bool = True) -> OtherSpeed:
    return OtherSpeed(
        name, on_shaft, np.broadcast_to(np.asarray(rpm, float), T.shape), np.broadcast_to(known, T.shape), 0.02
    )


def test_another_reading_says_that_the_shaft_turns_above_a_fifth_of_the_speed() -> None:
    first, last = 510, 700
    for rpm, says in ((601.0, "the electrical frequency still says 601 rpm"), (599.0, "")):
        one = look(fall(), witnesses=(other("stator_frequency", rpm),))
        assert _turning(one, 500, first, last, silent=False) == says
    low = look(fall(), witnesses=(other("stator_frequency", 601.0),), low=201.0)
    assert _turning(low, 500, first, last, silent=False) == ""  # three times what counts as zero
    near = look(fall(), witnesses=(other("stator_frequency", 601.0),), low=199.0)
    assert _turning(near, 500, first, last, silent=False) != ""
    unknown = look(fall(), witnesses=(other("stator_frequency", 900.0, T < 5.0),))
    assert _turning(unknown, 500, first, last, silent=False) == ""
    road = other("vehicle_speed", 900.0, (T > 5.2) & (T < 6.1), on_shaft=False)
    both = look(fall(), witnesses=(road, other("motor_speed_second", 700.0)))
    assert _turning(both, 500, first, last, silent=False) == "the second motor speed still says 700 rpm"
    long_ = other("vehicle_speed", 900.0, (T > 5.2) & (T < 6.3), on_shaft=False)
    assert _turning(look(fall(), witnesses=(long_,)), 500, first, last, silent=False) == (
        "the road speed still says 900 rpm"
    )
    assert _turning(look(fall(), witnesses=(road,)), 500, first, last, silent=True) != ""  # since the last sample


def test_a_road_speed_speaks_for_the_shaft_for_a_second_or_with_the_brake_up() -> None:
    for until_s, turns in ((6.0, True), (5.99, False)):
        assert _wheels_turn(look(fall()), np.array([5.0, until_s])) is turns
    pressed = (T > 4.55) & (T < 5.2)
    for on, since_s, turns in ((pressed, 5.0, False), (pressed, 5.8, True), (T < 0.0, 5.0, True)):
        brake = part("brake", T, on, on=on)
        assert _wheels_turn(look(fall(), brake), np.array([since_s, since_s + 0.5])) is turns
    seldom = part("brake", T[::1500], T[::1500], on=np.array([False, False]))
    assert not _wheels_turn(look(fall(), seldom), np.array([5.0, 5.5]))  # not logged then


@pytest.mark.parametrize(
    ("pause_s", "source", "every_s", "silent"),
    [
        (0.26, "Pack.Voltage", 0.01, True), (0.24, "Pack.Voltage", 0.01, False),
        (1.0, "Motor.Torque", 0.01, False),  # the same message
        (1.0, "Pack.Voltage", 0.4, True), (1.0, "Pack.Voltage", 30.0, False),  # nothing else comes either
    ],
)  # fmt: skip
def test_a_message_is_silent_where_others_go_on(pause_s: float, source: str, every_s: float, silent: bool) -> None:
    """No sample from 5 s on for a while."""
    time_s = T[(T <= 5.0 + 1e-9) | (5.0 + pause_s - 1e-9 <= T)]
    at = np.arange(0.0, 20.0, every_s)
    beside = replace(part("battery_voltage", at, at), source=source)
    one = look(np.where(time_s > 5.0, 0.0, 3000.0), beside, time_s=time_s)
    first = int(np.argmax(time_s > 5.001))
    said = _silent(one, first - 1, first)
    assert said == (f"its message is missing for {pause_s:.2g} s while others continue" if silent else "")


def test_other_messages_go_on_in_the_middle_half_of_a_silence() -> None:
    """Silent from 5 to 6 s: what comes within a quarter of a second of either end may be of the time beside it."""
    time_s = T[(T <= 5.0 + 1e-9) | (T >= 6.0 - 1e-9)]
    for at_s, silent in ((5.2, False), (5.3, True), (5.7, True), (5.8, False)):
        lone = replace(part("battery_voltage", np.array([1.0, at_s, 9.0]), np.ones(3)), source="Pack.Voltage")
        one = look(np.where(time_s > 5.0, 0.0, 3000.0), lone, time_s=time_s)
        first = int(np.argmax(time_s > 5.001))
        assert bool(_silent(one, first - 1, first)) is silent


def test_a_silence_after_the_first_sample_at_speed_again_is_none_of_the_fall() -> None:
    time_s = T[(T <= 6.0 + 1e-9) | (T >= 7.0 - 1e-9)]
    beside = replace(part("battery_voltage", T, T), source="Pack.Voltage")
    one = look(np.where((time_s > 5.0) & (time_s < 5.995), 0.0, 3000.0), beside, time_s=time_s)
    first, again = int(np.argmax(time_s > 5.001)), int(np.argmax(time_s > 5.995))
    assert _silent(one, first - 1, again) == ""
    assert _silent(one, first - 1, again + 1) != ""


def test_values_of_the_device_that_fall_to_zero_with_it_are_named() -> None:
    empty = np.where((T > 5.0) & (T < 6.0), 0.0, 40.0)
    plate, volts = part("inverter_temperature", T, empty), part("dc_link_voltage", T, empty * 8.0)
    assert _emptied(look(fall(), plate), 5.1, 5.6) == "inverter temperature reads zero with it"
    assert (
        _emptied(look(fall(), plate, volts), 5.1, 5.6) == "inverter temperature and DC-link voltage read zero with it"
    )
    assert _emptied(look(fall(), plate), 7.0, 7.5) == ""  # it was zero before
    assert _emptied(look(fall(), plate), 3.0, 3.5) == ""
    assert _emptied(look(fall(), part("aux_voltage", T, 0.0 * T)), 5.1, 5.6) == ""
    assert _emptied(look(fall(), part("torque", T, empty)), 5.1, 5.6) == ""
    assert _emptied(look(fall(), plate), 4.45, 4.48) == ""
    assert _emptied(look(fall(), plate), 5.45, 5.48) != ""  # half a second beside it


def test_without_a_torque_the_current_says_whether_the_motor_braked() -> None:
    """30,558 rpm/s at full current with a margin of 60 %, and 5000 in gear: 3000 rpm less a slack of 12 in 0.11 s need
    0.4533 of it."""
    for share, can in ((0.4540, True), (0.4527, False)):
        amps = part("motor_current", T, np.where(T < 0.1, 350.0, -350.0 * share))
        assert _by_torque(look(fall(), amps), 500, 510) is can
    assert _by_torque(look(fall()), 500, 510) is None
    assert _by_torque(look(fall(), part("motor_current", T[:100], T[:100])), 500, 510) is None
    assert _full_slew(look(fall())) == pytest.approx(160.0 / 0.05 * 60.0 / (2 * pi))
    assert _full_slew(replace(look(fall()), vehicle=Vehicle())) == 30_000.0


@pytest.mark.parametrize(
    ("since_s", "until_s", "known"), [(1.1, 1.45, True), (3.55, 3.9, True), (1.1, 1.6, False), (2.0, 2.2, False)]
)
def test_a_mean_is_known_within_half_a_second_of_a_reading_on_either_side(
    since_s: float, until_s: float, known: bool
) -> None:
    """Read each tenth of a second until 1 s, and from 4 s on."""
    at = np.r_[np.arange(0.0, 1.01, 0.1), np.arange(4.0, 6.0, 0.1)]
    torque = part("torque", at, np.full(at.size, 40.0))
    assert _mean(torque, torque.value, since_s, until_s, 80.0) == (0.5 if known else None)


def judged(value: Any, *others: Any, **more: Any) -> Any:
    one = look(value, *others, **more)
    zero = np.flatnonzero(one.size <= one.low)
    return _judge(one, int(zero[0]), int(zero[-1]))


def test_a_fall_without_torque_is_a_lost_speed_with_its_times() -> None:
    none = part("torque", T, 0.0 * T)
    found = judged(fall(), none)
    assert found is not None
    assert (T[found.before], T[found.first]) == (pytest.approx(5.01, abs=0.011), pytest.approx(5.1, abs=0.011))
    assert (T[found.last], T[found.after]) == (pytest.approx(7.1, abs=0.011), pytest.approx(7.19, abs=0.011))
    assert found.from_rpm == pytest.approx(2700.0, abs=301.0)
    assert found.fall_s == pytest.approx(0.09, abs=0.011)
    assert found.shown == (
        "it leaves its speed and comes back from zero faster than tyres allow, without the torque that it takes",
    )
    assert (found.device, found.restart) == (False, True)  # gently, as a filter does
    sudden = judged(fall(takes_s=0.01, back_s=0.01), none)
    assert (sudden.shown != (), sudden.restart) == (True, False)  # as a contact
    for falls_s, rises_s, restart in ((0.03, 0.01, True), (0.01, 0.03, True), (0.02, 0.02, False)):
        assert judged(fall(takes_s=falls_s, back_s=rises_s), none).restart is restart
    for takes_s, restart in ((0.05, False), (0.08, True)):  # six samples are three new values where each comes twice
        twice = judged(fall(takes_s=takes_s, back_s=takes_s), none, repeat=2)
        assert (twice.shown != (), twice.restart) == (True, restart)
    assert judged(fall(), part("torque", T, np.where(T < 6.0, -160.0, 160.0))) is None  # the motor did it
    assert judged(fall(takes_s=1.0, back_s=1.0), none) is None  # no faster than tyres
    bare = judged(fall())
    assert (bare.shown, bare.device) == ((), False)  # nothing decides it


def test_half_shafts_swing_a_rotor_for_a_quarter_of_a_second() -> None:
    """30,558 rpm/s swing it at 2 Hz by 30,558/(2π·2) = 2432 rpm."""
    none = part("torque", T, 0.0 * T)
    assert judged(fall(700.0, takes_s=0.05, lasts_s=0.2, back_s=0.05), none) is None
    assert judged(fall(700.0, takes_s=0.05, lasts_s=0.3, back_s=0.05), none) is not None
    assert judged(fall(2600.0, takes_s=0.01, lasts_s=0.2, back_s=0.01), none) is not None
    assert judged(fall(2400.0, takes_s=0.01, lasts_s=0.2, back_s=0.01), none) is None


def test_the_device_and_other_readings_show_a_lost_speed() -> None:
    none = part("torque", T, 0.0 * T)
    emptied = part("inverter_temperature", T, np.where((T > 5.0) & (T < 7.0), 0.0, 40.0))
    device = judged(fall(), none, emptied)
    assert (device.device, device.restart) == (True, True)
    assert device.shown[0] == "inverter temperature reads zero with it"
    seen = judged(fall(), none, witnesses=(other("stator_frequency", 2900.0),))
    assert seen.shown[0].startswith("the electrical frequency still says 2900 rpm")
    assert not seen.device


def test_every_lost_speed_of_a_log_is_found() -> None:
    none = part("torque", T, 0.0 * T)
    made = speed(fall() * (T < 12.0))
    found = lost_speeds(signals(made, none), made, model(), HAZEL)
    assert len(found) == 2
    assert found[1].after is None
    assert lost_speeds(signals(made), speed(290.0 * (T < 12.0)), model(), HAZEL) == ()
    for to_rpm, standstill_rpm, count in ((130.0, 240.0, 0), (110.0, 240.0, 1), (70.0, 0.0, 0), (50.0, 0.0, 1)):
        stays = speed(np.maximum(fall(), to_rpm))  # at zero below half a standstill, or 2 % of the highest
        assert len(lost_speeds(signals(stays, none), stays, model(standstill_rpm=standstill_rpm), HAZEL)) == count


def found_lost(before: int, last: int, after: int | None, *, device: bool = False) -> LostSpeed:
    return LostSpeed(before, before + 1, last, after, 2000.0, 0.1, ("torque",), device=device, restart=device)


@pytest.mark.parametrize(
    ("lost_rows", "other_rows", "meet"),
    [((10, 20), (20, 25), True), ((10, 20), (21, 25), False), ((10, 20), (5, 10), True), ((10, 20), (5, 9), False),
     ((10, None), (30, 35), True)],
)  # fmt: skip
def test_a_lost_speed_meets_a_disturbance_within_it(
    lost_rows: tuple[int, int | None], other_rows: tuple[int, int], meet: bool
) -> None:
    before, after = lost_rows
    other_ = Disturbance("spike", other_rows[0], other_rows[0] + 1, other_rows[1] - 1, other_rows[1], 500.0)
    assert _meet(found_lost(before, 25, after), other_) is meet


def test_what_is_wrong_with_a_speed_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disturbance within a lost reading is that reading's, but where the device itself says that it stopped."""
    spike = Disturbance("spike", 100, 101, 102, 103, 500.0)
    inside = Disturbance("dropout", 498, 499, 505, 506, 500.0)
    shaft = other("motor_speed_second", 2000.0)
    apart = (Departure(shaft, 490, 520, 90.0), Departure(shaft, 700, 760, 80.0), Departure(shaft, 750, 790, 70.0))
    study = SpeedAnalysis(speed(2000.0), model(), (spike, inside), np.array([101, 499, 506]), np.array([520]))
    monkeypatch.setattr(analysis, "analyse_speed", lambda *_: study)
    monkeypatch.setattr(analysis, "other_speeds", lambda *_: (shaft,))
    monkeypatch.setattr(analysis, "departures", lambda *_: apart)
    made = signals(speed(2000.0))
    for device in (True, False):
        gone = found_lost(497, 560, 570, device=device)
        monkeypatch.setattr(analysis, "lost_speeds", lambda *_, gone=gone: (gone,))
        found = wrong_speed(made, HAZEL)
        assert found is not None
        if device:
            assert (found.lost, found.study.disturbances) == ((gone,), (spike,))
            assert (found.study.steps.tolist(), found.study.lost.tolist()) == ([101], [])
            assert found.departures == (apart[1],)  # the first is the lost reading's, the last one the second's
        else:
            assert (found.lost, found.study.disturbances) == ((), (spike, inside))
            assert (found.study.steps.tolist(), found.study.lost.tolist()) == ([101, 499, 506], [520])
            assert found.departures == (apart[0], apart[1])
    monkeypatch.setattr(analysis, "lost_speeds", lambda *_: (found_lost(700, 710, None),))
    late = wrong_speed(made, HAZEL)
    assert late is not None
    assert len(late.lost) == 1  # it meets no disturbance
    assert late.departures == (apart[0],)
    monkeypatch.setattr(analysis, "analyse_speed", lambda *_: None)
    assert wrong_speed(made, HAZEL) is None
