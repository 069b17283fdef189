"""What must have moved a part that stands still, rule by rule, each side of every edge: tables by hand.

Ohm's law at a battery's terminals (0.3 V are 60 A in 5 mΩ), effective values of a square wave; the edges are common
practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.findings import Measured, Severity
from logscope.parts import PARTS, Role
from logscope.plausibility.constant import constant_readings
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

PLAIN = Vehicle()


def part(name: str, value: object, step: float | None = 0.1, *, count: int = 1000, period_s: float = 0.1) -> Part:
    read = np.broadcast_to(np.array(value, dtype=float), (count,))
    on = read == 1 if PARTS[name].role is Role.STATE else None
    return Part(name, period_s * np.arange(count), read, PARTS[name].unit, f"{name}.Made", step, on=on)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 2000.0)


def reasons(*parts: Part) -> dict[str, str]:
    return {doubt.doubtful[0]: doubt.reason for doubt in constant_readings(log(*parts), PLAIN)}


def pulses(level: float, samples: int = 500, count: int = 1000, rest: float = 0.0) -> np.ndarray:
    return np.where(np.arange(count) < samples, level, rest)


@pytest.mark.parametrize(
    ("count", "period_s", "others", "judged"),
    [(50, 0.2, 0, True), (49, 0.2, 0, False), (60, 0.085, 0, True), (60, 0.084, 0, False), (100, 0.2, 1, True),
     (100, 0.2, 2, False)],
)  # fmt: skip
def test_a_constant_is_99_of_100_readings_of_at_least_50_in_five_seconds(
    count: int, period_s: float, others: int, judged: bool
) -> None:
    supply = part("aux_voltage", pulses(12.0, others, count), count=count, period_s=period_s)
    assert ("aux_voltage" in reasons(supply)) is judged


@pytest.mark.parametrize(
    ("level", "step", "beside", "why"),
    [
        (1000.0, 1.0, None, "no shaft turns that evenly"),
        (-1000.0, 1.0, None, "no shaft turns that evenly"),
        (999.0, 1.0, None, None),
        (1000.0, None, None, None),
        (50.0, 1.0, ("motor_current", pulses(30.0)), "motor current changes by 30 A meanwhile"),
        (49.0, 1.0, ("motor_current", pulses(30.0)), None),
        (50.0, 1.0, ("motor_current", pulses(29.0)), None),
        (50.0, 1.0, ("battery_current", pulses(-31.0)), "battery current changes by 31 A meanwhile"),
        (50.0, 1.0, ("torque", pulses(20.0)), "torque changes by 20 Nm meanwhile"),
        (50.0, 1.0, ("torque", pulses(19.0)), None),
        (50.0, 1.0, ("motor_current", pulses(90.0, 11)), "motor current changes by 90 A meanwhile"),
        (50.0, 1.0, ("motor_current", pulses(90.0, 9)), None),  # a hundredth of the readings at either end
        (50.0, 1.0, ("motor_current", pulses(0.0, 11, rest=90.0)), "motor current changes by 90 A meanwhile"),
        (50.0, 1.0, ("motor_current", pulses(0.0, 9, rest=90.0)), None),
    ],
)
@pytest.mark.parametrize("name", ["motor_speed", "motor_speed_second", "vehicle_speed"])
def test_a_speed_is_not_held_to_a_thousandth_nor_under_a_load_that_changes(
    name: str, level: float, step: float | None, beside: tuple[str, np.ndarray] | None, why: str | None
) -> None:
    found = reasons(part(name, level, step), *([] if beside is None else [part(*beside)]))
    assert (found.get(name, "throughout, but None").split("throughout, but ")[1]) == str(why)


@pytest.mark.parametrize(
    ("name", "level", "samples", "why"),
    [
        ("vehicle_speed", 10.0, 51, "vehicle speed reaches 10 km/h"), ("vehicle_speed", 9.9, 51, None),
        ("vehicle_speed", -10.0, 51, "vehicle speed reaches 10 km/h"), ("vehicle_speed", 10.0, 49, None),
        ("stator_frequency", 5.0, 51, "stator frequency reaches 5 Hz"), ("stator_frequency", 4.9, 51, None),
        ("stator_frequency", 5.0, 49, None),
    ],
)  # fmt: skip
def test_a_shaft_turns_while_the_vehicle_drives_for_five_seconds(
    name: str, level: float, samples: int, why: str | None
) -> None:
    found = reasons(part("motor_speed", 0.0), part(name, pulses(level, samples)))
    assert found == ({} if why is None else {"motor_speed": f"motor speed reads 0 rpm throughout, but {why} meanwhile"})
    assert "motor_speed" not in reasons(part("motor_speed", 0.3), part(name, pulses(level, samples)))


@pytest.mark.parametrize(
    ("amps", "step", "dead"), [(61.0, 0.1, True), (59.0, 0.1, False), (61.0, 0.11, False), (61.0, None, False)]
)
def test_every_battery_has_five_milliohms_and_sags_by_three_steps(amps: float, step: float | None, dead: bool) -> None:
    for name in ("battery_voltage", "dc_link_voltage", "dc_link_voltage_second"):
        found = reasons(part(name, 331.0, step), part("battery_current", pulses(amps)))
        assert (name in found) is dead
        assert not dead or "battery current changes by 61 A" in found[name]


@pytest.mark.parametrize(
    ("level", "amps", "samples", "dead"),
    [
        (0.0, 20.0, 11, True),
        (0.0, -20.0, 11, True),
        (0.0, 19.9, 11, False),
        (0.0, 20.0, 9, False),
        (1.0, 20.0, 11, False),
    ],
)
def test_no_motor_current_flows_from_an_empty_link(level: float, amps: float, samples: int, dead: bool) -> None:
    found = reasons(part("dc_link_voltage", level), part("motor_current", pulses(amps, samples)))
    assert ("dc_link_voltage" in found) is dead
    assert not dead or found["dc_link_voltage"].endswith("0 V throughout, but motor current reaches 20 A meanwhile")


@pytest.mark.parametrize(
    ("level", "step", "sag", "pack_step", "dead"),
    [
        (331.0, 0.1, 3.4, 0.1, True),
        (331.0, 0.1, 3.2, 0.1, False),  # less than a hundredth
        (331.0, 0.1, 3.5, 1.2, False),  # less than three steps of the pack
        (331.0, 0.1, 3.7, 1.2, True),
        (331.0, 1.1, 3.7, 0.1, True),
        (331.0, 1.104, 4.0, 0.1, False),  # 300 steps of its own
        (331.0, None, 9.0, 0.1, False),
        (60.0, 0.1, 9.0, 0.1, True),
        (59.9, 0.1, 9.0, 0.1, False),  # class A ends at 60 V
    ],
)
def test_a_live_link_moves_with_its_pack_or_discharges(
    level: float, step: float | None, sag: float, pack_step: float, dead: bool
) -> None:
    pack = part("battery_voltage", 331.0 - pulses(sag), pack_step)
    found = reasons(part("dc_link_voltage", level, step), pack)
    assert ("dc_link_voltage" in found) is dead
    assert not dead or f"between {331 - sag:.1f} V and 331.0 V" in found["dc_link_voltage"]


def test_a_pack_without_a_step_of_its_own_moves_by_a_hundredth() -> None:
    for sag, dead in ((1.1, True), (0.9, False)):
        found = reasons(part("dc_link_voltage", 100.0), part("battery_voltage", 100.0 - pulses(sag), None))
        assert ("dc_link_voltage" in found) is dead


@pytest.mark.parametrize(("samples", "dead"), [(50, True), (49, False), (0, False)])
def test_a_pack_is_known_while_it_is_awake_and_by_its_usual_readings(samples: int, dead: bool) -> None:
    """Zeros of a controller that sleeps are no sag; two in a hundred at either end do not count."""
    awake = np.zeros(1000)
    awake[:samples] = np.where(np.arange(samples) % 2, 340.0, 331.0)
    assert ("dc_link_voltage" in reasons(part("dc_link_voltage", 330.0), part("battery_voltage", awake))) is dead
    for rest, share, moved in ((340.0, 0.55, True), (340.0, 0.45, False), (400.0, 0.7, True)):  # half of the highest
        pack = part("battery_voltage", pulses(share * rest, 100, rest=rest))
        assert ("dc_link_voltage" in reasons(part("dc_link_voltage", 330.0), pack)) is moved
    for few, moved in ((19, False), (22, True)):
        for rest, other in ((331.0, 340.0), (340.0, 331.0)):
            pack = part("battery_voltage", pulses(other, few, rest=rest))
            assert ("dc_link_voltage" in reasons(part("dc_link_voltage", 330.0), pack)) is moved


@pytest.mark.parametrize(("volts", "samples", "dead"), [(60.0, 31, True), (59.9, 31, False), (60.0, 29, False)])
def test_a_pack_that_reads_zero_does_not_hold_a_link_for_three_seconds(volts: float, samples: int, dead: bool) -> None:
    closed = part("main_contactor", pulses(1.0, samples))
    found = reasons(part("battery_voltage", 0.0), part("dc_link_voltage", volts), closed)
    assert ("battery_voltage" in found) is dead
    assert not dead or "the DC link is at 60 V with the main contactor closed" in found["battery_voltage"]
    assert "battery_voltage" not in reasons(part("battery_voltage", 0.0), part("dc_link_voltage", volts))


AT_WORK = {"torque": 100.0, "motor_current": 200.0, "battery_current": 90.0}


@pytest.mark.parametrize(
    ("dead", "changed", "found"),
    [
        ("torque", {}, True),
        ("torque", {"motor_current": 60.0}, True), ("torque", {"motor_current": 59.9}, False),
        ("torque", {"battery_current": 20.0}, True), ("torque", {"battery_current": 19.9}, False),  # 8 kW at 400 V
        ("motor_current", {"torque": 20.0}, True), ("motor_current", {"torque": 19.9}, False),
        ("battery_current", {"torque": 20.0}, True), ("battery_current", {"motor_current": 59.9}, False),
        ("torque", {"motor_speed": 300.1}, True), ("torque", {"motor_speed": 299.9}, False),
    ],
)  # fmt: skip
def test_a_motor_at_work_shows_in_two_of_three(dead: str, changed: dict[str, float], found: bool) -> None:
    level = {**AT_WORK, "motor_speed": 2000.0, **changed}
    made = [part(name, pulses(level[name])) for name in AT_WORK if name != dead]
    speed = part("motor_speed", level["motor_speed"] - np.where(np.arange(1000) % 2, 0.0, 50.0), 1.0)
    for volts in ("battery_voltage", "dc_link_voltage"):
        supply = part(volts, 400.0 - pulses(5.0), None)
        assert (dead in reasons(part(dead, 5.0), *made, speed, supply)) is found


def test_what_moved_while_the_motor_turned_is_named() -> None:
    made = [part(name, pulses(level)) for name, level in AT_WORK.items() if name != "torque"]
    speed, supply = part("motor_speed", pulses(2000.0, 600), 10.0), part("battery_voltage", 400.0, None)
    assert reasons(part("torque", 0.0), *made, speed, supply)["torque"] == (
        "torque reads 0 Nm throughout, but with the motor turning, motor current changes by 200 A and battery current "
        "by 90 A meanwhile"
    )
    rests = part("motor_speed", pulses(2000.0, 500), 10.0)  # both change only as the motor stops
    assert "torque" not in reasons(part("torque", 0.0), *made, rests, supply)
    brief = part("motor_speed", np.where((np.arange(1000) > 475) & (np.arange(1000) < 525), 2000.0, 0.0), 10.0)
    assert "torque" not in reasons(part("torque", 0.0), *made, brief, supply)


@pytest.mark.parametrize(
    ("end_s", "step", "name", "amps", "dead"),
    [
        (601.0, 1.0, "motor_current", 43.0, True),  # half of the time: 30.4 A
        (601.0, 1.0, "motor_current", 42.0, False),  # 29.7 A
        (601.0, 1.0, "battery_current", -43.0, True),
        (599.0, 1.0, "motor_current", 43.0, False),
        (601.0, 1.1, "motor_current", 43.0, False),
    ],
)
def test_ten_minutes_at_30_a_warm_every_cooled_part(
    end_s: float, step: float, name: str, amps: float, dead: bool
) -> None:
    count = 602
    still = part("motor_temperature", 31.0, step, count=count, period_s=end_s / (count - 1))
    found = reasons(still, part(name, pulses(amps, 301, count), count=count))
    assert ("motor_temperature" in found) is dead
    assert not dead or "current is 30 A (rms) meanwhile" in found["motor_temperature"]


@pytest.mark.parametrize(("beside", "dead"), [(10.0, True), (9.9, False), (-20.0, False)])
def test_a_temperature_of_zero_is_none_beside_one_of_ten_degrees(beside: float, dead: bool) -> None:
    warm = part("coolant_temperature_out", beside)
    found = reasons(part("inverter_temperature", 0.0), warm)
    assert found == (
        {"inverter_temperature": "inverter temperature reads 0 °C throughout, but coolant temperature, outlet is 10 °C "
         "meanwhile"} if dead else {}
    )  # fmt: skip
    assert reasons(part("inverter_temperature", 1.0), warm) == {}


@pytest.mark.parametrize(
    ("link", "pack", "amps", "samples", "covered_s", "dead"),
    [
        (316.0, 331.0, 20.0, 11, 100.0, True),  # within a twentieth of the pack
        (314.0, 331.0, 20.0, 11, 100.0, False),
        (347.0, 331.0, -20.0, 11, 100.0, True),
        (348.0, 331.0, -20.0, 11, 100.0, False),
        (331.0, 331.0, 19.9, 11, 100.0, False),
        (331.0, 331.0, 20.0, 9, 100.0, False),
        (0.0, 0.0, 20.0, 11, 100.0, False),
        (331.0, 331.0, 20.0, 11, 9.0, False),  # after its last message
    ],
)
def test_no_current_flows_through_an_open_contactor(
    link: float, pack: float, amps: float, samples: int, covered_s: float, dead: bool
) -> None:
    current = np.zeros(1000)
    current[200 : 200 + samples] = amps
    count = int(10 * covered_s)
    made = [part("dc_link_voltage", link), part("battery_voltage", pack)]
    for name in ("main_contactor", "negative_contactor"):
        for carries in ("motor_current", "battery_current"):
            found = reasons(part(name, 0.0, count=count), *made, part(carries, current))
            assert (name in found) is dead
            assert not dead or f"{PARTS[carries].name.replace('_', ' ')} reaches 20 A with the link at" in found[name]
    assert "main_contactor" not in reasons(
        part("main_contactor", pulses(1.0, 1)), *made, part("motor_current", current)
    )


def charging(*between: float, period_s: float = 0.1, states_s: float = 0.1) -> dict[str, str]:
    """A link that goes from 0 V by these readings to 331 V, beside a relay that reads open."""
    value = np.concatenate([np.zeros(200), between, np.full(200, 331.0)])
    link = part("dc_link_voltage", value, count=value.size, period_s=period_s)
    count = int(value.size * period_s / states_s)
    relay = part("precharge_relay", 0.0, count=count, period_s=states_s)
    return reasons(link, part("battery_voltage", 331.0), relay)


def test_a_link_that_charges_does_so_through_its_relay() -> None:
    """From the last reading below a fifth of 331 V, 66 V, to the first above four fifths, 265 V."""
    assert charging(65.0, 150.0, 264.0, 266.0)["precharge_relay"] == (
        "precharge relay reads off throughout, but the link charges from 65 V to 266 V in 0.30 s meanwhile"
    )
    assert "from 0 V to 266 V in 0.40 s" in charging(67.0, 150.0, 264.0, 266.0)["precharge_relay"]
    assert "in 0.30 s" in charging(65.0, 150.0, 250.0, 331.0)["precharge_relay"]
    assert charging(150.0) == {}  # three readings of the rise are none
    assert charging(150.0, 200.0) != {}
    assert charging(150.0, 140.0, 200.0) == {}  # it falls meanwhile
    assert charging(150.0, 150.0, 200.0) != {}
    assert charging(65.0, 150.0, 264.0, 266.0, states_s=0.2) == {}  # two messages of the relay
    assert charging(65.0, 100.0, 150.0, 200.0, 264.0, 266.0, states_s=0.2) != {}


def test_the_doubt_says_what_stands_where_and_since_when() -> None:
    zero = part("aux_voltage", 0.0, count=60, period_s=0.2)
    (doubt,) = constant_readings(log(zero), PLAIN)
    finding = doubt.finding
    assert (finding.kind, finding.severity) == ("mapping.constant", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == pytest.approx((0.0, 11.8))
    assert finding.title == "12 V supply voltage reads 0 V throughout, but cannot be constant"
    assert "reads 0 V in the whole log, but the controllers sent their messages" in finding.explanation
    assert "“signals.aux_voltage” names" in finding.next_step
    assert finding.parts == doubt.doubtful == ("aux_voltage",)
    assert finding.measured == {"count": Measured(60.0, ""), "constant_value": Measured(0.0, "V")}
    assert reasons(part("aux_voltage", 0.1)) == {}
    held = part("motor_speed", 3000.0, 1.0)
    assert constant_readings(log(held), PLAIN)[0].finding.measured["constant_value"] == Measured(3000.0, "rpm")
