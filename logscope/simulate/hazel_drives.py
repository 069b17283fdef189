"""The drives of Hazel: the demo's story and the two sample logs."""

from __future__ import annotations

from logscope.simulate.charge import Charge
from logscope.simulate.circuits import HighVoltage
from logscope.simulate.encoder import Interference
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario, Tuning

# As in hazel.toml, but for what a workshop never knows exactly.
HAZEL = HighVoltage(
    open_circuit_V=331.0,
    resistance_ohm=150.0,
    capacitance_F=1.02e-3,
    pack_ohm=0.09,
    loop_ohm=0.025,
    bleeder_ohm=46.5e3,
    lag_s=0.004,
)
DRIFTED_OHM = 262.0  # the resistor after too many attempts in a row


def lively(start_s: float) -> Tuning:
    """A try at livelier settings: the torque ramp all but off, the current loop slow and poorly damped."""
    return Tuning(start_s, loop_Hz=25.0, loop_damping=0.25, torque_ramp_Nm_per_s=12000.0)


CALM_FOOT_S, STABBING_FOOT_S = 0.3, 0.05  # that a press takes


def pedal(*presses: tuple[float, ...]) -> Profile:
    """A pedal by its presses: from, until [s], how far (0–1), and how long the foot takes [s] if not calm."""
    corners: list[tuple[float, float]] = [(0.0, 0.0)]
    for start_s, end_s, position, *foot_s in presses:
        down_s = start_s + (foot_s[0] if foot_s else CALM_FOOT_S)
        corners += [(start_s, 0.0), (down_s, position), (end_s, position), (end_s + 0.2, 0.0)]
    return Profile(tuple(corners))


def demo_drive() -> Scenario:
    """Ten minutes: good precharge, clean drive, slow precharge, interference, two trips, a charge."""
    return Scenario(
        name="demo",
        duration_s=600.0,
        circuit=HAZEL,
        key_cycles=(
            KeyCycle(relay_s=4.0, off_s=118.0),
            KeyCycle(relay_s=166.0, off_s=372.0, resistance_ohm=DRIFTED_OHM),
        ),
        throttle=pedal(
            (9.0, 15.0, 0.35), (18.0, 21.0, 0.6), (26.0, 32.0, 0.2), (38.0, 41.0, 0.45), (44.0, 50.0, 0.3),
            (55.0, 62.0, 0.25), (80.0, 86.0, 0.5), (90.0, 97.0, 0.35),
            (172.0, 178.0, 0.4), (182.0, 185.0, 0.5), (188.0, 192.0, 0.6), (198.0, 202.0, 0.7),
            (208.0, 213.0, 0.6), (219.0, 223.0, 0.7), (229.0, 234.0, 0.5), (242.0, 252.0, 0.25),
            (274.0, 280.0, 0.3), (290.0, 293.0, 1.0, STABBING_FOOT_S),
            (306.0, 314.0, 0.35), (319.0, 325.0, 0.25), (332.0, 338.0, 0.3),
        ),
        brake=pedal(
            (22.0, 25.0, 0.06), (34.0, 37.0, 0.06), (66.0, 76.0, 0.2), (100.0, 114.0, 0.2),
            (193.0, 197.0, 0.1), (203.0, 207.0, 0.1), (214.0, 218.0, 0.12), (224.0, 228.0, 0.12),
            (235.0, 240.0, 0.06), (258.0, 270.0, 0.2), (342.0, 366.0, 0.2),
        ),
        grade=Profile(((0.0, 0.0), (30.0, 0.0), (34.0, 0.03), (46.0, 0.03), (50.0, 0.0))),
        tunings=(Tuning(0.0), lively(270.0), Tuning(292.0)),
        interference=(Interference(187.0, 234.0, rate_per_s=0.5, size_rpm=500.0),),
        charge=Charge(start_s=385.0, voltage_V=332.4, end_A=14.5),
        awake_s=1.4,
    )  # fmt: skip


def healthy_drive() -> Scenario:
    """Forty seconds with nothing wrong."""
    return Scenario(
        name="healthy",
        duration_s=42.0,
        circuit=HAZEL,
        key_cycles=(KeyCycle(relay_s=2.5, off_s=38.0),),
        throttle=pedal((6.0, 12.0, 0.4), (14.0, 18.0, 0.6), (22.0, 27.0, 0.25)),
        brake=pedal((29.0, 37.0, 0.2)),
        awake_s=0.9,
    )


def troubled_drive() -> Scenario:
    """Forty seconds with a slow precharge and a disturbed encoder that ends in a trip."""
    return Scenario(
        name="troubled",
        duration_s=42.0,
        circuit=HAZEL,
        key_cycles=(KeyCycle(relay_s=2.5, off_s=40.0, resistance_ohm=DRIFTED_OHM),),
        throttle=pedal((6.0, 16.0, 0.45), (18.0, 22.0, 0.65), (25.0, 28.0, 0.5), (31.0, 34.0, 0.35)),
        brake=pedal((35.5, 40.0, 0.2)),
        interference=(Interference(8.0, 32.0, rate_per_s=0.5, size_rpm=500.0),),
        awake_s=0.9,
    )
