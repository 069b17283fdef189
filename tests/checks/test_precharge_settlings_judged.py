"""What a search for a closing behind a lag found, and what is said of it: the search is replaced by its result.

Expected by hand: a link of 150 ms from 0.05 s on that is joined to its pack at 0.253 s, read every 10 ms behind 20 ms.
"""

from __future__ import annotations

from math import exp, log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logscope.checks.precharge import lagged_closing as lagged
from logscope.checks.precharge.lagged_closing import Settling, Start, find_settling

AT = 0.01 * np.arange(45)
CLOSED_S = 0.253
BEGIN = Start(0.05, 0.15, 0.02)


@pytest.fixture
def searched(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The outcome for these costs [V²] with either order of the constants, and the best curves without a closing."""

    def run(
        unbroken: tuple[float, float] = (9.0, 9.0), cost: float = 0.05, other: float = 5.0, sigma_s: float = 0.004,
        reported: tuple[float, float] | None = None, known: bool = True, asked: dict[str, Any] | None = None,
        start: Start = BEGIN,
    ) -> Settling | None:  # fmt: skip
        seen: dict[str, Any] = {"begins": [], "bounds": []} if asked is None else asked

        def search(_: Any, begin: Any, bounds: Any, **__: Any) -> Any:
            seen.setdefault("begins", []).append(begin)
            seen.setdefault("bounds", []).append(bounds)
            value = cost if begin[2] < begin[1] else other
            return SimpleNamespace(x=np.array([*begin[:3], CLOSED_S]), cost=value, jac=np.eye(4))

        def decided(bests: Any, orders: int, _: Any, __: Any, noise_v: float, spread: float) -> bool:
            seen["decided"] = ({order: each.cost for order, each in bests.items()}, orders, noise_v, spread)
            return known

        monkeypatch.setattr(lagged, "least_squares", search)
        monkeypatch.setattr(lagged, "_unbroken", lambda *_: unbroken)
        monkeypatch.setattr(lagged, "_tells", decided)
        monkeypatch.setattr(lagged, "_falls_to_level", lambda *_: False)
        monkeypatch.setattr(lagged, "_residuals", lambda *_: (None, np.array([0.0, 350.0, 349.0])))
        monkeypatch.setattr(lagged, "covariance_of", lambda curvature: np.diag([7.0, 7.0, 7.0, sigma_s**2]))
        monkeypatch.setattr(lagged, "_other_order", lambda *_: pytest.fail("both orders were found"))
        return find_settling(AT, AT, start, 0.1, reported)

    return run


@pytest.mark.parametrize(
    ("given", "visible"),
    [
        # thirty variances of 0.01 V² beyond 2 · 0.05 V²: 0.4 V²
        ({"unbroken": (0.41, 0.41)}, True),
        ({"unbroken": (0.39, 0.41)}, None),
        ({"unbroken": (0.41, 0.39)}, None),
        # what the fit leaves by its own 38 degrees of freedom, 2 · 0.76/38 = 0.04 V²: 1.52 and 1.2 V²
        ({"unbroken": (2.73, 2.73), "cost": 0.76}, True),
        ({"unbroken": (2.71, 2.73), "cost": 0.76}, None),
        # a state says that it closed: a second filter that does as well leaves that, an average needs no closing
        ({"unbroken": (0.39, 0.41), "reported": (0.2, 0.3)}, False),
        ({"unbroken": (0.39, 0.39), "reported": (0.2, 0.3)}, False),
        ({"unbroken": (0.41, 0.39), "reported": (0.2, 0.3)}, None),
        ({"unbroken": (0.41, 0.41), "reported": (0.2, 0.3)}, True),
        # placed no better than half of the lag, by two deviations
        ({"unbroken": (0.39, 0.41), "reported": (0.2, 0.3), "sigma_s": 0.0049}, False),
        ({"unbroken": (0.39, 0.41), "reported": (0.2, 0.3), "sigma_s": 0.0051}, None),
        ({"unbroken": (0.41, 0.41), "sigma_s": 0.0051}, True),
    ],
)
def test_a_settling_is_seen_where_no_curve_without_one_does_as_well(
    given: dict[str, Any], visible: bool | None, searched: Any
) -> None:
    found = searched(**given)
    assert (None if found is None else found.visible) is visible
    if found is not None and not visible:  # only the state says when
        assert (found.start_s, found.end_s, found.by_faster) == (0.2, 0.3, None)


@pytest.mark.parametrize(
    ("sigma_s", "start_s", "end_s", "curve_end_s", "latest_after_s"),
    [
        (0.004, 0.245, 0.261, 0.245, 0.010),  # no sooner than a reading later
        (0.006, 0.241, 0.265, 0.243, 0.012),  # the curve goes on to half a lag before it
        (0.5, 0.06, 0.42, 0.243, 1.0),  # the curve needs six samples, the level two
    ],
)
def test_a_closing_is_placed_within_two_deviations(
    sigma_s: float, start_s: float, end_s: float, curve_end_s: float, latest_after_s: float, searched: Any
) -> None:
    found = searched(sigma_s=sigma_s)
    assert (found.start_s, found.end_s, found.curve_end_s) == pytest.approx((start_s, end_s, curve_end_s))
    assert found.level_v == 349.0
    assert found.link_v == pytest.approx(350 * (1 - exp(-0.203 / 0.15)))
    assert found.latest_v == pytest.approx(350 * (1 - exp(-(0.203 + latest_after_s) / 0.15)))


def test_the_better_of_both_orders_of_the_constants_is_taken(searched: Any) -> None:
    asked: dict[str, Any] = {}
    assert searched(asked=asked).by_faster is True
    assert asked["decided"] == ({True: 0.05, False: 5.0}, 2, 0.1, pytest.approx(0.01))
    slower = searched(cost=5.0, other=0.05)
    assert (slower.by_faster, slower.curve_end_s) == (False, pytest.approx(0.245))
    assert slower.link_v == pytest.approx(350 * (1 - exp(-0.203 / 0.02)))
    assert searched(known=False).by_faster is None


@pytest.mark.parametrize(
    ("reported", "closes_s"),
    [
        (None, (0.06, 0.42)),
        ((0.2, 0.3), (0.2, 0.3)),
        ((0.0, 0.3), (0.06, 0.3)),
        ((0.3, 0.3), None),
        ((0.0, 0.06), None),
    ],
)  # fmt: skip
def test_a_closing_is_looked_for_within_what_is_reported(
    reported: Any, closes_s: tuple[float, float] | None, searched: Any
) -> None:
    """From the seventh sample to the third last; its lag is no slower than a sensing, its link may be."""
    asked: dict[str, Any] = {}
    found = searched(reported=reported, asked=asked)
    assert (found is None) is (closes_s is None)
    if closes_s is None:
        assert not asked
        return
    lows, highs = (np.array([bounds[k] for bounds in asked["bounds"]]) for k in (0, 1))
    begins = np.array(asked["begins"])
    assert np.all((begins > lows) & (begins < highs))
    assert (set(lows[:, 3]), set(highs[:, 3])) == ({closes_s[0]}, {closes_s[1]})
    assert highs[:, 2].max() <= log(lagged.LONGEST_LAG_S) + 1e-6
    assert begins[0, 3] - closes_s[0] == pytest.approx(closes_s[1] - begins[len(begins) // 2 - 1, 3])
    assert np.unique(np.round(np.diff(np.unique(begins[:, 3])), 9)).size == 1  # spread evenly between the ends


def test_a_link_that_no_sensing_is_as_slow_as_has_one_order_of_constants(searched: Any) -> None:
    asked: dict[str, Any] = {}
    assert searched(start=Start(0.05, 0.16, 0.02), asked=asked) is not None
    assert asked["decided"][1] == 1
    assert searched(asked=asked) is not None
    assert asked["decided"][1] == 2
