"""The dirt of a log of link, pack and states alone: what is drawn for it, and with which chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logging_dirt.boot import Asleep, Boot
from logging_dirt.logger import Logger, draw_logger
from logging_dirt.refresh import Refresh, draw_refresh
from logging_dirt.repetition import Repetition
from logging_dirt.sensing import Sensing, draw_sensing
from logging_dirt.states import States, draw_states

# Links by the step of their readings.
_LINKS = ("InverterHv", "LinkHalfVolt", "LinkVolt")
_PERIODS_S = (0.005, 0.01, 0.02, 0.05, 0.1)
_BURST = 3  # messages sent at once, as a production car does
_BOOT_READINGS = (0.0, 4.0)  # of a production car's inverter
# How often each is drawn (judgement).
_REFRESH, _BOOT, _ASLEEP, _BURSTS, _REPEATED, _PACK = 0.3, 0.3, 0.5, 0.2, 0.15, 0.8


@dataclass(frozen=True, slots=True)
class LinkDirt:
    """How a key cycle is sensed, sent and logged.

    link : the message of the link voltage; period_s : its period
    burst : how many of its messages come at once; pack : whether the pack's voltage and current are mapped
    """

    link: str
    period_s: float
    sensing: Sensing
    states: States
    logger: Logger
    refresh: Refresh | None = None
    repetition: Repetition | None = None
    boot: Boot | None = None
    pack_asleep: Asleep | None = None
    burst: int = 1
    pack: bool = True

    @property
    def what(self) -> tuple[str, ...]:
        """Its names in a table."""
        parts = [self.sensing, self.states, self.refresh, self.repetition, self.boot, self.pack_asleep]
        names = [part.what for part in parts if part is not None]
        burst = ["bursts"] if self.burst > 1 else []
        return (*names, *self.logger.what, *burst, *([] if self.pack else ["no pack voltage"]))

    @property
    def sampling_s(self) -> float:
        """The longest time between what the log holds of two new values of the link voltage [s]."""
        periods = [self.period_s * self.burst, self.logger.grid_s]
        periods += [each.period_s for each in (self.refresh, self.repetition) if each is not None]
        return max(periods)


def without(dirt: LinkDirt) -> LinkDirt:
    """The same messages without dirt."""
    return LinkDirt(dirt.link, dirt.period_s, Sensing(), States(dirt.states.reporting), Logger())


def draw_link_dirt(rng: np.random.Generator, first_s: float, period_s: float | None = None) -> LinkDirt:
    """The dirt of a key cycle whose first relay closes at `first_s`; the period of the link voltage if it is given."""
    period_s = float(rng.choice(_PERIODS_S)) if period_s is None else period_s
    boots_s = first_s * rng.uniform(0.2, 0.7)
    repeats, bursts = rng.random() < _REPEATED, rng.random() < _BURSTS
    return LinkDirt(
        link=str(rng.choice(_LINKS)),
        period_s=period_s,
        sensing=draw_sensing(rng),
        states=draw_states(rng),
        logger=draw_logger(rng),
        refresh=draw_refresh(rng, period_s) if rng.random() < _REFRESH else None,
        repetition=Repetition("dc_link_voltage") if repeats else None,
        boot=Boot(boots_s, readings=_BOOT_READINGS) if rng.random() < _BOOT else None,
        pack_asleep=Asleep(rng.uniform(0.0, first_s + 0.5), bool(rng.random() < 0.5))
        if rng.random() < _ASLEEP
        else None,
        burst=_BURST if bursts and not repeats else 1,
        pack=bool(rng.random() < _PACK),
    )
