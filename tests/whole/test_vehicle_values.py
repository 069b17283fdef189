"""What a vehicle file may hold, each limit on both sides, and what is said of what it may not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from logscope.errors import VehicleError
from logscope.vehicle import Vehicle, load_vehicle, split_signal


def refused(content: dict[str, Any]) -> str:
    with pytest.raises(ValidationError) as failure:
        Vehicle.model_validate(content)
    return str(failure.value)


@pytest.mark.parametrize(
    ("text", "parts"),
    [("Pack.Voltage", (None, "Pack", "Voltage")), ("can1:Pack.Voltage", ("can1", "Pack", "Voltage")),
     ("a:b:Pack.Voltage", ("a:b", "Pack", "Voltage")), ("Pack.Cell.Low", (None, "Pack", "Cell.Low")),
     (":Pack.Voltage", (None, "Pack", "Voltage"))],
)  # fmt: skip
def test_a_signal_is_named_by_bus_message_and_signal(text: str, parts: tuple[str | None, str, str]) -> None:
    assert split_signal(text) == parts


@pytest.mark.parametrize("name", ["Pack", "Pack.", ".Voltage", "can0:Pack"])
def test_a_signal_without_its_message_is_refused(name: str) -> None:
    assert "a signal is named “Message.Signal”" in refused({"signals": {"torque": name}})


@pytest.mark.parametrize(
    ("value", "fits"), [(1e9, True), (1.01e9, False), (1e-9, True), (0.9e-9, False), (0.0, False), (-1.0, False),
                        (float("inf"), False)],
)  # fmt: skip
def test_a_quantity_is_above_zero_and_no_slip_of_the_keyboard(value: float, fits: bool) -> None:
    content = {"driveline": {"mass_kg": value}}
    if fits:
        assert Vehicle.model_validate(content).driveline.mass_kg == value
    else:
        refused(content)


@pytest.mark.parametrize(
    ("section", "key"),
    [("limits", "motor_temperature_C"), ("limits", "inverter_temperature_C"), ("limits", "coolant_temperature_C"),
     ("limits", "battery_temperature_min_C"), ("limits", "battery_temperature_max_C")],
)  # fmt: skip
def test_a_temperature_may_be_below_zero_but_is_finite(section: str, key: str) -> None:
    assert getattr(getattr(Vehicle.model_validate({section: {key: -20.0}}), section), key) == -20.0
    refused({section: {key: float("nan")}})


def test_a_link_of_less_than_a_tenth_of_a_microfarad_was_entered_in_farads() -> None:
    assert Vehicle.model_validate({"precharge": {"capacitance_uF": 0.1}}).precharge.capacitance_uF == 0.1
    said = refused({"precharge": {"capacitance_uF": 0.0998}})
    assert "0.0998 µF is too small for a DC link; if it is 0.0998 F, write 99800" in said


def test_r_times_c_is_known_where_both_are() -> None:
    assert Vehicle.model_validate(
        {"precharge": {"resistance_ohm": 47, "capacitance_uF": 680}}
    ).precharge.time_constant_s == pytest.approx(0.03196)
    for one in ({"resistance_ohm": 47}, {"capacitance_uF": 680}, {}):
        assert Vehicle.model_validate({"precharge": one}).precharge.time_constant_s is None
    plain = Vehicle().precharge
    assert (plain.tolerance, plain.close_fraction) == (0.2, 0.95)


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (1_000_000, None), (1_000_001, "a whole number in bit/s"), (5000, None), (4999, "4999 kbit/s is 4999000"),
        (500, "500 kbit/s is 500000"), (0, "a whole number in bit/s"), (True, "a whole number"),
        (5e5, "a whole number"),
    ],
)  # fmt: skip
def test_a_bit_rate_is_of_a_vehicle_bus_and_in_bits_a_second(rate: float, said: str | None) -> None:
    content = {"can": [{"bus": "can0", "bit_rate": rate}, {"bit_rate": 250_000}, {"bus": "can9"}]}
    if said is None:
        assert Vehicle.model_validate(content).bit_rates == {"can0": rate, None: 250_000}
    else:
        assert said in refused(content)


def test_a_bus_is_named_by_text() -> None:
    assert 'such as "can1"' in refused({"can": [{"bus": 1}]})


@pytest.mark.parametrize(
    ("value", "said"), [(100, "100 % is 1"), (1.01, "1.01 % is 0.0101"), (100.5, "less than 1"), (1.0, "less than 1")]
)
def test_a_fraction_in_percent_is_told_from_one_that_is_too_large(value: float, said: str) -> None:
    assert said in refused({"precharge": {"tolerance": value}})


def test_what_is_listed_may_be_one() -> None:
    one = Vehicle.model_validate(
        {"can": [{"definitions": "a.dbc"}], "signals": {"fault": {"signal": "A.B", "none": 0}}}
    )
    assert one.can[0].definitions == ("a.dbc",)
    assert one.signals["fault"].none == (0,)
    both = Vehicle.model_validate(
        {"signals": {"fault": {"signal": "A.B", "overcurrent_bits": [0, 63], "none": ["a", 1]}}}
    )
    assert (both.signals["fault"].overcurrent_bits, both.signals["fault"].none) == ((0, 63), ("a", 1))
    for bit in (-1, 64):
        refused({"signals": {"fault": {"signal": "A.B", "overcurrent_bits": [bit]}}})
    assert "must not be 0: every reading" in refused({"signals": {"torque": {"signal": "A.B", "scale": 0}}})


@pytest.mark.parametrize(
    ("part", "keys", "said"),
    [
        ("torque", {"on": [1]}, "“on” does not belong to “torque”, which is a number with a unit"),
        ("main_contactor", {"none": [1]}, "“none” does not belong to “main_contactor”, which is on or off"),
        ("main_contactor", {"overcurrent": [1]}, "“overcurrent” does not belong to"),
        ("inverter_state", {"overcurrent_bits": [1]}, "“overcurrent_bits” does not belong to"),
        ("fault", {"on": [1]}, "“on” does not belong to “fault”"),
        ("main_contactor", {"on": [1]}, None),
        ("inverter_state", {"on": ["Drive"]}, None),
        ("fault", {"none": [0], "overcurrent": [3], "overcurrent_bits": [1]}, None),
    ],
)
def test_a_key_belongs_to_parts_of_its_kind(part: str, keys: dict[str, Any], said: str | None) -> None:
    content = {"signals": {part: {"signal": "A.B", **keys}}}
    if said is None:
        Vehicle.model_validate(content)
    else:
        assert said in refused(content)


def test_loads_have_a_name_of_their_own_and_a_signal() -> None:
    def load(*loads: dict[str, Any]) -> dict[str, Any]:
        return {"load": list(loads)}

    ok = Vehicle.model_validate(load({"name": "Pump", "signal": "A.B", "on": 1}, {"name": "Fan", "voltage": "A.C"}))
    assert [each.name for each in ok.load] == ["Pump", "Fan"]
    assert "two loads are called “PUMP”" in refused(
        load({"name": "PUMP", "signal": "A.B"}, {"name": "pump", "signal": "A.C"})
    )
    assert "“torque” is a part: map it under" in refused(load({"name": "torque", "signal": "A.B"}))
    assert "a load needs the signal of its switch" in refused(load({"name": "Pump", "current": "A.B"}))
    assert "“on” says which values" in refused(load({"name": "Pump", "voltage": "A.B", "on": 1}))
    refused(load({"name": "", "signal": "A.B"}))


def test_files_are_found_beside_the_vehicle_file(tmp_path: Path) -> None:
    path = tmp_path / "sub" / "made.toml"
    path.parent.mkdir()
    path.write_text(
        "[[can]]\ndefinitions = ['a.dbc', '../b.dbc']\n[[serial]]\ndefinitions = 'c.toml'\n", encoding="utf-8"
    )
    vehicle = load_vehicle(path)
    folder = path.parent
    assert vehicle.files == (path, folder / "a.dbc", folder / "../b.dbc", folder / "c.toml")
    assert vehicle.locate("x.dbc") == folder / "x.dbc"
    assert Vehicle().locate("x.dbc") == Path("x.dbc")
    assert Vehicle.model_validate({"serial": [{"definitions": "c.toml"}]}).files == (Path("c.toml"),)
    assert (vehicle.line_of("can", 0, "definitions"), vehicle.line_of("motor")) == (2, None)
    path.unlink()
    assert vehicle.line_of("can", 0) is None


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("[signals]\n\ntorqe = 'A.B'\n", 3, "“torqe” is not a known part. Did you mean “torque”?"),
        ("[signals]\ntorque = 'A.B'\nzzzz = 'A.B'\n", 3, "“zzzz” is not a known part. Correct that line."),
        ("[signals]\n\ntorque = { signal = 'A.B', on = 1 }\n", 3, "“on” does not belong to “torque”"),
        ("[signals]\ntorque = 5\n", 2, "“torque” takes a signal, “Message.Signal”, or a table"),
        ("[motor]\npole_pair = 2\n", 2, "unknown key “motor.pole_pair”. Did you mean “pole_pairs”?"),
        ("path = 'x'\n", 1, "unknown key “path”. Remove it."),
        ("[motor]\npole_pairs = 0\n", 2, "“motor.pole_pairs”: should be greater than 0"),
    ],
)
def test_what_is_wrong_with_a_file_is_named_with_its_line(tmp_path: Path, text: str, line: int, said: str) -> None:
    path = tmp_path / "made.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(VehicleError) as failure:
        load_vehicle(path)
    assert str(failure.value).startswith(f"{path}:{line}: {said}")


@pytest.mark.parametrize("name", ["a.dbc", "a.KCD", "a.sym", "a.arxml"])
def test_a_definition_file_is_no_vehicle_file(name: str) -> None:
    with pytest.raises(VehicleError, match=r"it is not a vehicle file.*definitions = \[\"a\."):
        load_vehicle(name)
