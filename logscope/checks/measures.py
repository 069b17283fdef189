"""The measures of all checks, for comparisons and trends. A check joins by adding its rows here."""

from __future__ import annotations

from logscope.measures import Aim, EventRate, Measure, NoiseFloor, Repeated, Scatter
from logscope.observations.motor_speed.model import speed_model
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_LEAST_SAMPLES = 10  # a speed model needs as many

# Resistors change by some 1 % in the heat of a pulse, and sensors by as much with the temperature (practice).
_CIRCUIT_REPEATS, _CIRCUIT_MATTERS = 0.01, 0.03
# Rubber, film and electrolyte of a link's capacitor and its bleeder move by a few percent with the season (practice).
_BLEEDER_MATTERS = 0.05
# A controller closes the contactor one message period earlier or later: a volt or two at the end of a precharge.
_CLOSING_REPEATS_V, _CLOSING_MATTERS_V = 1.0, 3.0
# Where roads and temperatures differ, noise does by some 10 %; less than a fifth says nothing about wiring (practice).
_NOISE_MATTERS = 0.2
# Drives of like speed and load still differ in torque, road and weather, and rates with them by some 10 % (practice).
_RATE_MATTERS = 0.1
_BEFORE_DISTURBANCE_S = 0.2  # disturbed readings and the surge they cause lie behind this
_BEFORE_TRIP_S = 0.5  # likewise the surge that leads to a trip


def _speed_samples(signals: Signals, vehicle: Vehicle) -> Scatter | None:
    """New values of the motor speed only, where the log repeats each."""
    speed = signals.get("motor_speed")
    if speed is None or speed.time_s.size < _LEAST_SAMPLES or speed.time_s[-1] <= speed.time_s[0]:
        return None
    model = speed_model(speed, vehicle)
    return Scatter(speed.time_s[:: model.repeat], speed.value[:: model.repeat], model.quantum_rpm)


# A pack's resistance moves by some percent with each ten kelvin and with its charge (practice).
_PACK_REPEATS, _PACK_MATTERS = 0.02, 0.05
# A small battery and its joints move more with temperature and charge than a pack (practice).
_JOINTS_REPEAT, _JOINTS_MATTER = 0.05, 0.15
# Overshoot differs from step to step by a percent or two; five are felt and seen (practice).
_OVERSHOOT_REPEATS, _OVERSHOOT_MATTERS = 2.0, 5.0
# The tyres' grip and the load damp a driveline's judder, by a tenth from launch to launch; a fifth is felt (practice).
_JUDDER_REPEATS, _JUDDER_MATTERS = 0.1, 0.2
# The pace of a taper follows the pack's resistance and temperature; a tenth means cells or joints (practice).
_TAPER_REPEATS, _TAPER_MATTERS = 0.05, 0.10
# A charger's efficiency moves with mains voltage and load by half a percent; two are worth looking for (practice).
_EFFICIENCY_REPEATS, _EFFICIENCY_MATTERS = 0.5, 2.0
# Air, road speed and the coolant's temperature move what a radiator and a film of coolant carry, by some percent from
# drive to drive; a tenth is a pump, a paste or a bubble (practice).
_THERMAL_REPEATS, _THERMAL_MATTERS = 0.05, 0.1


