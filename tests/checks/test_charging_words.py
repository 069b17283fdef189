"""What the findings of a charge say, by values put in by hand; expected words and conversions by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
import pytest
from charge_pieces import charge, logged, phase, read

from logscope.checks.charging.amounts import Amounts
from logscope.checks.charging.before import Before
from logscope.checks.charging.check import Charge
from logscope.checks.charging.conduct import Event
from logscope.checks.charging.ending import Ending, Outcome
from logscope.checks.charging.idle import Idle
from logscope.checks.charging.margins import Margin
from logscope.checks.charging.regulation import Error, Regulation
from logscope.checks.charging.taper import Taper
from logscope.checks.charging.text import (
    complete_words,
    no_current_words,
    not_stopping_words,
    off_target_words,
    over_limit_words,
    plug_out_words,
    stopped_words,
    undetermined_words,
    while_enabled_words,
)
from logscope.findings import Measured
from logscope.observations.charging.phases import Step
from logscope.signals import Part, Signals

AT = np.arange(0.0, 2000.0, 1.0)
SESSION = charge(
    read("charger_current", AT, np.full(AT.size, 20.0)), 100.0, 640.0, phase(Step.CURRENT, 100.0, 300.0),
    phase(Step.VOLTAGE, 300.0, 640.0, 20.0, 4.5, 399.94),
)  # fmt: skip
NOTHING = Amounts(Measured(2.5, "Ah", 2.4, 2.6), None, None, None, None, None)
CHARGE = Charge(
    SESSION, NOTHING, Before(None, None), [], Regulation(None, None, None, None, constant_power=False), None,
    Ending(Outcome.COMPLETE, None, (), None, 4.5),
)  # fmt: skip
NO_SIGNALS = logged()


def plain(text: str) -> str:
    return text.replace("\xa0", " ")


def test_a_complete_charge_is_said_with_its_amounts_and_phases() -> None:
    """2.50 Ah in 640 − 100 s; 200 s at 20 A, then 340 s at 399.9 V."""
    words = complete_words(CHARGE, NO_SIGNALS)
    assert plain(words.title) == "Charge complete: 2.50 Ah in 540 s"
    assert plain(words.explanation) == (
        "2.50 Ah (95 %: 2.40 to 2.60 Ah). 20.0 A for 200 s, then 399.9 V for 340 s, down to 4.50 A."
    )
    assert not words.hands_near_hv
    more = replace(
        NOTHING, energy=Measured(950.0, "Wh", 900.0, 1000.0), efficiency=Measured(92.3, "%", 91.0, 93.0)
    )  # fmt: skip
    late = replace(SESSION, end_s=720.0, missing_s=30.0)
    words = complete_words(replace(CHARGE, amounts=more, session=late), NO_SIGNALS)
    assert plain(words.title) == "Charge complete: 2.50 Ah in 10 min"
    assert plain(words.explanation).startswith(
        "2.50 Ah (95 %: 2.40 to 2.60 Ah), 950 Wh. 30 s of it are not logged. 20.0 A for"
    )
    assert plain(words.explanation).endswith("Efficiency 92.3 %.")


@pytest.mark.parametrize(
    ("lasted_s", "said"), [(599.0, "599 s"), (600.0, "10 min"), (5400.0, "90 min"), (0.5, "500 ms")]
)
def test_a_charge_of_ten_minutes_or_more_is_said_in_minutes(lasted_s: float, said: str) -> None:
    words = complete_words(replace(CHARGE, session=replace(SESSION, start_s=0.0, end_s=lasted_s)), NO_SIGNALS)
    assert words.title.endswith(f" in {said}")


@pytest.mark.parametrize(
    ("phases", "said"),
    [
        ((), ""),
        ((phase(Step.CURRENT, 0.0, 60.0),), "20.0 A for 60 s."),
        ((phase(Step.VOLTAGE, 0.0, 60.0, 20.0, 3.0),), "for 60 s, down to 3.00 A."),
    ],
)
def test_only_phases_that_were_seen_are_said(phases: tuple[object, ...], said: str) -> None:
    words = complete_words(replace(CHARGE, session=replace(SESSION, phases=phases)), NO_SIGNALS)  # type: ignore[arg-type]
    assert plain(words.explanation) == f"2.50 Ah (95 %: 2.40 to 2.60 Ah). {said}"


METERS = "Limits cover noise, sampling and resolution, not the accuracy of the meters"


def method(**of: object) -> str:
    return plain(complete_words(replace(CHARGE, **of), NO_SIGNALS).method)  # type: ignore[arg-type]


def test_how_a_charge_was_worked_out_names_what_was_missing() -> None:
    assert method().startswith(f"Current every 1 s. {METERS}")
    of_battery = replace(SESSION, current=replace(SESSION.current, of_charger=False), starts_cut=True)
    assert method(session=of_battery).startswith(
        "The charger's current is not logged; the battery's is used while plug or charger report charging. Current "
        f"every 1 s. The log begins while it charges: amounts are those of the logged part. {METERS}"
    )
    single = read("charger_current", AT[:2] * 0.0, np.full(2, 3.0))
    assert method(session=charge(single, 0.0, 1.0)).startswith(METERS)  # of equal stamps no period is known


TAPER = Taper(400.0, 390.0, 410.0, 20.0, 4.0, 303.0, 640.0, single=True, by_battery=True)


@pytest.mark.parametrize(
    ("taper", "said", "unsaid"),
    [
        (TAPER,
         ["Taper: 400 s (95 %: 390 to 410 s), from 337 s of", "allowed for by the battery's own", "about 6.25 %."],
         ["One exponential", "fitted as well"]),
        (replace(TAPER, by_battery=False), ["What other loads take is fitted as well"], ["allowed for"]),
        (replace(TAPER, single=False), ["One exponential does not describe it"], []),
        (replace(TAPER, towards_a=19.99), ["about 1000 %."], []),  # no less than a tenth of an ampere counts
    ],
)  # fmt: skip
def test_a_taper_is_said_with_what_a_meters_offset_does_to_it(taper: Taper, said: list[str], unsaid: list[str]) -> None:
    """An ampere of 16 A is 6.25 %."""
    text = method(taper=taper)
    assert all(each in text for each in said), text
    assert not any(each in text for each in unsaid)


@pytest.mark.parametrize(("load_a", "said"), [(0.49, False), (0.51, True), (-0.51, True), (-0.49, False)])
def test_a_load_beside_the_battery_is_said_from_half_an_ampere_on(load_a: float, said: bool) -> None:
    text = method(amounts=replace(NOTHING, load=Measured(load_a, "A")))
    assert ("Charger less battery current: " in text) is said


STOPPED = replace(
    CHARGE,
    ending=Ending(
        Outcome.STOPPED, "request", (("request", 639.2, 639.44), ("supply", 640.06, 641.0)), None, 12.345
    ),
)  # fmt: skip


def test_a_stopped_charge_names_what_came_first_and_when() -> None:
    words = stopped_words(STOPPED, NO_SIGNALS)
    assert words.title == "Charge stopped after 540 s: the request was withdrawn first"
    assert plain(words.explanation) == (
        "The current ended at 640.0 s at 12.3 A, before the battery was full. 2.50 Ah (95 %: 2.40 to 2.60 Ah). About "
        "the end: request withdrawn between 639.2 and 639.4 s; input power lost between 640.1 and 641.0 s."
    )
    assert words.next_step.startswith("Look at what the pack monitor reports")
    assert not words.hands_near_hv


HIGHEST = Margin("", "battery_voltage", "battery_max_V", 400.0, "V", True, 0.5, 50.0, 1.0, (), ())


@pytest.mark.parametrize(
    ("cause", "limit", "why", "step", "caution"),
    [
        (None, None, "cause not visible", "Record the next charge with the charger's state", False),
        ("undetermined", HIGHEST, "cause not visible", "Record the next charge with the charger's state", False),
        ("limit", HIGHEST, "battery voltage at its limit", "Check that this is where charging should end", False),
        ("limit", None, "a limit was reached", "Check that this is where charging should end", False),
        ("temperature", replace(HIGHEST, part="battery_temperature_highest"),
         "highest battery temperature at its limit", "Let the battery cool", False),
        ("supply", HIGHEST, "the mains supply failed first", "Check socket, fuse and residual-current", True),
        ("plug", None, "the plug came first", "Check plug, lock and their wiring", True),
        ("fault", None, "a fault came first", "Look up the fault", True),
        ("communication", None, "the request was no longer sent", "Check the bus and the pack monitor", False),
    ],
)  # fmt: skip
def test_each_cause_of_a_stop_has_its_own_words(
    cause: str | None, limit: Margin | None, why: str, step: str, caution: bool
) -> None:
    ending = Ending(Outcome.STOPPED, cause, (), limit, None)
    words = stopped_words(replace(CHARGE, ending=ending), NO_SIGNALS)
    assert words.title == f"Charge stopped after 540 s: {why}"
    assert words.next_step.startswith(step)
    assert words.hands_near_hv is caution
    assert words.explanation.startswith("The current ended at 640.0 s, before the battery was full.")
    assert words.explanation.endswith("Nothing else that is logged changed about then.")


def fault(at: np.ndarray, value: np.ndarray, healthy: np.ndarray | None) -> Part:
    return Part("charger_fault", at, value, "", "Made.Fault", labels={7.0: "Hot"}, healthy=healthy)


AFTER = np.array([600.0, 640.0, 650.0, 660.0])
STATE = Part("charger_state", AFTER, np.array([2.0, 2.0, 5.0, 6.0]), "", "Made.State", labels={5.0: "Standby"})


@pytest.mark.parametrize(
    ("signals", "said"),
    [
        (logged(STATE), "Charger state afterwards: Standby. What"),
        (logged(STATE.where(AFTER <= 640.0)), "What"),
        (logged(fault(AFTER, np.array([0.0, 0.0, 7.0, 0.0]), np.array([True, True, False, True]))),
         "Charger fault afterwards: Hot. What"),
        (logged(fault(AFTER, np.array([0.0, 7.0, 0.0, 0.0]), np.array([True, False, True, True]))), "What"),
        (logged(fault(AFTER, np.array([0.0, 0.0, 7.0, 7.0]), None)), "What"),  # which values mean a fault is not stated
        (logged(STATE, fault(AFTER, np.full(4, 7.0), np.zeros(4, dtype=np.bool_))),
         "Charger state afterwards: Standby. Charger fault afterwards: Hot. What"),
    ],
)  # fmt: skip
def test_what_the_charger_reports_after_a_stop_is_said(signals: Signals, said: str) -> None:
    assert stopped_words(STOPPED, signals).method.startswith(f"{said} came first is named only where")


def test_an_ending_that_is_open_says_why() -> None:
    ending = Ending(Outcome.OPEN, None, (), None, 20.0, "the log ends while it charges")
    words = undetermined_words(replace(CHARGE, ending=ending, session=replace(SESSION, phases=())), NO_SIGNALS)
    assert words.title == "Charge of 540 s: how it ended cannot be determined"
    assert plain(words.explanation) == "The log ends while it charges. 2.50 Ah (95 %: 2.40 to 2.60 Ah)."
    words = undetermined_words(replace(CHARGE, ending=ending, margins=[HIGHEST]), NO_SIGNALS)
    assert plain(words.explanation).endswith(
        "Ah). 20.0 A for 200 s, then 399.9 V for 340 s, down to 4.50 A. "
        "Smallest margin: 500 mV, battery voltage, at 50 s."
    )
    assert not words.hands_near_hv


WAITS = Idle(30.4, 720.0, "charge_plug", None, False, False, None, None, None)
WAITS_FOR = "Check what the charger waits for: mains"
LOOKS = "Look at timer, charge level"


@pytest.mark.parametrize(
    ("idle", "said", "step", "caution"),
    [
        (WAITS,
         "The plug is in from 30 to 720 s, and no charging current flows. Whether one is requested is not logged.",
         LOOKS, False),
        (replace(WAITS, shown_by="charger_state", request_logged=True),
         "The charger reports that it charges from 30 to 720 s, and no charging current flows. No current is requested "
         "meanwhile.", LOOKS, False),
        (replace(WAITS, asked_a=16.0, request_logged=True), "A current of 16.0 A is requested meanwhile.",
         WAITS_FOR, True),
        (replace(WAITS, asked_a=16.0, full=True),
         "requested meanwhile. The battery reads the voltage requested: it is probably full.", LOOKS, True),
        (replace(WAITS, full=True), "The battery reads the voltage requested: it is probably full.", LOOKS, False),
        (replace(WAITS, fault=True, unfed=True, asked_a=16.0),
         "meanwhile. The charger reports a fault. It draws nothing from the mains.",
         "Look up the charger's fault.", True),
        (replace(WAITS, fault=True), "The charger reports a fault.", "Look up the charger's fault.", False),
        (replace(WAITS, fault=False, unfed=True), "It draws nothing from the mains.", "Check socket, fuse", True),
        (replace(WAITS, fault=False, unfed=False), "Whether one is requested is not logged.", LOOKS, False),
    ],
)  # fmt: skip
def test_a_plug_without_current_says_what_is_known_and_what_to_look_at(
    idle: Idle, said: str, step: str, caution: bool
) -> None:
    words = no_current_words(idle)
    assert words.title == "Plugged in for 11 min: no charging current"
    assert words.explanation.endswith(said)
    assert words.next_step.startswith(step)
    assert words.hands_near_hv is caution


def test_a_battery_that_is_charged_while_the_charger_reads_nothing_is_a_mapping() -> None:
    words = no_current_words(replace(WAITS, battery_a=12.0, asked_a=16.0, fault=True))
    assert words.title == "Charging: the charger's current reads nothing, 12.0 A flows into the battery"
    assert words.explanation.startswith("The plug is in from 30 to 720 s. Charger and battery contradict")
    assert "mapped to" in words.next_step
    assert not words.hands_near_hv


PASSED = replace(HIGHEST, left=-2.5, time_s=77.46, doubt=1.25, beyond=((70.0, 80.0),))
POWER = replace(
    PASSED, part="charger_current", key="charger_max_power_W", limit=6600.0, unit="W", left=-800.0, doubt=165.0
)


@pytest.mark.parametrize(
    ("worst", "others", "title", "said", "step"),
    [
        (PASSED, [], "battery voltage 2.50 V above the limit of 400 V",
         "The battery voltage was furthest beyond at 77.5 s; the meter's doubt is 1.25 V. "
         "Overcharged cells can catch fire.",
         "Stop charging. Compare the voltages of charger, pack and cells with a rated meter, then check the request "
         "and battery_max_V in the vehicle file."),
        (PASSED, [POWER], "battery voltage 2.50 V above the limit of 400 V",
         "1.25 V. Also beyond: charger power. Over", ""),
        (POWER, [], "charger power 800 W above the limit of 6600 W", "It is more than the charger is rated for", ""),
        (replace(PASSED, part="charger_current", key="charge_current_A", unit="A", limit=32.0), [],
         "charger current 2.50 A above the limit of 32.0 A", "Cells charged too fast heat up and age.", ""),
        # 99 °F would be (99 − 32)/1.8 = 37 °C
        (replace(PASSED, part="battery_temperature_highest", key="battery_temperature_max_C", unit="°C", limit=55.0,
                 left=-44.0, doubt=2.0), [],
         "highest battery temperature 44.0 K above the limit of 55.0 °C",
         "Hot cells age and can catch fire. A signal in °F would look the same: 99 °F is 37 °C.",
         "Compare the battery with a thermometer, then check the unit of the signal and battery_temperature_max_C in"),
        (replace(PASSED, part="battery_temperature_lowest", key="battery_temperature_min_C", unit="°C", limit=0.0,
                 left=-6.0, upper=False), [],
         "lowest battery temperature 6.00 K below the limit of 0 °C", "Cells charged in the cold are damaged.",
         "Compare the battery with a thermometer"),
    ],
)  # fmt: skip
def test_a_limit_that_was_passed_is_said_with_distance_and_risk(
    worst: Margin, others: list[Margin], title: str, said: str, step: str
) -> None:
    words = over_limit_words(worst, [worst, *others])
    assert plain(words.title) == f"Charging: {title}"
    assert said in plain(words.explanation)
    assert step in words.next_step
    assert words.hands_near_hv


AMPS = Error(-3.0, -3.5, -2.5, "A", 32.0, "charger_current", 1.6, 100.4, 300.0, limited=False)
VOLTS = Error(-6.0, -6.5, -5.5, "V", 400.0, "charger_voltage", 4.0, 300.0, 640.0, limited=False)
NONE = Regulation(None, None, None, None, constant_power=False)
LESS = "The charger gives less than it is asked for"
UNFOLLOWED = "The charger does not follow its request."
MAINS, SCALE = "Look at its input current limit", "Check the request's scale in both controllers"


@pytest.mark.parametrize(
    ("error", "regulation", "known", "title", "meaning", "step", "caution"),
    [
        (AMPS, NONE, True, "current: 3.00 A below the request of 32.0 A", LESS, MAINS, False),
        (AMPS, replace(NONE, constant_power=True), False, "current: 3.00 A below the request of 32.0 A",
         "Its power stays the same", MAINS, False),
        (AMPS, NONE, False, "current: 3.00 A below the request of 32.0 A", "The request may be more than",
         MAINS, False),
        (replace(AMPS, limited=True), NONE, True, "current: 3.00 A below the 32.0 A that the charger can give",
         "The request may be more than", MAINS, False),
        (replace(AMPS, value=3.0), NONE, True, "current: 3.00 A above the request of 32.0 A", UNFOLLOWED, SCALE, True),
        (VOLTS, NONE, True, "voltage: 6.00 V below the request of 400 V", UNFOLLOWED, SCALE, True),
        (replace(VOLTS, value=-21.0), NONE, True, "voltage: 21.0 V below the request of 400 V",
         "So much is no error of regulation", "Check which voltage the charger holds by itself", True),
        (replace(VOLTS, value=21.0), NONE, True, "voltage: 21.0 V above the request of 400 V", UNFOLLOWED, SCALE, True),
    ],
)  # fmt: skip
def test_what_is_off_its_request_is_said_with_what_it_may_mean(
    error: Error, regulation: Regulation, known: bool, title: str, meaning: str, step: str, caution: bool
) -> None:
    words = off_target_words(error, regulation, known)
    assert plain(words.title) == f"Charging {title}"
    assert meaning in words.explanation
    assert words.next_step.startswith(step)
    assert words.hands_near_hv is caution
    quantity, off = ("current", "1.60 A") if error.unit == "A" else ("voltage", "4.00 V")
    assert f"Mean over the {quantity} that is held" in words.method
    assert f"off is beyond {off} (" in plain(words.method)


def test_an_error_is_said_with_its_limits_and_when() -> None:
    words = off_target_words(AMPS, NONE, known=True)
    assert plain(words.explanation).startswith(
        "Measured less requested: -3.00 A (95 %: -3.50 to -2.50 A) from 100 to 300 s. "
    )


EVENT = Event(100.04, 164.06, 12.5, what="lock")
OLD = "The reading does not change any more: it may be an old one."


@pytest.mark.parametrize(
    ("into", "constant", "said"),
    [
        (True, False, "The battery's current shows that it is charged."),
        (True, True, "The battery's current shows that it is charged."),
        (None, False, "The battery's current is not logged: another load may take it."),
        (None, True, f"The battery's current is not logged: another load may take it. {OLD}"),
    ],
)
def test_a_charger_that_does_not_stop_is_said_with_what_shows_it(into: bool | None, constant: bool, said: str) -> None:
    words = not_stopping_words(replace(EVENT, into_battery=into, constant=constant))
    assert words.title == "Charger does not stop: 12.5 A for 64 s after the request went to zero"
    assert words.explanation == (
        "The request went to zero at 100.0 s and was sent on as zero, and current flowed until 164.1 s. " + said
    )
    assert words.hands_near_hv


@pytest.mark.parametrize(
    ("constant", "said"), [(False, "must not be able to drive away."), (True, "It does so in the whole log:")]
)
def test_charging_beside_an_enabled_drive_is_said_with_what_shows_it(constant: bool, said: str) -> None:
    words = while_enabled_words(replace(EVENT, what="the motor turns", constant=constant))
    assert words.title == "Charging while the drive is enabled: 64 s, at 12.5 A"
    assert words.explanation.startswith("From 100.0 s, the motor turns while charging current flows. ")
    assert said in words.explanation


def test_a_lock_open_under_current_is_said_with_when_and_how_much() -> None:
    words = plug_out_words(EVENT)
    assert words.title == "Charging lock open under current: 12.5 A"
    assert words.explanation.startswith(
        "The lock was reported open at 100.0 s at the earliest; current flowed until 164.1 s."
    )
    assert words.next_step.endswith("Look at the lock.")


def test_of_several_margins_the_one_nearest_by_its_meters_doubt_is_said() -> None:
    own = [replace(HIGHEST, left=5.0, doubt=1.0), replace(POWER, left=330.0, time_s=120.6, beyond=())]
    words = complete_words(replace(CHARGE, margins=cast(list[Margin], own)), NO_SIGNALS)
    assert plain(words.explanation).endswith(" Smallest margin: 330 W, charger power, at 121 s.")
