"""What the check of the 12 V side says, sentence by sentence: the words that depend on a value."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_pieces import blocks, read, side_of, state

from logscope.checks.aux_supply.backfeed import Fed, Together
from logscope.checks.aux_supply.dips import Switched
from logscope.checks.aux_supply.levels import Lowest
from logscope.checks.aux_supply.resistance import Resistances
from logscope.checks.aux_supply.supply import Levels, Problem
from logscope.checks.aux_supply.text import (
    dip_words,
    fall_sentence,
    fed_words,
    levels_sentence,
    problem_words,
    sound_words,
    supply_method,
    together_words,
    undetermined_words,
    unexplained_words,
)
from logscope.checks.aux_supply.unexplained import Unexplained
from logscope.findings import Measured
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Vehicle

t = np.arange(0.0, 60.0, 0.1)
SIDE = side_of(t, 13.0, step_V=0.02, noise_V=0.004, running=1.0)
NONE = Resistances(None, None, None, None)
NOTHING = Levels(None, None, None, None, None)
LOW = Lowest(Measured(11.25, "V", None, 11.3), 12.345)
HELD = "\N{NO-BREAK SPACE}"


def plain(text: str) -> str:
    return text.replace(HELD, " ")


def levels(**known: float) -> Levels:
    return replace(NOTHING, **{name: blocks([volts] * 3) for name, volts in known.items()})


@pytest.mark.parametrize(
    ("known", "said"),
    [
        ({"running": 13.8}, "Converter running: 13.80 V (95 %: 13.79 to 13.81 V)."),
        ({"alone": 12.5}, "Converter not running: 12.50 V (95 %: 12.49 to 12.51 V)."),
        ({"terminals": 13.9}, ""),
    ],
)
def test_levels_are_said_by_the_state_of_the_converter(known: dict[str, float], said: str) -> None:
    assert plain(levels_sentence(levels(**known))) == said


def test_both_levels_are_said_together() -> None:
    said = plain(levels_sentence(levels(running=13.8, alone=12.5)))
    assert said.startswith("Converter running: 13.8")
    assert " Converter not running: 12.5" in said


METHOD = {
    "plain": (SIDE, NOTHING, NONE, ["readings every 100 ms", "judged by its state.", "Ripple is smaller than"]),
    "at its terminals": (SIDE, levels(terminals=13.9), NONE, ["At the converter's own terminals: 13.90 V"]),
    "regulation": (
        SIDE, NOTHING, Resistances(None, Slope(0.02, 0.01, 0.03, 0.01, 4), None, None),
        ["Regulation: the level falls by 20 mΩ (95 %: 10 to 30 mΩ)"],
    ),
    "contradicted": (replace(SIDE, contradicted=True), NOTHING, NONE, ["The state says that the converter does"]),
    "noise above half a step": (replace(SIDE, noise_V=0.011), NOTHING, NONE, ["Scatter of single readings: 11.0 mV"]),
    "noise below half a step": (replace(SIDE, noise_V=0.009), NOTHING, NONE, ["Ripple is smaller than the resolution"]),
}  # fmt: skip


@pytest.mark.parametrize("name", METHOD)
def test_a_method_says_what_levels_rest_on(name: str) -> None:
    side, known, ohms, parts = METHOD[name]
    said = plain(supply_method(side, known, ohms))
    for part in parts:
        assert part in said
    optional = ("own terminals", "Regulation", "The state says", "Scatter of single")
    assert sum(each in said for each in optional) == sum(each in " ".join(parts) for each in optional)


@pytest.mark.parametrize(
    ("known", "title", "step"),
    [
        ({"running": 13.8, "alone": 12.5}, "12 V supply: 13.8 V with the converter running", "Keep this log"),
        ({"alone": 12.5}, "12 V supply: 12.5 V, converter never running in this log", "Record a drive"),
        ({}, "12 V supply: lowest 11.25 V, unknown whether the converter ran", "Record a drive"),
    ],
)
def test_a_sound_supply_is_titled_by_what_is_known(known: dict[str, float], title: str, step: str) -> None:
    words = sound_words(SIDE, levels(**known), LOW, NONE, "The fall.", [])
    assert plain(words.title) in (title, title.replace("11.25", "11.2"), title.replace("11.25", "11.3"))
    assert words.next_step.startswith(step)
    assert "at 12.35 s. The fall." in words.explanation or "at 12.34 s. The fall." in words.explanation
    assert words.hands_near_hv is False


def test_a_sound_supply_names_the_longest_stop_or_the_longest_stretch_of_old_readings() -> None:
    stale = replace(SIDE, stale=((1.0, 2.0), (10.0, 30.0), (40.0, 55.0)))
    stops = [(1.0, 2.0), (20.0, 35.0), (40.0, 50.0)]
    old = sound_words(stale, NOTHING, LOW, NONE, "The fall.", []).explanation
    assert old.endswith("From 10 to 30 s it repeated one reading, which was not used.")
    open_ = sound_words(stale, NOTHING, LOW, NONE, "The fall.", stops).explanation
    assert "From 20 to 35 s the battery alone supplied it; whether the DC link was on is not logged." in open_
    assert "repeated" not in open_


LIMIT = (14.3, "converter_V and 0.5 V")
STATED = Vehicle.model_validate({"aux": {"converter_V": 13.8}})
PROBLEMS = {
    "stopped": (
        Problem("stopped", ((10.0, 20.0), (30.0, 32.5)), Measured(12.3, "V", 12.2, 12.4)),
        "Converter stopped: 12 V side at 12.3 V", ["for 12.5 s the converter delivered nothing", "More."], True,
    ),
    "fell while it drew": (
        Problem("stopped", ((10.0, 20.0),), Measured(12.3, "V"), before_V=13.8, drew=True),
        "Converter probably stopped: 12 V side at 12.3 V while the drive drew current",
        ["fell from 13.8 V to a battery's level, 12.3 V, and stayed there for 10 s while the drive drew current"], True,
    ),
    "fell while it moved": (
        Problem("stopped", ((10.0, 20.0),), Measured(12.3, "V"), before_V=13.8, drew=False),
        "Converter probably stopped: 12 V side at 12.3 V while the vehicle moved", ["while the vehicle moved."], True,
    ),
    "never ran": (
        Problem("never_ran", ((10.0, 20.0),), Measured(12.3, "V")),
        "Converter did not start: 12 V side at 12.3 V", ["was on for 10 s", "at a battery's level, 12.3 V"], True,
    ),
    "it gasses": (
        Problem("over_voltage", ((10.0, 20.0),), Measured(15.01, "V")),
        "12 V side too high: 15.0 V",
        ["For 10 s the level stood at 15.0 V, above 14.3 V (converter_V and 0.5 V). A lead-acid battery gasses"], False,
    ),
    "it does not gas": (
        Problem("over_voltage", ((10.0, 20.0),), Measured(14.99, "V")),
        "12 V side too high: 15.0 V", ["The set-point is wrong, or a charging stage"], False,
    ),
    "sagging": (
        Problem("sagging", ((10.0, 20.0),), Measured(13.1, "V")),
        "Converter below its set-point: 13.1 V", ["gave 13.1 V, below the stated 13.8 V"], True,
    ),
    "empty": (
        Problem("empty_battery", ((10.0, 20.0),), Measured(11.2, "V")),
        "12 V battery nearly empty or weak: 11.2 V before the converter starts", ["stood at 11.2 V under"], False,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", PROBLEMS)
def test_a_problem_is_said_with_its_numbers(name: str) -> None:
    """A battery gasses above 15.0 V in frost: 2.40 V a cell and 0.1 V a cell for 20 K (makers' data, from memory)."""
    problem, title, parts, hands = PROBLEMS[name]
    words = problem_words(problem, SIDE, levels(running=13.8), LIMIT, STATED, "More.")
    assert plain(words.title) == title
    for part in [*parts, "More."]:
        assert part in plain(words.explanation)
    assert words.hands_near_hv is hands
    assert "judged by its state." in words.method
    assert ("on purpose" in words.method) is (problem.before_V is not None)
    assert "The converter's own voltage is not logged" in words.method
    own = problem_words(problem, SIDE, levels(terminals=13.8), LIMIT, STATED, "")
    assert "judged at the converter's own terminals" in own.method
    assert not own.explanation.endswith(" ")


def test_a_fall_is_said_with_the_time_it_leaves() -> None:
    fall = Measured(-0.02, "V/min", -0.05, -0.01)
    assert plain(fall_sentence(fall, None, None)) == (
        "The battery's level falls by 0.020 V/min (95 %: 0.010 to 0.050 V/min)."
    )
    said = plain(fall_sentence(fall, Measured(60.0, "min", 24.0, 120.0), 11.8))
    assert said.endswith("Extrapolated time to 11.8 V: 60 min (95 %: 24 to 120 min).")
    flat = "The battery's level shows no fall beyond its interval."
    assert fall_sentence(replace(fall, high=0.0), None, None) == flat
    assert fall_sentence(replace(fall, high=None), None, None) == flat
    assert fall_sentence(None, None, None) == ""
    assert fall_sentence(replace(fall, value=None), None, None) == ""


def switched(what: str, drop_V: float, low_V: float = 12.0) -> Switched:
    return Switched(what, 5, 3, Measured(drop_V, "V", drop_V - 0.1), low_V)


THREE = [switched("fan", 1.5), switched("pump", 1.2), switched("lamp", 0.4, 12.9)]
HIGH = Resistances(Slope(0.2, 0.15, 0.25, 0.01, 5), None, None, None)
HOLD = (7.5, "(coil_hold_V)")
DIPS = {
    "below": ([], Lowest(Measured(7.4, "V", None, 7.45), 3.0), NONE,
              "12 V side falls to 7.40 V while contactors close, below 7.50 V", "Do not drive", True),
    "at the limit": ([], Lowest(Measured(7.4, "V", None, 7.5), 3.0), NONE,
                     "12 V dips: none visible when loads switch", "Keep this log", False),
    "high": (THREE, Lowest(Measured(9.0, "V", None, 9.1), 3.0), HIGH,
             "12 V side: 200 mΩ source resistance, too high",
             "Measure the voltage drop over each joint, fuse and ground of the 12 V battery with its cables", False),
    "below and high": (THREE, Lowest(Measured(7.0, "V", None, 7.1), 3.0), HIGH,
                       "12 V side falls to 7.00 V while contactors close, below 7.50 V", "Do not drive", True),
    "dips": (THREE, None, NONE, "12 V dips: 1.50 V at most, with fan", "Keep this log", False),
    "nothing": ([], None, NONE, "12 V dips: none visible when loads switch", "Keep this log", False),
}  # fmt: skip


@pytest.mark.parametrize("name", DIPS)
def test_dips_are_titled_by_the_worst_of_them(name: str) -> None:
    dips, closing, ohms, title, step, hands = DIPS[name]
    words = dip_words(dips, closing, HOLD, ohms, SIDE)
    assert plain(words.title) == title
    assert words.next_step.startswith(step)
    assert words.hands_near_hv is hands
    said = plain(words.explanation)
    assert ("coils need 7.5" in said) is (closing is not None)
    assert ("Dips (of so many switchings): fan, 1.5" in said) is bool(dips)
    assert ("Resistance of the 12 V battery alone: 200 mΩ (95 %: 150 to 250 mΩ)." in said) is (ohms is HIGH)
    assert (said == "Nothing that switched moved the level visibly.") is (name == "nothing")


def test_two_dips_are_named_and_the_others_stand_in_the_method() -> None:
    words = dip_words(THREE, None, HOLD, NONE, SIDE)
    assert "fan, 1.50 V (3 of 5); pump, 1.20 V (3 of 5)." in plain(words.explanation)
    assert "lamp" not in words.explanation
    assert "lamp: " in words.method
    assert "lowest 12.9 V." in words.method
    assert "fan: " not in words.method
    assert "readings every 100 ms" in words.method
    assert "Above 0.1 Ω" in words.method


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("source", "Source resistance with the converter running: 20"),
        ("battery", "Resistance of the 12 V battery alone: 20"),
        ("cable", "Between converter and 12 V side: 20"),
    ],
)
def test_resistances_are_said_by_what_they_are_of(name: str, said: str) -> None:
    of = dict.fromkeys(("battery", "converter", "source", "cable"))
    of[name] = Measured(0.02, "ohm", 0.01, 0.03) if name == "cable" else Slope(0.02, 0.01, 0.03, 0.01, 4)
    assert said in plain(dip_words([], None, HOLD, Resistances(**of), SIDE).explanation)


