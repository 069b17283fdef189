"""The cooling check on made temperatures: constants and ends, pump and sensors, and logs that are too thin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cooling_loops import HAZEL, PLATE_S, WINDING_S, Loop, found, logged, played, state
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.cooling.check import cooling
from logscope.checks.cooling.response import Warming
from logscope.findings import NothingToCheck, Severity
from logscope.signals import MissingPart
from logscope.statistics.first_order import Branch, Response
from logscope.vehicle import Limits


@pytest.mark.parametrize(("period_s", "step_K"), [(0.3, 0.25), (1.0, 1.0), (5.0, 0.5)])
def test_constants_and_rises_are_found_with_their_limits(period_s, step_K):
    for seed in (31, 32, 33):
        kinds = found(logged(Loop(seed=seed), period_s, step_K))
        for kind, constant_s, rise_K in (("cooling.motor", WINDING_S, 9.0), ("cooling.inverter", PLATE_S, 6.0)):
            assert kind in kinds
            measured = kinds[kind].measured
            assert measured["time_constant_s"].low < constant_s < measured["time_constant_s"].high
            assert measured["rise_at_100A_K"].low < rise_K < measured["rise_at_100A_K"].high
            assert kinds[kind].severity is Severity.GOOD
        assert kinds.keys() == {"cooling.motor", "cooling.inverter"}


def test_an_end_above_the_limit_is_a_warning_with_the_time_left():
    parts = logged(Loop(seed=34, hardest_A=400.0), step_K=0.5)
    hot = HAZEL.model_copy(update={"limits": Limits(inverter_temperature_C=25.0, motor_temperature_C=30.0)})
    motor = found(parts, hot)["cooling.motor"]
    assert motor.severity is Severity.WARNING
    assert motor.measured["continuous_end_temperature_C"].low > 30.0
    assert motor.measured["time_left_s"].value == 0.0


def test_without_coolant_the_surroundings_stand_for_it():
    parts = [each for each in logged(Loop(seed=35), step_K=0.25) if each.name != "coolant_temperature"]
    kinds = found(parts)
    assert kinds.keys() <= {"cooling.motor", "cooling.inverter", "cooling.undetermined"}


def test_a_sensor_that_is_off_when_cold_is_seen_in_a_log_of_hours():
    begun = {each.name: each.where(each.time_s > 12.0) for each in logged(Loop(seed=45, end_s=9000.0))}  # load at 20 s
    motor = begun["motor_temperature"]
    begun["motor_temperature"] = replace(motor, value=motor.value - 7.0)
    begun["coolant_temperature_out"] = replace(begun["coolant_temperature"], name="coolant_temperature_out")
    assert found(list(begun.values()))["cooling.sensor_offset"].measured["offset_K"].value == pytest.approx(
        -7.0, abs=1.0
    )


@pytest.mark.parametrize(("mark_C", "period_s"), [(215.0, 1.0), (255.0, 1.0), (0.0, 1.0), (0.0, 5.0)])
def test_marks_and_old_values_are_no_temperatures(mark_C: float, period_s: float):
    """Readings of 0xFF less its offset, or zeros, among the others; and the last drive's value until it wakes."""
    loop = Loop(seed=46, hardest_A=30.0)
    parts = {each.name: each for each in logged(loop, period_s)}
    rng = np.random.default_rng(46)
    for name in ("motor_temperature", "inverter_temperature", "coolant_temperature"):
        value = parts[name].value.copy()
        value[rng.random(value.size) < 0.03] = mark_C
        value[parts[name].time_s < 9.0] = 58.0
        parts[name] = replace(parts[name], value=value)
    parts["coolant_pump"] = state("coolant_pump", loop.end_s, False)
    assert not {kind for kind in found(list(parts.values())) if "pump" in kind or "sensor" in kind or "flow" in kind}


