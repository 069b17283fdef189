"""A scale that is off is found by what else is logged, and the right part is blamed.

The laws are physics: joined terminals share a voltage, one shaft has one speed, and no motor gives more power than it
gets. There is no outside program to compare with; the slips are set into readings of known scale.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from numpy.typing import NDArray

from logscope.findings import Severity
from logscope.plausibility.examine import examine
from logscope.plausibility.slips import nearest_slip
from logscope.plausibility.ties import Tie, suspects
from logscope.plausibility.voltages import voltage_ties
from logscope.signals import Encoding, Part, Signals
from logscope.vehicle import Vehicle

T = np.arange(0.0, 60.0, 0.1)
RATIO, RADIUS_M, PACK_OHM, EFFICIENCY = 8.0, 0.3, 0.08, 0.88
FILE = Vehicle.model_validate(
    {
        "driveline": {"ratio": RATIO, "wheel_radius_m": RADIUS_M},
        "limits": {"battery_min_V": 250, "battery_max_V": 350},
        "dc_link": {"max_voltage_V": 400},
    }
)


def part(name: str, value: NDArray[np.float64], step: float = 0.1) -> Part:
    value = np.round(value / step) * step
    return Part(name, T, value, "", f"Made.{name}", step, encoding=Encoding(16, True, step, 0.0))


def drive(*left_out: str) -> Signals:
    """A drive of a minute: pulls and brakes in turn, closed contactors, steady noise of its own seed."""
    noise = np.random.default_rng(4711)
    torque = 100.0 * np.sin(2.0 * pi * T / 20.0) + 20.0
    speed = 1000.0 + 3500.0 * np.sin(2.0 * pi * (T - 5.0) / 20.0 + 0.6) ** 2
    shaft = torque * speed * pi / 30.0
    current = np.where(shaft > 0, shaft / EFFICIENCY, shaft * EFFICIENCY) / 320.0
    pack = 320.0 - PACK_OHM * current + noise.normal(0.0, 0.2, T.size)
    road = speed / RATIO * pi / 30.0 * RADIUS_M * 3.6
    on = np.ones(T.size, bool)
    parts = [
        part("dc_link_voltage", pack + noise.normal(0.0, 0.3, T.size)),
        part("battery_voltage", pack),
        part("battery_current", current + 1.0),
        part("torque", torque),
        part("motor_speed", speed, 1.0),
        part("vehicle_speed", road),
        Part("main_contactor", T, on.astype(float), "", "Made.main_contactor", 1.0, on=on),
    ]
    return Signals({each.name: each for each in parts if each.name not in left_out}, 0.0, 60.0)


def slipped(signals: Signals, name: str, factor: float) -> Signals:
    sound = signals.parts[name]
    code = sound.encoding
    assert code is not None
    wrong = replace(
        sound, value=sound.value * factor, step=0.1 * abs(factor), encoding=replace(code, scale=code.scale * factor)
    )
    return replace(signals, parts={**signals.parts, name: wrong})


def test_a_sound_drive_is_not_doubted():
    plausible = examine(drive(), FILE)
    assert plausible.findings == ()
    assert set(plausible.signals.parts) == set(drive().parts)


@pytest.mark.parametrize("factor", [0.001, 0.1, 0.5, 2.0, 10.0, 1000.0])
@pytest.mark.parametrize("name", ["dc_link_voltage", "battery_voltage", "battery_current", "torque", "motor_speed"])
def test_a_slip_is_found_and_its_part_taken_out(name, factor):
    plausible = examine(slipped(drive(), name, factor), FILE)
    assert name in plausible.signals.doubtful
    assert name not in plausible.signals
    finding = plausible.findings[0]
    assert (finding.kind, finding.severity) == ("mapping.scale", Severity.WARNING)
    assert name in finding.parts


@pytest.mark.parametrize(
    ("name", "factor"), [("dc_link_voltage", 0.1), ("battery_voltage", 10.0), ("motor_speed", 2.0)]
)
def test_where_other_readings_clear_the_rest_one_part_alone_is_blamed_and_the_cure_stated(name, factor):
    plausible = examine(slipped(drive(), name, factor), FILE)
    assert set(plausible.doubted) == {name}
    assert plausible.findings[0].parts[0] == name
    assert plausible.findings[0].expected["factor"].value == pytest.approx(1.0 / factor)
    assert f"by {1.0 / factor:g}" in plausible.findings[0].next_step


def test_where_nothing_says_which_both_are_in_doubt():
    signals = slipped(drive("torque", "battery_current"), "vehicle_speed", 2.0)
    assert set(examine(signals, FILE).doubted) == {"motor_speed", "vehicle_speed"}


def test_the_line_of_the_vehicle_file_is_named(tmp_path):
    file = tmp_path / "my car.toml"
    file.write_text("[signals]\ntorque = 'A.B'\ndc_link_voltage = { signal = 'A.C', scale = 0.1 }\n", encoding="utf-8")
    from logscope.vehicle import load_vehicle

    vehicle = load_vehicle(file).model_copy(update={"limits": FILE.limits})
    step = examine(slipped(drive(), "dc_link_voltage", 0.1), vehicle).findings[0].next_step
    assert "my car.toml:3" in step
    assert "scale = 1”" in step


@pytest.mark.parametrize("share", [0.93, 0.0, 0.3, 0.62])
def test_an_open_or_charging_link_is_no_slip(share):
    """A link that is not joined may stand anywhere; one that is joined may be loaded or read low."""
    signals = drive("torque", "battery_current", "motor_speed", "vehicle_speed")
    link = signals.parts["dc_link_voltage"]
    open_ = replace(signals.parts["main_contactor"], on=np.full(T.size, share == 0.93))
    wrong = replace(link, value=link.value * share)
    parts = {**signals.parts, "dc_link_voltage": wrong, "main_contactor": open_}
    assert examine(replace(signals, parts=parts), FILE).doubted == {}


def test_a_bench_supply_is_odd_and_nothing_is_taken_out():
    """Link and pack agree at a tenth of what the vehicle file states: a first test at low voltage."""
    signals = slipped(slipped(drive(), "dc_link_voltage", 0.1), "battery_voltage", 0.1)
    signals = replace(signals, parts={n: p for n, p in signals.parts.items() if n not in ("torque", "battery_current")})
    plausible = examine(signals, FILE)
    assert plausible.doubted == {}
    assert [finding.kind for finding in plausible.findings] == ["mapping.odd"]


@pytest.mark.parametrize("offset_A", [0.0, 2.0], ids=["noise", "noise and offset"])
def test_a_motor_at_rest_beside_a_charging_battery_is_no_slip(offset_A):
    """A charger feeds 17 A; the inverter wakes after three seconds, and then reports noise, or an offset."""
    noise = np.random.default_rng(5)
    awake = T > 3.0
    charging = Signals(
        {
            each.name: each
            for each in (
                part("battery_voltage", np.full(T.size, 330.0) + noise.normal(0.0, 0.2, T.size)),
                part("battery_current", np.where(awake, -17.0, 0.0) + noise.normal(0.0, 0.1, T.size)),
                part("motor_current", np.where(awake, np.abs(offset_A + noise.normal(0.0, 0.5, T.size)), 0.0)),
                part("motor_speed", np.where(awake, noise.normal(0.0, 1.0, T.size), 0.0), 1.0),
            )
        },
        0.0,
        60.0,
    )
    assert not [d for d in examine(charging, FILE).findings if d.severity is Severity.WARNING]


def test_a_spinning_wheel_and_another_gear_are_no_slip():
    signals = drive("torque", "battery_current")
    motor = signals.parts["motor_speed"]
    spinning = replace(motor, value=np.where(T % 20.0 < 6.0, 2.0 * motor.value, motor.value))
    geared = replace(motor, value=np.where(T < 30.0, motor.value, 1.4 * motor.value))
    for other in (spinning, geared):
        assert examine(replace(signals, parts={**signals.parts, "motor_speed": other}), FILE).doubted == {}


def test_foreign_content_between_the_readings_is_no_slip_of_scale_or_sign():
    signals = drive()
    torque = signals.parts["torque"]
    foreign = replace(torque, value=np.where(np.arange(T.size) % 2, torque.value, -9000.0))
    limited = FILE.model_copy(update={"motor": FILE.motor.model_copy(update={"max_torque_Nm": 160.0})})
    plausible = examine(replace(signals, parts={**signals.parts, "torque": foreign}), limited)
    assert not [f for f in plausible.findings if f.kind in ("mapping.scale", "mapping.sign", "mapping.odd")]


def test_two_slips_at_once_are_both_found():
    signals = slipped(slipped(drive(), "dc_link_voltage", 0.1), "vehicle_speed", 10.0)
    assert set(examine(signals, FILE).doubted) == {"dc_link_voltage", "vehicle_speed"}


def test_the_part_in_every_broken_tie_and_in_no_sound_one_is_the_suspect():
    def tie(of: dict[str, int], ratio: float) -> Tie:
        return Tie(of, ratio, ratio, ratio, 0.9, 1.1, "", 0.0, 1.0)

    ties = [tie({"a": 1, "b": -1}, 10.0), tie({"a": 1, "c": -1}, 10.0), tie({"b": 1, "c": -1}, 1.0)]
    (broken,) = suspects(ties)
    assert [suspect.name for suspect in broken.suspects] == ["a"]
    assert broken.suspects[0].slips[0].factor == 10.0


@pytest.mark.parametrize("ratio", [0.3, 0.7, 1.3, 3.0, 30.0])
def test_an_everyday_ratio_is_no_slip(ratio):
    assert nearest_slip(ratio) is None


@pytest.mark.parametrize(("level_V", "state", "doubted"), [(2.04, None, False), (20.4, None, True), (20.4, 0, False)])
def test_an_empty_link_is_no_hundredth_of_its_pack(level_V: float, state: int | None, doubted: bool) -> None:
    """A few volts that stay are a sensor's offset; with the contactor open nothing says that the link is joined."""
    noise = np.random.default_rng(4712)
    parts = [
        part("dc_link_voltage", level_V + noise.normal(0.0, 0.05, T.size)),
        part("battery_voltage", 204.0 + noise.normal(0.0, 0.2, T.size)),
    ]
    if state is not None:
        on = np.full(T.size, bool(state))
        parts.append(Part("main_contactor", T, on.astype(float), "", "Made.Main", on=on))
    found = examine(Signals({each.name: each for each in parts}, 0.0, float(T[-1])), Vehicle())
    assert ("dc_link_voltage" in found.doubted) is doubted


