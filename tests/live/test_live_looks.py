"""When the live view looks at what, and which verdicts it keeps; expected by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_live import finding, part, signals, verdict

from logscope.findings import Finding, Measured, Severity
from logscope.live import judge
from logscope.live.judge import Judge, _Due
from logscope.live.picture import Phase, Verdict
from logscope.signals import Signals
from logscope.vehicle import Limits, Vehicle


def test_an_attempt_is_looked_at_three_times_after_its_end() -> None:
    made = Judge(Vehicle())
    made._followed_s = 7.0
    made._follow_precharge(True, 7.5)
    made._followed_s = 7.5
    made._follow_precharge(True, 8.0)
    assert made._due == []
    made._follow_precharge(False, 9.0)
    # from 5 s before the look that saw it first
    assert made._due == [
        _Due(9.2, "precharge", 2.0, final=False), _Due(12.0, "precharge", 2.0, final=False),
        _Due(19.0, "precharge", 2.0, final=True),
    ]  # fmt: skip
    made._follow_precharge(False, 10.0)
    assert len(made._due) == 3


@pytest.mark.parametrize(("now_s", "looked"), [(67.0, False), (67.1, True)])
def test_what_precharges_for_a_minute_is_looked_at_as_it_stands(now_s: float, looked: bool) -> None:
    made = Judge(Vehicle())
    made._followed_s = 7.0
    made._follow_precharge(True, 7.5)
    made._follow_precharge(True, now_s)
    assert bool(made._due) is looked


def test_a_fault_is_looked_at_from_a_minute_before_it_comes() -> None:
    made = Judge(Vehicle())

    def fault(*healthy: bool) -> Signals:
        return signals(part("fault", [0.0] * len(healthy), "", healthy=np.array(healthy, np.bool_)))

    made._follow_fault(fault(False, True), 80.0)
    made._follow_fault(signals(), 81.0)
    assert made._due == []
    first = Judge(Vehicle())
    first._follow_fault(fault(False), 1.0)  # a fault from the beginning is one, too
    assert len(first._due) == 3
    made._follow_fault(fault(True, False), 90.0)
    assert [(each.at_s, each.check, each.start_s, each.final) for each in made._due] == [
        (90.2, "trips", 30.0, False), (93.0, "trips", 30.0, False), (100.0, "trips", 30.0, True),
    ]  # fmt: skip
    made._follow_fault(fault(False), 91.0)  # still the same one
    assert len(made._due) == 3
    made._follow_fault(fault(True), 92.0)
    made._follow_fault(fault(False), 93.0)
    assert len(made._due) == 6


def test_of_looks_at_one_stretch_the_last_counts() -> None:
    due = [_Due(3.0, "trips", 1.0, final=True), _Due(1.0, "trips", 1.0, final=False), _Due(2.0, "trips", 0.0,
    final=False),
           _Due(2.5, "precharge", 1.0, final=False)]  # fmt: skip
    assert judge._latest(due) == [due[0], due[2], due[3]]


@pytest.mark.parametrize(
    ("former", "new", "kept"),
    [
        (verdict(5.0), verdict(5.5, title="new"), ["new"]), (verdict(5.0), verdict(4.5, title="new"), ["new"]),
        (verdict(5.0), verdict(5.51, title="new"), ["t", "new"]),
        (verdict(5.0), verdict(5.0, "precharge", title="new"), ["t", "new"]),
        (verdict(5.0, final=True), verdict(5.0, title="new"), ["t"]),
        (verdict(5.0, final=True), verdict(6.0, title="new"), ["t", "new"]),
    ],
)  # fmt: skip
def test_a_verdict_is_replaced_until_it_is_final(former: Verdict, new: Verdict, kept: list[str]) -> None:
    made = Judge(Vehicle())
    made._keep(former)
    made._keep(new)
    assert [each.title for each in made.verdicts] == kept


@pytest.mark.parametrize(("start_s", "final"), [(90.0, False), (89.9, True)])
def test_a_verdict_carries_what_the_check_found(start_s: float, final: bool) -> None:
    found = finding("precharge.slow", start_s, cause="x", measured={"time_constant_s": Measured(0.2, "s")})
    assert judge._verdict(_Due(0.0, "precharge", 0.0, final=False), found, 100.0) == Verdict(
        "precharge", "precharge.slow", Severity.WARNING, start_s, "title of precharge.slow", "x", 0.2, final
    )
    other = judge._verdict(_Due(0.0, "trips", 0.0, final=True), finding("trip.other", 99.0), 100.0)
    assert (other.cause, other.time_constant_s, other.final) == (None, None, True)


@pytest.fixture
def checked(monkeypatch: pytest.MonkeyPatch) -> tuple[Judge, list[Any], dict[str, list[Finding]]]:
    """A judge whose checks are replaced: what they were asked, and what they find."""
    asked: list[Any] = []
    found: dict[str, list[Finding]] = {"precharge": [], "trips": [], "limits": []}

    def run(seen: Signals, vehicle: Vehicle, chosen: str) -> tuple[list[Finding], list[Any]]:
        asked.append((chosen, seen.start_s, seen.end_s))
        return found[chosen], []

    monkeypatch.setattr(judge, "chosen_checks", lambda name: name)
    monkeypatch.setattr(judge, "run_checks", run)
    monkeypatch.setattr(
        judge,
        "examine",
        lambda of, vehicle: SimpleNamespace(signals=replace(of, doubtful={"x": "odd"}), vehicle=vehicle),
    )
    return Judge(Vehicle(limits=Limits(motor_current_A=350.0))), asked, found


def test_a_look_sees_its_own_stretch_and_keeps_verdicts_on_events(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, asked, found = checked
    found["precharge"] = [
        finding("precharge.slow", 20.0), finding("precharge.drift", 20.0), finding("precharge.complete", 10.0),
        finding("precharge.fast", 10.1), finding("precharge.resistor_stress", 30.0),
    ]  # fmt: skip
    made._judge(signals(start_s=4.0), _Due(0.0, "precharge", 10.0, final=False), 50.0)
    assert [each.kind for each in made.verdicts] == ["precharge.slow", "precharge.fast"]
    made._judge(signals(start_s=4.0), _Due(0.0, "precharge", 1.0, final=False), 50.0)
    assert asked == [("precharge", 10.0, 50.0), ("precharge", 4.0, 50.0)]
    assert made.doubted == {"x": "odd"}
    found["trips"] = [finding(kind, 20.0) for kind in ("trip.none", "trip.pattern", "trip.near")]
    made._judge(signals(), _Due(0.0, "trips", 1.0, final=False), 50.0)
    assert not [each for each in made.verdicts if each.check == "trips"]


def test_what_is_due_is_judged_once_and_the_window_surveyed_every_eight_seconds(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, asked, _ = checked
    made._due = [_Due(6.0, "precharge", 1.0, final=False), _Due(7.0, "precharge", 1.0, final=False)]
    for now_s in (5.9, 6.0, 6.5):
        made.follow(signals(), Phase.OFF, now_s)
    assert asked == [("precharge", 1.0, 6.0)]
    made.follow(signals(), Phase.OFF, 7.9)
    assert [name for name, *_ in asked] == ["precharge", "precharge"]
    made.follow(signals(), Phase.OFF, 8.0)
    made.follow(signals(), Phase.OFF, 15.9)
    assert [name for name, *_ in asked].count("limits") == 1
    made.follow(signals(), Phase.OFF, 16.0)
    assert [name for name, *_ in asked].count("limits") == 2
    made.follow(signals(), Phase.PRECHARGING, 17.0)
    made.finish(signals(), 18.0)
    assert [each for each in asked if each[0] == "precharge"][-1] == ("precharge", 11.0, 18.0)
    assert [name for name, *_ in asked].count("limits") == 3
    assert made._due == []


def test_a_made_up_precharge_warms_the_check_up(checked: tuple[Judge, list[Any], dict[str, list[Finding]]]) -> None:
    _, asked, _ = checked
    judge.warm_up(Vehicle())
    assert asked == [("precharge", 0.0, 3.0)]


def test_the_smallest_margin_is_kept_by_the_name_of_its_limit(
    checked: tuple[Judge, list[Any], dict[str, list[Finding]]],
) -> None:
    made, _, found = checked
    for left in (50.0, 70.0, 40.0):
        measured = {"motor_current_margin_A": Measured(left, "A"), "other_margin_V": Measured(None, "V"),
                    "count": Measured(3.0, "")}  # fmt: skip
        found["limits"] = [finding("limits.margin", 0.0, measured=measured)]
        made._take_margins(signals(), Vehicle(limits=Limits(motor_current_A=350.0)))
    assert list(made.margins) == ["motor_current"]
    assert (made.margins["motor_current"].left, made.margins["motor_current"].unit) == (40.0, "A")
    assert made.margins["motor_current"].what != "motor_current"


@pytest.mark.parametrize(
    ("names", "asked_for"),
    [(("motor_current",), True), (("motor_current", "fault"), False), (("battery_voltage",), False)],
)
def test_trips_are_sought_by_the_current_alone_where_no_fault_is_logged(
    names: tuple[str, ...], asked_for: bool, checked: tuple[Judge, list[Any], dict[str, list[Finding]]]
) -> None:
    made, asked, _ = checked
    made._survey(signals(*(part(name, [1.0, 2.0]) for name in names)), 90.0)
    assert [each for each in asked if each[0] == "trips"] == ([("trips", 30.0, 90.0)] if asked_for else [])


def test_each_disturbance_is_counted_once_by_its_minute() -> None:
    made = Judge(Vehicle())
    time_s = np.array([0.0, 59.9, 60.0, 70.0, 125.0])
    study = SimpleNamespace(
        speed=SimpleNamespace(time_s=time_s), disturbances=[SimpleNamespace(first=k) for k in range(5)]
    )
    seen: Any = SimpleNamespace(speed=SimpleNamespace(study=study))
    made._count(seen, 70.0)
    assert made.by_minute == {0: 2, 1: 1}
    made._count(seen, 70.0)
    made._count(seen, 200.0)
    assert made.by_minute == {0: 2, 1: 2, 2: 1}
    other = Judge(Vehicle())
    other._count(SimpleNamespace(speed=None), 70.0)  # type: ignore[arg-type]
    other._count(seen, 200.0)
    assert other.by_minute == {1: 1, 2: 1}
