"""The catalogue: healthy drives and faults of every kind and cause, each fault at several severities.

A case is a drive of Hazel with one thing wrong, or nothing. `vary` turns it into one of many alike:
other pedals, another pack voltage, other tolerances of resistor and capacitor.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import Charge, Pack
from logscope.simulate.encoder import Encoder, EncoderFault, Fault, Interference
from logscope.simulate.hazel_drives import DRIFTED_OHM, HAZEL, STABBING_FOOT_S, lively, pedal
from logscope.simulate.machine import Inverter
from logscope.simulate.scenarios import KeyCycle, Profile, Scenario, Tuning
from logscope.simulate.thermal import Cooling, SensorFault

_PUSH = pedal((4.0, 9.0, 0.45), (11.0, 15.0, 0.7), (16.5, 19.0, 0.3))
_LEVEL = Profile(((0.0, 0.0),))
_BRAKE = pedal((20.0, 25.0, 0.2))
_HARD_BRAKE = pedal((20.0, 25.0, 0.5))
# A moment at speed with the foot down, one at speed with the foot off, and one of hard braking.
_LOADED_S, _COASTING_S, _BRAKING_S = 13.5, 15.7, 21.0
_FOOT_SHARE, _PACK_SHARE, _PART_SHARE = 0.1, 0.03, 0.05  # by which `vary` lets things differ


@dataclass(frozen=True, slots=True)
class Case:
    """A scenario of the catalogue. `severity` orders the cases of a family, 1 the mildest; 0 is healthy."""

    family: str
    severity: int
    scenario: Scenario

    @property
    def name(self) -> str:
        """Family and severity, as the scorer prints them."""
        return self.family if self.severity == 0 else f"{self.family} {self.severity}"


def healthy() -> tuple[Case, ...]:
    """Drives with nothing wrong, some of them harsh."""
    base = _drive("healthy")
    hill = Profile(((0.0, 0.0), (6.0, 0.0), (9.0, 0.12), (17.0, 0.12), (19.0, 0.0)))
    stand = pedal((4.0, 7.0, 0.03), (11.0, 11.6, 0.15), (17.0, 20.0, 0.02))
    scenarios = {
        "city": base,
        "cold start": replace(
            base,
            circuit=replace(HAZEL, pack_ohm=0.2, open_circuit_V=318.0),
            cooling=Cooling(ambient_C=-8.0),
            aux=AuxSupply(battery_V=12.2, battery_ohm=0.06),
        ),
        "hot restart": replace(
            base,
            duration_s=46.0,
            key_cycles=(KeyCycle(1.5, 12.0), KeyCycle(19.0, 42.0)),
            throttle=pedal((4.0, 9.0, 0.45), (24.0, 32.0, 0.6)),
            brake=pedal((9.5, 11.5, 0.2), (34.0, 40.0, 0.2)),
        ),
        "hill": replace(base, grade=hill, throttle=pedal((4.0, 18.0, 0.8))),
        "gravel": replace(
            base, grip=Profile(((0.0, 0.35),)), throttle=pedal((4.0, 7.0, 0.9, 0.05), (9.0, 14.0, 0.8, 0.05))
        ),
        "traffic": replace(
            base,
            duration_s=60.0,
            key_cycles=(KeyCycle(1.5, 56.0),),
            throttle=pedal((4.0, 6.0, 0.2), (20.0, 22.0, 0.15), (40.0, 43.0, 0.2)),
            brake=pedal((7.0, 19.0, 0.2), (23.0, 39.0, 0.2), (45.0, 55.0, 0.2)),
        ),
        "stand": replace(base, grip=_LEVEL, throttle=stand, brake=_LEVEL),
        "neutral": replace(
            base,
            throttle=pedal((4.0, 9.0, 0.45), (19.0, 19.8, 0.05), (22.0, 22.5, 0.12, STABBING_FOOT_S)),
            brake=pedal((10.0, 25.0, 0.2)),
            ratio=Profile(((0.0, 8.2), (18.0, 8.2), (18.001, 0.0))),
        ),
        "charge": replace(
            base,
            duration_s=330.0,
            key_cycles=(),
            throttle=_LEVEL,
            brake=_LEVEL,
            charge=Charge(4.0, voltage_V=332.6, end_A=14.0),
        ),
        "charge, converter running": replace(
            base,
            duration_s=330.0,
            key_cycles=(),
            throttle=_LEVEL,
            brake=_LEVEL,
            charge=Charge(4.0, voltage_V=332.8, end_A=10.0, load_A=2.0),
        ),
    }
    return tuple(Case(name, 0, replace(scenario, name=name)) for name, scenario in scenarios.items())


def faults() -> tuple[Case, ...]:
    """Every family of faults, its severities in order."""
    families = (
        *_high_voltage(), *_contactor(), *_encoder(), *_trips(), *_cooling(), *_low_voltage(), *_charging()
    )  # fmt: skip
    return tuple(
        Case(family, severity, replace(scenario, name=f"{family} {severity}"))
        for family, scenarios in families
        for severity, scenario in enumerate(scenarios, start=1)
    )


def vary(scenario: Scenario, seed: int) -> Scenario:
    """The same story with other pedals, pack voltage, resistor and capacitor, all within what is sound."""
    rng = np.random.default_rng([seed, 7])
    circuit = scenario.circuit
    foot = 1.0 + rng.uniform(-_FOOT_SHARE, _FOOT_SHARE)
    # with a stab it is the trip that is the story, and it must not depend on the draw
    corners = tuple((t, min(v * foot, 1.0) if v < 1.0 else v) for t, v in scenario.throttle.corners)
    # what a charger is asked for belongs to its pack, which then stays as it is
    pack = 1.0 if scenario.charge is not None else 1.0 + rng.uniform(-_PACK_SHARE, _PACK_SHARE)
    return replace(
        scenario,
        throttle=Profile(corners),
        circuit=replace(
            circuit,
            open_circuit_V=circuit.open_circuit_V * pack,
            resistance_ohm=circuit.resistance_ohm * (1.0 + rng.uniform(-_PART_SHARE, _PART_SHARE)),
            capacitance_F=circuit.capacitance_F * (1.0 + rng.uniform(-_PART_SHARE, _PART_SHARE)),
        ),
    )


_Families = Iterator[tuple[str, tuple[Scenario, ...]]]


def _drive(name: str) -> Scenario:
    """Half a minute: precharge, three presses of the pedal, brake, key off."""
    return Scenario(
        name=name,
        duration_s=30.0,
        circuit=HAZEL,
        key_cycles=(KeyCycle(1.5, 26.0),),
        throttle=_PUSH,
        brake=_BRAKE,
        awake_s=0.5,
    )


def _standing(cycle: KeyCycle, duration_s: float = 12.0) -> Scenario:
    """Key on and off with the foot off the pedal."""
    return replace(_drive("standing"), duration_s=duration_s, key_cycles=(cycle,), throttle=_LEVEL, brake=_LEVEL)


def _high_voltage() -> _Families:
    """Precharge and discharge on Hazel herself; `precharge_cases` draws other circuits."""
    on, off = 1.5, 9.0
    cycles = {
        "precharge.slow": [KeyCycle(on, off, resistance_ohm=ohm) for ohm in (200.0, DRIFTED_OHM, 400.0)],
        "precharge.fast": [KeyCycle(on, off, resistance_ohm=ohm) for ohm in (105.0, 75.0, 40.0)],
        "precharge.stalled, resistive load": [KeyCycle(on, off, parallel_ohm=o) for o in (1200.0, 400.0, 150.0)],
        "precharge.stalled, constant power": [
            KeyCycle(on, off, power_W=watt, cut_in_V=200.0) for watt in (60.0, 120.0, 200.0)
        ],
        "precharge.no_rise": [KeyCycle(on, off, resistance_ohm=1e9, retries=1, timeout_s=1.5)],
        "precharge.interrupted": [KeyCycle(on, off, drop_out_s=s) for s in (0.35, 0.2, 0.08)],
        "precharge.closed_early": [KeyCycle(on, off, close_fraction=f, close_delay_s=0.0) for f in (0.9, 0.75, 0.4)],
        "precharge.bypassed": [KeyCycle(on, off, resistance_ohm=ohm) for ohm in (1.0, 0.05)],
    }
    for family, each in cycles.items():
        yield family, tuple(_standing(cycle) for cycle in each)
    plain = _standing(KeyCycle(1.5, 5.0), duration_s=100.0)
    yield (
        "dc_link.slow_discharge",
        tuple(replace(plain, circuit=replace(HAZEL, bleeder_ohm=ohm)) for ohm in (200e3, 600e3)),
    )
    yield "dc_link.stays_live, open bleeder", (replace(plain, circuit=replace(HAZEL, bleeder_ohm=inf)),)
    yield "dc_link.stays_live, welded", (_standing(KeyCycle(1.5, 5.0, welded=True), duration_s=60.0),)
    weak = AuxSupply(battery_ohm=0.35)
    yield "precharge.interrupted, weak 12 V", (replace(_standing(KeyCycle(on, off, drop_out_s=0.15)), aux=weak),)


def _contactor() -> _Families:
    base = _drive("contactor")
    late = Profile(((0.0, 0.0), (4.0, 0.0), (4.3, 0.7), (16.2, 0.7)))
    yield (
        "contactor.opened_under_load",
        tuple(
            replace(
                base,
                key_cycles=(KeyCycle(1.5, 12.0, under_load=True),),
                throttle=Profile(tuple((t, v * share) for t, v in late.corners)),
                brake=_LEVEL,
            )
            for share in (0.3, 1.0)
        ),
    )
    yield (
        "contactor.dropout",
        tuple(
            replace(base, key_cycles=(KeyCycle(1.5, 26.0, dropouts=((at_s, at_s + span_s),)),))
            for at_s, span_s in ((_COASTING_S, 0.1), (_LOADED_S, 0.03), (_LOADED_S, 0.5))
        ),
    )


def _encoder() -> _Families:
    base = _drive("encoder")

    def scripted(kind: Fault, spans_s: tuple[float, ...], *sizes: float) -> tuple[Scenario, ...]:
        """While coasting, where a wrong reading does not yet trip the inverter."""
        made = []
        for span_s, size in zip(spans_s, sizes or [0.0] * len(spans_s), strict=True):
            fault = EncoderFault(kind, _COASTING_S, _COASTING_S + span_s, size)
            made.append(replace(base, encoder_faults=(fault,)))
        return tuple(made)

    yield "encoder.spike", scripted(Fault.SPIKE, (0.01, 0.01, 0.01), 300.0, 900.0, 2500.0)
    yield "encoder.dropout", scripted(Fault.DROPOUT, (0.01, 0.04, 0.15))
    yield "encoder.hold", scripted(Fault.HOLD, (0.1, 0.3, 0.6))
    # While the car brakes the speed departs from a frozen reading; under power the slip control holds it there.
    yield (
        "encoder.hold, braking",
        tuple(
            replace(
                base,
                brake=_HARD_BRAKE,
                encoder_faults=(EncoderFault(Fault.HOLD, _BRAKING_S, _BRAKING_S + span_s),),
            )
            for span_s in (0.15, 0.3, 0.6)
        ),
    )
    yield "encoder.reversal", scripted(Fault.REVERSAL, (0.01, 0.05))
    yield (
        "encoder, interference",
        tuple(replace(base, interference=(Interference(3.0, 20.0, rate, 400.0),)) for rate in (0.05, 0.2, 0.8)),
    )
    yield (
        "encoder.ripple, eccentric",
        tuple(replace(base, encoder=Encoder(eccentricity=e)) for e in (0.02, 0.05, 0.1)),
    )
    yield (
        "encoder.ripple, lost lines",
        tuple(replace(base, encoder=Encoder(lost_counts=n)) for n in (4.0, 16.0)),
    )
    yield (
        "encoder.scale",
        tuple(replace(base, logged_speed_scale=scale) for scale in (0.9, 1.25, 2.0)),
    )


def _trips() -> _Families:
    base = _drive("trip")
    stab = pedal((4.0, 9.0, 0.45), (12.0, 15.0, 1.0, STABBING_FOOT_S))
    steady = pedal((4.0, 12.0, 1.0))
    yield (
        "trip.overcurrent, encoder",
        tuple(
            replace(base, encoder_faults=(EncoderFault(Fault.DROPOUT, _LOADED_S, _LOADED_S + span_s),))
            for span_s in (0.02, 0.04, 0.1)
        ),
    )
    yield (
        "trip.overcurrent, demand",
        tuple(
            replace(base, throttle=stab, tunings=(replace(lively(0.0), loop_damping=damping), Tuning(12.5)))
            for damping in (0.25, 0.15)
        ),
    )
    yield (
        "trip.overcurrent, oscillation",
        tuple(
            replace(
                base,
                tunings=(Tuning(0.0), Tuning(10.3, loop_Hz=frequency, loop_damping=damping), Tuning(12.5)),
            )
            for frequency, damping in ((12.0, -0.03), (18.0, -0.05), (30.0, -0.08))
        ),
    )
    yield (
        "trip.overcurrent, supply",
        tuple(
            replace(
                base,
                throttle=pedal((4.0, 9.0, 0.45), (11.0, 15.0, 1.0)),
                key_cycles=(KeyCycle(1.5, 26.0, dropouts=((_LOADED_S - 1.0, _LOADED_S - 1.0 + span_s),)),),
                # one that does not watch its link, and trips early
                inverter=Inverter(supply_delay_s=inf, trip_current_A=335.0),
            )
            for span_s in (0.04, 0.12)
        ),
    )
    yield (
        "trip.overcurrent, limit",
        tuple(
            replace(base, throttle=steady, inverter=Inverter(trip_current_A=limit_A, trip_delay_s=0.4))
            for limit_A in (300.0, 270.0)
        ),
    )
    yield (
        "trip.overcurrent, sudden",
        tuple(replace(base, short_circuits_s=(at_s,)) for at_s in (_COASTING_S, _LOADED_S)),
    )
    yield (
        "trip.other, overvoltage",
        (
            replace(
                base,
                key_cycles=(KeyCycle(1.5, 26.0, dropouts=((_COASTING_S, _COASTING_S + 2.0),)),),
                throttle=pedal((4.0, 9.0, 0.45), (11.0, 15.0, 0.7)),
                inverter=Inverter(over_V=345.0),
            ),
        ),
    )


def _cooling() -> _Families:
    """The coolant loop, its pump and its sensors."""
    base = _drive("cooling")
    long = replace(
        base,
        duration_s=150.0,
        key_cycles=(KeyCycle(1.5, 146.0),),
        grade=Profile(((0.0, 0.0), (10.0, 0.06))),
        throttle=pedal((4.0, 120.0, 0.6)),
        brake=pedal((124.0, 140.0, 0.2)),
    )
    yield "cooling, pump off", (replace(long, cooling=Cooling(pump_off=((0.0, 150.0),))),)
    yield (
        "cooling, air lock",
        tuple(replace(long, cooling=Cooling(air_lock=((20.0, 150.0),), air_flow=flow)) for flow in (0.3, 0.0)),
    )
    hill = replace(
        long,
        duration_s=240.0,
        key_cycles=(KeyCycle(1.5, 236.0),),
        throttle=pedal((4.0, 50.0, 0.6), (70.0, 110.0, 0.7), (130.0, 170.0, 0.6), (190.0, 215.0, 0.7)),
        brake=pedal((220.0, 232.0, 0.2)),
    )
    end = inf
    families = {
        "cooling, pump dead": [Cooling(pump_dead=((0.0, end),)), Cooling(pump_dead=((80.0, end),))],
        "cooling, flow lost": [Cooling(air_lock=((100.0, end),), air_flow=flow) for flow in (0.03, 0.0)],
        "cooling, air": [Cooling(air_lock=((40.0, 90.0), (120.0, 180.0)), air_flow=flow) for flow in (0.03, 0.0)],
        "cooling, sensor stuck": [
            Cooling(sensors=(SensorFault(node, 20.0, stuck=True),)) for node in ("inverter", "motor")
        ],
        "cooling, sensor offset": [Cooling(sensors=(SensorFault("motor", offset_K=-off),)) for off in (5.0, 8.0)],
        "cooling, sensors swapped": [
            Cooling(sensors=(SensorFault("jacket", reads="coolant"), SensorFault("coolant", reads="jacket")))
        ],
    }
    for family, coolings in families.items():
        yield family, tuple(replace(hill, cooling=cooling) for cooling in coolings)
    held = tuple(Profile(((0.0, share), (80.0, share), (110.0, 1.0))) for share in (0.75, 0.5))
    hot = Cooling(ambient_C=-15.0, start_C=76.0)
    yield "cooling, derating", tuple(replace(hill, cooling=hot, derating=share) for share in held)


def _low_voltage() -> _Families:
    """The 12 V side; a pump that runs on by design is no fault."""
    base = _drive("12 V")
    loose = ((7.0, 7.9), (9.8, 10.8), (13.0, 14.0), (17.2, 18.2))
    families = {
        "aux.supply, converter stops": [
            AuxSupply(converter_stops_s=14.0, falls_V_per_min=0.3),
            AuxSupply(converter_stops_s=8.0, battery_V=12.0, falls_V_per_min=1.0),
        ],
        "aux.supply, converter does not start": [AuxSupply(converter_delay_s=1000.0)],
        "aux.supply, set-point sags": [AuxSupply(sags_from_s=6.0, sags_V_per_s=slope) for slope in (0.06, 0.1, 0.2)],
        "aux.supply, too high": [AuxSupply(converter_V=volts) for volts in (14.8, 15.4, 16.2)],
        "aux.dip, weak battery": [AuxSupply(battery_ohm=ohm, converter_delay_s=6.0) for ohm in (0.15, 0.25, 0.4)],
        "aux.dip, cable of the converter": [AuxSupply(converter_ohm=ohm) for ohm in (0.2, 0.4)],
        "aux.dip, loose joint": [AuxSupply(loose=loose, loose_ohm=ohm) for ohm in (0.06, 0.15, 0.3)],
        "aux.backfeed": [AuxSupply(brake_pump_fed_by_steering=share) for share in (0.5, 1.0)],
        "aux, brake pump runs on": [AuxSupply(brake_pump_runs_on_s=2.0)],
    }
    for family, each in families.items():
        yield family, tuple(replace(base, aux=aux) for aux in each)


# Parked and plugged in; a charge and its pack are still to be added.
CHARGING = replace(_drive("charge"), duration_s=150.0, key_cycles=(), throttle=_LEVEL, brake=_LEVEL)


def _charging() -> _Families:
    base = CHARGING

    def charged(*charges: Charge, open_circuit_V: float | None = None) -> tuple[Scenario, ...]:
        circuit = HAZEL if open_circuit_V is None else replace(HAZEL, open_circuit_V=open_circuit_V)
        return tuple(replace(base, circuit=circuit, charge=charge) for charge in charges)

    yield "charge, stopped", charged(Charge(4.0, stops_s=60.0))
    yield "charge, request withdrawn", charged(*(Charge(4.0, request_ends_s=s) for s in (20.3, 60.0, 90.7)))
    yield "charge, request silent", charged(*(Charge(4.0, request_silent_s=s) for s in (20.3, 60.0)))
    yield "charge, fault", charged(*(Charge(4.0, fault_s=s) for s in (20.3, 60.0)))
    hot = replace(
        base, cooling=Cooling(ambient_C=53.6), pack=Pack(heat_J_per_K=2000.0), charge=Charge(4.0, ends_at_C=55.0)
    )
    yield "charge, too hot", (hot,)
    yield "charge, no current", charged(Charge(4.0, starts=False))
    yield "charge, supply lost", charged(*(Charge(4.0, supply_lost_s=s) for s in (20.3, 60.0)))
    yield "charge, limit reached", charged(Charge(4.0, voltage_V=350.0, ends_at_V=343.9), open_circuit_V=341.9)
    pulled = (Charge(4.0, unplugged_s=at_s, current_A=amps) for at_s, amps in ((60.0, 6.0), (40.0, 20.0)))
    yield "charge, plug pulled", charged(*pulled)
    yield (
        "charge, not stopping",
        charged(*(Charge(4.0, request_ends_s=60.0, obeys_s=late_s) for late_s in (15.0, 60.0))),
    )
    yield (
        "charge, voltage beyond the limit",
        tuple(
            replace(
                base,
                circuit=replace(HAZEL, open_circuit_V=344.0 * (1.0 + e) - 1.7),
                charge=Charge(4.0, voltage_V=344.0, voltage_error=e),
            )
            for e in (0.01, 0.02)
        ),
    )
    weak = (Charge(4.0, current_share=share) for share in (0.85, 0.5))
    yield "charge, charger too weak", charged(*weak, open_circuit_V=329.0)
    strong = (Charge(4.0, current_share=share) for share in (1.15, 1.4))
    yield "charge, current above the request", charged(*strong, open_circuit_V=329.0)
    off = ((333.0 + volts - 1.6, Charge(4.0, regulates_off_V=volts, end_A=8.0)) for volts in (-6.0, 6.0))
    yield "charge, voltage off", tuple(each for level, one in off for each in charged(one, open_circuit_V=level))
    enabled = tuple(KeyCycle(20.0, off_s) for off_s in (40.0, 100.0))
    yield (
        "charge, while enabled",
        tuple(replace(each, key_cycles=(cycle,)) for cycle in enabled for each in charged(Charge(4.0))),
    )
