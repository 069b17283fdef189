"""Heat on its way out: junction – sink – coolant – radiator, and the winding beside the inverter.

    inverter loss ─► junction ── sink ──┐
                                        ├── jacket ══ coolant ── radiator ─► ambient
    motor loss ────► winding ───────────┘

Five heat capacities joined by conductances; between two changes of flow and air the network is linear, and
each step is exact for a loss that stays the same over it: dT/dt = A·T + B·P with P held.

The conductances into and out of the coolant follow its flow to the power 0.8, as heat transfer in
turbulent pipe flow does (Dittus and Boelter, any heat-transfer textbook), down to what standing water
carries by itself. Between the jackets of the devices and the rest of the loop the coolant itself carries the heat,
ṁ·c for each kelvin: sensors at inlet and outlet show the two. The radiator gives off what the air past it takes: that
of driving, and a fan's.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.signal import lfilter

from logscope.arrays import FloatArray
from logscope.simulate.sampling import within

STEP_S = 0.1
_STANDING_AIR, _FULL_AIR_KM_H = 0.35, 60.0  # of the radiator's conductance without any wind, and where it is all there
_FAN_AIR = 0.9
_AIR_STEPS = 20  # to which the air is rounded, for each of its levels costs a matrix exponential
_FLOW_EXPONENT = 0.8
_WINDING_OHM = 0.02
_SWITCHING_W_PER_A = 3.0


class Chain(NamedTuple):
    """Capacities [J/K] and conductances [W/K]: the size of a small liquid-cooled drive.

    Common practice, no published source. `stream_W_per_K` is what the whole flow carries: 10 L/min of water with
    glycol, 1.06 kg/L and 3.5 kJ/(kg·K). `still_share` is what is left of a conductance to water that does not flow.
    """

    winding_J_per_K: float = 14e3
    junction_J_per_K: float = 60.0
    sink_J_per_K: float = 2.5e3
    jacket_J_per_K: float = 6e3
    coolant_J_per_K: float = 37e3
    winding_W_per_K: float = 33.0
    junction_W_per_K: float = 33.0
    sink_W_per_K: float = 55.0
    stream_W_per_K: float = 620.0
    still_W_per_K: float = 3.0
    radiator_W_per_K: float = 165.0
    still_share: float = 0.08


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A sensor of motor, inverter, jacket or coolant that is wrong from `start_s` on.

    stuck : it keeps what it shows then; offset_K : by which it is off; reads : another node's temperature instead
    """

    node: str
    start_s: float = 0.0
    stuck: bool = False
    offset_K: float = 0.0
    reads: str | None = None


@dataclass(frozen=True, slots=True)
class Cooling:
    """What the coolant does. Spans are (from, until) [s].

    pump_off : the pump stands; air_lock : the pump runs, but air in the loop leaves `air_flow` of the flow
    start_C : coolant and metal at the beginning, ambient where not given
    pump_dead : the pump is switched on, but stands; dry_share : of its current that it takes without coolant
    sensors : what is wrong with sensors
    fan_C : of the coolant, above which the fan comes on, and below which it stops
    sensor_s : lags of the sensors of motor, inverter and coolant
    """

    ambient_C: float = 18.0
    start_C: float | None = None
    pump_off: tuple[tuple[float, float], ...] = ()
    air_lock: tuple[tuple[float, float], ...] = ()
    air_flow: float = 0.0
    pump_dead: tuple[tuple[float, float], ...] = ()
    dry_share: float = 0.45
    sensors: tuple[SensorFault, ...] = ()
    fan_C: tuple[float, float] = (48.0, 42.0)
    sensor_s: tuple[float, float, float] = (4.0, 2.0, 6.0)
    chain: Chain = field(default_factory=Chain)

    def pump_runs(self, time_s: FloatArray) -> NDArray[np.bool_]:
        """Whether the pump runs at each time, as far as the cooling is concerned."""
        return ~within(self.pump_off, time_s)

    def pump_turns(self, time_s: FloatArray) -> NDArray[np.bool_]:
        """Whether it turns at each time where it has its supply."""
        return self.pump_runs(time_s) & ~within(self.pump_dead, time_s)

    def pump_share(self, time_s: FloatArray) -> FloatArray:
        """What the pump draws at each time, as a share of its usual current: less with air in it."""
        dry = within(self.air_lock, time_s)
        share = 1.0 - (1.0 - self.dry_share) * (1.0 - self.air_flow) * dry
        return np.asarray(np.where(self.pump_turns(time_s), share, 0.0))

    def flow(self, time_s: FloatArray) -> FloatArray:
        """Coolant flow at each time, as a share of the pump's."""
        locked = np.where(within(self.air_lock, time_s), self.air_flow, 1.0)
        return np.where(self.pump_turns(time_s), locked, 0.0)


class Temperatures(NamedTuple):
    """Times [s] and temperatures [°C], a value each 0.1 s. `jacket` is the coolant as it leaves the devices."""

    time_s: FloatArray
    motor: FloatArray
    junction: FloatArray
    inverter: FloatArray
    jacket: FloatArray
    coolant: FloatArray
    fan: NDArray[np.bool_]

    def sensed(self, lags_s: tuple[float, float, float]) -> Temperatures:
        """The same as sensors show them that lag behind motor, inverter and coolant [s]."""
        motor_s, inverter_s, coolant_s = lags_s
        return self._replace(
            motor=_lagged(self.motor, motor_s),
            inverter=_lagged(self.inverter, inverter_s),
            jacket=_lagged(self.jacket, coolant_s),
            coolant=_lagged(self.coolant, coolant_s),
        )