def test_a_pump_that_is_on_but_draws_nothing_or_less_than_it_did():
    end_s = 600.0
    time_s = np.arange(0.0, end_s, 1.0)
    on = state("coolant_pump", end_s, True)
    stops = part("coolant_pump_current", time_s, np.where(time_s > 400.0, 0.0, 4.0))
    assert "cooling.pump_stopped" in found(logged(coolant_pump=on, coolant_pump_current=stops))
    wakes = part("coolant_pump_current", time_s, np.where(time_s < 8.0, 0.0, 4.0))
    assert "cooling.pump_stopped" not in found(logged(coolant_pump=on, coolant_pump_current=wakes))
    never = part(
        "coolant_pump_current", time_s, np.zeros(time_s.size)
    )  # not fitted: nothing warms, so the coolant flows
    assert "cooling.pump_stopped" not in found(
        logged(Loop(hardest_A=40.0), coolant_pump=on, coolant_pump_current=never)
    )
    less = part("coolant_pump_current", time_s, np.where(time_s > 400.0, 1.8, 4.0))
    dry = found(logged(coolant_pump=on, coolant_pump_current=less))["cooling.pump_dry"]
    assert "would look the same" in dry.explanation
    assert dry.severity is Severity.INFO
    assert dry.start_s == pytest.approx(401.0, abs=2.0)
    slower = part("coolant_pump_speed", time_s, np.where(time_s > 400.0, 2500.0, 4200.0))
    slowed = found(logged(coolant_pump=on, coolant_pump_current=less, coolant_pump_speed=slower))
    assert "cooling.pump_dry" not in slowed


def test_sensors_that_are_stuck_or_off_when_cold():
    parts = {each.name: each for each in logged(Loop(seed=40, hardest_A=500.0), step_K=0.5)}
    plate, winding = parts["inverter_temperature"], parts["motor_temperature"]
    still = replace(plate, value=np.where(plate.time_s > 60.0, plate.value[60], plate.value))
    assert found([*(parts | {"inverter_temperature": still}).values()])["cooling.sensor_stuck"].parts[0] == plate.name
    low = replace(winding, value=winding.value - 6.0)
    offset = found([*(parts | {"motor_temperature": low}).values()])["cooling.sensor_offset"]
    assert offset.measured["offset_K"].low < -6.0 < offset.measured["offset_K"].high
    warm = replace(winding, value=winding.value + 6.0)  # from the last drive
    assert "cooling.sensor_offset" not in found([*(parts | {"motor_temperature": warm}).values()])


def test_a_default_that_lasts_into_the_first_load_is_no_offset():
    """A controller that wakes 12 s after the current begins to flow; a sensor that is off stays off."""
    parts = {each.name: each for each in logged(Loop(seed=40, hardest_A=500.0), step_K=0.5)}
    current, plate = parts["motor_current"], parts["inverter_temperature"]
    load_s = float(current.time_s[np.abs(current.value) > 3.0][0])
    asleep = replace(plate, value=np.where(plate.time_s < load_s + 12.0, plate.value - 7.0, plate.value))
    assert "cooling.sensor_offset" not in found([*(parts | {"inverter_temperature": asleep}).values()])
    off = replace(plate, value=plate.value - 7.0)
    assert "cooling.sensor_offset" in found([*(parts | {"inverter_temperature": off}).values()])


def test_a_heavy_motor_that_keeps_its_degree_for_minutes_is_not_stuck():
    parts = {each.name: each for each in logged(Loop(seed=42, end_s=1200.0, hardest_A=800.0))}
    motor = parts["motor_temperature"]
    degrees = np.interp(motor.time_s, [0.0, 500.0, 750.0, 1200.0], [18.0, 29.0, 29.0, 35.0])
    steady = replace(motor, value=np.round(degrees))
    assert "cooling.sensor_stuck" not in found([*(parts | {"motor_temperature": steady}).values()])
    stays = replace(motor, value=np.round(np.minimum(degrees, 29.0)))  # for more than half of the log
    assert "cooling.sensor_stuck" in found([*(parts | {"motor_temperature": stays}).values()])


