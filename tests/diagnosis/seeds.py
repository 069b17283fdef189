"""Seeds and cases of a test: some run each time, the others by hand, with `-m study`."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import pytest


def seeds(each_time: int, of: int, first: int = 0) -> list[object]:
    """The first so many seeds plainly, the rest of them marked as a study.

    A statement that holds for each log by itself is shown by a few; how often it holds is for the study.
    """
    rest = [pytest.param(seed, marks=pytest.mark.study) for seed in range(first + each_time, first + of)]
    return [*range(first, first + each_time), *rest]


def crossed(*axes: Sequence[object], each: int) -> list[object]:
    """Every combination of some axes: each so manieth plainly, and every value of each axis with them; else a study."""
    cases = list(product(*axes))
    for axis, run in zip(axes, zip(*cases[::each], strict=True), strict=True):
        assert set(axis) == set(run), "a value would only run in the study"
    return [pytest.param(*case, marks=[] if n % each == 0 else pytest.mark.study) for n, case in enumerate(cases)]
