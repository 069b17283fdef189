"""Seeds of a test that draws its logs at random: some run each time, the others by hand, with `-m study`."""

from __future__ import annotations

import pytest


def seeds(each_time: int, of: int, first: int = 0) -> list[object]:
    """The first so many seeds plainly, the rest of them marked as a study.

    A statement that holds for each log by itself is shown by a few; how often it holds is for the study.
    """
    rest = [pytest.param(seed, marks=pytest.mark.study) for seed in range(first + each_time, first + of)]
    return [*range(first, first + each_time), *rest]