@pytest.mark.parametrize(
    ("off_K", "severity"),  # by part, beside 18 °C
    [
        # the others are 2.4 K apart, as sound sensors may be after a night
        ({"motor_temperature": -6.0, "inverter_temperature": 1.2, "coolant_temperature": -1.2}, Severity.WARNING),
        ({"inverter_temperature": -6.0, "motor_temperature": 1.2, "coolant_temperature": -1.2}, Severity.WARNING),
        ({"coolant_temperature": 6.0, "motor_temperature": 1.0, "inverter_temperature": -1.0}, Severity.WARNING),
        # a motor that lags behind a warm morning, a heat sink less; what is warm from the last drive
        ({"motor_temperature": -3.0, "inverter_temperature": -1.5, "coolant_temperature": 1.0}, None),
        ({"motor_temperature": 14.0, "inverter_temperature": 8.0, "coolant_temperature": 4.0}, None),
        # of two alone it cannot be said which, and a warm heat sink beside a cold motor is none
        ({"motor_temperature": -6.5, "coolant_temperature": 0.5}, Severity.INFO),
        ({"motor_temperature": -4.0, "coolant_temperature": 0.5}, None),
        ({"motor_temperature": 6.5, "coolant_temperature": -0.5}, None),
        ({"motor_temperature": -6.5, "inverter_temperature": 0.5}, None),
    ],
)  # fmt: skip
def test_one_sensor_is_off_where_the_others_agree_as_far_as_a_night_allows(off_K, severity):
    parts = [
        replace(each, value=each.value + off_K.get(each.name, 0.0))
        for each in logged(Loop(seed=40), step_K=0.5)
        if each.name in off_K or each.name == "motor_current"
    ]
    offset = found(parts).get("cooling.sensor_offset")
    assert (None if offset is None else offset.severity) is severity
    if offset is not None:
        assert len(offset.explanation.split()) <= 60
        assert ("cannot be determined" in offset.explanation) is (severity is Severity.INFO)


@pytest.mark.parametrize("heated_by", ["load", "winding", "plate", "both"])
def test_inlet_and_outlet_the_wrong_way_round(heated_by: str):
    """A stream parts by the heat over what it carries: of the load, or of what bodies give off, minutes later."""
    made = played(Loop(seed=41))
    rows = slice(0, None, 10)
    apart_K = {
        "load": 0.02 * np.convolve(made["amps"], np.ones(80) / 80.0, mode="full")[: made["amps"].size],
        "winding": 0.1 * (made["winding"] - made["coolant"]),
        "plate": 0.3 * (made["plate"] - made["coolant"]),
        "both": 0.05 * (made["winding"] - made["coolant"]) + 0.2 * (made["plate"] - made["coolant"]),
    }[heated_by]
    warmer = made["coolant"] + apart_K
    inlet, outlet = (
        replace(part(name, made["time_s"][rows], np.round(value[rows] * 2) / 2), step=0.5)
        for name, value in (("coolant_temperature", made["coolant"]), ("coolant_temperature_out", warmer))
    )
    right = found(logged(Loop(seed=41), coolant_temperature=inlet, coolant_temperature_out=outlet))
    assert "cooling.sensor_swapped" not in right
    wrong = found(
        logged(
            Loop(seed=41),
            coolant_temperature=replace(outlet, name="coolant_temperature"),
            coolant_temperature_out=replace(inlet, name="coolant_temperature_out"),
        )
    )
    assert wrong["cooling.sensor_swapped"].measured["difference_K"].high < 0.0


def test_torque_held_back_near_the_limit():
    made = played(Loop(seed=42))
    time_s = made["time_s"][::5]
    celsius = np.interp(time_s, [0.0, 250.0, 350.0, 600.0], [80.0, 75.0, 50.0, 45.0])
    pedal = np.where((time_s % 40.0) < 25.0, 60.0, 0.0)
    speed = 1000.0 + 50.0 * (time_s % 40.0)
    torque = pedal * np.where(celsius > 70.0, 0.9, 1.6)
    parts = [
        part("throttle", time_s, pedal),
        part("motor_speed", time_s, speed),
        part("torque_target", time_s, torque),
        replace(part("inverter_temperature", time_s[::2], np.round(celsius[::2])), step=1.0),
    ]
    held = found(parts)["cooling.derating"].measured["torque_share_percent"]
    assert held.low < 100.0 * 0.9 / 1.6 < held.high
    free = [each if each.name != "torque_target" else replace(each, value=1.6 * pedal) for each in parts]
    assert "cooling.derating" not in found(free)
    gentle = np.where(celsius > 70.0, pedal / 2.0, pedal)  # a pedal that gives less than in proportion when it is eased
    eased = {"throttle": gentle, "torque_target": 1.6 * gentle**1.7 / 60.0**0.7}
    assert "cooling.derating" not in found([replace(p, value=eased.get(p.name, p.value)) for p in parts])


