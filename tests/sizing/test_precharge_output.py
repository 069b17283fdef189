"""The design as JSON, in the terminal, and as a page."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace

import pytest
from rich.console import Console

from logscope.findings import CAUTION_HV, Measured
from logscope.sizing.page import design_chart, design_to_html
from logscope.sizing.precharge import PrechargeDesign, size_precharge
from logscope.sizing.requirements import PrechargeRequirements
from logscope.sizing.show import design_to_json, print_design
from logscope.sizing.words import SECTIONS, figures, warnings

HAZEL = PrechargeRequirements(320.0, 1000.0, 0.5, min_voltage_V=240.0, max_voltage_V=344.0)
LOADED = replace(
    HAZEL, load_ohm=47_000.0, load_W=60.0, load_cut_in_V=180.0, pulse_rating_J=100.0, rated_power_W=15.0
)  # fmt: skip


@pytest.fixture(scope="module", params=[HAZEL, LOADED, PrechargeRequirements(48.0, 5000.0, resistance_ohm=33.0)])
def design(request: pytest.FixtureRequest) -> PrechargeDesign:
    return size_precharge(request.param)


def test_every_value_of_the_json_has_its_unit(design: PrechargeDesign) -> None:
    fields = json.loads(design_to_json(design))
    assert fields["schema"] == 1
    assert fields["caution"] == CAUTION_HV
    assert fields["choice"]["resistance_ohm"] == design.choice.resistance_ohm
    for name, value in fields["values"].items():
        assert set(value) == {"value", "low", "high", "unit"}
        unit = {"A2s": "A²s", "row": "1", "rest": "1"}.get(name.rsplit("_", 1)[1], name.rsplit("_", 1)[1])
        assert value["unit"] == unit, name


def test_every_value_has_a_name_and_a_meaning(design: PrechargeDesign) -> None:
    named = {name for _, entries in SECTIONS for name, _, _ in entries}
    assert set(design.values) <= named


@pytest.mark.parametrize("width", [40, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii"])
def test_the_terminal_gets_what_it_can_show(design: PrechargeDesign, width: int, encoding: str) -> None:
    written = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    print_design(design, Console(file=written, width=width))
    written.flush()
    assert isinstance(written.buffer, io.BytesIO)
    text = " ".join(written.buffer.getvalue().decode(encoding).split())
    assert "High voltage kills" in text
    assert figures(design.values["time_to_close_s"].value) in text


def test_the_page_asks_nothing_of_the_network_and_shows_every_value(design: PrechargeDesign) -> None:
    page = design_to_html(design)
    shell = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//", shell)
    assert CAUTION_HV in shell
    for _, entries in SECTIONS:
        for name, label, _ in entries:
            if name in design.values:
                assert label.replace("&", "&amp;") in shell
    assert shell.count("data-plot") == 1


def test_the_chart_is_plain_data_with_a_band_and_the_threshold(design: PrechargeDesign) -> None:
    figure = json.loads(design_chart(design).to_json())
    assert len(figure["data"]) == 6
    nominal = figure["data"][2]["y"]
    assert nominal[0] == 0.0
    assert max(nominal) > design.needs.close_fraction * design.needs.voltage_V
    assert nominal == sorted(nominal)
    low, high = figure["data"][0]["y"], figure["data"][1]["y"]
    assert all(a <= b <= c for a, b, c in zip(low, nominal, high, strict=True))


def test_what_is_not_met_is_said() -> None:
    found = " ".join(warnings(size_precharge(LOADED)))
    assert "below the" in found
    assert "does not allow quick retries" in found
    slow = " ".join(warnings(size_precharge(replace(HAZEL, resistance_ohm=300.0))))
    assert "longer than the 0.5 s asked for" in slow
    stiff = " ".join(warnings(size_precharge(replace(HAZEL, resistance_ohm=4.0))))
    assert "above the 50 A allowed" in stiff
    held = " ".join(warnings(size_precharge(PrechargeRequirements(800.0, 2000.0, resistance_ohm=3000.0))))
    assert "switch it off during precharge" in held


@pytest.mark.parametrize(
    ("bleeder_ohm", "tolerance", "held"),
    [
        (1895.0, 0.0, True),  # 1,900 Ω hold a link behind 100 Ω at 95 % of the pack
        (1905.0, 0.0, False),
        (1905.0, 0.05, True),  # behind 105 Ω it takes 1,995 Ω
        (1990.0, 0.05, True),
        (2000.0, 0.05, False),
    ],
)
def test_a_bleeder_that_ends_the_charge_too_low_is_named(bleeder_ohm: float, tolerance: float, held: bool) -> None:
    """The voltage divider of bleeder and the highest resistor within its tolerance, any textbook on circuits."""
    needs = PrechargeRequirements(400.0, 1000.0, resistance_ohm=100.0, resistor_tolerance=tolerance)
    design = size_precharge(needs)
    fitted = replace(design, values={**design.values, "bleeder_ohm": Measured(bleeder_ohm, "ohm")})
    assert ("hold the link at" in " ".join(warnings(fitted))) is held


@pytest.mark.parametrize(("rated_W", "named"), [(0.99, True), (1.01, False)])
def test_a_resistor_is_too_weak_for_quick_retries_below_the_power_of_three_starts(rated_W: float, named: bool) -> None:
    """Three starts of ½·C·V² within ten seconds: 80 J each are 24 W."""
    needs = PrechargeRequirements(400.0, 1000.0, resistance_ohm=100.0, capacitor_tolerance=0.0)
    power_W = size_precharge(needs).values["repeated_starts_power_W"].value
    assert power_W == pytest.approx(24.0)
    found = warnings(size_precharge(replace(needs, rated_power_W=rated_W * 24.0)))
    assert any("does not allow quick retries" in each for each in found) is named


def test_sixty_volt_and_less_is_said_to_be_no_class_b() -> None:
    assert "not of voltage class B" in design_to_json(size_precharge(PrechargeRequirements(48.0, 5000.0, 0.5)))
