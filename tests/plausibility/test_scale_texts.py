"""What findings on a scale say and hold: each text that depends on a value, and each field, for made ties."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logscope.findings import Finding, Measured, Severity
from logscope.plausibility.scale_text import odd_finding, slip_finding, unexplained_finding
from logscope.plausibility.slips import FACTORS, SLIPS, Slip, nearest_slip
from logscope.plausibility.ties import Broken, Suspect, Tie, suspects
from logscope.signals import Part, Signals
from logscope.vehicle import Mapped, Vehicle

LINK, PACK, SPEED, ROAD = "dc_link_voltage", "battery_voltage", "motor_speed", "vehicle_speed"
PLAIN = Vehicle()


def log(*names: str) -> Signals:
    return Signals({name: Part(name, np.zeros(2), np.zeros(2), "", f"A.{name}") for name in names}, 0.0, 9.0)


TIE = Tie({LINK: 1, PACK: -1}, 0.1, 0.098, 0.103, 0.9, 1.2, "0.1 × the pack voltage", 2.0, 5.0)
LIMITS = Tie({LINK: 1}, 0.11, 0.1, 0.12, 1e-6, 1.15, "at 36 V", 1.0, 8.0)


def told(broken: Broken, vehicle: Vehicle = PLAIN, *names: str) -> Finding:
    return slip_finding(broken, log(*(names or (LINK, PACK, SPEED, ROAD))), vehicle)


def test_one_suspect_is_named_with_its_factor_and_its_cure() -> None:
    finding = told(Broken((LIMITS, TIE), (Suspect(LINK, (Slip(0.1), Slip(0.25))),)))
    assert (finding.kind, finding.severity) == ("mapping.scale", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == (2.0, 8.0)
    assert finding.title == "DC-link voltage reads a tenth of what the rest of the log requires"
    assert finding.explanation == (
        "DC-link voltage: at 36 V; DC-link voltage: 0.1 × the pack voltage. Multiplied by 10, DC-link voltage fits "
        "everything logged and configured. The likely cause is a scale or unit in the vehicle file or in the signal's "
        "definition. Checks that need a doubtful part are listed under “not checked”."
    )
    assert finding.next_step == "If DC-link voltage is wrong, multiply its scale by 10."
    assert finding.parts == (LINK, PACK)
    assert finding.measured == {"ratio": Measured(0.1, "", 0.098, 0.103)}
    assert finding.expected == {"ratio": Measured(None, "", 0.9, 1.2), "factor": Measured(10.0, "")}


def test_two_suspects_are_both_named_and_the_log_does_not_show_which() -> None:
    finding = told(Broken((TIE,), (Suspect(LINK, (Slip(0.1),)), Suspect(PACK, (Slip(10.0),)))))
    assert finding.title == "DC-link voltage or battery voltage: one is wrong by a factor of 10"
    assert (
        " This log does not show whether DC-link voltage or battery voltage is wrong. The likely" in finding.explanation
    )
    assert finding.next_step.endswith("If battery voltage is wrong, multiply its scale by 0.1.")
    other = told(Broken((TIE,), (Suspect(PACK, (Slip(10.0),)), Suspect(LINK, (Slip(0.1),)))))
    assert "whether battery voltage or DC-link voltage is wrong" in other.explanation
    assert other.title.endswith("one is wrong by a factor of 10")
    assert other.parts == (PACK, LINK)
    assert told(Broken((TIE,), (Suspect(PACK, (Slip(10.0),)),)), PLAIN, PACK).parts == (PACK,)


def test_a_value_of_the_vehicle_file_is_a_suspect_after_the_parts(tmp_path: Path) -> None:
    tie = Tie({SPEED: 1, ROAD: -1, "driveline.ratio": -1}, 2.0, 2.0, 2.0, 0.6, 1.6, "2 × the speed", 0.0, 9.0)
    both = (Suspect("driveline.ratio", (Slip(0.5),)), Suspect(SPEED, (Slip(2.0),)))
    finding = told(Broken((tie,), both))
    assert finding.title == "Motor speed reads twice what the rest of the log requires"
    assert "whether motor speed or driveline.ratio is wrong" in finding.explanation
    assert finding.next_step.startswith("If driveline.ratio is wrong, correct it.")
    assert finding.parts == (SPEED, ROAD)
    alone = told(Broken((tie,), both[:1]))
    assert alone.title == "Driveline.ratio reads half what the rest of the log requires"
    path = tmp_path / "made.toml"
    path.write_text("[driveline]\n\nratio = 8.2\n", encoding="utf-8")
    assert told(Broken((tie,), both), Vehicle(path=path)).next_step.startswith(
        "If driveline.ratio is wrong, correct it (made.toml:3)."
    )


@pytest.mark.parametrize(
    ("name", "slip", "fact", "others", "pulses", "gear", "stalled"),
    [
        (SPEED, 2.0, "", 0, True, False, False), (SPEED, 0.25, "", 1, True, True, False),
        (SPEED, 4.0, "", 0, True, False, False), (SPEED, 0.5, "", 1, True, True, False),
        (SPEED, 10.0, "", 1, False, False, False), (ROAD, 2.0, "", 1, False, False, False),
        (LINK, 0.1, "is held there", 0, False, False, True), (LINK, 10.0, "is held there", 0, False, False, False),
        (LINK, 0.1, "stays", 0, False, False, False), (PACK, 0.1, "is held there", 0, False, False, False),
        ("dc_link_voltage_second", 0.1, "is held there", 0, False, False, True),
    ],
)  # fmt: skip
def test_what_looks_the_same_is_named_where_it_can(
    name: str, slip: float, fact: str, others: int, pulses: bool, gear: bool, stalled: bool
) -> None:
    tie = replace(TIE, of={name: 1, PACK: -1}, fact=fact)
    found = [Suspect(name, (Slip(slip),)), Suspect("torque", (Slip(slip),))][: 1 + others]
    explanation = told(Broken((tie,), tuple(found))).explanation
    assert ("encoder pulses" in explanation) is pulses
    assert ("another gear" in explanation) is gear
    assert ("precharge stalls there" in explanation) is stalled


@pytest.mark.parametrize(
    ("mapped", "write"),
    [
        (Mapped(signal="A.B", scale=0.5), "write “scale = 5” at “signals.dc_link_voltage”, or multiply the factor in "
         "the definition of A.B by 10."),
        (Mapped(signal="A.B", scale=2.0, offset=-3.0), "write “scale = 20, offset = -30” at"),
    ],
)  # fmt: skip
def test_the_line_to_write_has_the_scale_and_offset_that_the_file_has_there_times_the_cure(
    mapped: Mapped, write: str
) -> None:
    finding = told(Broken((TIE,), (Suspect(LINK, (Slip(0.1),)),)), Vehicle(signals={LINK: mapped}))
    assert write in finding.next_step


def test_two_that_do_not_fit_by_any_slip_are_named_with_their_ratio() -> None:
    finding = unexplained_finding([replace(TIE, ratio=0.7314), LIMITS], [LINK, PACK], log(LINK, PACK), PLAIN)
    assert (finding.kind, finding.severity) == ("mapping.scale", Severity.WARNING)
    assert (finding.start_s, finding.end_s) == (2.0, 5.0)
    assert finding.title == "DC-link voltage and battery voltage do not fit: one reads 0.731 times the other"
    assert finding.explanation.startswith(
        "DC-link voltage: 0.1 × the pack voltage; DC-link voltage: at 36 V. No common"
    )
    assert "of “signals.dc_link_voltage” and “signals.battery_voltage”, and compare" in finding.next_step
    assert finding.parts == (LINK, PACK)
    assert finding.measured == {"ratio": Measured(0.7314, "", 0.098, 0.103)}
    assert finding.expected == {"ratio": Measured(None, "", 0.9, 1.2)}


def test_what_is_odd_is_reported_and_left_in() -> None:
    tie = Tie({"driveline.ratio": 1, **TIE.of}, 0.1, 0.098, 0.103, 0.9, 1.2, "0.1 × the pack voltage", 2.0, 5.0)
    finding = odd_finding(tie, log(LINK, PACK), PLAIN)
    assert (finding.kind, finding.severity, finding.start_s, finding.end_s) == ("mapping.odd", Severity.INFO, 2.0, 5.0)
    assert finding.title == "DC-link voltage: 0.1 × the pack voltage"
    assert finding.explanation.startswith("DC-link voltage: 0.1 × the pack voltage. No common scaling mistake")
    assert finding.next_step == "Check “signals.dc_link_voltage”, “signals.battery_voltage” against a meter."
    assert finding.parts == (LINK, PACK)
    assert finding.measured == {"ratio": Measured(0.1, "", 0.098, 0.103)}
    assert finding.expected == {"ratio": Measured(None, "", 0.9, 1.2)}


@pytest.mark.parametrize("factor", FACTORS)
def test_each_slip_has_its_words_and_lies_within_eight_percent(factor: float) -> None:
    words = {2: "twice", 4: "four times", 10: "ten times", 16: "16 times", 100: "100 times", 256: "256 times",
             1000: "1000 times"}  # fmt: skip
    parts = {2: "half", 4: "a quarter of", 10: "a tenth of", 16: "a sixteenth of", 100: "a hundredth of",
             256: "1/256 of", 1000: "a thousandth of"}  # fmt: skip
    assert (Slip(factor).words, Slip(1 / factor).words) == (words[int(factor)], parts[int(factor)])
    assert Slip(factor).rare is Slip(1 / factor).rare is (factor in (4.0, 16.0, 256.0))
    for each in (factor, 1 / factor):
        assert Slip(each).cure == pytest.approx(1 / each)
        assert nearest_slip(1.083 * each) == nearest_slip(0.924 * each) == Slip(each)  # e^±0.08 is 1.0833 and 0.9231
        assert nearest_slip(1.084 * each) is nearest_slip(0.9225 * each) is None
    assert len(SLIPS) == 14
    assert nearest_slip(0.0) is nearest_slip(-2.0) is None


def demand(of: str, ratio: float, apart: float = 1.1) -> Tie:
    powers = {name.lower(): (1 if name.islower() else -1) for name in of}
    return Tie(powers, ratio, ratio, ratio, 1 / apart, apart, of, 0.0, 1.0)


def slips(found: list[Broken]) -> list[dict[str, list[float]]]:
    return [{each.name: [slip.factor for slip in each.slips] for each in broken.suspects} for broken in found]


def test_the_suspect_is_the_one_whose_single_slip_mends_every_tie_it_is_in() -> None:
    assert slips(suspects([demand("aB", 10.0)])) == [{"a": [10.0], "b": [0.1]}]
    assert slips(suspects([demand("aB", 10.0), demand("bC", 1.0)])) == [{"a": [10.0]}]
    assert slips(suspects([demand("aB", 10.0), demand("bC", 0.1)])) == [{"b": [0.1]}]
    assert slips(suspects([demand("aB", 10.0), demand("bC", 0.5)])) == [{}]
    assert slips(suspects([demand("aB", 10.0), demand("cD", 2.0)])) == [
        {"a": [10.0], "b": [0.1]}, {"c": [2.0], "d": [0.5]}
    ]  # fmt: skip
    assert len(suspects([demand("aB", 10.0), demand("cD", 2.0), demand("bC", 1.0), demand("dA", 3.0)])) == 1
    assert slips(suspects([demand("aB", 1.0)])) == []
    assert slips(suspects([demand("aB", 1.5)])) == [{}]


def test_the_commoner_slip_is_the_likelier_and_then_the_one_that_fits_best() -> None:
    assert slips(suspects([demand("a", 3.0, apart=1.6)])) == [{"a": [2.0, 4.0]}]
    assert slips(suspects([demand("a", 3.9, apart=2.2)])) == [{"a": [2.0, 4.0]}]  # 4 fits better, and is rare
    assert slips(suspects([demand("a", 7.0, apart=6.0)])) == [{"a": [10.0, 2.0, 4.0, 16.0]}]
    both = [demand("a", 7.0, apart=6.0), demand("ab", 3.0, apart=2.0)]
    assert slips(suspects([*both, demand("b", 1.0)])) == [{"a": [2.0, 4.0]}]
    # a range as wide as 1 : 200 says only to which side it is off
    wide = Tie({"a": 1}, 5.0, 5.0, 5.0, 0.0049, 1.0, "", 0.0, 1.0)
    assert slips(suspects([wide]))[0]["a"] == [10.0, 100.0, 1000.0, 16.0, 256.0]
    narrow = replace(wide, lowest=0.0051)
    assert slips(suspects([narrow]))[0]["a"] == [100.0, 10.0, 256.0, 16.0]


def test_a_tie_is_mended_by_a_slip_to_the_power_that_the_name_has_in_it() -> None:
    tie = replace(TIE, of={"a": 2, "b": -1}, ratio=4.0, lowest=0.9, highest=1.1)
    assert tie.mended_by("a", Slip(2.0))
    assert not tie.mended_by("a", Slip(4.0))
    assert tie.mended_by("b", Slip(0.25))
    assert not tie.mended_by("c", Slip(4.0))
    assert replace(tie, ratio=1.0).mended_by("c", Slip(4.0))
    for ratio, is_ in ((3.6, True), (3.59, False), (4.4, True), (4.41, False)):
        assert replace(tie, ratio=ratio).mended_by("a", Slip(2.0)) is is_
