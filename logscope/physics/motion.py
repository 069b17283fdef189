"""How fast a motor shaft can change its speed, and how finely an encoder can resolve it."""

from __future__ import annotations

from math import pi

STANDARD_GRAVITY = 9.80665  # m/s², by definition (3rd General Conference on Weights and Measures, 1901)
_RPM_PER_RAD_PER_S = 60.0 / (2.0 * pi)


def free_spin_slew(max_torque_Nm: float, rotor_inertia_kgm2: float) -> float:
    """Fastest change of speed of a rotor that turns nothing but itself [rpm/s]: 60/(2π)·T/J.

    Newton's second law for rotation; no shaft driven by this motor alone can be faster.

    max_torque_Nm : largest torque of the motor [Nm]
    rotor_inertia_kgm2 : moment of inertia of the rotor [kg·m²]

    >>> round(free_spin_slew(160, 0.05))
    30558
    """
    return _RPM_PER_RAD_PER_S * max_torque_Nm / rotor_inertia_kgm2


def tyre_limited_slew(ratio: float, wheel_radius_m: float, grip: float = 1.0) -> float:
    """Fastest change of motor speed in gear while the tyres hold [rpm/s]: 60/(2π)·µ·g·G/r.

    ratio : motor turns for one turn of the wheel [1]
    wheel_radius_m : rolling radius of the tyre [m]
    grip : friction of tyre on road, the car's acceleration as a multiple of g [1]

    >>> round(tyre_limited_slew(9, 0.30))
    2809
    """
    return _RPM_PER_RAD_PER_S * grip * STANDARD_GRAVITY * ratio / wheel_radius_m


def count_quantum(pulses_per_rev: float, window_s: float) -> float:
    """Speed that one count in the counting window stands for [rpm]: 60/(N·T), whatever the speed.

    Count (M) method: Ohmae, Matsuda, Kamiyama, Tachikawa, IEEE Trans. Ind. Electron. IE-29 (1982).

    pulses_per_rev : counts in one turn [1]
    window_s : time over which they are counted [s]

    >>> count_quantum(60, 0.010)
    100.0
    """
    return 60.0 / (pulses_per_rev * window_s)