def with_faults(shown: Temperatures, faults: Iterable[SensorFault]) -> Temperatures:
    """What faulty sensors make of what sound ones would show."""
    changed: dict[str, Any] = {}
    for fault in faults:
        value: FloatArray = getattr(shown, fault.reads or fault.node) + fault.offset_K
        late = shown.time_s >= fault.start_s
        if fault.stuck:
            value = np.where(late, value[int(np.argmax(late))], value)
        changed[fault.node] = np.where(late, value, getattr(shown, fault.node))
    return shown._replace(**changed)


def _lagged(value: FloatArray, lag_s: float) -> FloatArray:
    keep = np.exp(-STEP_S / lag_s)
    shown: FloatArray = lfilter([1.0 - keep], [1.0, -keep], value - value[0]) + value[0]
    return shown


def losses(current_A: FloatArray, row_s: float) -> tuple[FloatArray, FloatArray]:
    """Loss of motor and inverter [W] over each step, from the current's amplitude in rows of `row_s`."""
    copper_W = 1.5 * _WINDING_OHM * _mean(current_A**2, row_s)
    return copper_W, _SWITCHING_W_PER_A * _mean(current_A, row_s)


def _mean(column: FloatArray, row_s: float) -> FloatArray:
    """The mean over each step of what is given in rows."""
    every = max(round(STEP_S / row_s), 1)
    mean: FloatArray = column[: column.size // every * every].reshape(-1, every).mean(axis=1)
    return mean


def temperatures(
    current_A: FloatArray,
    row_s: float,
    cooling: Cooling = Cooling(),
    speed_kmh: FloatArray | None = None,
    pumping: FloatArray | None = None,
) -> Temperatures:
    """Temperatures under a motor current (amplitude), all columns one value each `row_s`.

    speed_kmh : of the vehicle, fast if not given; pumping : whether the pump has its supply (0 or 1), always if not
        given
    """
    flow = None if pumping is None else np.rint(_mean(pumping, row_s))
    speed = None if speed_kmh is None else _mean(speed_kmh, row_s)
    return warm(*losses(current_A, row_s), cooling, speed, flow)


def warm(
    motor_W: FloatArray,
    inverter_W: FloatArray,
    cooling: Cooling,
    speed_kmh: FloatArray | None = None,
    pumping: FloatArray | None = None,
) -> Temperatures:
    """Temperatures at the beginning of each step under losses held over the step."""
    time_s: FloatArray = np.arange(motor_W.size, dtype=np.float64) * STEP_S
    flow = cooling.flow(time_s) * (1.0 if pumping is None else pumping)
    wind = np.ones(time_s.size) if speed_kmh is None else driving_air(speed_kmh)
    start_C = cooling.ambient_C if cooling.start_C is None else cooling.start_C
    above = np.full(len(_NODES), start_C - cooling.ambient_C)
    history = np.empty((time_s.size, len(_NODES)))
    fan = np.zeros(time_s.size, dtype=np.bool_)
    on_K, off_K = (limit_C - cooling.ambient_C for limit_C in cooling.fan_C)
    blows = False
    for row in range(time_s.size):
        history[row], fan[row] = above, blows
        air = max(float(wind[row]), _FAN_AIR) if blows else float(wind[row])
        keep, gain = exact_step(cooling.chain, float(flow[row]), round(air * _AIR_STEPS) / _AIR_STEPS)
        above = keep @ above + gain @ (motor_W[row], inverter_W[row])
        blows = bool(flow[row] > 0.0 and above[-1] > (off_K if blows else on_K))
    winding, junction, sink, jacket, coolant = (history + cooling.ambient_C).T
    return Temperatures(time_s, winding, junction, sink, jacket, coolant, fan)


def driving_air(speed_kmh: FloatArray) -> FloatArray:
    """What the air of driving leaves of the radiator's conductance, 0 to 1: its square root with speed (practice)."""
    return _STANDING_AIR + (1.0 - _STANDING_AIR) * np.sqrt(np.clip(np.abs(speed_kmh) / _FULL_AIR_KM_H, 0.0, 1.0))


_NODES = ("winding", "junction", "sink", "jacket", "coolant")


def network(chain: Chain, flow: float, air: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """A (5 × 5) and B (5 × 2) of dT/dt = A·T + B·P; T: winding, junction, sink, jacket, coolant above ambient.

    P : loss of motor and inverter [W]; flow, air : as shares of the whole
    """
    wet = chain.still_share + (1.0 - chain.still_share) * flow**_FLOW_EXPONENT
    winding, sink, radiator = (wet * g for g in (chain.winding_W_per_K, chain.sink_W_per_K, chain.radiator_W_per_K))
    stream = chain.still_W_per_K + chain.stream_W_per_K * flow
    joins = ((0, 3, winding), (1, 2, chain.junction_W_per_K), (2, 3, sink), (3, 4, stream))
    conductance = np.zeros((5, 5))
    for one, other, between in joins:
        conductance[[one, other], [one, other]] += between
        conductance[[one, other], [other, one]] -= between
    conductance[4, 4] += radiator * air
    entry = np.zeros((5, 2))
    entry[[0, 1], [0, 1]] = 1.0
    capacity = np.array(chain[:5])
    return -conductance / capacity[:, None], entry / capacity[:, None]


@lru_cache(maxsize=1000)
def exact_step(chain: Chain, flow: float, air: float, step_s: float = STEP_S) -> tuple[FloatArray, FloatArray]:
    """What a step keeps of the temperatures (5 × 5), and what a loss held over it adds (5 × 2) [K/W]."""
    system, entry = network(chain, flow, air)
    block = np.zeros((7, 7))
    block[:5, :5], block[:5, 5:] = system, entry
    phi = expm(block * step_s)
    return phi[:5, :5], phi[:5, 5:]
