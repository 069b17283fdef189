"""A random precharge, sound or not, as a real logger keeps it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

import numpy as np
from precharge_cases import PrechargeTruth, play_precharge

from logging_dirt.link_dirt import LinkDirt, draw_link_dirt
from logging_dirt.link_log import Played, grid, link_vehicle, log_link
from logscope.vehicle import Vehicle

_NEGATIVE_BEFORE_S = 0.2  # the negative contactor closes this long before the relay


@dataclass(frozen=True, slots=True, eq=False)
class DirtyPrecharge:
    """A log of one precharge, its vehicle file, and what truly happened, times on the log's clock.

    boots_s : when the controller that measures the link boots, on the log's clock; minus infinity where it does not
    """

    text: bytes
    vehicle: Vehicle
    truth: PrechargeTruth
    dirt: LinkDirt
    boots_s: float = -inf


def dirty_precharge(
    seed: int,
    kind: str,
    *,
    rc_ratio: float = 1.0,
    sampling_s: float | None = None,
    flags: bool = True,
    pack: bool = True,
) -> DirtyPrecharge:
    """The precharge of `random_precharge` with the same seed, kind and ratio, logged with dirt.

    flags, pack : whether states and pack voltage are mapped
    """
    played = play_precharge(seed, kind=kind, rc_ratio=rc_ratio)
    truth, end_s = played.truth, played.end_s
    rng = np.random.default_rng([seed, 1601])
    dirt = replace(draw_link_dirt(rng, truth.start_s, sampling_s), pack=pack)
    closes_s = inf if truth.close_s is None else truth.close_s
    log = Played(
        played.solution,
        end_s,
        relay=[(truth.start_s, truth.relay_open_s)],
        contactor=[(closes_s, inf)],
        negative=[(truth.start_s - _NEGATIVE_BEFORE_S, inf)],
        drawn_A=np.zeros(grid(end_s).size),
    )
    text, clock = log_link(rng, log, dirt)
    told = {"resistance_ohm": truth.nominal_resistance_ohm, "capacitance_uF": truth.nominal_capacitance_uF}
    on_log = replace(
        truth,
        start_s=clock.at(truth.start_s),
        relay_open_s=clock.at(truth.relay_open_s),
        close_s=None if truth.close_s is None else clock.at(truth.close_s),
    )
    boots_s = -inf if dirt.boot is None else clock.at(dirt.boot.at_s)
    return DirtyPrecharge(text, link_vehicle(dirt, {"precharge": told}, flags=flags), on_log, dirt, boots_s)
