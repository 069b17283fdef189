"""The cause of a trip and the findings on trips, from signs and surges made by hand; words and values by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.trips import cause
from logscope.checks.trips.cause import judge
from logscope.checks.trips.check import _finding, _none, _other, _set_before, _undetermined
from logscope.checks.trips.near import near_trips
from logscope.checks.trips.order import Moment
from logscope.checks.trips.pattern import pattern
from logscope.checks.trips.sign import Sign
from logscope.checks.trips.signs import _command, _link
from logscope.checks.trips.text import next_step, retries_in_words, title
from logscope.findings import CAUTION_HV, Finding, Level, Mark, Measured, Severity
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Peak
from logscope.vehicle import Limits, Vehicle

T = np.arange(0.0, 12.0, 0.015625)


def amps(value: Any) -> Any:
    return part("motor_current", T, np.broadcast_to(np.asarray(value, float), T.shape))


def study(update_s: float = 0.01) -> Any:
    return SimpleNamespace(model=SimpleNamespace(update_s=update_s))


TRIP = Trip(9.98, 10.0, overcurrent=True, name="Overcurrent", code=3.0)


def judged(monkeypatch: pytest.MonkeyPatch, period_s: float = 0.01, **seen: bool | None) -> Any:
    """With these signs, each seen 40 ms before a trip that lies between 9.98 and 10 s; the others are absent."""
    names = ("speed", "command", "swings", "link", "level", "slow", "far", "goes_on")
    found = tuple(
        Sign(name, seen.get(name, False), f"[{name}]", Moment(9.95, 9.96) if name != "far" else None) for name in names
    )
    monkeypatch.setattr(cause, "signs", lambda *_: found)
    at = np.arange(0.0, 12.0, period_s)
    return judge(TRIP, None, signals(part("motor_current", at, 100.0 + np.sin(at))), study(update_s=period_s), 350.0)


def test_a_short_disturbance_is_missed_by_as_much_as_the_speed_is_seldom_new(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bayes' rule by hand, with all signs but the speed's left open: 0.95 to 0.16 of the others, or half of 0.95."""
    others = dict.fromkeys(("command", "swings", "link", "level", "slow", "far", "goes_on"))
    for period_s, share in ((0.01, 0.95), (0.03, 0.475)):
        found = judged(monkeypatch, period_s, speed=True, **others)
        assert found.likelihood == pytest.approx(share / (share + 0.16))
    monkeypatch.setattr(cause, "signs", lambda *_: (Sign("speed", True, "[speed]"),))
    assert judge(TRIP, None, signals(), None, 350.0).likelihood == pytest.approx(0.95 / 1.11)


def test_a_cause_is_named_where_its_own_sign_was_seen_and_the_rest_speak_for_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = judged(monkeypatch, speed=True, slow=True)
    assert (found.name, found.went_on) == ("encoder", False)
    assert found.method.count(", then ") == 1  # the two likeliest
    assert (found.lead.value, found.lead.low, found.lead.high) == pytest.approx((0.04, 0.02, 0.05))
    assert found.sign.name == "speed"
    assert found.why == (
        "Seen around the trip: [speed], 40 ms before it (20 to 50 ms); [slow], 40 ms before it (20 to 50 ms). "
        f"Likeliest: a speed disturbance ({100 * found.likelihood:.0f} %)."
    )
    assert "Against other causes: [command]; [swings]; [link]; [level]; [far]; [goes_on]." in found.method
    assert "Cannot be determined" not in found.method
    assert sum(share for _, share in found.ranked) == pytest.approx(1.0)
    open_ = judged(monkeypatch, speed=None, command=None, slow=True)
    assert open_.name == "undetermined"
    assert "Cannot be determined: [speed]; [command]." in open_.method
    assert ", then " in open_.why.partition("Likeliest")[2].partition(".")[0]
    assert open_.lead == Measured(None, "s")
    assert open_.why.endswith("record motor speed, throttle and torque target every 5 ms or faster.")


