"""Small descriptions of a drive: who does what when, what is broken, and when it is tuned."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

import numpy as np

from logscope.arrays import FloatArray
from logscope.simulate.aux_supply import AuxSupply
from logscope.simulate.charge import Charge, Pack
from logscope.simulate.circuits import HighVoltage
from logscope.simulate.encoder import Encoder, EncoderFault, Interference
from logscope.simulate.machine import Inverter, Machine
from logscope.simulate.motion import Body
from logscope.simulate.thermal import Cooling


@dataclass(frozen=True, slots=True)
class Profile:
    """A quantity over time by its corners: straight lines between them, level outside."""

    corners: tuple[tuple[float, float], ...]

    def at(self, time_s: FloatArray) -> FloatArray:
        """The value at each time."""
        times, values = zip(*self.corners, strict=True)
        return np.asarray(np.interp(time_s, times, values), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class KeyCycle:
    """Key on, precharge, contactor, key off, with what goes wrong on the way.

    relay_s : the precharge relay closes; off_s : the contactor opens
    close_fraction : of pack voltage at which the contactor is closed, `close_delay_s` later
    timeout_s : after which an attempt is given up; retries : further attempts, `pause_s` apart
    resistance_ohm : of the precharge resistor in this cycle, where not as fitted (inf: open, 0.05: bridged)
    parallel_ohm, power_W, cut_in_V : loads on the link while it charges
    drop_out_s : after which the relay drops out by itself
    welded : the contactor does not open at key off
    under_load : the inverter does not let go of the current before the contactor opens
    dropouts : from, until [s]: the contactor opens by itself while it is commanded closed
    """

    relay_s: float
    off_s: float
    close_fraction: float = 0.96
    close_delay_s: float = 0.08
    timeout_s: float = 3.0
    retries: int = 0
    pause_s: float = 2.0
    resistance_ohm: float | None = None
    parallel_ohm: float = inf
    power_W: float = 0.0
    cut_in_V: float = 0.0
    drop_out_s: float = inf
    welded: bool = False
    under_load: bool = False
    dropouts: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Tuning:
    """Settings of the inverter from `start_s` on: its current loop and the ramp of the torque target.

    A damping below zero is a loop beyond its margin of stability: its oscillation grows by itself.
    """

    start_s: float
    loop_Hz: float = 150.0
    loop_damping: float = 0.7
    torque_ramp_Nm_per_s: float = 350.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One drive, with a charge after it if there is one.

    reset_after_s : how long the driver takes to reset a trip
    short_circuits_s : when a phase is shorted out of the blue
    derating : share of the pedal that the inverter grants
    logged_speed_scale : what the inverter reports as speed, over what it uses: a wrong pulse count
    """

    name: str
    duration_s: float
    circuit: HighVoltage
    key_cycles: tuple[KeyCycle, ...]
    throttle: Profile
    brake: Profile = Profile(((0.0, 0.0),))
    grade: Profile = Profile(((0.0, 0.0),))
    grip: Profile = Profile(((0.0, 0.9),))
    ratio: Profile = Profile(((0.0, 8.2),))
    tunings: tuple[Tuning, ...] = (Tuning(0.0),)
    interference: tuple[Interference, ...] = ()
    encoder_faults: tuple[EncoderFault, ...] = ()
    short_circuits_s: tuple[float, ...] = ()
    logged_speed_scale: float = 1.0
    derating: Profile = Profile(((0.0, 1.0),))
    cooling: Cooling = field(default_factory=Cooling)
    pack: Pack = field(default_factory=Pack)
    charge: Charge | None = None
    aux: AuxSupply = field(default_factory=AuxSupply)
    reset_after_s: float = 4.0
    awake_s: float = 0.0
    body: Body = field(default_factory=Body)
    machine: Machine = field(default_factory=Machine)
    inverter: Inverter = field(default_factory=Inverter)
    encoder: Encoder = field(default_factory=Encoder)