MEASURES: tuple[Measure, ...] = (
    EventRate(
        name="speed_disturbances_per_min",
        title="Speed disturbances while driving",
        unit="1/min",
        kinds=("encoder.spike", "encoder.dropout", "encoder.hold", "encoder.reversal", "encoder.burst"),
        part="motor_speed",
        lead_s=_BEFORE_DISTURBANCE_S,
        margin=_RATE_MATTERS,
        sections=("motor", "driveline"),
        threshold=("peak_deviation_rpm", "smallest_seen_rpm"),
    ),
    EventRate(
        name="trips_per_h",
        title="Trips while driving",
        unit="1/h",
        kinds=("trip.overcurrent", "trip.other"),
        part="fault",
        lead_s=_BEFORE_TRIP_S,
        margin=_RATE_MATTERS,
    ),
    NoiseFloor(
        name="speed_noise_rpm",
        title="Noise of the motor speed",
        unit="rpm",
        part="motor_speed",
        samples=_speed_samples,
        margin=_NOISE_MATTERS,
    ),
    Repeated(
        name="precharge_time_constant_s",
        title="Precharge time constant",
        unit="s",
        kinds=("precharge.",),
        value="time_constant_s",
        ratio=True,
        aim=Aim.EXPECTED,
        repeatability=_CIRCUIT_REPEATS,
        margin=_CIRCUIT_MATTERS,
    ),
    Repeated(
        name="closing_difference_V",
        title="Voltage difference at closing",
        unit="V",
        kinds=("precharge.",),
        value="close_difference_V",
        ratio=False,
        aim=Aim.LOWER,
        repeatability=_CLOSING_REPEATS_V,
        margin=_CLOSING_MATTERS_V,
    ),
    Repeated(
        name="bleed_down_time_constant_s",
        title="Discharge time constant",
        unit="s",
        kinds=("dc_link.",),
        value="time_constant_s",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_CIRCUIT_REPEATS,
        margin=_BLEEDER_MATTERS,
    ),
    Repeated(
        name="battery_resistance_ohm",
        title="Battery resistance",
        unit="ohm",
        kinds=("battery.resistance",),
        value="resistance_ohm",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_PACK_REPEATS,
        margin=_PACK_MATTERS,
    ),
    Repeated(
        name="low_voltage_source_ohm",
        title="Source resistance of the 12 V side",
        unit="ohm",
        kinds=("aux.dip",),
        value="source_resistance_ohm",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_JOINTS_REPEAT,
        margin=_JOINTS_MATTER,
    ),
    Repeated(
        name="low_voltage_battery_ohm",
        title="Resistance of the 12 V battery",
        unit="ohm",
        kinds=("aux.dip",),
        value="low_voltage_battery_ohm",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_JOINTS_REPEAT,
        margin=_JOINTS_MATTER,
    ),
    Repeated(
        name="overshoot_percent",
        title="Overshoot of the current or torque control",
        unit="%",
        kinds=("current_control.response",),
        value="overshoot_percent",
        ratio=False,
        aim=Aim.LOWER,
        repeatability=_OVERSHOOT_REPEATS,
        margin=_OVERSHOOT_MATTERS,
    ),
    Repeated(
        name="judder_damping_ratio",
        title="Damping ratio of launch judder",
        unit="1",
        kinds=("driveline.judder",),
        value="damping_ratio",
        ratio=True,
        aim=Aim.HIGHER,
        repeatability=_JUDDER_REPEATS,
        margin=_JUDDER_MATTERS,
    ),
    Repeated(
        name="taper_time_constant_s",
        title="Taper time constant of the charge",
        unit="s",
        kinds=("charge.",),
        value="taper_time_constant_s",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_TAPER_REPEATS,
        margin=_TAPER_MATTERS,
    ),
    Repeated(
        name="charging_efficiency_percent",
        title="Charging efficiency",
        unit="%",
        kinds=("charge.",),
        value="efficiency_percent",
        ratio=False,
        aim=Aim.HIGHER,
        repeatability=_EFFICIENCY_REPEATS,
        margin=_EFFICIENCY_MATTERS,
    ),
    Repeated(
        name="motor_rise_at_100A_K",
        title="Rise of the motor above the coolant at 100 A",
        unit="K",
        kinds=("cooling.motor",),
        value="rise_at_100A_K",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_THERMAL_REPEATS,
        margin=_THERMAL_MATTERS,
    ),
    Repeated(
        name="inverter_rise_at_100A_K",
        title="Rise of the inverter above the coolant at 100 A",
        unit="K",
        kinds=("cooling.inverter",),
        value="rise_at_100A_K",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_THERMAL_REPEATS,
        margin=_THERMAL_MATTERS,
    ),
    Repeated(
        name="inverter_cooling_time_constant_s",
        title="Time constant of the inverter on its coolant",
        unit="s",
        kinds=("cooling.inverter",),
        value="time_constant_s",
        ratio=True,
        aim=Aim.LOWER,
        repeatability=_THERMAL_REPEATS,
        margin=_THERMAL_MATTERS,
    ),
)
