"""A speed that reads zero while the shaft turns, or parts from other readings, is found; a true stop is not.

Own traces; tyres' and rotor's limits by Newton's second law, as in `physics/motion`. How inverters restart is from logs
of a hand-built car (common practice, no published source).
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from motor_traces import HAZEL, TICK_S, FloatArray, drive, part, signals
from one_check import findings_of

from logscope.checks.encoder.check import encoder
from logscope.findings import Finding, Severity
from logscope.observations.motor_speed.analysis import wrong_speed
from logscope.observations.motor_speed.lost import _by_torque, _Look, _mean
from logscope.observations.motor_speed.model import SpeedModel
from logscope.observations.motor_speed.other_readings import other_speeds
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

SECONDS = 60.0
RESTARTS_S = (15.0, 27.0, 41.0)
RPM_PER_KMH = 8.2 / (2 * np.pi * 0.31) / 3.6 * 60
SAMPLINGS = {
    "5 ms": (0.005, 1),
    "10 ms": (0.010, 1),
    "20 ms repeated": (0.010, 2),
    "48 Hz in threes on 62 ms": (0.0625, -3),
    "50 ms": (0.050, 1),
    "100 ms": (0.100, 1),
    "200 ms": (0.200, 1),
}
EACH_SAMPLING = pytest.mark.parametrize("sampling", SAMPLINGS.values(), ids=SAMPLINGS.keys())


def shaft() -> tuple[FloatArray, FloatArray]:
    """Times every millisecond, and a drive in gear from rest to 5,200 rpm and back, within 0.5 g."""
    t = np.arange(0.0, SECONDS, TICK_S)
    return t, np.interp(t, [0, 2, 8, 20, 30, 45, 52, 60], [0, 0, 5100, 4700, 5200, 3900, 0, 0])


def restarted(
    t: FloatArray, truth: FloatArray, out_s: float = 1.5, tau_s: float = 0.035
) -> tuple[FloatArray, FloatArray]:
    """What a device says that restarts: a filtered fall to zero and rise from it; and whether it is off."""
    off = np.zeros(t.size, dtype=bool)
    for at in RESTARTS_S:
        off |= (t >= at) & (t < at + out_s)
    said, value = np.empty(t.size), 0.0
    aim = np.where(off, 0.0, truth)
    for k in range(t.size):
        value += (aim[k] - value) * min(TICK_S / tau_s, 1.0)
        said[k] = value
    return said, off


def logged(
    name: str, t: FloatArray, value: FloatArray, sampling: tuple[float, int], step: float = 1.0, **more: object
) -> Part:
    """A part every so often: each value repeated, or several values under one stamp."""
    period_s, repeat = sampling
    if repeat < 0:  # values at an even pace, sent together
        stamps = np.repeat(np.arange(0.0, t[-1] - period_s, period_s) + period_s, -repeat)
        at = stamps - np.tile(np.arange(-repeat)[::-1] * period_s / -repeat, stamps.size // -repeat)
        taken = np.interp(at, t, value)
    else:
        stamps = np.arange(0.0, t[-1], period_s)
        taken = np.repeat(np.interp(stamps[::repeat], t, value), repeat)[: stamps.size]
    return part(name, stamps, np.round(taken / step) * step, step=step, **more)


def found(made: Signals, vehicle: Vehicle = HAZEL) -> dict[str, Finding]:
    """Findings by kind."""
    return {each.kind: each for each in findings_of(encoder, made, vehicle)}


def company(
    t: FloatArray, truth: FloatArray, said: FloatArray, off: FloatArray, sampling: tuple[float, int]
) -> dict[str, Part]:
    """The parts that may lie beside the speed."""
    torque = 40.0 * (truth > 0) * ~off.astype(bool)
    parts = {
        "stator_frequency": logged("stator_frequency", t, np.where(off, truth * 0.6, truth) * 3 / 60, sampling, 0.01),
        "vehicle_speed": logged("vehicle_speed", t, truth / RPM_PER_KMH, (0.1, 1), 0.1),
        "motor_speed_second": logged("motor_speed_second", t, truth, (0.02, 1)),
        "torque": logged("torque", t, torque, sampling, 0.5),
        "motor_current": logged("motor_current", t, 2.5 * torque, sampling, 0.5),
        "inverter_temperature": logged("inverter_temperature", t, np.where(off, 0.0, 45.0), (0.1, 1)),
    }
    return parts


@EACH_SAMPLING
@pytest.mark.parametrize(
    "beside",
    ["stator_frequency", "vehicle_speed", "motor_speed_second", "torque", "motor_current", "inverter_temperature"],
)
def test_a_restart_at_speed_is_no_clean_encoder(sampling: tuple[float, int], beside: str) -> None:
    """Whatever lies beside it, all three are found, each from the right speed and at its time."""
    t, truth = shaft()
    said, off = restarted(t, truth)
    speed = logged("motor_speed", t, said, sampling)
    kinds = found(signals(speed, company(t, truth, said, off, sampling)[beside]))
    assert "encoder.clean" not in kinds
    if beside in ("torque", "motor_current") and sampling[0] >= 0.1:  # a step of torque may hide between the samples
        assert "encoder.undetermined" in kinds
        return
    lost = kinds.get("encoder.restart") or kinds["encoder.dropout"]
    assert lost.severity is Severity.WARNING
    assert [event.start_s for event in lost.events] == pytest.approx(list(RESTARTS_S), abs=0.3)
    assert lost.measured["peak_deviation_rpm"].value == pytest.approx(5050, rel=0.1)
    duration = lost.measured["duration_s"]
    assert duration.low <= 3 * 1.5 <= duration.high
    if sampling[0] < 0.1:
        assert "encoder.restart" in kinds


@EACH_SAMPLING
def test_a_fall_that_nothing_logged_decides_is_undetermined_and_not_clean(sampling: tuple[float, int]) -> None:
    t, truth = shaft()
    said, _ = restarted(t, truth)
    kinds = found(signals(logged("motor_speed", t, said, sampling)))
    assert "encoder.clean" not in kinds
    assert kinds["encoder.undetermined"].measured["count"].value == 3


def test_a_message_that_stays_away_while_others_come_and_starts_from_zero_is_a_restart() -> None:
    t, truth = shaft()
    said, off = restarted(t, truth, out_s=2.0)
    speed = logged("motor_speed", t, said, (0.01, 1))
    torque = logged("torque", t, 40.0 * (truth > 0) * ~off, (0.01, 1))
    there = np.interp(speed.time_s, t, off) < 0.5
    silent = [
        replace(each, time_s=each.time_s[there], value=each.value[there], source="Inverter.X")
        for each in (speed, torque)
    ]
    road = logged("vehicle_speed", t, truth / RPM_PER_KMH, (0.1, 1), 0.1)
    kinds = found(signals(*silent, road))
    assert kinds["encoder.restart"].measured["count"].value == 3


@EACH_SAMPLING
def test_true_stops_and_free_revving_are_none(sampling: tuple[float, int]) -> None:
    """Braking at 1 g, and a free rotor that its own torque drives and brakes: 160 Nm on 0.05 kg·m²."""
    t = np.arange(0.0, SECONDS, TICK_S)
    braked = np.interp(t, [0, 5, 10, 12.1, 20, 25, 27, 60], [0, 5000, 5000, 0, 0, 5000, 0, 0])
    road = logged("vehicle_speed", t - 0.3, braked / RPM_PER_KMH, (0.1, 1), 0.1)
    kinds = found(signals(logged("motor_speed", t, braked, sampling), road))
    assert not set(kinds) & {"encoder.restart", "encoder.dropout", "encoder.departure"}
    free = np.interp(t, [0, 20, 20.2, 30, 30.2, 60], [0, 0, 5000, 5000, 0, 0])
    torque = np.gradient(free, TICK_S) * np.pi / 30 * 0.05
    kinds = found(signals(logged("motor_speed", t, free, sampling), logged("torque", t, torque, sampling, 0.5)))
    assert not set(kinds) & {"encoder.restart", "encoder.dropout", "encoder.departure"}


@EACH_SAMPLING
@pytest.mark.parametrize("lag_s", [0.0, 0.15])
def test_a_gentle_departure_from_the_electrical_frequency_is_told_and_a_lag_is_not(
    sampling: tuple[float, int], lag_s: float
) -> None:
    t, truth = shaft()
    frequency = logged("stator_frequency", t + lag_s, truth * 3 / 60, sampling, 0.01)
    sound = found(signals(logged("motor_speed", t, truth, sampling), frequency))
    assert "encoder.departure" not in sound
    gentle = truth - np.interp(t, [20, 24, 28, 32], [0, 2000, 2000, 0])
    kinds = found(signals(logged("motor_speed", t, gentle, sampling), frequency))
    assert "encoder.clean" not in kinds
    apart = kinds["encoder.departure"]
    assert apart.measured["peak_deviation_rpm"].value == pytest.approx(2000 - 0.18 * 5100, rel=0.25)
    assert apart.start_s == pytest.approx(22.0, abs=1.0)


def test_a_clutch_leaves_the_road_speed_without_an_alarm() -> None:
    """Coasting in neutral the rotor slows down gently: never clean, never a warning."""
    t, truth = shaft()
    uncoupled = truth * np.interp(t, [20, 26, 30, 31], [1, 0.2, 0.2, 1])
    road = logged("vehicle_speed", t, truth / RPM_PER_KMH, (0.1, 1), 0.1)
    kinds = found(signals(logged("motor_speed", t, uncoupled, (0.02, 1)), road))
    assert set(kinds) == {"encoder.undetermined"}
    frequency = logged("stator_frequency", t, uncoupled * 3 / 60, (0.02, 1), 0.01)
    assert set(found(signals(logged("motor_speed", t, uncoupled, (0.02, 1)), road, frequency))) == {"encoder.clean"}


@pytest.mark.parametrize(("pause_s", "together"), [(0.0625, 3), (0.03, 3), (0.1, 5)])
def test_harsh_but_true_motion_sent_in_bursts_raises_no_alarm(pause_s: float, together: int) -> None:
    """Values measured one after the other and sent together, as hand-built cars log them: 48 Hz in threes."""
    rng = np.random.default_rng(31)
    truth = drive(rng, 600)
    stamps = np.repeat(np.arange(pause_s, 599, pause_s), together)
    at = stamps - np.tile(np.arange(together)[::-1] * pause_s / together, stamps.size // together)
    value = np.round(truth[np.rint(at / TICK_S).astype(int)] + rng.normal(0, 2, at.size))
    wrong = wrong_speed(signals(part("motor_speed", stamps, value, 1.0)), HAZEL)
    assert wrong is not None
    assert wrong.study.disturbances == ()
    assert not any(each.shown for each in wrong.lost)
    sudden = value.copy()
    sudden[5000] += 3000
    found = wrong_speed(signals(part("motor_speed", stamps, sudden, 1.0)), HAZEL)
    assert found is not None
    assert len(found.study.disturbances) == 1


@pytest.mark.parametrize("turns", [1.0, -1.0])
@pytest.mark.parametrize("logged_s", [0.005, 0.02])
@pytest.mark.parametrize(
    ("from_rpm", "to_rpm", "torque_nm", "can"),
    [
        (4000.0, 0.0, -160.0, True),  # braked by all that the motor has
        (4000.0, 0.0, 0.0, False),
        (4000.0, 0.0, 160.0, False),  # driven: it would have turned faster
        (0.0, 4000.0, 160.0, True),
        (0.0, 4000.0, -160.0, False),
        (4000.0, 0.0, -40.0, False),
        (1200.0, 0.0, -40.0, True),
    ],
)
def test_a_motor_turns_its_bare_rotor_as_fast_as_its_torque_allows_and_in_its_direction(
    from_rpm: float, to_rpm: float, torque_nm: float, can: bool, logged_s: float, turns: float
) -> None:
    """Newton's second law: 160 Nm on 0.05 kg·m² change 30,558 rpm in a second; here 4,000 in 0.15 s are 26,700.

    In gear some 3,000 a second are the tyres' limit; 40 Nm with a margin of 60 % make 12,200.
    """
    t = np.arange(0.0, 1.0, 0.005)
    rpm = turns * np.interp(t, [0.4, 0.55], [from_rpm, to_rpm])
    at = np.arange(0.0, 1.0, logged_s)
    torque = part("torque", at, np.full(at.size, turns * torque_nm))
    speed = part("motor_speed", t, rpm)
    model = SimpleNamespace(update_s=0.005, in_gear_rpm_per_s=3000.0, reach=SimpleNamespace(slack=10.0))
    look = _Look(signals(speed, torque), speed, np.abs(rpm), cast(SpeedModel, model), HAZEL, 10.0, ())
    one, other = (int(np.argmin(np.abs(t - at_s))) for at_s in (0.4, 0.55))
    assert _by_torque(look, one, other) is can


@pytest.mark.parametrize(
    ("values", "since_s", "until_s", "share"),
    [
        ((0.0, 80.0, 80.0), 0.2, 0.9, 1.0),  # may have stepped up at once after the first sample …
        ((80.0, 0.0, 0.0), 0.2, 0.9, 1.0),  # … or down just before the second
        ((0.0, 80.0, 0.0), 0.5, 1.5, 0.5),  # for half of the time either way
        ((40.0, 40.0, 40.0), 0.2, 1.8, 0.5),
        ((0.0, 0.0, 0.0), 0.2, 1.8, 0.0),
        ((80.0, 80.0, 80.0), 1.5, 2.4, 1.0),
        ((80.0, 80.0, 80.0), 1.5, 8.0, None),  # no sample is near
    ],
)
def test_between_samples_a_torque_may_have_been_as_high_as_either_neighbour(
    values: tuple[float, ...], since_s: float, until_s: float, share: float | None
) -> None:
    """The highest mean of all steps that the samples leave open, by hand; samples at 0, 1 and 2 s, 80 Nm at most."""
    torque = part("torque", np.arange(3.0), np.array(values))
    found = _mean(torque, torque.value, since_s, until_s, 80.0)
    assert found == (None if share is None else pytest.approx(share, abs=0.03))


STEADY = 3000.0 + 500.0 * np.sin(np.arange(0.0, 60.0, 0.01) / 3.0)


def witness(name: str, period_s: float, factor: float = 1.0, pause: tuple[float, float] = (99.0, 99.0)) -> Part:
    """A second reading of the same shaft, in its own scale, silent for a while."""
    at = np.arange(0.0, 60.0, period_s)
    at = at[(at <= pause[0]) | (at >= pause[1])]
    return part(name, at, factor * np.interp(at, np.arange(0.0, 60.0, 0.01), STEADY))


@pytest.mark.parametrize(
    ("period_s", "known_for_s"),
    [(0.01, 0.3), (0.05, 0.3), (0.5, 1.5)],  # 0.3 s, or three of its periods
)
def test_another_reading_is_known_for_three_of_its_periods(period_s: float, known_for_s: float) -> None:
    speed = part("motor_speed", np.arange(0.0, 60.0, 0.01), STEADY)
    made = signals(speed, witness("motor_speed_second", period_s, 0.5, (30.0, 40.0)))
    model = cast(SpeedModel, SimpleNamespace(zero_rpm=10.0))
    (found,) = other_speeds(made, speed, model)
    longest_s = known_for_s * (1.0 if period_s < 0.1 else 60.0 / 50.0)  # its mean period, with the pause in it
    at_s = (10.005, 29.995, 30.0 + known_for_s - 0.015, 30.0 + longest_s + 0.015, 39.995, 40.005)
    known = [bool(found.known[np.searchsorted(speed.time_s, at) - 1]) for at in at_s]
    assert known == [True, True, True, False, False, True]
    assert found.rpm[~found.known].size > 800
    assert np.max(np.abs(found.rpm / STEADY - 1.0)[found.known]) < 0.1  # brought to the motor's own scale


@pytest.mark.parametrize(
    ("name", "on_shaft"), [("motor_speed_second", True), ("stator_frequency", True), ("vehicle_speed", False)]
)
def test_a_road_speed_alone_turns_by_way_of_clutch_and_tyres(name: str, on_shaft: bool) -> None:
    speed = part("motor_speed", np.arange(0.0, 60.0, 0.01), STEADY)
    model = cast(SpeedModel, SimpleNamespace(zero_rpm=10.0))
    (found,) = other_speeds(signals(speed, witness(name, 0.05, 0.03)), speed, model)
    assert (found.name, found.on_shaft) == (name, on_shaft)
    geared = witness(name, 0.05, 0.03)
    changed = part(name, geared.time_s, geared.value * np.where(geared.time_s % 20 < 10, 1.0, 1.6))
    assert other_speeds(signals(speed, changed), speed, model) == ()  # a gearbox: the ratio tells nothing