def test_a_sudden_fault_is_named_where_nothing_can_hide_and_the_drive_did_not_go_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert judged(monkeypatch).name == "sudden"
    assert judged(monkeypatch).why.startswith("Nothing was seen before the trip.")
    assert judged(monkeypatch, period_s=0.02).name == "undetermined"  # coarser than one disturbance
    assert judged(monkeypatch, period_s=0.02, far=True).name == "sudden"
    on = judged(monkeypatch, far=True, goes_on=True)
    assert (on.name, on.went_on) == ("undetermined", True)
    assert title(False, on) == "Overcurrent reported, the drive continued, cause not determined"
    assert next_step(on).startswith("Look the fault up")


def test_retries_and_the_going_on_of_a_drive_are_said() -> None:
    assert retries_in_words(5, 31.4, "OC") == (
        "The same fault came 5 times within 31 s: the inverter restarts and trips again. This is one event; its cause "
        "was looked for before the first “OC”."
    )


LIMITED = Vehicle(limits=Limits(motor_current_A=350))
PEAK = Peak(9.97, 410.0, Measured(410.0, "A", 400.0))


def test_a_fault_of_another_kind_is_named_with_its_code() -> None:
    made = signals(amps(100.0), part("fault", T, T))
    named = _other(Trip(9.98, 10.0, False, "Overtemperature", 5.0), made, LIMITED, PEAK)
    assert (named.title, named.severity) == ("Trip: Overtemperature", Severity.DANGER)
    assert named.measured == {"peak_current_A": PEAK.measured, "fault_code": Measured(5.0, "")}
    assert named.explanation == "The inverter's fault “Overtemperature” appears between 9.980 and 10.000 s."
    assert named.method == ""
    assert (named.start_s, named.evidence.marks) == (10.0, (Mark(10.0, "trip"),))
    assert named.evidence.levels == (Level(350.0, "limit", "motor_current"),)
    assert named.parts == ("motor_current", "fault")
    bare = _other(Trip(9.98, 10.0, False, "7", 7.0, plain=True), made, LIMITED, None)
    assert bare.title == "Trip: fault 7"
    assert "sampled every 15.6 ms, shows neither a surge nor a value beyond its limit" in bare.explanation
    assert bare.method == "The inverter's fault “7” appears between 9.980 and 10.000 s."
    assert bare.measured["peak_current_A"] == Measured(None, "A")
    alone = _other(Trip(9.98, 10.0, False, "7", 7.0, plain=True), signals(part("fault", T, T)), LIMITED, None)
    assert alone.explanation == "The fault has no name, and no motor current is logged to decide it."
    assert alone.evidence.levels == ()


@pytest.mark.parametrize(
    ("over", "kind", "of"), [(True, "trip.overcurrent", "undetermined"), (False, "trip.other", None)]
)
def test_a_fault_before_the_log_has_no_lead(over: bool, kind: str, of: str | None) -> None:
    found = _set_before(Trip(0.0, 0.0, over, "4", 4.0, before_log=True), signals(part("fault", T, T)))
    assert (found.kind, found.cause, found.title) == (kind, of, "Trip set before the log began: fault 4")
    assert found.measured["fault_code"] == Measured(4.0, "")
    assert found.measured["lead_time_s"].value is None


def test_an_overcurrent_holds_its_surge_its_peak_and_its_cause(monkeypatch: pytest.MonkeyPatch) -> None:
    """From 100 A at 9.953 s to 400 A at 9.984 s; a trip inferred from the current has no code."""
    judged(monkeypatch, speed=True, slow=True)
    made = signals(amps(np.interp(T, [9.953125, 9.984375, 10.0], [100.0, 400.0, 400.0])), part("torque", T, T))
    found = _finding(Trip(9.98, 10.0, True, "overcurrent", None), made, LIMITED, study())
    assert found.cause == "encoder"
    assert found.title.startswith("Probable overcurrent trip, probably preceded by a speed disturbance")
    assert found.measured["peak_current_A"].value == pytest.approx(400.0)
    assert found.measured["current_before_A"] == Measured(100.0, "A")
    assert found.measured["cause_likelihood"].value == pytest.approx(0.93, abs=0.06)
    assert "fault_code" not in found.measured
    assert found.caution == CAUTION_HV
    assert (found.start_s, found.end_s) == (pytest.approx(9.96), 10.0)
    assert found.method.startswith("No fault is logged. A trip is inferred")
    assert "the torque fell with it" in found.method
    assert "the pedal stayed down" not in found.method
    assert "rose from 100 A at 9.953 s to 400 A" in found.explanation
    logged = _finding(TRIP, made, LIMITED, study())
    assert logged.measured["fault_code"] == Measured(3.0, "")
    assert logged.title.startswith("Overcurrent trip")