def test_dips_that_nothing_explains_are_said() -> None:
    spans = ((1.0, 2.0), (3.0, 4.0), (5.0, 6.0))
    loose = unexplained_words(Unexplained(spans, spans[:2], 2.5, 11.1), SIDE)
    assert loose.title == "12 V side: 3 dips without current, a loose connection"
    assert "fell by up to 2.50 V, to 11.1 V, while nothing" in loose.explanation
    assert loose.method.startswith("2 of 3 dips lasted")
    assert "every 100 ms" in loose.method
    one = unexplained_words(Unexplained(spans[:1], spans[:1], 2.5, 11.1), SIDE)
    assert one.title == "12 V side: 1 dip that nothing logged explains, down to 11.1 V"
    assert "fell by up to 2.50 V while nothing" in one.explanation


SWITCH = state("pump", t, t < 20.0)
FED = Fed(
    "pump", "current", read("pump current", t, 0.0), SWITCH, ((10.0, 50.0), (55.0, 58.0)), Measured(5.0, "A", 4.0, 6.0),
    0.456, (), 0, True, 60.0, None,
)  # fmt: skip
MUCH = "5.00 A, 46 % of what it has when on"
FEDS = {
    "with another": (replace(FED, through=("fan", "lamp"), by_own=True),
                     "pump: fed with its switch open, together with fan and lamp",
                     [f"2 times, 40 s at most, its current stayed at {MUCH}: always while fan and lamp was on"],
                     "With the switch of pump open and fan and lamp on"),
    "with another, own unknown": (replace(FED, through=("fan",)), "pump: fed with its switch open, together with fan",
                                  [], "Check first that the signals of the two are not exchanged"),
    "exchanged": (replace(FED, through=("fan", "lamp"), by_own=False),
                  "pump: its current follows the switch of fan or lamp, never its own",
                  ["2 times, 40 s at most, it stayed at", "fan or lamp off its current"], "Check what “signal”"),
    "sure": (FED, "pump: stays fed after its switch opens, 40 s",
             [f"2 times its current stayed at {MUCH} with the switch open"],
             "With the switch of pump open, measure"),
    "runs on": (replace(FED, spans=((10.0, 20.0),), ends=1), "pump: current for 10 s after its switch opens",
                ["Once its current stayed", "it ends by itself each time"], "Check whether the load is meant"),
    "short": (replace(FED, spans=((10.0, 20.0),)), "pump: current for 10 s after its switch opens",
              ["the log shows it for too short a time"], "Check whether the load is meant"),
    "old": (replace(FED, changes=False), "pump: current for 40 s after its switch opens",
            ["the reading never changed again"], "Check whether the load is meant"),
    "old that runs on": (replace(FED, spans=((10.0, 20.0),), ends=1, changes=False),
                         "pump: current for 10 s after its switch opens", ["the reading never changed again"],
                         "Check whether the load is meant"),
}  # fmt: skip


@pytest.mark.parametrize("name", FEDS)
def test_a_fed_load_is_said_by_what_it_is(name: str) -> None:
    fed, title, parts, step = FEDS[name]
    words = fed_words(fed)
    assert words.title == title
    for part in parts:
        assert part in plain(words.explanation)
    assert words.next_step.startswith(step)
    assert words.hands_near_hv is False
    assert "30 % or more" in words.method


def test_switches_that_are_one_and_what_a_log_cannot_show_are_said() -> None:
    words = together_words(Together("pump", "fan", 6, ()))
    assert words.title == "pump and fan: always switch together"
    assert words.explanation.startswith("All 6 switchings of both coincide.")
    unknown = undetermined_words(["dips when loads switch: every 5 s", "whether it ran: no"], "Record it.")
    assert unknown.title == "12 V side: cannot be determined from this log: dips when loads switch"
    assert unknown.explanation == "Dips when loads switch: every 5 s. Whether it ran: no."
    assert unknown.next_step == "Record it."
    assert "at most 250 ms apart" in unknown.method
