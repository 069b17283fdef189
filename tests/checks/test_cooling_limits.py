"""Whether the limits of cooling's constants, rises and ends hold the truth as often as they say, through many loggers.

One body each, integrated in `test_cooling`, own invention; the sensors are off by 0.7 K (standard deviation), so that
two differ by 1 K (common practice, no published source).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest
from cooling_loops import HAZEL, Loop, found, logged, played
from limits_study import LimitsStudy

pytestmark = pytest.mark.study

_OFF_K = 0.7
_CONSTANTS = {"cooling.motor": (400.0, 9.0, 20.25), "cooling.inverter": (45.0, 6.0, 9.0)}  # s, K at 100 A, at 150 A


def test_limits_hold_the_truth_as_often_as_they_say_and_are_no_wider():
    studies: dict[tuple[str, str], LimitsStudy] = defaultdict(LimitsStudy)
    for seed in range(800, 840):
        rng = np.random.default_rng([seed, 16])
        loop = Loop(end_s=float(rng.uniform(300.0, 900.0)), seed=seed)
        period_s, step_K = float(rng.choice([0.3, 1.0, 5.0])), float(rng.choice([0.25, 0.5, 1.0]))
        off_K = dict(zip(("motor", "inverter", "coolant"), rng.normal(0.0, _OFF_K, 3).tolist(), strict=True))
        parts = []
        for each in logged(loop, period_s, 0.01):
            if each.name.endswith("_temperature"):
                value = each.value + off_K[each.name.partition("_")[0]]
                each = replace(each, value=np.round(value / step_K) * step_K, step=step_K)
            parts.append(each)
        warm_C = float(played(loop)["coolant"][-600:].mean())
        for kind, finding in found(parts, HAZEL).items():
            if kind not in _CONSTANTS:
                continue
            constant_s, rise_K, continuous_K = _CONSTANTS[kind]
            end_C = warm_C + continuous_K + off_K[kind.partition(".")[2]]
            true = {
                "time_constant_s": constant_s,
                "rise_at_100A_K": rise_K,
                "continuous_end_temperature_C": end_C,
            }
            for name, truth in true.items():
                studies[kind, name].of(truth, finding.measured[name])
    assert len(studies) == 6
    for study in studies.values():
        study.judge()
