"""The drives of Hazel: the demo's story and the two sample logs."""

from __future__ import annotations

from logscope.simulate.circuits import HighVoltage
from logscope.simulate.encoder import Interference
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario, Tuning

# As hazel.toml tells her, but for what a workshop never knows exactly.
_CIRCUIT = HighVoltage(
    open_circuit_V=331.0,
    resistance_ohm=150.0,
    capacitance_F=1.02e-3,
    pack_ohm=0.09,
    loop_ohm=0.025,
    bleeder_ohm=46.5e3,
    lag_s=0.004,
)
_DRIFTED_OHM = 262.0  # the resistor after too many attempts in a row
# A try at livelier settings: the torque ramp all but off, the current loop slow and poorly damped.
_LIVELY = Tuning(286.0, loop_Hz=25.0, loop_damping=0.25, torque_ramp_Nm_per_s=12000.0)


_CALM_FOOT_S, _STABBING_FOOT_S = 0.3, 0.05  # that a press takes


def _pedal(*presses: tuple[float, ...]) -> Profile:
    """A pedal by its presses: from, until [s], how far (0–1), and how long the foot takes [s] if not calm."""
    corners: list[tuple[float, float]] = [(0.0, 0.0)]
    for start_s, end_s, position, *foot_s in presses:
        down_s = start_s + (foot_s[0] if foot_s else _CALM_FOOT_S)
        corners += [(start_s, 0.0), (down_s, position), (end_s, position), (end_s + 0.2, 0.0)]
    return Profile(tuple(corners))


def demo_drive() -> Scenario:
    """Six and a half minutes: a good start, a slow second precharge, two trips of different causes."""
    return Scenario(
        name="demo",
        duration_s=384.0,
        circuit=_CIRCUIT,
        key_cycles=(
            KeyCycle(relay_s=4.0, off_s=84.0),
            KeyCycle(relay_s=182.0, off_s=368.0, resistance_ohm=_DRIFTED_OHM),
        ),
        throttle=_pedal(
            (9.0, 15.0, 0.35), (18.0, 21.0, 0.6), (26.0, 32.0, 0.2), (38.0, 41.0, 0.45), (44.0, 50.0, 0.3),
            (55.0, 62.0, 0.25),
            (188.0, 194.0, 0.4), (198.0, 201.0, 0.5), (204.0, 208.0, 0.6), (214.0, 218.0, 0.7),
            (224.0, 229.0, 0.6), (235.0, 239.0, 0.7), (245.0, 250.0, 0.5), (258.0, 268.0, 0.25),
            (290.0, 296.0, 0.3), (302.0, 305.0, 1.0, _STABBING_FOOT_S),
            (318.0, 326.0, 0.35), (331.0, 337.0, 0.25), (342.0, 346.0, 0.3),
        ),
        brake=_pedal(
            (22.0, 25.0, 0.06), (34.0, 37.0, 0.06), (68.0, 80.0, 0.2), (209.0, 213.0, 0.1),
            (219.0, 223.0, 0.1), (230.0, 234.0, 0.12), (240.0, 244.0, 0.12), (251.0, 256.0, 0.06),
            (274.0, 286.0, 0.2), (350.0, 364.0, 0.2),
        ),
        grade=Profile(
            ((0.0, 0.0), (30.0, 0.0), (34.0, 0.03), (46.0, 0.03), (50.0, 0.0))
        ),
        tunings=(Tuning(0.0), _LIVELY, Tuning(304.0)),
        interference=(Interference(203.0, 250.0, rate_per_s=0.5, size_rpm=500.0),),
        awake_s=1.4,
    )  # fmt: skip


def healthy_drive() -> Scenario:
    """Forty seconds with nothing wrong."""
    return Scenario(
        name="healthy",
        duration_s=42.0,
        circuit=_CIRCUIT,
        key_cycles=(KeyCycle(relay_s=2.5, off_s=38.0),),
        throttle=_pedal((6.0, 12.0, 0.4), (14.0, 18.0, 0.6), (22.0, 27.0, 0.25)),
        brake=_pedal((29.0, 37.0, 0.2)),
        awake_s=0.9,
    )


def troubled_drive() -> Scenario:
    """Forty seconds with a slow precharge and a disturbed encoder that ends in a trip."""
    return Scenario(
        name="troubled",
        duration_s=42.0,
        circuit=_CIRCUIT,
        key_cycles=(KeyCycle(relay_s=2.5, off_s=40.0, resistance_ohm=_DRIFTED_OHM),),
        throttle=_pedal((6.0, 16.0, 0.45), (18.0, 22.0, 0.65), (25.0, 28.0, 0.5), (31.0, 34.0, 0.35)),
        brake=_pedal((35.5, 40.0, 0.2)),
        interference=(Interference(8.0, 32.0, rate_per_s=0.5, size_rpm=500.0),),
        awake_s=0.9,
    )
