"""The dirt of a whole drive's log: what is drawn for it, and with which chance."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isinf

import numpy as np

from logging_dirt.boot import Asleep, Boot
from logging_dirt.foreign import Foreign, draw_foreign
from logging_dirt.logger import Logger, draw_logger
from logging_dirt.no_value import NoValue, draw_no_value
from logging_dirt.refresh import Refresh, draw_refresh
from logging_dirt.repetition import Repetition
from logging_dirt.sensing import Sensing, draw_sensing
from logging_dirt.states import States, draw_states
from logscope.simulate.drive import ROW_S, Drive
from logscope.simulate.hazel_bus import Sent
from logscope.simulate.scenarios import KeyCycle, Scenario

# How often each is drawn: often enough that each meets each in a score of some hundred runs (judgement). What puts a
# part in doubt for good is drawn seldom, for then the log says little of anything else.
_OFTEN, _SELDOM = 0.3, 0.1
BURST = 3  # messages at once
INVERTER = frozenset({"InverterMotion", "InverterCurrent", "InverterHv", "Inverter"})
_SLOW_SENSORS = ("InverterHv", "InverterMotion", "InverterCurrent", "Pack")
_BOOT_READINGS = (0.0, 4.0)
_BOOTS_BY_S, _LATE_START_S = 1.3, 1.2  # before the first relay of the catalogue, 1.5 s
_RESTARTS_ABOVE_RPM, _NO_CURRENT_A, _RESTART_S = 800.0, 25.0, 0.8
_LOADED = (0.967, 0.98)  # where a loaded link ends; Hazel's contactor waits for 96 %


@dataclass(frozen=True, slots=True)
class DriveDirt:
    """How a drive is sensed, sent and logged.

    refresh : slow sensors, by message; bursts : messages that come three at a time
    link_boot : of the link's reading before the first key cycle
    restart : of the inverter, at speed and without current
    starts_s : the logger starts this late
    """

    sensing: Sensing = field(default_factory=Sensing)
    states: States | None = None
    logger: Logger = field(default_factory=Logger)
    refresh: tuple[tuple[str, Refresh], ...] = ()
    repetition: Repetition | None = None
    bursts: tuple[str, ...] = ()
    link_boot: Boot | None = None
    restart: Boot | None = None
    pack_asleep: Asleep | None = None
    no_value: NoValue | None = None
    foreign: Foreign | None = None
    starts_s: float = 0.0

    @property
    def what(self) -> tuple[str, ...]:
        """Its names in a table."""
        single = [self.sensing, self.states, self.repetition, self.link_boot, self.restart, self.pack_asleep]
        names = [each.what for each in (*single, self.no_value, self.foreign) if each is not None]
        slow = [f"repeated readings of {message}" for message, _ in self.refresh]
        bursts = [f"bursts of {message}" for message in self.bursts]
        late = ["logger starts late"] if self.starts_s else []
        return tuple(name for name in (*names, *slow, *bursts, *late, *self.logger.what) if name != "direct sensing")

    @property
    def spoils(self) -> bool:
        """Whether it is more than dirt: a fault of the bus or of a controller, which may be told as such."""
        return self.restart is not None or self.foreign is not None

    @property
    def resolution_s(self) -> float:
        """The longest time for which the log may be late with a value [s]."""
        periods = [self.logger.grid_s, *(each.period_s for _, each in self.refresh)]
        periods += [each.period_s for each in (self.states, self.repetition) if each is not None]
        return max(periods)


def draw_drive_dirt(seed: int, drive: Drive, messages: list[Sent]) -> DriveDirt:
    """The dirt of a drive; `messages` are those sent in it."""
    rng = np.random.default_rng([seed, 1401])

    def chance(share: float = _OFTEN) -> bool:
        return bool(rng.random() < share)

    sent = {each.message.name: each for each in messages}
    slow = [name for name in _SLOW_SENSORS if name in sent and sent[name].ready_s.size > 1 and chance(_SELDOM)]
    refresh = tuple((name, draw_refresh(rng, float(np.median(np.diff(sent[name].ready_s))))) for name in slow)
    restart = _draw_restart(rng, drive)
    return DriveDirt(
        sensing=draw_sensing(rng),
        states=draw_states(rng) if chance(2 * _OFTEN) else None,
        logger=draw_logger(rng),
        refresh=refresh,
        repetition=Repetition(str(rng.choice(["dc_link_voltage", "motor_speed"]))) if chance(_SELDOM) else None,
        bursts=tuple(name for name in ("InverterHv", "InverterMotion") if chance(_SELDOM)),
        link_boot=Boot(rng.uniform(0.2, _BOOTS_BY_S), readings=_BOOT_READINGS) if chance() else None,
        restart=restart if chance(_SELDOM) else None,
        pack_asleep=Asleep(rng.uniform(0.1, _BOOTS_BY_S), silent=True) if chance() else None,
        no_value=draw_no_value(rng, messages, drive.scenario.duration_s) if chance() else None,
        foreign=draw_foreign(rng) if chance(_SELDOM / 2) else None,
        starts_s=rng.uniform(0.05, _LATE_START_S) if chance() else 0.0,
    )


def _draw_restart(rng: np.random.Generator, drive: Drive) -> Boot | None:
    """A moment at speed, without current, in which the inverter may restart and nothing else happens."""
    speed, current = np.abs(drive.column("rotor_rpm")), drive.column("current_A")
    calm = (speed > _RESTARTS_ABOVE_RPM) & (current < _NO_CURRENT_A) & (drive.column("deviation_rpm") == 0)
    calm &= drive.column("fault") == 0
    rows = round(_RESTART_S / ROW_S)
    whole = np.convolve(calm, np.ones(rows), "valid") >= rows
    at = np.flatnonzero(whole)
    silent_s, filter_s = rng.uniform(0.05, 0.4), rng.uniform(0.02, 0.2)
    if not at.size:
        return None
    begin_s = float(at[rng.integers(at.size)]) * ROW_S
    return Boot(begin_s, silent_s, (0.0, 0.0), filter_s, "restart at speed")


def with_loaded_link(scenario: Scenario, seed: int) -> Scenario:
    """The scenario with, sometimes, something on the link while it charges, so that the curve ends below the pack."""
    rng = np.random.default_rng([seed, 1402])
    if rng.random() >= _OFTEN:
        return scenario
    share = rng.uniform(*_LOADED)

    def loaded(cycle: KeyCycle) -> KeyCycle:
        sound = cycle.resistance_ohm is None and isinf(cycle.parallel_ohm) and cycle.power_W == 0
        if not sound or cycle.close_fraction > _LOADED[0]:
            return cycle
        return replace(cycle, parallel_ohm=scenario.circuit.resistance_ohm * share / (1.0 - share))

    return replace(scenario, key_cycles=tuple(loaded(cycle) for cycle in scenario.key_cycles))
