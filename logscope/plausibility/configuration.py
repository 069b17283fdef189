"""Values of the vehicle file that were probably entered in another unit, and what was probably meant.

What cannot be meant at all is refused when the file is read; here are values that are only most unlikely. They are
taken out, so that no check uses them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from logscope.findings import Finding, Measured, Severity
from logscope.physics.cell import is_one_cell
from logscope.plausibility.name import place_of
from logscope.signals import Signals
from logscope.vehicle import Vehicle

# A precharge is over before a person waits for it, and long enough that a contactor can follow it (practice).
_SHORTEST_S, _LONGEST_S = 1e-3, 60.0
_MOST_BLED_W = 1000.0  # a resistor that is always at the link takes a few watts, one that is switched on some hundred


@dataclass(frozen=True, slots=True)
class _Usual:
    """Between which a value of the vehicle file lies for nearly every conversion; `units` : (factor, entered in)."""

    section: str
    key: str
    lowest: float
    highest: float
    unit: str
    units: tuple[tuple[float, str], ...]


# From a quad to a lorry (practice): what lies outside was entered in another unit, or inverted.
_USUAL = (
    _Usual("driveline", "wheel_radius_m", 0.1, 0.8, "m", ((0.01, "cm"), (0.001, "mm"), (0.0254, "inches"))),
    _Usual("driveline", "mass_kg", 100.0, 40_000.0, "kg", ((1000.0, "t"), (0.001, "g"))),
    _Usual("motor", "rotor_inertia_kgm2", 1e-4, 5.0, "kg·m²", ((1e-4, "kg·cm²"), (1e-6, "kg·mm²"))),
    _Usual("motor", "max_speed_rpm", 500.0, 40_000.0, "rpm", ((1000.0, "thousands"), (9.549, "rad/s"))),
    _Usual("motor", "max_torque_Nm", 5.0, 3000.0, "Nm", ((1000.0, "kNm"),)),
    _Usual("limits", "motor_current_A", 10.0, 3000.0, "A", ((1000.0, "kA"),)),
    _Usual("limits", "battery_max_V", 20.0, 1500.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "battery_min_V", 10.0, 1500.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "aux_min_V", 5.0, 50.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "aux_max_V", 6.0, 60.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "cell_min_V", 0.5, 4.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "cell_max_V", 1.0, 5.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("limits", "charge_current_A", 1.0, 1500.0, "A", ((1000.0, "kA"), (0.001, "mA"))),
    _Usual("limits", "battery_temperature_min_C", -60.0, 40.0, "°C", ()),
    _Usual("limits", "battery_temperature_max_C", 20.0, 90.0, "°C", ()),
    _Usual("cooling", "continuous_current_A", 5.0, 2000.0, "A", ((1000.0, "kA"), (0.001, "mA"))),
    _Usual("aux", "converter_V", 6.0, 60.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("aux", "coil_hold_V", 1.0, 48.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("charging", "charger_max_V", 20.0, 1500.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
    _Usual("charging", "charger_max_current_A", 1.0, 1000.0, "A", ((1000.0, "kA"), (0.001, "mA"))),
    _Usual("charging", "charger_max_power_W", 50.0, 400_000.0, "W", ((1000.0, "kW"),)),
    _Usual("charging", "end_current_A", 0.05, 200.0, "A", ((1000.0, "kA"), (0.001, "mA"))),
    _Usual("limits", "motor_temperature_C", 50.0, 250.0, "°C", ()),
    _Usual("limits", "inverter_temperature_C", 40.0, 180.0, "°C", ()),
    _Usual("limits", "coolant_temperature_C", 30.0, 120.0, "°C", ()),
    _Usual("dc_link", "max_voltage_V", 20.0, 1500.0, "V", ((1000.0, "kV"), (0.001, "mV"))),
)


@dataclass(frozen=True, slots=True)
class Unlikely:
    """A value, or values together, of the vehicle file.

    section, keys : where they stand; fact : what is unlikely; meant : what to write instead, where that is clear
    value, lowest, highest, unit : what is unlikely and its usual range; name : what that is, with the unit
    """

    section: str
    keys: tuple[str, ...]
    fact: str
    meant: str
    name: str
    value: float
    lowest: float
    highest: float
    unit: str

    @property
    def values(self) -> tuple[tuple[str, str], ...]:
        """Section and key of each value."""
        return tuple((self.section, key) for key in self.keys)


# What a file states of a single cell that is charged by itself.
_OF_A_CELL = frozenset({
    ("limits", "battery_max_V"), ("limits", "battery_min_V"), ("limits", "charge_current_A"),
    ("charging", "charger_max_V"), ("charging", "charger_max_current_A"), ("charging", "charger_max_power_W"),
    ("charging", "end_current_A"),
})  # fmt: skip


def unlikely(vehicle: Vehicle, signals: Signals) -> Iterator[Unlikely]:
    """The values of the vehicle file that are most unlikely to be meant."""
    volts = signals.get("battery_voltage") or signals.get("charger_voltage")
    one_cell = volts is not None and is_one_cell(float(volts.value.max(initial=0.0)))
    together = [*_time_constant(vehicle), *_swapped_limits(vehicle), *_link(vehicle)]
    yield from together
    said = {value for each in together for value in each.values}
    for usual in _USUAL:
        value = getattr(getattr(vehicle, usual.section), usual.key)
        of = (usual.section, usual.key)
        if value is None or of in said or (one_cell and of in _OF_A_CELL):
            continue
        if not usual.lowest <= value <= usual.highest:
            yield _unusual(usual, value)
    ratio = vehicle.driveline.ratio
    if ratio is not None and not 1.0 <= ratio <= 40.0:
        meant = f"ratio = {1.0 / ratio:.4g}, if it was entered inverted" if 1.0 <= 1.0 / ratio <= 40.0 else ""
        fact = f"{ratio:g} motor turns per turn of the wheel"
        yield Unlikely("driveline", ("ratio",), fact, meant, "ratio", ratio, 1.0, 40.0, "")


def without_values(vehicle: Vehicle, values: Iterable[tuple[str, str]]) -> Vehicle:
    """The vehicle file as if these values, each a section and a key, were not in it."""
    for section, key in values:
        without = getattr(vehicle, section).model_copy(update={key: None})
        vehicle = vehicle.model_copy(update={section: without})
    return vehicle


def _time_constant(vehicle: Vehicle) -> Iterator[Unlikely]:
    precharge, constant = vehicle.precharge, vehicle.precharge.time_constant_s
    if constant is None or _SHORTEST_S <= constant <= _LONGEST_S:
        return
    ohm, farad = precharge.resistance_ohm, precharge.capacitance_uF
    assert ohm is not None
    assert farad is not None
    readings = (
        (constant * 1e6, f"capacitance_uF = {farad * 1e6:.4g}", "the capacitance was entered in F"),
        (constant * 1e3, f"capacitance_uF = {farad * 1e3:.4g}", "the capacitance was entered in mF"),
        (constant * 1e3, f"resistance_ohm = {ohm * 1e3:.4g}", "the resistance was entered in kΩ"),
        (constant * 1e-3, f"capacitance_uF = {farad * 1e-3:.4g}", "the capacitance was entered in nF"),
    )
    meant = " or ".join(f"{write}, if {why}" for value, write, why in readings if 0.01 <= value <= 5.0)
    fact = f"{ohm:g} Ω and {farad:g} µF give a time constant of {constant:.3g} s"
    keys = ("resistance_ohm", "capacitance_uF")
    yield Unlikely("precharge", keys, fact, meant, "time_constant_s", constant, _SHORTEST_S, _LONGEST_S, "s")


def _swapped_limits(vehicle: Vehicle) -> Iterator[Unlikely]:
    for of, name in (("battery", "battery"), ("cell", "cell"), ("aux", "12 V")):
        low_key, high_key = f"{of}_min_V", f"{of}_max_V"
        lowest, highest = getattr(vehicle.limits, low_key), getattr(vehicle.limits, high_key)
        if lowest is not None and highest is not None and lowest >= highest:
            fact = f"the lowest {name} voltage, {lowest:g} V, is not below the highest, {highest:g} V"
            meant = f"{low_key} = {highest:g} and {high_key} = {lowest:g}, if they were swapped"
            yield Unlikely("limits", (high_key, low_key), fact, meant, low_key, lowest, 0.0, highest, "V")


def _link(vehicle: Vehicle) -> Iterator[Unlikely]:
    """A link that may not even have an empty battery's voltage, or whose bleeder is a heater."""
    highest, emptiest = vehicle.dc_link.max_voltage_V, vehicle.limits.battery_min_V
    if highest is not None and emptiest is not None and highest < emptiest:
        fact = f"max_voltage_V = {highest:g}, below the emptiest battery, {emptiest:g} V"
        yield Unlikely("dc_link", ("max_voltage_V",), fact, "", "max_voltage_V", highest, emptiest, 1500.0, "V")
    ohm, full_v = vehicle.dc_link.bleeder_ohm, vehicle.limits.battery_max_V
    if ohm is not None and full_v is not None and full_v**2 / ohm > _MOST_BLED_W:
        fact = f"a bleeder of {ohm:g} Ω takes {full_v**2 / ohm / 1000:.3g} kW from a full battery"
        least = full_v**2 / _MOST_BLED_W
        meant = f"bleeder_ohm = {1000 * ohm:.0f}, if it was entered in kΩ" if 1000 * ohm > least else ""
        yield Unlikely("dc_link", ("bleeder_ohm",), fact, meant, "bleeder_ohm", ohm, least, 1e6, "ohm")


