"""What a signal does in a log, one rule at a time on both sides of its limit: common practice, no published source."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from logscope.definitions.spec import SignalSpec
from logscope.draft.behaviour import Rise, VoltageShape, goes_with, reads_the_same, tracks, voltage_shape
from logscope.draft.evidence import behaviour, pack_direction
from logscope.draft.keys import keys_for
from logscope.draft.logged import Logged
from logscope.draft.names import Sense, meanings
from logscope.draft.surroundings import Surroundings, look_around

T = np.arange(0, 30, 0.05)
NOTHING = Surroundings((), {}, None, "")
ROAD = np.clip(50 * np.sin(T / 5), 0, None)


def logged(reference: str, unit: str, value: np.ndarray, time_s: np.ndarray = T, **spec: object) -> Logged:
    message, _, name = reference.partition(".")
    sense = Sense(meanings(name), meanings(message))
    spec = {"bits": 16} | spec
    return Logged(reference, SignalSpec(name, 0, unit=unit, **spec), sense, time_s, value)  # type: ignore[arg-type]


def points(part: str, unit: str, value: np.ndarray, around: Surroundings = NOTHING, **spec: object) -> list[float]:
    """The points of a signal for a part; spec : of its definition."""
    return [each.points for each in behaviour(part, logged("A.B", unit, value, **spec), around)]


def share(of: float, low: float, high: float) -> np.ndarray:
    """This share of the samples at `high`, the rest at `low`."""
    return np.where(np.arange(T.size) < of * T.size, high, low)


# ----------------------------------------------------------------------------------------- levels


@pytest.mark.parametrize(
    ("part", "unit", "low", "high"),
    [
        ("torque", "Nm", -3000, 3000),
        ("motor_current", "A", -3000, 3000),
        ("charger_voltage", "V", -50, 1500),
        ("coolant_pump_speed", "rpm", -30000, 30000),
        ("state_of_charge", "%", -10, 110),
        ("vehicle_speed", "km/h", -100, 400),
    ],
)
def test_what_a_part_cannot_be_counts_against_it(part: str, unit: str, low: float, high: float) -> None:
    """In more than one of twenty samples; the limits themselves are possible."""
    assert points(part, unit, share(0.5, low, high)) == []
    assert points(part, unit, share(0.06, 1.0, high * 1.01)) == [-2.0]
    assert points(part, unit, share(0.04, 1.0, high * 1.01)) == []
    assert points(part, unit, share(0.06, 1.0, low * 1.01)) == [-2.0]


@pytest.mark.parametrize(
    ("low", "high", "aux"),
    [(9.0, 16.0, 2.0), (8.9, 14.0, -2.0), (12.0, 16.1, -2.0)],
)
def test_a_twelve_volt_supply_is_between_nine_and_sixteen(low: float, high: float, aux: float) -> None:
    value = share(0.5, low, high)
    assert points("aux_voltage", "V", value) == [aux]
    assert points("dc_link_voltage", "V", value) == points("battery_voltage", "V", value) == [-1.5 if aux > 0 else 0.0]


@pytest.mark.parametrize(("volts", "found"), [((0.5, 5.0), []), ((0.49, 4.0), [-2.0]), ((3.0, 5.01), [-2.0])])
def test_a_cell_is_between_half_a_volt_and_five(volts: tuple[float, float], found: list[float]) -> None:
    assert points("cell_voltage_highest", "V", share(0.5, *volts)) == found


def test_no_part_is_colder_than_50_below_zero_or_hotter_than_250() -> None:
    for low, high, impossible in ((-50.0, 250.0, False), (-51.0, 20.0, True), (20.0, 251.0, True)):
        found = behaviour("motor_temperature", logged("A.B", "°C", share(0.5, low, high)), NOTHING)
        assert any("impossible" in each.reason for each in found) is impossible


def test_what_never_changes_may_be_a_limit() -> None:
    assert points("cell_voltage_highest", "V", np.full(T.size, 4.2)) == [-0.75, 0.0]
    assert points("battery_temperature_highest", "°C", np.full(T.size, 60.0)) == [-0.75, 0.0]
    assert points("torque", "Nm", np.full(T.size, 60.0)) == [0.0]


@pytest.mark.parametrize(("rate", "found"), [(9.9, [0.5]), (10.1, [-2.0])])
def test_a_temperature_changes_by_ten_kelvin_a_second_at_most(rate: float, found: list[float]) -> None:
    assert points("motor_temperature", "°C", 20 + rate * np.abs(T - 15)) == found


@pytest.mark.parametrize(
    ("low", "high", "found"),
    [
        (-10.0, 50.0, [1.0]),
        (-10.1, 50.0, [-2.0, -1.5]),
        (10.0, 20.0, [1.0]),
        (10.1, 60.0, [-1.5]),
        (0.0, 9.9, []),
        (5.0, 14.9, []),
        (5.0, 15.0, [1.0]),
    ],
)
def test_a_pedal_is_released_and_pressed(low: float, high: float, found: list[float]) -> None:
    assert points("throttle", "%", share(0.5, low, high)) == found


# -------------------------------------------------------------------------------------- voltages


def step(*levels: tuple[float, float], rate: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    """A voltage that holds each level for a time: (level, seconds)."""
    value = np.concatenate([np.full(round(seconds / rate), level) for level, seconds in levels])
    return np.arange(value.size) * rate, value


@pytest.mark.parametrize(
    ("volts", "shape"),
    [
        (step((30, 5)), VoltageShape(30, False, False, None)),
        (step((29.9, 5)), None),
        (step((30, 0.3)), VoltageShape(30, False, False, None)),  # six samples
        (step((30, 0.25)), None),
        (step((0, 1), (100, 5)), VoltageShape(100, True, False, Rise(0.95, 1.0))),
        (step((20, 1), (100, 5)), VoltageShape(100, False, False, None)),  # not under 20 % of it
        (step((19.9, 1), (100, 5)), VoltageShape(100, True, False, Rise(0.95, 1.0))),
        (step((0, 1), (50, 0.05), (100, 5)), VoltageShape(100, True, False, Rise(0.95, 1.05))),  # one on the way
        (step((0, 1), (50, 0.05), (60, 0.05), (100, 5)), VoltageShape(100, True, True, Rise(0.95, 1.1))),
        (step((100, 5), (60, 0.05), (50, 0.05), (0, 1)), VoltageShape(100, True, True, None)),  # falls
        (step((0, 2), (100, 0.45), (0, 1), (100, 5)), VoltageShape(100, True, False, Rise(3.4, 3.45))),  # a spike first
        (step((0, 2), (100, 0.5), (0, 1), (100, 5)), VoltageShape(100, True, False, Rise(1.95, 2.0))),
        (step((0, 2), (100, 10), (0, 1), (100, 5)), VoltageShape(100, True, False, Rise(1.95, 2.0))),  # the first
        (step((0, 3), (100, 2), (0, 3), (100, 9), rate=1.0), VoltageShape(100, True, False, Rise(7, 8))),  # 2 samples
        (step((0, 3), (100, 3), (0, 3), (100, 9), rate=1.0), VoltageShape(100, True, False, Rise(2, 3))),
        (step((0, 2), (100, 0.2), (70, 0.2), (100, 5)), VoltageShape(100, True, False, None)),  # it sags on its way
        (step((0, 96), (100, 4)), None),  # up for less than a twentieth of the log
    ],
)
def test_how_a_voltage_moves(volts: tuple[np.ndarray, np.ndarray], shape: VoltageShape | None) -> None:
    found = voltage_shape(*volts)
    if shape is None or found is None or shape.rise is None or found.rise is None:
        assert found == shape
        return
    assert (found.level_V, found.sinks, found.gradual) == (shape.level_V, shape.sinks, shape.gradual)
    assert (found.rise.start_s, found.rise.end_s) == pytest.approx((shape.rise.start_s, shape.rise.end_s))


@pytest.mark.parametrize(
    ("volts", "link", "pack"),
    [
        (step((0, 1), (50, 0.05), (60, 0.05), (100, 28.9)), 2.0, -1.0),
        (step((100, 28.9), (60, 0.05), (50, 0.05), (0, 1)), 1.0, -1.0),
        (step((0, 1), (100, 29)), 0.0, 1.0),
        (step((100, 30)), 0.0, 1.0),
    ],
)
def test_a_link_rises_gradually_and_a_pack_does_not(
    volts: tuple[np.ndarray, np.ndarray], link: float, pack: float
) -> None:
    still = [0.0] if np.ptp(volts[1]) == 0 else []
    assert points("dc_link_voltage", "V", volts[1]) == [link, *still]
    assert points("battery_voltage", "V", volts[1]) == [pack, *still]


@pytest.mark.parametrize(("level", "found"), [(109, [1.0, 1.0]), (111, [1.0]), (91, [1.0, 1.0]), (89, [1.0])])
def test_a_pack_is_at_the_level_that_the_link_rises_to(level: float, found: list[float]) -> None:
    around = Surroundings((), {"Inv.Link": 100.0}, Rise(1, 2), "Inv.Link")
    assert points("battery_voltage", "V", step((level, 29), (level - 1, 1))[1], around) == found


def test_the_rise_is_the_link_s_own_before_any_earlier_one() -> None:
    early = logged("Obc.Voltage", "V", np.interp(T, [0, 2, 3], [0, 0, 300]))
    link = logged("Inv.DcLinkVoltage", "V", np.interp(T, [0, 8, 9], [0, 0, 310]))
    flat = logged("Pack.Voltage", "V", np.full(T.size, 320.0))
    low = logged("Aux.Voltage", "V", np.full(T.size, 13.0))
    around = look_around([early, link, flat, low])
    assert around.rise_of == "Inv.DcLinkVoltage"
    assert around.rise is not None
    # from a fifth of 310 V, 0.2 s after 8.0 s, to four fifths
    assert (around.rise.start_s, around.rise.end_s) == pytest.approx((8.2, 8.8), abs=0.06)
    assert around.packs == {"Obc.Voltage": 300.0, "Inv.DcLinkVoltage": 310.0, "Pack.Voltage": 320.0}
    assert around.pack_level == 310.0
    assert look_around([early, flat]).rise_of == "Obc.Voltage"
    assert look_around([flat, low]).rise is None


# ---------------------------------------------------------------------------------- which way round


@pytest.mark.parametrize(("fed_A", "direction"), [(5.0, 1), (-5.0, -1), (0.0, 0), (0.19, 0), (0.21, 1), (-0.21, -1)])
def test_a_pack_feeds_the_link_while_it_rises(fed_A: float, direction: int) -> None:
    """A change of more than two steps of 0.1 A, from a rest of 2 A without noise."""
    amps = np.where((T > 10.0) & (T < 11.0), 2.0 + fed_A, 2.0)
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    assert pack_direction(logged("Pack.I", "A", amps, scale=0.1), amps, around) == direction


def test_what_flows_just_before_the_rise_is_seen_is_no_rest() -> None:
    """50 A from 0.2 s before it on, then 1 A more than at rest."""
    amps = np.where((T > 9.8) & (T < 10.0), 50.0, np.where((T > 10.0) & (T < 11.0), 3.0, 2.0))
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    assert pack_direction(logged("Pack.I", "A", amps, scale=0.1), amps, around) == 1


@pytest.mark.parametrize(("errors", "direction"), [(4.95, 0), (5.05, 1), (-4.95, 0), (-5.05, -1)])
def test_the_change_must_stand_clear_of_noise_and_resolution(errors: float, direction: int) -> None:
    """Five standard errors of the difference of two means, of 13 samples of rest and 19 of the rise: 1.8 A.

    It must exceed two steps of the resolution, too: 1 A and 2 mA lie below it, 2 A does not; floating point has none.
    """
    noise = np.where(np.arange(T.size) % 2 == 0, 1.0, -1.0)
    rest, rising = noise[(T > 9.0) & (T < 9.7)], (T > 10.0) & (T < 11.0)
    assert (rest.size, np.count_nonzero(rising)) == (13, 19)
    error = float(np.sqrt(np.var(rest) / 13 + np.var(rest) / 19))  # about 0.36 A
    amps = np.where(rising, np.mean(rest) + errors * error, noise)
    around = Surroundings((), {}, Rise(10.0, 11.0), "Inv.Link")
    for scale in (0.5, 1e-3):
        assert pack_direction(logged("Pack.I", "A", amps, scale=scale), amps, around) == direction
    assert pack_direction(logged("Pack.I", "A", amps, bits=32, floating=True), amps, around) == direction
    assert pack_direction(logged("Pack.I", "A", amps, scale=1.0), amps, around) == 0


@pytest.mark.parametrize("sign", [1, -1])
def test_the_pack_s_voltage_sags_while_it_discharges(sign: int) -> None:
    """V = OCV − I·R, without a rise; what a monitor says that is half asleep counts for nothing."""
    amps = 100 * np.sin(T)
    volts = np.where(T < 12, 330 - 0.1 * amps, 100 + 0.2 * amps)
    voltage = logged("Pack.Voltage", "V", volts)
    around = Surroundings([voltage], {"Pack.Voltage": 330.0}, None, "")
    current = logged("Pack.I", "A", sign * amps)
    assert pack_direction(current, sign * amps, around) == sign
    assert [each.points for each in behaviour("battery_current", current, around)] == [0.5, 0.5]
    keys = keys_for("battery_current", current, {}, around)
    assert keys.values == ({} if sign == 1 else {"scale": -1.0})


@pytest.mark.parametrize(("lowest", "found"), [(-2.1, [0.5]), (-2.0, []), (-1.9, [])])
def test_both_signs_are_more_than_two_percent_of_the_highest(lowest: float, found: list[float]) -> None:
    assert points("battery_current", "A", np.where(T < 1, lowest, 100.0)) == found


@pytest.mark.parametrize(("sign", "scale"), [(1, {}), (-1, {"scale": -1.0})])
def test_a_motor_speed_that_is_negative_while_moving_is_turned_round(sign: int, scale: dict[str, float]) -> None:
    road = logged("Tacho.Speed", "km/h", ROAD)
    motor = logged("Inv.MotorSpeed", "rpm", sign * 70 * ROAD)
    assert keys_for("motor_speed", motor, {"vehicle_speed": road}, NOTHING).values == scale
    assert keys_for("motor_speed", motor, {}, NOTHING).values == {}
    assert keys_for("motor_speed_second", motor, {"vehicle_speed": road}, NOTHING).values == scale


@pytest.mark.parametrize(
    ("ratio", "found"), [(15.0, [2.0]), (-15.0, [2.0]), (14.9, [1.0]), (-14.9, [1.0]), (-70, [2.0])]
)
def test_a_motor_turns_faster_than_a_wheel(ratio: float, found: list[float]) -> None:
    around = Surroundings([logged("Tacho.Speed", "km/h", ROAD)], {}, None, "")
    assert points("motor_speed", "rpm", ratio * ROAD, around) == found
    beside = Surroundings([logged("Inv.Speed", "rpm", ratio * ROAD)], {}, None, "")
    assert points("vehicle_speed", "km/h", ROAD, beside) == [2.0]
    nameless = Surroundings([logged("Inv.Speed", "", ratio * ROAD)], {}, None, "")
    assert points("vehicle_speed", "km/h", ROAD, nameless) == []


# ------------------------------------------------------------------------------------ two signals


def moving(count: int) -> np.ndarray:
    """Speeds from 20 to 60 without a rest."""
    return 40 + 20 * np.sin(np.arange(count) / 3)


@pytest.mark.parametrize(
    ("value", "other", "ratio"),
    [
        (3 * moving(20), moving(20), 3.0),
        (3 * moving(19), moving(19), None),  # too few samples
        (np.where(np.arange(100) % 5 == 0, 3.4, 3.0) * moving(100), moving(100), 3.0),  # four of five are together
        (np.where(np.arange(100) % 4 == 0, 3.4, 3.0) * moving(100), moving(100), None),
        (np.where(np.arange(100) % 2 == 0, 3.2, 3.0) * moving(100), moving(100), 3.1),  # within a tenth
        (0 * moving(100), moving(100), None),
        (3.0 + 0 * moving(100), 40 + 0 * moving(100), None),  # constants
        (3 * np.linspace(40, 62, 100), np.linspace(40, 62, 100), None),  # hardly moves
        (3 * np.linspace(40, 70, 100), np.linspace(40, 70, 100), 3.0),  # 1.56 to 1
    ],
)
def test_two_track_that_keep_a_ratio(value: np.ndarray, other: np.ndarray, ratio: float | None) -> None:
    """What moves from 40 to 62 is at 42.2 after a tenth of the way and at 59.8 after nine tenths: 1.42 to 1."""
    at = np.arange(value.size) * 0.1
    found = tracks(at, value, at, other)
    assert found == (None if ratio is None else pytest.approx(ratio))


@pytest.mark.parametrize(("off", "together"), [(0.049, True), (0.051, False)])
def test_two_read_the_same_within_a_twentieth(off: float, together: bool) -> None:
    value = np.where(T < 15, 100.0, 0.0)
    assert reads_the_same(T, value, T, value + 100 * off / (1 - off)) == together
    assert reads_the_same(T[:20], value[:20] * 0 + T[:20], T[:20], T[:20])
    assert not reads_the_same(T[:19], T[:19], T[:19], T[:19])
    assert not reads_the_same(T, 100 + 49 * (T > 9), T, 100 + 49 * (T > 9))  # moves by less than half


@pytest.mark.parametrize(("sign", "seconds", "expected"), [(1, 8, 1), (-1, 8, -1), (1, 7, 0)])
def test_changes_go_with_each_other_over_eight_seconds(sign: int, seconds: int, expected: int) -> None:
    at = np.arange(seconds, dtype=float)
    value = np.resize([1.0, 5.0, 2.0, 9.0], seconds)
    assert goes_with(at, value, at + 0.3, sign * value) == expected


# ------------------------------------------------------------------------------------- switches


RISE = Surroundings((), {}, Rise(12.0, 13.0), "Inv.Link")


def switch(*on: tuple[float, float]) -> np.ndarray:
    """A flag that is on within these times."""
    return np.any([(start - 1e-6 <= T) & (end - 1e-6 > T) for start, end in on], axis=0) * 1.0


@pytest.mark.parametrize(
    ("part", "on", "shown"),
    [
        ("precharge_relay", [(11.5, 14.0)], True),
        ("precharge_relay", [(11.4, 14.0)], False),
        ("precharge_relay", [(12.45, 14.0)], True),
        ("precharge_relay", [(12.6, 14.0)], False),
        ("precharge_relay", [(12.0, 12.45)], False),  # off before the rise is over
        ("precharge_relay", [(12.0, 12.6)], True),
        ("precharge_relay", [(12.0, 17.9)], True),
        ("precharge_relay", [(12.0, 18.1)], False),  # on long after
        ("precharge_relay", [(2.0, 3.0), (12.0, 13.0)], True),
        ("main_contactor", [(12.6, 25.0)], True),
        ("main_contactor", [(12.4, 25.0)], False),  # while the link is low
        ("main_contactor", [(17.95, 25.0)], True),
        ("main_contactor", [(18.1, 25.0)], False),
        ("main_contactor", [(13.0, 17.9)], False),
        ("main_contactor", [(13.0, 18.1)], True),
        ("negative_contactor", [(2.05, 25.0)], True),
        ("negative_contactor", [(1.9, 25.0)], False),  # too long before
        ("negative_contactor", [(12.45, 25.0)], True),
        ("negative_contactor", [(12.6, 25.0)], False),
        ("negative_contactor", [(11.0, 17.9)], False),
        ("negative_contactor", [(11.0, 18.1)], True),
    ],
)
def test_a_switch_comes_on_at_its_moment_of_the_rise(part: str, on: Sequence[tuple[float, float]], shown: bool) -> None:
    """The link rises from 12 to 13 s; 0.5 points are for two values, the rest for the moment."""
    moment = 1.0 if part == "negative_contactor" else 1.5
    assert points(part, "", switch(*on), RISE, bits=1) == [0.5, *([moment] if shown else [])]
    assert points(part, "", switch(*on), NOTHING, bits=1) == [0.5]


def test_a_main_contactor_comes_on_after_half_of_the_rise() -> None:
    """A rise of four seconds, from 12 s on."""
    slow = Surroundings((), {}, Rise(12.0, 16.0), "Inv.Link")
    for begins_s, shown in ((13.95, False), (14.1, True)):
        assert points("main_contactor", "", switch((begins_s, 29.0)), slow, bits=1) == [0.5, *([1.5] if shown else [])]


def test_of_several_states_each_may_be_the_one_that_is_on() -> None:
    """Off, precharge, closed: precharge from 12 to 13 s, closed from then on."""
    states = switch((12.0, 13.0)) + 2 * switch((13.0, 29.0))
    assert points("precharge_relay", "", states, RISE) == [1.5]
    assert points("main_contactor", "", states, RISE) == [1.5]
    assert points("main_contactor", "", states, RISE, choices={0: "A", 1: "Off", 2: "On"}) == [1.0, 1.5]
    assert points("precharge_relay", "", states, RISE, choices={0: "Off", 1: "B", 2: "On"}) == [1.0]
    assert points("main_contactor", "", np.arange(T.size) % 5.0, RISE) == [-2.0]
    assert points("main_contactor", "", np.arange(T.size) % 4.0, RISE) == []


@pytest.mark.parametrize(("kmh", "shown"), [(50 - T, True), (20 + T, False), (np.minimum(0.9, T), True)])
def test_a_brake_slows_the_vehicle_or_holds_it(kmh: np.ndarray, shown: bool) -> None:
    around = Surroundings([logged("Tacho.Speed", "km/h", kmh)], {}, None, "")
    assert points("brake", "", switch((5.0, 9.0)), around, bits=1) == [0.5, *([0.5] if shown else [])]
    backwards = Surroundings([logged("Tacho.Speed", "km/h", -kmh)], {}, None, "")
    assert points("brake", "", switch((5.0, 9.0)), backwards, bits=1) == [0.5, *([0.5] if shown else [])]


@pytest.mark.parametrize(
    ("part", "choices", "found"),
    [
        ("fault", {0: "None", 1: "OverCurrent"}, [2.0]),
        ("fault", {0: "None", 1: "OverTemp"}, [0.5]),
        ("fault", {0: "A", 1: "B"}, []),
        ("inverter_state", {0: "Off", 1: "Run"}, [1.0]),
        ("inverter_state", {0: "Off", 1: "Foo"}, [-1.0]),
        ("inverter_state", None, []),
    ],
)
def test_texts_of_faults_and_states(part: str, choices: dict[int, str] | None, found: list[float]) -> None:
    spec = {} if choices is None else {"choices": choices}
    assert points(part, "", switch((5.0, 9.0)), **spec) == found
