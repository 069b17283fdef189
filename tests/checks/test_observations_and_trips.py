"""What checks share of a capture, made once; trips from a fault and from a current, guard by guard. By hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.observations import observations as module
from logscope.observations.observations import Observations
from logscope.observations.trips.events import (
    Trip,
    _changes,
    _current_says_overcurrent,
    _pedal_stayed,
    _torque_fell,
    find_trips,
)
from logscope.signals import MissingPart, Signals
from logscope.vehicle import Limits, Mapped, Vehicle

P = 0.015625  # sums of it are exact
T = np.arange(0.0, 20.0, P)
LIMITED = Vehicle(limits=Limits(motor_current_A=350, battery_min_V=240))


def of(name: str, value: Any, **more: Any) -> Any:
    return part(name, T, np.broadcast_to(np.asarray(value, float), T.shape), **more)


@pytest.mark.parametrize(
    ("name", "makes", "given"),
    [
        ("link", "describe_link", lambda now: (now.signals, 240.0)),
        ("attempts", "find_attempts", lambda now: (now.signals, "link")),
        ("speed", "wrong_speed", lambda now: (now.signals, LIMITED)),
        ("trips", "find_trips", None),
        ("charges", "find_sessions", lambda now: (now.signals,)),
    ],
)
def test_an_observation_is_made_once_of_its_own_material(
    name: str, makes: str, given: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[Any, ...]] = []

    def made(*args: Any) -> Any:
        asked.append(args)
        return ["made"]

    monkeypatch.setattr(module, "describe_link", lambda *_: "link")
    monkeypatch.setattr(module, makes, made)
    one = Observations(signals(of("dc_link_voltage", 300.0), of("motor_current", 1.0)), LIMITED)
    value = getattr(one, name)
    assert value == (("made",) if name == "trips" else ["made"])
    assert getattr(one.seen_through(one.signals), name) is value
    assert len(asked) == 1
    if name in ("link", "speed"):
        assert asked[0][1] == (240.0 if name == "link" else LIMITED)
    if name == "attempts":
        assert asked[0][1] == "link"
    assert isinstance(asked[0][0], Signals)


@pytest.mark.parametrize("link", [True, False])
def test_openings_are_those_of_the_link_or_of_the_states_alone(link: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "describe_link", lambda *_: "link")
    monkeypatch.setattr(module, "find_attempts", lambda *_: "attempts")
    monkeypatch.setattr(module, "find_openings", lambda *given: [("by link", *given[1:])])
    monkeypatch.setattr(module, "openings_without_link", lambda *_: ["by state"])
    made = signals(*([of("dc_link_voltage", 300.0)] if link else [of("motor_current", 1.0)]))
    assert Observations(made, LIMITED).openings == ((("by link", "link", "attempts"),) if link else ("by state",))


def test_what_an_observation_missed_is_noted_for_each_who_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    def made(given: Signals, _: Any) -> str:
        given.get("torque")
        return "made"

    monkeypatch.setattr(module, "wrong_speed", made)
    first = signals(of("motor_speed", 1.0)).without({"torque": "it does not fit"})
    one = Observations(first, LIMITED)
    assert one.speed == "made"  # type: ignore[comparison-overlap]
    assert first.missed == ["torque"]
    other = first.watched()
    assert other.missed == []
    assert one.seen_through(other).speed == "made"  # type: ignore[comparison-overlap]
    assert other.missed == ["torque"]

    def fails(given: Signals, _: Any) -> str:
        given.get("torque")
        raise MissingPart("motor_speed")

    monkeypatch.setattr(module, "wrong_speed", fails)
    third = first.watched()
    with pytest.raises(MissingPart):
        _ = Observations(third, LIMITED).speed
    assert third.missed == ["torque"]


def fault(values: list[float], over: Any = None, healthy: Any = None, labels: dict[float, str] | None = None) -> Any:
    time_s = np.arange(len(values), dtype=float)
    made = part("fault", time_s, np.array(values, float), labels=labels or {})
    kept = {
        name: None if each is None else np.array(each, bool)
        for name, each in (("overcurrent", over), ("healthy", healthy))
    }
    return replace(made, **kept)


def test_the_first_sample_and_each_change_of_code_or_meaning_is_looked_at() -> None:
    made = fault([0, 0, 3, 3, 3, 5])
    healthy, over = np.array([1, 1, 0, 0, 0, 0], bool), np.array([0, 0, 0, 1, 1, 1], bool)
    assert _changes(made, healthy, over) == [0, 2, 3, 5]
    assert _changes(fault([]), np.empty(0, bool), np.empty(0, bool)) == []


@pytest.mark.parametrize(
    ("made", "trips"),
    [
        (fault([0, 3, 3, 0, 3]), [(0.0, 1.0, "3", 3.0), (3.0, 4.0, "3", 3.0)]),  # latched until it is healthy again
        (fault([0, 3, 5, 3, 0]), [(0.0, 1.0, "3", 3.0), (1.0, 2.0, "5", 5.0)]),
        (fault([0, 3, 0], labels={3.0: "Hot"}), [(0.0, 1.0, "Hot", 3.0)]),
        (fault([7, 7, 9, 7], healthy=[1, 1, 0, 1]), [(1.0, 2.0, "9", 9.0)]),
        (fault([4, 4, 0]), [(0.0, 0.0, "4", 4.0)]),  # set before the log
        (fault([0, 3, 7, 0], over=[0, 1, 1, 0]), [(0.0, 1.0, "overcurrent", 3.0)]),  # another bit beside it
        (fault([0, 5, 3, 0], over=[0, 0, 1, 0]), [(0.0, 1.0, "5", 5.0), (1.0, 2.0, "overcurrent", 3.0)]),
    ],
)
def test_each_fault_that_appears_is_a_trip(made: Any, trips: list[tuple[Any, ...]]) -> None:
    found = find_trips(signals(made), Vehicle())
    assert [(each.sound_s, each.time_s, each.name, each.code) for each in found] == trips
    assert [each.before_log for each in found] == [each.time_s == 0.0 for each in found]


def surge(peak: float = 300.0) -> Any:
    """100 A, at 9.9 s a surge, at 10 s nothing."""
    amps = np.interp(T, [9.9, 9.95, 10.0, 10.0 + P], [100.0, peak, peak, 0.0])
    return part("motor_current", T, amps)


@pytest.mark.parametrize(
    ("amps", "limit_A", "over"),
    [(surge(), 350.0, True), (part("motor_current", T, 100.0 + 0 * T), 99.0, True),
     (part("motor_current", T, 100.0 + 0 * T), 101.0, False), (None, 99.0, False)],
)  # fmt: skip
def test_a_bare_flag_is_an_overcurrent_where_the_current_says_so(amps: Any, limit_A: float, over: bool) -> None:
    flag = part("fault", T, np.where(T >= 10.05, 1.0, 0.0))
    made = signals(*([flag] if amps is None else [flag, amps]))
    own = Vehicle(limits=Limits(motor_current_A=limit_A))
    (found,) = find_trips(made, own)
    assert (found.overcurrent, found.plain, found.name) == (over, True, "overcurrent" if over else "1")
    assert _current_says_overcurrent(made, own, 10.05) is over
    named = replace(flag, labels={1.0: "Hot"})
    (other,) = find_trips(signals(named, *([] if amps is None else [amps])), own)
    assert (other.overcurrent, other.plain, other.name) == (False, False, "Hot")
    for mapping in ({"overcurrent": [3]}, {"overcurrent_bits": [2]}):
        told = own.model_copy(update={"signals": {"fault": Mapped(signal="A.B", **mapping)}})
        assert not find_trips(made, told)[0].plain
    plain = own.model_copy(update={"signals": {"fault": Mapped(signal="A.B")}})
    assert find_trips(made, plain)[0].plain


PEDAL, TORQUE = of("throttle", 60.0), part("torque", T, np.where(T <= 10.0, 90.0, 0.0))


@pytest.mark.parametrize(
    ("amps", "beside", "limit_A", "count"),
    [
        (surge(), [PEDAL], 350.0, 1), (surge(), [TORQUE], 350.0, 1), (surge(), [], 350.0, 0),
        (surge(), [], 299.0, 1),  # a surge beyond the limit needs no witness
        (part("motor_current", T, np.where(T <= 10.0, 300.0, 0.0)), [], 299.0, 1),  # no pedal says that it was lifted
        (part("motor_current", T, np.where(T <= 10.0, 300.0, 0.0)), [of("throttle", 0.0)], 299.0, 0),
        (surge(), [part("throttle", T, np.where(T <= 9.99, 60.0, 0.0))], 299.0, 1),  # surged beyond the limit
        (surge(), [part("throttle", T, np.where(T <= 9.99, 60.0, 0.0))], 350.0, 0),
        (surge(), [PEDAL, of("torque", 90.0)], 350.0, 0),  # the torque stayed
    ],
)  # fmt: skip
def test_a_current_that_surges_and_collapses_unasked_is_a_trip(
    amps: Any, beside: list[Any], limit_A: float, count: int
) -> None:
    found = find_trips(signals(amps, *beside), Vehicle(limits=Limits(motor_current_A=limit_A)))
    assert found == [Trip(10.0, 10.0 + P, True, "overcurrent", None)] * count


@pytest.mark.parametrize(
    ("before", "during", "after", "stayed"),
    [
        (60.0, 60.0, 30.0, True), (60.0, 60.0, 29.0, False),  # half of what it was
        (5.1, 5.1, 5.1, True), (5.0, 5.0, 5.0, False),
        (60.0, 29.0, 60.0, False),
    ],
)  # fmt: skip
def test_a_pedal_stays_with_half_of_its_travel_up_to_a_tenth_of_a_second_after(
    before: float, during: float, after: float, stayed: bool
) -> None:
    value = np.where(T <= 10.0, before, np.where(T <= 10.015625, during, after))
    assert _pedal_stayed(part("throttle", T, value), 10.0, 10.015625) is stayed
    late = np.where(T <= 10.12, 60.0, 0.0)  # lifted later than that
    assert _pedal_stayed(part("throttle", T, late), 10.0, 10.015625)
    assert not _pedal_stayed(part("throttle", T, np.where(T <= 10.10, 60.0, 0.0)), 10.0, 10.015625)


@pytest.mark.parametrize(("left", "fell"), [(18.0, True), (18.1, False), (-18.1, False)])
def test_a_torque_falls_to_a_fifth_of_its_highest_before(left: float, fell: bool) -> None:
    value = np.where(T <= 9.85, 90.0, np.where(T <= 10.0, 40.0, left))
    assert _torque_fell(part("torque", T, value), 10.0, 10.015625) is fell
    early = np.where(T <= 9.79, 90.0, np.where(T <= 10.0, 40.0, 10.0))  # more than 0.2 s before
    assert _torque_fell(part("torque", T, early), 10.0, 10.015625) is False
    back = np.where((T > 10.0) & (T < 10.24), 0.0, 90.0)  # the middle of the 0.2 s after it
    assert _torque_fell(part("torque", T, back), 10.0, 10.015625) is True
