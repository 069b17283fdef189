"""Made pieces of a switching history: parts, a link without noise, openings and switchings, each by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from logscope.checks.contactors.switching_history import SwitchingHistory
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.openings import Opening, Switch
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_UNITS = {"battery_current": "A", "motor_current": "A", "dc_link_voltage": "V", "battery_voltage": "V"}


def part(name: str, time_s: ArrayLike, value: ArrayLike, step: float | None = None) -> Part:
    times, values = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    unit = _UNITS.get(name, "")
    return Part(name, times, values, unit, f"{name}.Read", step, on=None if unit else values > 0)


def link_of(volts: Part, noise_v: float = 0.0, full_v: float | None = 350.0) -> Link:
    return Link(volts, 0.0, noise_v, noise_v, 0.0, full_v, -np.inf)


def opening(low_s: float, high_s: float, end_s: float, shown_by: str = "main_contactor", **fields: Any) -> Opening:
    usual: dict[str, Any] = {"start_s": high_s, "level_v": 350.0, "restarted": False}
    return Opening(low_s, high_s, end_s=end_s, shown_by=shown_by, **{**usual, **fields})


def switchings(name: str, *moments: tuple[float, bool], within_s: float = 0.0) -> list[Switch]:
    """Each moment [s] with the state it turns to; it may have turned `within_s` before."""
    return [Switch(name, on, at_s - within_s, at_s) for at_s, on in moments]


def history(
    parts: Sequence[Part] = (),
    *,
    link: Link | None = None,
    openings: Sequence[Opening] = (),
    switched: Mapping[str, list[Switch]] | None = None,
    vehicle: Vehicle | None = None,
    end_s: float = 20.0,
    attempts: Any = None,
) -> SwitchingHistory:
    named = {one.name: one for one in (*parts, *([link.part] if link else []))}
    return SwitchingHistory(
        Signals(named, 0.0, end_s), vehicle or Vehicle(), link, attempts, tuple(openings), switched or {}
    )
