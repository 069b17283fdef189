"""A battery as a source with a resistance: V = OCV − I·R, current positive while discharging."""

from __future__ import annotations


def pulse_resistance_ohm(before_v: float, after_v: float, before_a: float, after_a: float) -> float:
    """Resistance from a step of current [ohm]: |U(before) − U(t)|/|ΔI|, as IEC 62660-1 and ISO 12405-4 define it.

    It belongs to the time t between the step and the second voltage: slower processes in the cells add to it later.

    >>> round(pulse_resistance_ohm(320.0, 304.0, 0.0, 200.0), 3)
    0.08
    """
    return (before_v - after_v) / (after_a - before_a)


def power_at_voltage_w(open_circuit_v: float, resistance_ohm: float, least_v: float) -> float:
    """Most power that can be drawn before the terminals fall to a voltage [W]: V·(OCV − V)/R, at V = OCV/2 at the most.

    Kirchhoff's voltage law, and maximum power transfer below half of the open-circuit voltage.

    >>> power_at_voltage_w(320.0, 0.08, 240.0)
    240000.0
    """
    at_v = max(least_v, open_circuit_v / 2.0)
    return at_v * (open_circuit_v - at_v) / resistance_ohm
