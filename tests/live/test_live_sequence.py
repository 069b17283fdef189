"""Where the high-voltage sequence stands, by the newest readings: a table of every step, each side of every edge.

60 V is the line between voltage classes A and B (ISO 6469-3, UN R100); the rest is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.live.picture import Phase
from logscope.live.sequence import longest_age_s, sequence_of
from logscope.live.window import between
from logscope.signals import Part, Signals

NOW_S = 10.0


def part(name: str, value: float | np.ndarray, period_s: float = 0.125, last_s: float = NOW_S) -> Part:
    at = last_s - period_s * np.arange(40)[::-1]
    return Part(name, at, np.broadcast_to(value, at.shape).astype(float), "V", f"Made.{name}")


def state(name: str, on: bool, last_s: float = NOW_S) -> Part:
    at = last_s - 0.1 * np.arange(40)[::-1]
    flags = np.full(at.size, on)
    return Part(name, at, flags.astype(float), "", f"Made.{name}", 1.0, on=flags)


def link(now_V: float, before_V: float | None = None) -> Part:
    """The newest three readings, a quarter of a second, rise evenly from where it stood."""
    return part(
        "dc_link_voltage",
        np.interp(np.arange(40), [0, 37, 39], [now_V if before_V is None else before_V] * 2 + [now_V]),
    )


OFF = (state("main_contactor", False), state("precharge_relay", False))
PACK, MAIN = part("battery_voltage", 300.0), state("main_contactor", True)


@pytest.mark.parametrize(
    ("parts", "phase", "link_V", "share"),
    [
        ((link(59.9), *OFF), Phase.OFF, 59.9, None),
        ((link(60.0), *OFF), Phase.LIVE, 60.0, None),
        ((link(59.9, 61.0), *OFF), Phase.BELOW_60, 59.9, None),
        ((link(150.0), PACK, *OFF), Phase.LIVE, 150.0, 0.5),
        ((link(30.0), part("battery_voltage", 59.0), *OFF), Phase.OFF, 30.0, None),  # no pack that is awake
        ((link(30.0), part("battery_voltage", 60.0), *OFF), Phase.OFF, 30.0, 0.5),
        ((link(30.0), state("precharge_relay", True)), Phase.PRECHARGING, 30.0, None),
        ((link(290.0), PACK, state("main_contactor", True)), Phase.CLOSED, 290.0, 290 / 300),
        ((link(290.0), PACK, MAIN, state("negative_contactor", False)), Phase.LIVE, 290.0, 290 / 300),
        ((link(290.0), PACK, MAIN, state("negative_contactor", True)), Phase.CLOSED, 290.0, 290 / 300),
        # without a relay's state: 2 % of the pack within 0.3 s
        ((link(20.0, 13.9), PACK), Phase.PRECHARGING, 20.0, 20 / 300),
        ((link(20.0, 14.1), PACK), Phase.OFF, 20.0, 20 / 300),
        ((link(20.0, 13.9), PACK, state("precharge_relay", False)), Phase.OFF, 20.0, 20 / 300),
        ((link(20.0, 18.7),), Phase.PRECHARGING, 20.0, None),  # 2 % of 60 V at the lowest
        ((link(20.0, 18.9),), Phase.OFF, 20.0, None),
        ((), Phase.UNKNOWN, None, None),
        ((state("precharge_relay", True),), Phase.PRECHARGING, None, None),
        ((state("precharge_relay", False),), Phase.UNKNOWN, None, None),
        ((state("main_contactor", True),), Phase.CLOSED, None, None),
    ],
)  # fmt: skip
def test_each_step_of_the_sequence_is_what_the_newest_readings_say(
    parts: tuple[Part, ...], phase: Phase, link_V: float | None, share: float | None
) -> None:
    found = sequence_of(Signals({each.name: each for each in parts}, 0.0, NOW_S), NOW_S)
    assert found.phase is phase
    assert found.link_V == link_V
    assert (found.share is None) == (share is None)
    if share is not None:
        assert found.share == pytest.approx(share)


@pytest.mark.parametrize(("link_V", "said"), [(239.0, "and the link is at 80 %"), (241.0, "closed: link 241 V, live")])
def test_a_link_far_below_its_pack_behind_a_closed_contactor_is_said(link_V: float, said: str) -> None:
    parts = (link(link_V), PACK, state("main_contactor", True))
    assert said in sequence_of(Signals({each.name: each for each in parts}, 0.0, NOW_S), NOW_S).text


def test_contactors_are_said_to_be_open_only_where_they_say_so() -> None:
    for parts, said in (((link(300.0), *OFF), "reported open"), ((link(300.0),), "contactors unknown")):
        text = sequence_of(Signals({each.name: each for each in parts}, 0.0, NOW_S), NOW_S).text
        assert said in text
        assert "live" in text


@pytest.mark.parametrize(("period_s", "age_s"), [(0.1, 1.5), (0.3, 1.5), (0.5, 2.5), (1.0, 5.0)])
def test_a_reading_is_of_now_for_five_periods_and_a_second_and_a_half(period_s: float, age_s: float) -> None:
    made = part("dc_link_voltage", 300.0, period_s)
    assert longest_age_s(made) == pytest.approx(age_s)
    for late_s, phase in ((age_s - 0.01, Phase.LIVE), (age_s + 0.01, Phase.UNKNOWN)):
        assert sequence_of(Signals({made.name: made}, 0.0, NOW_S), NOW_S + late_s).phase is phase


def test_a_stale_state_says_nothing() -> None:
    old = state("main_contactor", True, last_s=NOW_S - 1.6)
    assert sequence_of(Signals({"dc_link_voltage": link(300.0), old.name: old}, 0.0, NOW_S), NOW_S).phase is Phase.LIVE


def test_a_shorter_time_holds_both_ends_and_no_empty_part() -> None:
    early = part("battery_voltage", 300.0, last_s=5.0)
    made = Signals({"dc_link_voltage": link(300.0), early.name: early}, 0.0, NOW_S)
    short = between(made, 9.0, 9.5)
    assert short["dc_link_voltage"].time_s.tolist() == [9.0, 9.125, 9.25, 9.375, 9.5]
    assert "battery_voltage" not in short
    assert (short.start_s, short.end_s) == (9.0, 9.5)
