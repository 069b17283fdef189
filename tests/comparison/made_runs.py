"""Made-up checked runs for the tests of a comparison."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from compare_study import Truth, run_of

from logscope.findings import Finding
from logscope.result import Result


def run(seed: int = 0, minutes: float = 6.0, **truth: float) -> Result:
    """One run of a made-up vehicle; arguments as in `compare_study.Truth`."""
    return run_of(Truth(**truth), minutes, np.random.default_rng(seed))  # type: ignore[arg-type]


def without(result: Result, *parts: str) -> Result:
    """The same with some parts not logged."""
    kept = {name: part for name, part in result.signals.parts.items() if name not in parts}
    return replace(result, signals=replace(result.signals, parts=kept))


def every(result: Result, step: int, part: str = "motor_speed") -> Result:
    """The same with a part logged more rarely."""
    old = result.signals[part]
    sparse = replace(old, time_s=old.time_s[::step], value=old.value[::step])
    return replace(result, signals=replace(result.signals, parts={**result.signals.parts, part: sparse}))


def with_findings(result: Result, *findings: Finding) -> Result:
    """The same with these findings alone."""
    return replace(result, findings=findings)