def test_collapses_without_a_witness_and_logs_without_a_trip_are_said() -> None:
    made = signals(amps(np.where(T < 5.0, -120.0, np.where(T < 9.0, 250.0, 0.0))))
    found = _undetermined([(4.0, 4.1), (8.0, 8.1)], made)
    assert found.title == "Motor current: collapsed 2 times, from up to 250 A; a trip cannot be excluded"
    assert found.measured == {"count": Measured(2.0, "1"), "current_before_A": Measured(250.0, "A")}
    assert found.caution == ""
    assert _undetermined([(4.0, 4.1)], made).measured["current_before_A"].value == 120.0
    none = _none(made, None)
    assert none.title == "Inverter: no overcurrent trip seen, without a fault signal"
    assert "from 0.0 to 12.0 s. A trip at low current" in none.explanation
    one: Any = SimpleNamespace(lost=[SimpleNamespace(restart=True, shown=True)])
    assert _none(made, one).title == "Inverter: 1 restart at speed"
    assert _none(signals(part("fault", T, T)), one).title == "Inverter: no fault, but 1 restart at speed"


CAUSES = ("encoder", "demand", "oscillation", "supply", "limit", "sudden")


@pytest.mark.parametrize(
    ("sign", "in_hundred"),
    [
        # each cause's share of the sum of how often it shows the sign: by hand, from the judgement of practice
        ("speed", (85.59, 2.70, 2.70, 4.50, 1.80, 2.70)),
        ("command", (10.00, 63.33, 6.67, 6.67, 10.00, 3.33)),
        ("swings", (19.87, 6.62, 62.91, 6.62, 1.99, 1.99)),
        ("link", (4.27, 4.27, 4.27, 81.20, 1.71, 4.27)),
        ("level", (9.38, 3.12, 3.12, 9.38, 59.38, 15.62)),
        ("slow", (15.69, 27.45, 27.45, 19.61, 7.84, 1.96)),
        ("far", (4.11, 2.74, 2.74, 6.85, 1.37, 82.19)),
        ("goes_on", (16.39, 24.59, 24.59, 8.20, 24.59, 1.64)),
    ],
)
def test_a_sign_alone_speaks_for_each_cause_by_how_often_it_shows_it(sign: str, in_hundred: tuple[float, ...]) -> None:
    found = dict(cause.likelihoods((Sign(sign, seen=True, words=""),), 0.01))
    shares = np.array([found[name] for name in CAUSES])
    assert 100 * shares == pytest.approx(np.array(in_hundred), abs=0.006)


def test_a_link_that_moves_is_seen_between_its_samples_and_a_volt_is_little() -> None:
    event = Moment(10.0, 10.015625)
    row = int(np.searchsorted(T, 9.95))
    for level, to, seen in ((300.0, 254.9, True), (300.0, 255.1, False), (0.5, 0.36, False), (0.5, 0.34, True)):
        volts = np.where(np.arange(T.size) < row, level, to)
        found = _link(signals(part("dc_link_voltage", T, volts)), event)
        assert found.seen is seen
        if seen:
            assert found.moment == Moment(float(T[row - 1]), float(T[row]))
            assert found.words == f"the DC-link voltage goes from {level:.0f} to {to:.0f} V"
    for name, words in (("main_contactor", "main contactor"), ("negative_contactor", "negative contactor")):
        on = np.arange(T.size) < row
        opened = _link(signals(part(name, T, on, on=on)), event)
        assert opened.words == f"the {words} opens under load"
        assert opened.moment == Moment(float(T[row - 1]), float(T[row]))
    doubted = signals(part("torque", T, T)).without({"dc_link_voltage": "why"})
    assert _link(doubted, event).words == "the DC-link voltage is in doubt"
    assert _link(signals(), event).words == "no DC-link voltage is logged"
    gone = part("dc_link_voltage", T[T < 9.0], T[T < 9.0])
    assert _link(signals(gone), event).words == "the DC-link voltage was not sampled before it"


