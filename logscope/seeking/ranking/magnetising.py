"""A motor's current flows before torque is asked: what magnetises an induction machine."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.seeking.correlation import Correlated, correlate
from logscope.seeking.ranking.drive import force_of
from logscope.seeking.ranking.outcome import link_up
from logscope.seeking.search import Search

_NOT_MAGNETISED = 0.75  # of the likeness of a motor's current, where none flows before torque is asked


_LEAST_MAGNETISING = 0.03  # of its span


def without_magnetising(search: Search, found: Correlated) -> Correlated:
    """The correlation with the current less what flows without torque, where that is better."""
    template, up = _current_template(search), link_up(search)
    if template is None or up is None:
        return found
    rest = _magnetising(search, up)
    less = correlate(search.scene.rows - rest[:, None] * up[None], template, search.scene.step_s)
    better = np.abs(less.best) > np.abs(found.best)
    best, delay = np.where(better, less.best, found.best), np.where(better, less.delay_s, found.delay_s)
    return Correlated(best, delay, np.maximum(less.chance, found.chance))


def _current_template(search: Search) -> FloatArray | None:
    """The magnitude of the torque: of a known one, else of the field most like one, else of the acceleration."""
    force = force_of(search)
    return None if force is None else np.abs(force[0])


def magnetised(search: Search) -> FloatArray | None:
    """A factor, below 1 for fields that show no current while the inverter is ready and no torque is asked."""
    up = link_up(search)
    if up is None:
        return None
    spans = np.maximum(np.ptp(search.scene.rows, axis=1), 1e-9)
    flows = np.abs(_magnetising(search, up)) / spans > _LEAST_MAGNETISING
    return np.where(flows, 1.0, _NOT_MAGNETISED)


def _magnetising(search: Search, up: FloatArray) -> FloatArray:
    """What each field shows while the link is up and the vehicle rests, over what it shows while the link is dead."""
    template = _current_template(search)
    rows = search.scene.rows
    if template is None:
        return np.zeros(len(rows))
    idle = (up > 0) & (template <= 0.02 * np.max(template))
    dead = up == 0
    if np.count_nonzero(idle) < 10 or np.count_nonzero(dead) < 10:
        return np.zeros(len(rows))
    return np.asarray(np.median(rows[:, idle], axis=1) - np.median(rows[:, dead], axis=1))
