"""Made falls of a link: openings, fits and outcomes, each field by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from logscope.checks.discharge.judge import JudgedDischarge, Limit
from logscope.checks.discharge.measure import DischargeCurve
from logscope.curves.discharge import Shape
from logscope.curves.estimate import Estimate
from logscope.observations.dc_link.openings import Opening

OPENING = Opening(2.0, 2.5, 2.5, 99.0, "main_contactor", 350.0, restarted=False)


def between(low: float, high: float) -> Estimate:
    """The middle of two limits, and those of a claim half as far again."""
    middle, off = (low + high) / 2, 0.75 * (high - low)
    return Estimate(middle, low, high, middle - off, middle + off)


def fit(**fields: Any) -> Any:
    """An exponential of 47 s from 340 V at 2.5 s on."""
    usual = {
        "shape": Shape.RESISTOR, "time_constant": between(46.0, 48.0), "misfit": False, "falls": True, "rest": None,
        "residual_v": 0.25, "rate": between(1 / 48, 1 / 46), "begin_s": 2.5, "start": between(339.0, 341.0),
        "voltage": lambda time_s: 340 * np.exp(-(time_s - 2.5) / 47.0),
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **fields})


def fall(**fields: Any) -> DischargeCurve:
    """From 350 to 100 V in 60 s, 60 V within 80 to 90 s by extrapolation."""
    made = fields.pop("fit", fit())
    usual = {
        "opening": OPENING, "level_v": 350.0, "end_v": 100.0, "pack_v": 350.0, "fit": made, "late": made,
        "time_to_safe": between(80.0, 90.0), "crossed": False, "length_s": 60.0, "still": False,
    }  # fmt: skip
    return DischargeCurve(**{**usual, **fields})


def judged(kind: str, one: DischargeCurve | None = None, **fields: Any) -> JudgedDischarge:
    """Judged by 100 s of the bleeder: 47 kΩ and 1000 µF, ± 20 %."""
    usual = {
        "limit_s": 100.0, "limit": Limit.BLEEDER, "expected_s": 47.0, "tolerance": 0.2, "capacitance_f": 1e-3,
        "active": False, "at_pack": False,
    }  # fmt: skip
    return JudgedDischarge(kind, one or fall(), **{**usual, **fields})