def test_a_demand_counts_where_it_is_logged_every_50_ms() -> None:
    event = Moment(10.0, 10.015625)
    for period_s, seen in ((0.05, False), (0.0501, None)):
        at = period_s * np.arange(240)
        assert _command(signals(part("throttle", at, 50.0 + at % 1)), event).seen is seen
    assert _command(signals(part("throttle", T, 50.0 + 0 * T)), Moment(10.0, 10.031)).seen is None
    assert _command(signals(part("throttle", T, 50.0 + 0 * T)), Moment(10.0, 10.029)).seen is False
    first = part("throttle", T, np.where(T < 9.9, 10.0, 60.0))
    found = _command(signals(first, part("torque_target", T, 0 * T)), event)
    assert (found.seen, found.words) == (True, "a step of the throttle")


@pytest.mark.parametrize(
    ("name", "went_on", "likelihood", "starts", "ends"),
    [
        ("encoder", False, 0.95, "With the power off", "and compare."),
        ("encoder", False, 0.80, "With the power off", "before power is applied again."),
        ("limit", False, 0.80, "Compare the inverter's trip limit", "before power is applied again."),
        ("supply", False, 0.80, "With the power off", "together."),  # power is off for it in any case
        ("sudden", False, 0.95, "Stop.", "each time."),
        ("undetermined", False, 0.5, "Stop until the cause is known.", "every 10 ms or faster."),
        ("undetermined", True, 0.5, "Look the fault up", "in the vehicle file."),
        ("encoder", True, 0.95, "With the power off", "and compare."),
    ],
)
def test_the_next_step_goes_with_the_cause(name: str, went_on: bool, likelihood: float, starts: str, ends: str) -> None:
    one = cause.Cause(name, "", "", ((name, likelihood),), None, went_on=went_on)
    assert next_step(one).startswith(starts)
    assert next_step(one).endswith(ends)
    assert title(False, one).startswith("Overcurrent reported, the drive continued" if went_on else "Overcurrent trip")


def test_a_pattern_names_the_parts_that_are_logged() -> None:
    made = [
        Finding("trip.overcurrent", Severity.DANGER, at_s, at_s + 0.1, "", "", "", (), cause="limit",
                measured={"lead_time_s": Measured(0.5, "s"), "current_before_A": Measured(390.0, "A")})
        for at_s in (5.0, 9.0)
    ]  # fmt: skip
    (found,) = pattern(made, signals(amps(1.0), part("torque", T, T)))
    assert found.parts == ("motor_current",)
    assert found.explanation.startswith("2 of 2 trips follow a limit below the demand by 500 ms, all from above 390 A.")
    assert [(each.start_s, each.end_s) for each in found.events] == [(5.0, 5.1), (9.0, 9.1)]


def test_near_trips_say_how_near_and_how_often() -> None:
    value = np.where((T > 5.0) & (T < 5.2) | (T > 8.0) & (T < 8.2), 380.0, 100.0)
    (found,) = near_trips(signals(amps(value)), Vehicle(limits=Limits(motor_current_A=400)), [])
    assert found.title == "Motor current: 380 A, within 10 % of its limit 2 times, without a trip"
    assert found.explanation.startswith("The largest sample is 95 % of the configured 400 A. Between samples, 15.6 ms")
    assert found.evidence.levels == (Level(400.0, "limit", "motor_current"),)
    assert [mark.time_s for mark in found.evidence.marks] == pytest.approx([5.015625, 8.015625])
    fine = np.arange(0.0, 40.0, 0.01)
    many = part("motor_current", fine, np.where(fine % 1.0 < 0.1, 380.0, 100.0))
    (marked,) = near_trips(signals(many), Vehicle(limits=Limits(motor_current_A=400)), [])
    assert (len(marked.evidence.marks), len(marked.events)) == (20, 40)
