"""What is said about definitions that could not be taken as written."""

from __future__ import annotations

from pathlib import Path

from logscope.checks.capture_findings import definition_skipped
from logscope.definitions.skipped import Skipped
from logscope.findings import Severity

FILE = Path("a folder") / "hazel.dbc"
STRAY = Skipped(FILE, 3, "see the forum", "no statement of a DBC file begins like this")
OVERLAP = Skipped(FILE, 9, "Pack.State", "it overlaps Voltage", True, "Pack", ("State", "Voltage"))
LOST = Skipped(FILE, 12, "BO_ 5x12 Motor", "the identifier is no number", message="Motor")


def test_sound_definitions_give_no_finding() -> None:
    assert definition_skipped((), {("Pack", "Voltage")}) == []


def test_all_places_go_into_one_finding_with_file_and_line() -> None:
    (finding,) = definition_skipped((STRAY, OVERLAP, LOST), set())
    assert (finding.kind, finding.severity) == ("capture.definition_skipped", Severity.INFO)
    assert finding.title.startswith("3 places")
    assert "hazel.dbc:3 “see the forum”: no statement" in finding.explanation
    assert "2 left out, 1 used" in finding.explanation
    assert {name: value.value for name, value in finding.measured.items()} == {"count": 3, "left_out": 2, "mapped": 0}


def test_a_mapped_signal_in_doubt_makes_it_a_warning_that_begins_with_it() -> None:
    (finding,) = definition_skipped((STRAY, OVERLAP), {("Pack", "Voltage")})
    assert finding.severity is Severity.WARNING
    assert finding.explanation.index("hazel.dbc:9") < finding.explanation.index("hazel.dbc:3")


def test_a_lost_message_concerns_each_of_its_signals() -> None:
    (finding,) = definition_skipped((LOST,), {("Motor", "Speed")})
    assert finding.severity is Severity.WARNING
    assert finding.title.startswith("One place ")


def test_only_the_first_places_are_told_in_words() -> None:
    (finding,) = definition_skipped([STRAY] * 40, set())
    assert finding.explanation.count("see the forum") == 5
    assert "and 35 more" in finding.explanation
