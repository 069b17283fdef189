"""What error frames go with, how full a bus is, and whether a drive was in use: each guard on both sides of its edge.

Oracle: Clopper and Pearson's limits of a share by scipy.stats; the rest by hand (common practice, no published source).
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.bus.bit_rate import Source
from logscope.bus.error_frames import State
from logscope.checks.bus import errors, load
from logscope.checks.bus.context import Context
from logscope.findings import Severity
from logscope.vehicle import Vehicle

T = np.arange(0.0, 60.0, 0.01)


def context(*parts: Any, **names: str) -> Context:
    record: Any = SimpleNamespace(seconds=lambda ns: ns / 1e9, name=lambda each: each)
    return Context(record, signals(*parts), Vehicle())


def at(begin_s: float, end_s: float, value: float, rest: float = 0.0) -> np.ndarray:
    values = np.full(T.size, rest)
    values[np.searchsorted(T, begin_s - 1e-9) : np.searchsorted(T, end_s - 1e-9)] = value
    return values


@pytest.mark.parametrize(
    ("inside", "outside", "named"),
    [(8, 1, True), (8, 6, False), (5, 0, True), (4, 0, False)],
)
def test_bursts_are_named_after_a_span_in_which_they_come_more_than_twice_as_often(inside, outside, named):
    """15 s of 60 s; limits of the ratio from those of the share within the span."""
    bursts = np.concatenate((np.linspace(20.5, 34.5, inside), np.linspace(40.0, 59.0, outside), [61.0, 70.0]))
    found = errors._more_often(bursts, [(20.0, 35.0), (61.0, 90.0)], (0.0, 60.0))
    limits = stats.binomtest(inside, inside + outside).proportion_ci(0.95, "exact")
    low = limits.low / (1 - limits.low) * 45.0 / 15.0
    assert (low > 2.0 and inside >= 5) is named
    assert (found is not None) is named
    if found is not None:
        assert found.low == pytest.approx(low, rel=1e-3)
        if outside:
            assert found.value == pytest.approx(inside / outside * 3.0)


def test_bursts_at_the_very_ends_of_a_span_count_within_it():
    """Ten from 20 to 35 s, two of them at its ends; four outside, two of them at the ends of what is known."""
    bursts = np.array([-0.1, 0.0, 10.0, 20.0, 25.0, 27.0, 28.0, 29.0, 30.0, 31.0, 32.0, 33.0, 35.0, 40.0, 60.0, 60.1])
    found = errors._more_often(bursts, [(20.0, 35.0)], (0.0, 60.0))
    assert found is not None
    assert found.value == pytest.approx(10 / 4 * 45.0 / 15.0)
    for short_s in (15.0, 0.6):  # a single switching is 0.6 s of it
        within = np.linspace(20.0, 20.0 + short_s, 5)
        assert errors._more_often(within, [(20.0, 20.0 + short_s)], (0.0, 60.0)) is not None


@pytest.mark.parametrize(("known_s", "compared"), [((15.1, 35.0), False), ((14.9, 35.0), True), ((20.0, 19.0), False)])
def test_a_rate_needs_five_seconds_to_compare_with(known_s, compared):
    bursts = np.linspace(20.5, 34.5, 30)
    assert (errors._more_often(bursts, [(20.0, 35.0)], known_s) is not None) is compared
    assert errors._more_often(bursts, [], (0.0, 60.0)) is None


@pytest.mark.parametrize(
    ("amps", "spans"),
    [
        (at(10.0, 20.0, -200.0, 90.0), [(10.0, 20.0)]),  # above half of the 98 % quantile, 100 A
        (at(10.0, 20.0, 200.0, 101.0), [(0.0, 59.99)]),
        (at(10.0, 20.0, 20.0), []),  # disturbs nothing
        (at(10.0, 20.0, 21.0), [(10.0, 20.0)]),
        (at(10.0, 20.0, 200.0) + at(30.0, 30.08, 200.0) + at(40.0, 40.11, 200.0), [(10.0, 20.0), (40.0, 40.11)]),
    ],
)
def test_a_current_is_high_from_half_of_its_usual_top_on(amps, spans):
    cause, found, known = errors._under_current(context(part("motor_current", T, amps)))
    assert (cause, known) == ("current", (0.0, pytest.approx(59.99)))
    assert found == [pytest.approx(each) for each in spans]


def test_the_motors_current_goes_before_the_packs():
    pack = part("battery_current", T, at(40.0, 50.0, 200.0))
    both = errors._under_current(context(pack, part("motor_current", T, at(10.0, 20.0, 200.0))))
    assert both[1] == [pytest.approx((10.0, 20.0))]
    assert errors._under_current(context(pack))[1] == [pytest.approx((40.0, 50.0))]
    assert errors._under_current(context()) == ("current", [], (0.0, 0.0))
    pair = part("motor_current", np.array([1.0, 5.0]), np.array([200.0, 200.0]))
    assert errors._under_current(context(pair)) == ("current", [(1.0, 5.0)], (1.0, 5.0))
    assert errors._under_current(context(part("motor_current", T[:1], T[:1]))) == ("current", [], (0.0, 0.0))


def test_around_switchings_are_300_ms_to_either_side():
    main, relay = (
        part(name, T[first:], values[first:], on=values[first:] > 0)
        for name, first, values in (
            ("main_contactor", 1, at(10.0, 20.0, 1.0)), ("precharge_relay", 201, at(9.5, 30.0, 1.0)),
        )
    )  # fmt: skip
    cause, spans, known = errors._at_switching(context(main, relay))
    assert cause == "switching"
    assert spans == [pytest.approx(each) for each in ((9.2, 10.3), (19.7, 20.3), (29.7, 30.3))]
    assert known == (pytest.approx(0.01), pytest.approx(59.99))
    assert errors._at_switching(context()) == ("switching", [], (0.0, 0.0))


def episode(state: State, lasts_s: float, ended: bool = True) -> Any:
    return SimpleNamespace(state=state, start_ns=0, end_ns=round(lasts_s * 1e9), ended=ended)


@pytest.mark.parametrize(
    ("episodes", "title"),
    [
        ([], "7 error frames in 2 bursts"),
        ([episode(State.PASSIVE, 2.0)], "error passive once, up to 2 s; 7 error frames"),
        (
            [episode(State.PASSIVE, 2.0), episode(State.PASSIVE, 5.0, ended=False)],
            "error passive 2 times, up to 5 s, its end not logged; 7 error frames",
        ),
        ([episode(State.PASSIVE, 0.0)], "error passive once, up to an unknown time; 7 error frames"),
        ([episode(State.PASSIVE, 0.5)], "error passive once, up to 500 ms; 7 error frames"),
        (
            [episode(State.OFF, 1.0), episode(State.PASSIVE, 2.0)],
            "bus off once, the logger's controller stopped sending",
        ),
    ],
)
def test_the_worst_state_of_the_controller_is_the_title(episodes, title):
    story: Any = SimpleNamespace(episodes=episodes, disturbing=7, bursts_ns=np.array([0, 10**9]))
    assert errors._title(story) == title


@pytest.mark.parametrize(
    ("transmit", "receive", "said"),
    [
        (128, 9, ": what the logger itself sends fails."),
        (9, 128, ": frames of others arrive damaged."),
        (9, 9, "receive 9."),
    ],
)
def test_the_higher_counter_says_whose_frames_fail(transmit, receive, said):
    story: Any = SimpleNamespace(transmit_counter=transmit, receive_counter=receive)
    text = errors._counters(story)
    assert text.startswith(f"Highest error counters: transmit {transmit}, receive {receive}")
    assert text.endswith(said)
    assert errors._counters(SimpleNamespace(transmit_counter=None, receive_counter=1)) == ""  # type: ignore[arg-type]


@pytest.mark.parametrize(("missing", "cause"), [(5, "no_acknowledge"), (4, "bit_rate")])
def test_half_of_the_errors_without_an_acknowledgement_are_the_loggers_own(missing, cause):
    story: Any = SimpleNamespace(no_acknowledge=missing, disturbing=10, until_ns=60 * 10**9)
    silent: Any = SimpleNamespace(frames=0)
    assert errors._origin(story, silent, np.arange(10.0), context()).cause == cause
    heard = errors._origin(story, SimpleNamespace(frames=1), np.arange(10.0), context())  # type: ignore[arg-type]
    assert heard.cause == ("undetermined" if cause == "bit_rate" else cause)


@pytest.mark.parametrize(
    ("rpm", "amps", "used"),
    [(100.0, 5.0, False), (-101.0, 0.0, True), (0.0, -5.1, True), (None, None, False)],
)
def test_a_drive_is_in_use_where_the_motor_turns_or_the_pack_carries_current(rpm, amps, used):
    parts = [] if rpm is None else [
        part("motor_speed", T, at(10.0, 11.0, rpm)), part("battery_current", T, at(10.0, 11.0, amps)),
    ]  # fmt: skip
    made = context(*parts)
    assert made.in_use(11.28, 12.0) is used  # a state is logged up to 0.3 s late
    assert made.in_use(9.0, 9.71) is used
    assert not made.in_use(11.31, 12.0)
    assert not made.in_use(9.0, 9.69)


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["A"], "A"), (["A", "B", "A"], "A and B"), (["A", "B", "C", "D"], "A, B, C and D"),
        (["A", "B", "C", "D", "E", "F"], "A, B, C, D and 2 more"),
    ],
)  # fmt: skip
def test_up_to_four_messages_are_named(names, said):
    assert context().listed(names) == said  # type: ignore[arg-type]


def load_of(busiest: float, *, lower_bound: bool = False, **rate: Any) -> Any:
    of: Any = SimpleNamespace(
        mean=0.3, busiest=busiest, mean_bits_per_s=150e3, busiest_bits_per_s=busiest * 500e3, busiest_ns=20 * 10**9,
        lower_bound=lower_bound,
    )  # fmt: skip
    given = SimpleNamespace(**{"value": 500_000, "source": Source.GIVEN, "close_frames": 0, **rate})
    bus: Any = SimpleNamespace(name="can0", first_ns=19_500_000_000, last_ns=50 * 10**9)
    return load._load(bus, of, given, context())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("busiest", "lower_bound", "worst_s", "severity"),
    [
        (0.70, False, 0.01, Severity.GOOD),
        (0.71, False, 0.01, Severity.INFO),
        (0.90, False, 0.01, Severity.INFO),
        (0.91, False, 0.01, Severity.WARNING),
        (0.50, True, 0.01, Severity.INFO),
        (0.50, False, 0.021, Severity.INFO),  # longer than its period
        (0.50, False, None, Severity.INFO),
    ],
)
def test_a_bus_is_good_up_to_what_it_is_planned_for(monkeypatch, busiest, lower_bound, worst_s, severity):
    waits = [
        SimpleNamespace(message="Slow", worst_s=0.03, period_s=1.0, seen_s=0.001),
        SimpleNamespace(message="Fast", worst_s=worst_s, period_s=0.02, seen_s=0.001),
    ]
    monkeypatch.setattr(load, "longest_waits", lambda bus, rate: waits)
    found = load_of(busiest, lower_bound=lower_bound)
    assert found.severity is severity
    measured = {name: value.value for name, value in found.measured.items()}
    assert measured.get("longest_wait_s") == worst_s  # that of the message which it delays most
    assert measured["mean_load_percent"] == pytest.approx(30.0)
    assert measured["busiest_load_percent"] == pytest.approx(100 * busiest)
    assert (measured["mean_bit_per_s"], measured["bit_rate_bit_per_s"]) == (150e3, 500e3)
    assert (found.start_s, found.end_s) == (19.5, 20.0)  # the log began less than a second before


def test_a_load_without_a_bit_rate_is_unknown():
    found = load_of(0.95, value=None)
    assert found.severity is Severity.INFO
    assert "busiest_load_percent" not in found.measured
    assert "150 kbit/s on average, 475 kbit/s in the busiest second" in found.title