@pytest.mark.parametrize(
    ("low", "high", "broken"),
    [
        (0.95, 1.05, False),
        (0.7, 0.8, True),
        (0.7, 0.91, False),  # its limits reach the sound range
        (1.09, 1.5, False),
        (1.11, 1.5, True),
        (0.5, 2.0, False),
        (0.9, 0.9, False),
        (1.1, 1.1, False),
    ],
)
def test_a_tie_is_broken_where_none_of_its_limits_reaches_the_sound_range(
    low: float, high: float, broken: bool
) -> None:
    assert Tie({"a": 1}, (low + high) / 2, low, high, 0.9, 1.1, "", 0.0, 1.0).broken is broken


@pytest.mark.parametrize(
    ("level_V", "share", "broken"),
    [
        (390.0, 1.0, False),
        (455.0, 1.0, False),  # 15 % above are the sensor's
        (465.0, 1.0, True),
        (4000.0, 0.2, True),  # off for most of the log
        (4000.0, 0.05, False),  # a few readings are no scale
    ],
)
def test_a_link_is_below_its_maximum_nearly_always(level_V: float, share: float, broken: bool) -> None:
    link = part("dc_link_voltage", np.where(60.0 * share > T, level_V, 0.2))
    ties = list(voltage_ties(Signals({"dc_link_voltage": link}, 0.0, 60.0), FILE))
    assert any(tie.broken for tie in ties) is broken