@pytest.mark.parametrize("period_s", [5.0, 20.0])
def test_short_and_sparse_logs_are_left_open(period_s):
    kinds = found(logged(Loop(seed=43, end_s=50.0), period_s=period_s)) if period_s < 20.0 else {}
    assert kinds.keys() <= {"cooling.undetermined"}
    few = logged(Loop(seed=43, end_s=50.0), period_s=20.0)
    with pytest.raises(NothingToCheck, match="no temperature has ten readings"):
        found(few)


def test_what_is_missing_is_named():
    with pytest.raises(MissingPart, match="motor_temperature"):
        found([part("motor_current", np.arange(100.0), np.zeros(100))])
    (alone,) = findings_of(cooling, signals(logged(Loop(seed=44))[1]), HAZEL)
    assert alone.kind == "cooling.undetermined"
    assert "neither motor current nor battery power is logged" in alone.explanation


def test_texts_keep_to_sixty_words():
    loops = (Loop(seed=45), Loop(seed=46, flow=((300.0, 1e9, 0.03),)))
    for loop in loops:
        for finding in found(logged(loop, step_K=0.5)).values():
            assert len(finding.explanation.split()) <= 60
            assert finding.caution == ""


def test_the_time_left_lasts_from_the_hottest_and_fastest_to_the_coolest_and_slowest():
    """By hand, θ(t) = θ∞ − (θ∞ − θ0)·exp(−t/τ): τ·ln((end − now)/(end − limit)), at the limits of both."""
    parts = logged(Loop(seed=36, end_s=240.0), step_K=0.25)
    first = found(parts)["cooling.motor"].measured
    now = next(each for each in parts if each.name == "motor_temperature").value[-1]
    limit_C = float(now + 0.3 * (first["end_temperature_C"].value - now))
    assert limit_C > now + 1.0
    hot = HAZEL.model_copy(update={"limits": Limits(motor_temperature_C=limit_C)})
    measured = found(parts, hot)["cooling.motor"].measured
    end, constant, left = (measured[name] for name in ("end_temperature_C", "time_constant_s", "time_left_s"))

    def passes_s(end_C: float, constant_s: float) -> float:
        return constant_s * float(np.log((end_C - now) / (end_C - limit_C)))

    known = 0.04  # "now" is the mean over the last row of the check, a little cooler than the last reading
    assert constant.high > 1.1 * constant.low
    assert left.value == pytest.approx(passes_s(end.value, constant.value), rel=known)
    assert left.low == pytest.approx(passes_s(end.high, constant.low), rel=known)
    assert left.high is None or left.high == pytest.approx(passes_s(end.low, constant.high), rel=known)


def branch(which: int, time_constant_s: float, low_s: float, high_s: float) -> Branch:
    return Branch(which, time_constant_s, low_s, high_s, np.array([5.0]), 0.0, np.diag([1e-4, 1e-4]), 2.0)


def test_shares_of_the_square_and_steps_leave_open_a_time_constant_and_a_rise():
    """By hand: 5 K at 100 A are 2.5 K at 50 A where heat goes with the current, and 1.25 K where with its square."""
    fit = Response((branch(0, 100.0, 90.0, 110.0), branch(4, 105.0, 80.0, 115.0)), np.zeros(0), 0.1)
    warming = Warming("motor_temperature", None, np.ones(3, dtype=bool), 20.0, "current", fit)
    value_s, low_s, high_s = warming.time_constant_s
    assert (value_s, low_s, high_s) == pytest.approx((100.0, 100.0 - 500.0**0.5, 100.0 + 325.0**0.5))
    assert warming.squared == 0.0
    rise_K, low_K, high_K = warming.at(50.0).rise
    assert rise_K == pytest.approx(2.5)
    assert low_K == pytest.approx(1.25 - 2.0 * 0.01 * 0.25)
    assert high_K == pytest.approx(2.5 + 2.0 * 0.01 * 0.5)
    squared = replace(warming, fit=replace(fit, branches=fit.branches[1:]))
    assert squared.at(50.0).rise[0] == pytest.approx(1.25)