def _unusual(usual: _Usual, value: float) -> Unlikely:
    readings = ((value * factor, unit) for factor, unit in usual.units)
    meant = next(
        (f"{usual.key} = {v:.4g}, if it was entered in {u}" for v, u in readings if usual.lowest <= v <= usual.highest),
        "",
    )
    fact = f"{usual.key} = {value:g}"
    return Unlikely(
        usual.section, (usual.key,), fact, meant, usual.key, value, usual.lowest, usual.highest, usual.unit
    )  # fmt: skip


def unlikely_finding(unlikely: Unlikely, vehicle: Vehicle, signals: Signals) -> Finding:
    """A value that is most unlikely to be meant, and is not used."""
    key = unlikely.keys[-1]
    place = place_of(unlikely.section, key, vehicle)
    usual = f"{unlikely.lowest:g} to {unlikely.highest:g} {unlikely.unit}".strip()
    write = f"Write {unlikely.meant}." if unlikely.meant else "Check the value and its unit."
    return Finding(
        kind="mapping.configuration",
        severity=Severity.WARNING,
        start_s=signals.start_s,
        end_s=signals.end_s,
        title=f"Vehicle file, “{unlikely.section}.{key}”: {unlikely.fact}",
        explanation=f"{unlikely.fact[0].upper()}{unlikely.fact[1:]}; the usual range is {usual}. No check used it.",
        next_step=f"“{unlikely.section}.{key}”{place}: {write}",
        parts=(),
        measured={unlikely.name: Measured(unlikely.value, unlikely.unit)},
        expected={unlikely.name: Measured(None, unlikely.unit, unlikely.lowest, unlikely.highest)},
    )
