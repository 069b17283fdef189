"""What is said about definitions that could not be taken as written."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.checks.capture_findings import definition_skipped
from logscope.definitions.skipped import Skipped
from logscope.findings import Severity

FILE = Path("a folder") / "hazel.dbc"
STRAY = Skipped(FILE, 3, "see the forum", "no statement of a DBC file begins like this")
OVERLAP = Skipped(FILE, 9, "Pack.State", "it overlaps Voltage", True, "Pack", ("State", "Voltage"))
PLAIN = Skipped(FILE, 20, "", "odd", True)
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


@pytest.mark.parametrize(
    ("places", "mapped", "explanation"),
    [
        (
            (LOST,), set(),
            "All are left out. None affects a mapped signal. hazel.dbc:12 “BO_ 5x12 Motor”: the identifier is no "
            "number.",
        ),
        (
            (OVERLAP, PLAIN), {("Pack", "State")},
            "All are used as described here. 1 affects a mapped signal. hazel.dbc:9 “Pack.State”: it overlaps Voltage; "
            "hazel.dbc:20: odd.",
        ),
        (
            (PLAIN, OVERLAP, LOST), {("Pack", "State"), ("Motor", "Speed")},
            "1 left out, 2 used as described here. 2 affect a mapped signal. hazel.dbc:9 “Pack.State”: it overlaps "
            "Voltage; hazel.dbc:12 “BO_ 5x12 Motor”: the identifier is no number; hazel.dbc:20: odd.",
        ),
    ],
)  # fmt: skip
def test_what_became_of_the_places_is_said_in_full(places, mapped, explanation) -> None:
    (finding,) = definition_skipped(places, mapped)
    assert finding.explanation == explanation
    assert (finding.start_s, finding.end_s, finding.caution, finding.parts) == (0.0, 0.0, "", ())


@pytest.mark.parametrize(("count", "more"), [(5, ""), (6, "; and 1 more.")])
def test_places_beyond_the_fifth_are_counted(count: int, more: str) -> None:
    (finding,) = definition_skipped([PLAIN] * count, set())
    assert finding.explanation.endswith("hazel.dbc:20: odd" + (more or "."))
    assert finding.explanation.count("odd") == 5
    assert finding.title == f"{count} places in the signal definitions cannot be used as written"


def test_the_next_step_begins_with_mapped_signals_where_any_is_in_doubt() -> None:
    (harmless,), (doubtful,) = (definition_skipped((LOST,), mapped) for mapped in (set(), {("Motor", "Speed")}))
    assert harmless.next_step == "Correct the definition file at these lines."
    assert doubtful.next_step == (
        "Correct the definition file at these lines, those of mapped signals first: until then their values are "
        "doubtful."
    )
    assert [value.value for value in doubtful.measured.values()] == [1, 1, 1]
    assert {value.unit for value in doubtful.measured.values()} == {""}
