"""Where a log begins on the clock of another: first = second + offset + drift · (second − middle)."""

from __future__ import annotations

import numpy as np
import pytest

from logscope import clocks
from logscope.signals import Part, Signals
from logscope.statistics.alignment import Alignment


def test_a_log_begins_where_its_clock_was_by_then_and_not_in_its_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    """500 s from its start it is 12 s ahead; 200 ppm more for each second: at its start it was 11.9 s ahead."""
    fit = Alignment(500.0, 12.0, 11.99, 12.01, 2e-4, 1e-4, 3e-4, 0.001, 8, 0.99, 900.0)
    monkeypatch.setattr(clocks, "_best", lambda *_: (("motor_speed", fit), []))
    at = np.arange(0.0, 1000.0, 0.1)
    signals = Signals({"motor_speed": Part("motor_speed", at, np.sin(at), "rpm", "M.N")}, 0.0, 1000.0)
    can = clocks.SeenLog("a.log", 10**18, 10**18 + 10**12, True, False, signals)
    console = clocks.SeenLog("b.txt", 0, 10**12, False, True, signals)
    unmoved, joined = clocks.by_signals([can, console])
    assert unmoved is None
    assert joined is not None
    assert joined.clock.starts_s == pytest.approx(12.0 - 2e-4 * 500.0)
    reach_s = 0.01 + 1e-4 * 500.0  # of the offset in the middle, and of the drift until there
    assert (joined.clock.low_s, joined.clock.high_s) == pytest.approx((11.9 - reach_s, 11.9 + reach_s))
    assert (joined.clock.drift_ppm, joined.clock.drift_low_ppm) == pytest.approx((200.0, 100.0))
    for since_s in (0.0, 500.0, 1000.0):
        moved_s = (joined.shift.stamp(round(since_s * 1e9)) - 10**18) / 1e9
        assert moved_s == pytest.approx(since_s + 12.0 + 2e-4 * (since_s - 500.0), abs=1e-6)
