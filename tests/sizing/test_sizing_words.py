"""What a precharge design says: every sentence, row and mark that depends on a value, for Hazel's link, by hand."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from math import inf

import numpy as np
import pytest
from rich.console import Console

from logscope.errors import RequestError
from logscope.findings import Measured
from logscope.sizing.component_notes import component_notes
from logscope.sizing.page import _facts, _used, design_chart
from logscope.sizing.precharge import PrechargeDesign, size_precharge
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.series import Series, at_least, at_most, decade, next_above, next_below
from logscope.sizing.show import alternative_row, design_to_json, print_design, stall_row, value_rows
from logscope.sizing.words import band_text, figures, headline, ohm_text, reason, warnings

HAZEL = PrechargeRequirements(320.0, 1000.0, 0.5, min_voltage_V=240.0, max_voltage_V=344.0)
RATED = replace(HAZEL, rated_power_W=10.0, pulse_rating_J=200.0)


@pytest.fixture(scope="module")
def design() -> PrechargeDesign:
    return size_precharge(RATED)


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (0.4, "", "0.4"), (1278.4, "J", "1280 J"), (62000.0, "", "62000"), (0.012345, "s", "0.0123 s"),
        (0.0, "A", "0 A"),
        (99.95, "V", "100 V"), (-1278.4, "J", "-1280 J"), (100.0, "", "100"), (None, "s", "never"), (inf, "s", "never"),
    ],
)  # fmt: skip
def test_a_value_is_shown_in_three_figures(value: float | None, unit: str, shown: str) -> None:
    assert plain(figures(value, unit)) == shown


def test_a_resistor_is_shown_in_four_figures_and_a_band_where_there_is_one() -> None:
    assert plain(ohm_text(1234.5)) in ("1234 Ω", "1235 Ω")
    assert plain(ohm_text(0.9531)) == "0.9531 Ω"
    assert plain(band_text(Measured(2.0, "A", 1.234, 3.456))) == "1.23 to 3.46 A"
    for value in (Measured(2.0, "A"), Measured(2.0, "A", 2.0), Measured(2.0, "A", None, 2.0), Measured(2, "A", 2, 2)):
        assert band_text(value) == ""


def test_the_outcome_and_its_reason(design: PrechargeDesign) -> None:
    """166.904 Ω · 1 mF · ln 20 are 0.5 s, a 1.155th of it in the slowest case; 344 V onto 6.88 Ω are 50 A."""
    assert plain(headline(design)) == "160 Ω (E24): 95 % after 0.479 s, 2 A at the start"
    assert plain(reason(design)) == (
        "Required: at least 7.242 Ω (no more than 50 A at 344 V) and at most 166.9 Ω (time). In the slowest case of "
        "pack voltage and tolerances it takes 0.554 s; to keep 0.5 s there too: at most 144.5 Ω."
    )
    given = size_precharge(replace(HAZEL, time_s=None, resistance_ohm=47.0, close_fraction=0.9055))
    assert plain(headline(given)) == "47 Ω (your resistor): 90.55 % after 0.111 s, 6.81 A at the start"
    assert plain(reason(given)) == "The peak current requires at least 7.242 Ω (no more than 50 A at 344 V)."
    loaded = size_precharge(replace(HAZEL, load_W=60.0, load_cut_in_V=180.0))
    assert "(time and load)" in reason(loaded)


def test_everything_that_is_not_met_is_said_once() -> None:
    assert [plain(each) for each in warnings(size_precharge(RATED))] == [
        "10 W does not allow quick retries: leave 6.51 s between tries."
    ]
    poor = size_precharge(replace(RATED, resistance_ohm=300.0, peak_current_A=1.0, pulse_rating_J=130.0))
    assert [plain(each) for each in warnings(poor)] == [
        "This resistor takes 0.899 s: longer than the 0.5 s asked for.",
        "The peak current reaches 1.21 A: above the 1 A allowed.",
        "A pulse rating of 130 J is below the 130 J needed.",  # 130.17 J
        "10 W does not allow quick retries: leave 6.51 s between tries.",
    ]
    assert warnings(size_precharge(replace(HAZEL, pulse_rating_J=130.2, rated_power_W=19.6))) == ()
    held = size_precharge(PrechargeRequirements(800.0, 2000.0, resistance_ohm=3000.0))
    # 120 s / (2.2 mF · ln(800/60)) = 21,058 Ω: 20 kΩ of E24, behind 3,150 Ω
    assert warnings(held) == ("The bleeder below would hold the link at 86.4 %: switch it off during precharge.",)


@pytest.mark.parametrize(("time_s", "said"), [(0.4792, 1), (0.4794, 0), (None, 0)])
def test_a_resistor_that_just_takes_longer_is_named(time_s: float | None, said: int) -> None:
    found = size_precharge(replace(HAZEL, time_s=time_s, resistance_ohm=160.0))
    assert sum("longer than" in each for each in warnings(found)) == said


@pytest.mark.parametrize(("peak_A", "said"), [(2.26, 1), (2.27, 0)])
def test_a_peak_current_that_is_just_above_is_named(peak_A: float, said: int) -> None:
    found = size_precharge(replace(HAZEL, time_s=None, resistance_ohm=160.0, peak_current_A=peak_A))
    assert sum("The peak current reaches 2.26" in each for each in warnings(found)) == said


def test_rows_have_label_value_and_band(design: PrechargeDesign) -> None:
    sections = {heading: [tuple(map(plain, row[:3])) for row in rows] for heading, rows in value_rows(design)}
    assert list(sections) == [
        "The charge", "If precharge does not complete", "Closing the main contactor", "Resistor ratings",
        "Discharge to 60 V",
    ]  # fmt: skip
    charge = sections["The charge"]
    assert ("Time constant", "160 ms", "137 to 185 ms") in charge
    assert ("Final voltage / pack voltage", "100 %", "") in charge
    assert ("Energy in the resistor, one charge", "51.1 J", "25.9 to 64.9 J") in charge
    assert ("Energy stored in the link", "51.2 J", "25.9 to 65.1 J") in charge
    assert ("Timeout to program", "770 ms", "") in sections["If precharge does not complete"]
    assert ("Starts in a row within the pulse rating", "3", "") in sections["Resistor ratings"]
    assert ("Bleeder, at most", "62 kΩ", "") in sections["Discharge to 60 V"]
    low = value_rows(size_precharge(PrechargeRequirements(48.0, 1000.0, 0.5)))
    assert [heading for heading, _ in low][-1] == "Resistor ratings"


def test_rows_of_neighbours_and_stalls(design: PrechargeDesign) -> None:
    assert [tuple(map(plain, alternative_row(each))) for each in design.alternatives] == [
        ("150 Ω", "0.449 s", "0.384 to 0.519 s", "2.41 A", "yes"),
        ("160 Ω", "0.479 s", "0.41 to 0.554 s", "2.26 A", "yes"),
        ("180 Ω", "0.539 s", "0.461 to 0.623 s", "2.01 A", "no"),
    ]
    assert [tuple(map(plain, stall_row(each))) for each in design.stalls][:2] == [
        ("0 %", "a short circuit", "779 W", "599 J", "0.257 s"),
        ("50 %", "152 Ω", "195 W", "191 J", "0.819 s"),
    ]
    assert [stall_row(each)[-1] for each in size_precharge(HAZEL).stalls] == [""] * 4


NOTES = {
    "Precharge relay": ["make and break 2.26 A at 344 V DC"],
    "Main contactor": ["difference of up to 17.2 V", "12 mΩ and 1.5 µH this drives up to 370 A"],
    "Fuse": ["up to 0.427 A²s", "must break 344 V DC"],
    "Controller": [
        "reached 95 % of the pack", "Open the relay after 0.77 s", "then absorbed 599 J; only 202 J if",
        "opens after 0.26 s",
    ],
    "Resistor": ["a single pulse of about 0.16 s", "rated for 344 V DC"],
}  # fmt: skip


def test_notes_have_the_numbers_of_their_part() -> None:
    """The inrush of 17.2 V through 12 mΩ, 1.5 µH and 1.1 mF is compared with ΔV·√(C/L) = 466 A: its damped peak."""
    found = size_precharge(replace(RATED, time_s=None, resistance_ohm=160.0, loop_ohm=0.012, loop_H=1.5e-6))
    said = {about: plain(text) for about, text in component_notes(found)}
    assert list(said) == list(NOTES)
    peak = figures(found.values["inrush_bound_A"].high)
    for about, parts in NOTES.items():
        for part in parts:
            assert part.replace("370", peak) in said[about]
    assert 300.0 < found.values["inrush_bound_A"].high < 466.0


@pytest.mark.parametrize(("volts", "said"), [(60.0, True), (60.1, False)])
def test_a_link_up_to_60_v_is_said_to_be_no_class_b(volts: float, said: bool) -> None:
    needs = PrechargeRequirements(48.0, 1000.0, resistance_ohm=100.0, max_voltage_V=volts)
    assert ("Voltage class" in dict(component_notes(size_precharge(needs)))) is said
    assert ("bleeder_ohm" in size_precharge(needs).values) is not said


def test_a_load_s_note_has_its_lower_root() -> None:
    needs = replace(HAZEL, time_s=None, resistance_ohm=100.0, load_W=30.0, load_cut_in_V=150.0, min_voltage_V=300.0)
    said = plain(dict(component_notes(size_precharge(needs)))["Load"])
    # the highest of all corners is that of 300 V and 105 Ω: V² − 300·V + 3150
    assert "must start above 10.9 V. What it draws beyond its 30 W" in said


def test_facts_are_those_given() -> None:
    facts = {name: plain(text) for name, text in _facts(size_precharge(HAZEL))}
    assert facts == {
        "Pack voltage": "320 (240 to 344) V",
        "Link capacitance": "1000 µF ± 10 %",
        "Required time to 95 %": "0.5 s",
        "Load during precharge": "nothing",
    }
    bare = PrechargeRequirements(400.0, 1000.0, resistance_ohm=50.0, load_ohm=47000.0, load_W=30.0, load_cut_in_V=150.0)
    facts = {name: plain(text) for name, text in _facts(size_precharge(bare))}
    assert facts["Pack voltage"] == "400 V"
    assert facts["Required time to 95 %"] == "set by the resistor"
    assert facts["Load during precharge"] == "47000 Ω and 30 W from 150 V"


def test_columns_that_are_empty_at_the_end_are_left_out() -> None:
    assert _used([("a", "", ""), ("b", "c", "")]) == [("a", ""), ("b", "c")]
    assert _used(iter([("a", "", "d")])) == [("a", "", "d")]


def test_the_chart_shows_link_and_power_with_their_marks(design: PrechargeDesign) -> None:
    """At one time constant 63.2 % of 320 V, and 13.5 % of 640 W (handbooks); the edges from 240 and 344 V."""
    drawing = design_chart(design)
    assert plain(drawing.summary).startswith("Chart of link voltage and resistor power over 0.847 s, 160 ohm")
    assert [(n, plain(label)) for n, label in drawing.marks] == [
        ("1", "closing fraction reached (nominal), 0.479 s"), ("2", "timeout, 0.77 s"),
    ]  # fmt: skip
    assert plain(drawing.keys[-1].label) == "closing threshold: 304 V"
    assert [key.label for key in drawing.keys][:4] == [
        "Link voltage, nominal", "Link voltage: band of pack voltage and tolerances", "Power in the resistor, nominal",
        "Power in the resistor: band of pack voltage and tolerances",
    ]  # fmt: skip
    figure = json.loads(drawing.to_json())
    at = [np.interp(0.16, trace["x"], trace["y"]) for trace in figure["data"]]
    low, high, link, low_w, high_w, power = at
    assert (link, power) == pytest.approx((0.63212 * 320.0, 0.135335 * 640.0), rel=2e-3)
    assert low == pytest.approx(240.0 * (1 - np.exp(-0.16 / 0.1848)), rel=2e-3)
    assert high == pytest.approx(344.0 * (1 - np.exp(-0.16 / 0.1368)), rel=2e-3)
    assert high_w == pytest.approx(344.0**2 / 168.0 * np.exp(-0.32 / 0.1848), rel=5e-3)
    assert low_w == pytest.approx(240.0**2 / 152.0 * np.exp(-0.32 / 0.1368), rel=2e-2)
    assert [trace["line"]["width"] for trace in figure["data"]] == [0, 0, 2, 0, 0, 2]
    layout = figure["layout"]
    tags = [(tag["text"], tag["x"], tag["yshift"]) for tag in layout["annotations"] if tag["text"] in ("1", "2")]
    assert tags == [("1", pytest.approx(0.479317, rel=1e-5), 0), ("2", pytest.approx(0.77), 0)]
    assert layout["xaxis"]["range"] == [0.0, pytest.approx(0.847)]
    assert layout["yaxis"]["range"][0] == 0.0
    assert layout["yaxis"]["range"][1] == pytest.approx(1.12 * 344.0, rel=0.01)
    assert layout["yaxis2"]["range"][1] == pytest.approx(1.12 * 778.526, rel=1e-3)
    lines = [(shape["x0"], shape["y0"]) for shape in layout["shapes"]]
    assert lines == [(pytest.approx(0.479317, rel=1e-5), 0), (pytest.approx(0.77), 0), (0, 304.0)]


def test_the_json_holds_needs_choice_and_neighbours(design: PrechargeDesign) -> None:
    fields = json.loads(design_to_json(design))
    assert fields["wish"]["pulse_rating_J"] == 200.0
    assert fields["choice"] == pytest.approx(
        {"resistance_ohm": 160.0, "min_ohm": 7.242105, "max_ohm": 166.904, "band_ohm": 144.5058}, rel=1e-5
    )
    (_, own, above) = fields["alternatives"]
    assert (own["resistance_ohm"], own["fits"], above["fits"]) == (160.0, True, False)
    assert own["time_to_close_s"] == fields["values"]["time_to_close_s"]
    assert own["peak_current_A"] == fields["values"]["peak_current_A"]
    assert [stall["fraction"] for stall in fields["stalls"]] == [0.0, 0.5, 0.75, 0.9]
    assert fields["warnings"] == list(warnings(design))
    assert [point["about"] for point in fields["points"]] == list(NOTES)


REFUSED = [
    ({"time_s": 0.0}, "time_s is 0. Give a number above 0."),
    ({"close_fraction": 0.0}, "the closing fraction is 0. Give a fraction between 0 and 1"),
    ({"resistor_tolerance": 1.0}, "resistor_tolerance is 1. Give a fraction from 0 to below 1."),
    ({"capacitor_tolerance": -0.1}, "capacitor_tolerance is -0.1"),
    ({"min_voltage_V": 330.0}, "range of 330 to 344 V does not include its nominal 320 V"),
    ({"max_voltage_V": 300.0}, "range of 240 to 300 V does not include its nominal 320 V"),
    ({"time_s": None}, "neither a time nor a resistor"),
    ({"load_W": 30.0}, "needs both its power and its cut-in"),
    ({"load_cut_in_V": 30.0}, "needs both its power and its cut-in"),
    ({"series": "E7"}, "“E7” is not a known series of resistor values. Choose E6, E12, E24, E96."),
    *[
        ({name: -1.0}, f"{name} is -1")
        for name in (
            "voltage_V", "capacitance_uF", "min_voltage_V", "max_voltage_V", "load_ohm", "load_W", "load_cut_in_V",
            "resistance_ohm", "peak_current_A", "rated_power_W", "pulse_rating_J", "loop_ohm", "loop_H", "discharge_s",
        )
    ],
]  # fmt: skip


@pytest.mark.parametrize(("given", "said"), REFUSED)
def test_a_requirement_that_makes_no_sense_is_named(given: dict[str, object], said: str) -> None:
    with pytest.raises(RequestError) as refused:
        replace(HAZEL, **given)
    assert said in str(refused.value)


def test_what_is_not_given_is_usual_practice() -> None:
    """Three time constants; wirewound resistors of 5 %, film capacitors of 10 %; 120 s (LV 123, from memory)."""
    bare = PrechargeRequirements(320.0, 1000.0, 0.5)
    assert (bare.close_fraction, bare.resistor_tolerance, bare.capacitor_tolerance) == (0.95, 0.05, 0.10)
    assert (bare.peak_current_A, bare.discharge_s, bare.series) == (50.0, 120.0, "E24")


@pytest.mark.parametrize(
    ("value", "series", "below", "at_most_", "at_least_", "above"),
    [
        (47.0, Series.E6, 33.0, 47.0, 47.0, 68.0),
        (46.9999999999, Series.E6, 33.0, 47.0, 47.0, 68.0),
        (46.99, Series.E6, 33.0, 33.0, 47.0, 47.0),
        (1.0, Series.E12, 0.82, 1.0, 1.0, 1.2),
        (99.0, Series.E24, 91.0, 91.0, 100.0, 100.0),
        (0.95, Series.E24, 0.91, 0.91, 1.0, 1.0),
        (977.0, Series.E96, 976.0, 976.0, 1000.0, 1000.0),
    ],
)
def test_values_of_a_series_about_one(
    value: float, series: Series, below: float, at_most_: float, at_least_: float, above: float
) -> None:
    """IEC 60063:2015, as printed in every catalogue of resistors."""
    found = (next_below(value, series), at_most(value, series), at_least(value, series), next_above(value, series))
    assert found == (below, at_most_, at_least_, above)


def test_e12_and_e96_are_those_of_the_catalogues() -> None:
    assert decade(Series.E12) == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
    assert decade(Series.E96)[:4] == (1.0, 1.02, 1.05, 1.07)
    assert decade(Series.E96)[-3:] == (9.31, 9.53, 9.76)
    assert [len(decade(each)) for each in Series] == [6, 12, 24, 96]


def printed(design: PrechargeDesign) -> str:
    console = Console(file=io.StringIO(), width=200)
    print_design(design, console)
    return plain(console.file.getvalue())


def test_the_terminal_says_outcome_warnings_tables_and_notes_in_order(design: PrechargeDesign) -> None:
    said = printed(design)
    order = [
        "Precharge resistor 160 Ω (E24): 95 % after", "Required: at least", "WARNING 10 W does not allow", "The charge",
        "Discharge to 60 V", "Neighbouring resistor values", "Stalled precharge", "Precharge relay: It must",
        "Resistor: Its data", "CAUTION High voltage kills",
    ]  # fmt: skip
    at = [said.index(each) for each in order]
    assert at == sorted(at)
    assert "Time to pulse rating" in said
    row = next(line for line in said.splitlines() if "Time constant" in line)
    assert row.split("  ")[0] == "Time constant"
    assert "160 ms" in row
    assert "137 to 185 ms" in row
    assert "R·C" not in row  # the meaning is the page's
    bare = printed(size_precharge(replace(HAZEL, time_s=None, resistance_ohm=160.0)))
    assert "Time to pulse rating" not in bare  # a column without a value
    assert "WARNING" not in bare


def test_only_outcome_warnings_and_caution_stand_out_on_a_terminal(design: PrechargeDesign) -> None:
    """Escape sequences of ECMA-48: 1 is bold, 33 yellow, 31 red."""
    console = Console(file=io.StringIO(), width=400, force_terminal=True, color_system="standard")
    print_design(design, console)
    lines = plain(console.file.getvalue()).splitlines()
    marked = [line for line in lines if "\x1b" in line]
    assert lines[0].startswith("\x1b[1mPrecharge resistor 160 Ω (E24): 95 % after 0.479 s")
    assert [line[:11] for line in marked if "WARNING" in line] == ["\x1b[33mWARNIN"]
    assert marked[-1].startswith("\x1b[1;31mCAUTION")
    for plainly in ("Required: at least", "Time constant  ", "Precharge relay: "):
        assert any(line.startswith(plainly) and "\x1b" not in line for line in lines)
