"""What the 12 V side is fed through: battery, converter with its cables, and both together, by steps of current."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray
from logscope.checks.aux_supply.side import Side
from logscope.findings import Measured
from logscope.observations.under_load import UnderLoad, resistance_by_steps, under_load
from logscope.signals import Part, Signals
from logscope.statistics.robust_line import Slope
from logscope.statistics.sampling import between_samples

# A car's battery has 5 to 15 mΩ, and with cables, fuses and a converter's regulation 20 to 50 mΩ; at 0.1 Ω a pump that
# takes 30 A as it starts costs 3 V (common practice, no published source).
HIGH_OHM = 0.1
_METER_SHARE = 0.02  # two meters of 1 % each (practice)
_LEAST_ROWS = 10
_KNOWN_TO = 1.0  # of the value: a resistance known to less than itself is worth saying with its limits


@dataclass(frozen=True, slots=True)
class Resistances:
    """Each None where no clear step of a known current shows it.

    battery : of the 12 V battery alone; converter : of the converter with its cables, its regulation
    source : what loads see while the converter runs, both together
    cable : of what lies between the converter's own meter and that of the 12 V side, by the difference of their levels
    """

    battery: Slope | None
    converter: Slope | None
    source: Slope | None
    cable: Measured | None

    @property
    def measured(self) -> dict[str, Measured]:
        """The values by name."""
        named = {
            "source_resistance_ohm": self.source,
            "converter_resistance_ohm": self.converter,
            "low_voltage_battery_ohm": self.battery,
        }
        found = {name: Measured(s.value, "ohm", s.low, s.high) for name, s in named.items() if s is not None}
        return found if self.cable is None else {**found, "cable_resistance_ohm": self.cable}

    @property
    def high(self) -> tuple[str, Measured] | None:
        """The worst one that is surely too high: what it is of, and the resistance."""
        named = {
            "low_voltage_battery_ohm": "12 V battery with its cables",
            "converter_resistance_ohm": "converter with its cables",
            "source_resistance_ohm": "converter and battery together",
            "cable_resistance_ohm": "cables from the converter",
        }
        sure = [(named[key], ohms) for key, ohms in self.measured.items() if (ohms.low or 0.0) > HIGH_OHM]
        return max(sure, key=lambda each: each[1].value or 0.0) if sure else None


def find_resistances(side: Side, signals: Signals) -> Resistances:
    """All that the currents show."""
    battery, converter = _current(signals, "aux_current"), _current(signals, "converter_current")
    both = [part for part in (battery, converter) if part is not None]
    loads = [part for load in signals.loads if (part := load.current) is not None and part.time_s.size > 1]
    drawn = both if len(both) == 2 else loads
    on, off = side.state(True), side.state(False)
    return Resistances(
        battery=_slope(side, off, [battery] if battery is not None else loads),
        converter=_slope(side, on, [converter] if converter is not None else []),
        source=_slope(side, on, drawn),
        cable=None if converter is None else _cable(side, signals.get("converter_voltage"), converter),
    )


def total_current(side: Side, signals: Signals) -> UnderLoad | None:
    """Voltage and all current drawn, where battery and converter current are both logged."""
    parts = [part for name in ("aux_current", "converter_current") if (part := _current(signals, name)) is not None]
    return under_load(side.time_s, side.volts, side.step_V, parts) if len(parts) == 2 else None


def _current(signals: Signals, name: str) -> Part | None:
    part = signals.get(name)
    return part if part is not None and part.time_s.size > 1 else None


def _cable(side: Side, terminals: Part | None, current: Part) -> Measured | None:
    """Difference of the two levels over the mean current; None where two meters that differ would show as much."""
    if terminals is None or terminals.time_s.size < 2:
        return None
    seen = [between_samples(part.time_s, part.value, side.time_s) for part in (terminals, current)]
    where = side.state(True) & np.isfinite(seen[0]) & np.isfinite(seen[1])
    if where.sum() < _LEAST_ROWS:
        return None
    drop_v = float(np.median(seen[0][where]) - np.median(side.volts[where]))
    amps = float(np.median(seen[1][where]))
    error_v = _METER_SHARE * float(np.median(seen[0][where])) + side.step_V / 2 + (terminals.step or 0.0) / 2
    if drop_v <= error_v or amps <= 0:
        return None
    return Measured(drop_v / amps, "ohm", (drop_v - error_v) / amps, (drop_v + error_v) / amps)


def _slope(side: Side, where: BoolArray, currents: Sequence[Part]) -> Slope | None:
    if not currents or not where.any():
        return None
    load = under_load(side.time_s[where], side.volts[where], side.step_V, currents)
    return resistance_by_steps(load, _KNOWN_TO) if load.time_s.size > 2 and load.period_s > 0 else None
