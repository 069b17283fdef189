"""Made pieces of a precharge: attempts, fitted curves, constants and outcomes, each field by hand.

Hazel: 150 Ω and 1000 µF, that is 150 ms ± 20 %, 120 to 180 ms; a pack of 350 V, whose 95 % are 332.5 V.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from logscope.checks.precharge.compare import Constant, Verdict
from logscope.checks.precharge.contactor_closing import Closing
from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.measure import Measurement
from logscope.curves.estimate import Estimate
from logscope.curves.rise_shapes import Shape
from logscope.observations.dc_link.link import PackLevel
from logscope.observations.dc_link.rises import Attempt
from logscope.vehicle import Limits, Precharge, Vehicle

RC_S, PACK_V = 0.15, 350.0
ATTEMPT = Attempt(10, 40, 60, onset_seen=True, ended_by="level")
HAZEL = Vehicle(
    precharge=Precharge(resistance_ohm=150, capacitance_uF=1000, tolerance=0.2, close_fraction=0.95),
    limits=Limits(battery_min_V=240, battery_max_V=344),
)


def about(value: float, share: float = 0.01) -> Estimate:
    """Limits so wide to either side, and those of a claim twice as wide."""
    off = share * value
    return Estimate(value, value - off, value + off, value - 2 * off, value + 2 * off)


def fitted(tau_s: float = RC_S, **fields: Any) -> Any:
    """A curve of one exponential from 0 V to 350 V that began at 1 s."""
    usual = {
        "time_constant": about(tau_s), "lag": None, "hidden_lag": None, "start": about(0.0), "end": about(PACK_V),
        "onset": about(1.0), "residual_v": 0.25, "shape": Shape.EXPONENTIAL, "heating": None, "load": None,
        "third": False, "averaged": False, "misfit": False, "drift_s": 0.0, "crossing": lambda _: None,
        "voltage": lambda time_s: PACK_V * (1 - np.exp(-(time_s - 1.0) / tau_s)),
        "explained_behind_lag": lambda *_, few_do=False: False,
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **fields})


def closed(low_v: float, high_v: float, step_v: float | None = None, at_s: float = 1.5) -> Closing:
    return Closing(at_s, at_s + 0.05, low_v, high_v, step_v, None if step_v is None else PACK_V)


def measured(**fields: Any) -> Measurement:
    """A sound rise to 349 V of 350 V without a closing that is seen."""
    usual = {
        "attempt": ATTEMPT, "window": slice(8, 51), "fit": fitted(), "fit_if_cut": None,
        "pack": PackLevel(PACK_V, 1.0), "start_v": 0.0, "reached_v": 349.0, "top_v": 350.0, "settled": True,
        "closing": None, "lag_is_faster": None, "inside": 10, "inside_all": 12, "start_s": 1.0, "end_s": 1.6,
        "rise_s": 0.5,
    }  # fmt: skip
    return Measurement(**{**usual, **fields})


def judged(
    kind: str, constant: Constant | None = None, measurement: Measurement | None = None, **fields: Any
) -> Judged:
    """An outcome, expected at 150 ms ± 20 %, of readings every 10 ms."""
    usual = {
        "expected_s": RC_S, "tolerance": 0.2, "close_fraction": 0.95, "bound_s": None, "period_s": 0.01,
    }  # fmt: skip
    return Judged(kind, measurement or measured(), constant, **{**usual, **fields})


def sound(tau_s: float = RC_S, **fields: Any) -> Constant:
    return Constant(Verdict.IN_BAND, about(tau_s), **fields)
