"""A 12 V lead-acid battery: what charges it, where it stands at rest, and when it is empty."""

from __future__ import annotations

CELLS = 6
END_OF_DISCHARGE_V = 1.75 * CELLS  # per cell, the usual end of a discharge test (IEC 60896, value from memory)
# At rest and full: 2.12 V a cell. Straight after a charge it stands higher for minutes to hours (practice).
FULL_AT_REST_V = 2.12 * CELLS
_CHARGES_V, _AT_C = 2.40, 20.0  # a cell, cyclic charging below the gassing voltage
_PER_K = -0.005  # V a cell and kelvin; makers state −3 to −5 mV
_COLDEST_C = -20.0


def charging_voltage_v(temperature_c: float) -> float:
    """The highest voltage that charges a 12 V lead-acid battery without more gas than it can take [V].

    2.40 V a cell at 20 °C, and 5 mV a cell more for each kelvin less (makers' data sheets; values from memory).

    >>> round(charging_voltage_v(20.0), 2)
    14.4
    """
    return CELLS * (_CHARGES_V + _PER_K * (temperature_c - _AT_C))


def open_circuit_voltage_v(density_kg_per_l: float) -> float:
    """Voltage at rest from the density of the acid [V]: a cell has 0.84 V more than its kg/L (rule of the trade).

    >>> round(open_circuit_voltage_v(1.28), 2)
    12.72
    """
    return CELLS * (density_kg_per_l + 0.84)


HIGHEST_CHARGING_V = charging_voltage_v(_COLDEST_C)  # more is needed at no temperature in which people drive
