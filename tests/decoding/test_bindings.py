"""Which signal plays which part: names looked up, units, notes, and what is said of a name that is wrong. By hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logscope.decoding.table import Table
from logscope.definitions.skipped import Skipped
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import VehicleError
from logscope.mapping import SignalBinding, build_signals, find_bindings, load_info, part_of
from logscope.parts import PARTS, Conversion, PartInfo, Role, convert, normalise_unit, part_name, part_title
from logscope.signals import Encoding
from logscope.vehicle import Mapped, Vehicle


def message(name: str, *signals: SignalSpec, left_out: tuple[str, ...] = ()) -> MessageSpec:
    return MessageSpec(name, 0x100, extended=False, length=8, signals=signals, left_out=left_out)


VOLTS, RPM = SignalSpec("Volts", 0, 16, scale=0.1, unit="V"), SignalSpec("Speed", 16, 16, unit="1/min")
PACK = message("Pack", VOLTS, RPM, SignalSpec("Bare", 32, 8), SignalSpec("Bar", 40, 8, unit="bar"))
BOX = message("Box", SignalSpec("Torque", 0, 16, unit="Nm"), left_out=("Serial",))


def vehicle(**signals: Any) -> Vehicle:
    return Vehicle.model_validate({"signals": signals})


def bound(
    definitions: list[tuple[str | None, list[MessageSpec]]], skipped: tuple[Skipped, ...] = (), **signals: Any
) -> Any:
    return find_bindings(vehicle(**signals), definitions, skipped)


def refused(
    signal: str, definitions: list[tuple[str | None, list[MessageSpec]]], *skipped: Skipped, part: str = "torque"
) -> str:
    with pytest.raises(VehicleError) as failure:
        bound(definitions, skipped, **{part: signal})
    return str(failure.value)


ALL = [(None, [PACK, BOX])]


def test_a_signal_is_bound_with_its_unit_bus_and_place() -> None:
    (one,), notes = bound([("can1", [PACK]), ("can2", [PACK]), ("can1", [BOX])], battery_voltage="Pack.Volts")
    assert one == SignalBinding(
        PARTS["battery_voltage"], Mapped(signal="Pack.Volts"), ("signals", "battery_voltage"), None, "Pack", VOLTS,
        Conversion(1.0, 0.0), ("can1", "can2"),
    )  # fmt: skip
    assert (one.part, one.wanted, notes) == ("battery_voltage", (None, "Pack", "Volts"), [])
    (named,), _ = bound([("can1", [PACK]), ("can2", [PACK])], battery_voltage="can2:Pack.Volts")
    assert (named.bus, named.only_on, named.wanted) == ("can2", ("can2",), ("can2", "Pack", "Volts"))
    (every,), _ = bound([("can1", [PACK]), (None, [PACK])], battery_voltage="Pack.Volts")
    assert every.only_on == ()
    (own,), _ = bound(ALL, battery_voltage="can7:Pack.Volts")  # definitions for every bus serve this one
    assert (own.bus, own.only_on) == ("can7", ("can7",))
    (source,), _ = bound([("can1", [PACK])], battery_voltage="Pack@3.Volts")
    assert (source.message, source.only_on) == ("Pack@3", ("can1",))


def test_what_has_no_unit_is_taken_in_the_part_s_and_noted_but_a_state_needs_none() -> None:
    (one,), notes = bound(ALL, torque="Pack.Bare")
    assert one.conversion == Conversion(1.0, 0.0)
    assert notes == ["Pack.Bare has no unit in its definition; taken as Nm for torque"]
    (state,), notes = bound(ALL, main_contactor="Pack.Bar")
    assert (state.conversion, notes) == (Conversion(1.0, 0.0), [])


def test_a_wrong_name_is_answered_with_what_is_near() -> None:
    assert refused("Bax.Torque", ALL) == "“signals.torque”: no message “Bax” is defined. Did you mean “Box”?"
    assert "no message “Inverter” is defined. Did you mean “Box.Torque”?" in refused("Inverter.Torque", ALL)
    many = [(None, [message(f"M{k}", VOLTS) for k in range(9)])]
    assert refused("Inverter.Torque", many).endswith("Defined are: M0, M1, M2, M3, M4, M5, M6, M7, ….")
    assert refused("Inverter.Torque", [(None, many[0][1][:8])]).endswith("M6, M7.")
    assert refused("Box.Torq", ALL).endswith("message “Box” has no signal “Torq”. Did you mean “Torque”?")
    assert refused("Pack.Torque", ALL).endswith("has no signal “Torque”. It has: Volts, Speed, Bare, Bar.")
    assert "“Box.Serial” is wider than 64 bits" in refused("Box.Serial", ALL)
    assert "there are no definitions. Name the definition files under" in refused("Box.Torque", [])
    assert "there are no definitions for bus can2." in refused("can2:Box.Torque", [("can1", [BOX])])
    assert "is in “bar”, which cannot be converted to Nm" in refused("Pack.Bar", ALL)


def test_a_definition_that_was_skipped_is_named_unless_another_has_the_signal() -> None:
    lost = Skipped(Path("made.dbc"), 7, "SG_ …", "two overlap", message="Box", signals=("Torque",))
    empty = [(None, [message("Box", VOLTS)])]
    assert "the definition of “Box.Torque” was skipped at made.dbc:7: two overlap" in refused("Box.Torque", empty, lost)
    assert bound(ALL, (lost,), torque="Box.Torque")[0][0].spec.name == "Torque"


def test_loads_are_parts_of_their_own() -> None:
    assert load_info("Pump", "switch") == PartInfo("Pump", "", Role.STATE, "switch of the load “Pump”")
    assert load_info("Pump", "current") == PartInfo("Pump current", "A", Role.QUANTITY, "current of the load “Pump”")
    assert load_info("Pump", "voltage") == PartInfo("Pump voltage", "V", Role.QUANTITY, "voltage of the load “Pump”")
    amps = message("Amps", SignalSpec("I", 0, 8, unit="mA"))
    made = Vehicle.model_validate(
        {"load": [{"name": "Pump", "signal": "Pack.Bare", "on": [2], "current": "Amps.I", "voltage": "Pack.Volts"}]}
    )
    bindings, _ = find_bindings(made, [(None, [PACK, amps])])
    assert [(each.part, each.keys, each.mapped.on) for each in bindings] == [
        ("Pump", ("load", 0, "signal"), (2,)), ("Pump current", ("load", 0, "current"), None),
        ("Pump voltage", ("load", 0, "voltage"), None),
    ]  # fmt: skip
    assert bindings[1].conversion.scale == pytest.approx(0.001)
    volts = Vehicle.model_validate({"load": [{"name": "Pump", "signal": "Pack.Volts"}]})
    with pytest.raises(VehicleError, match=r"“load 1.signal”: Pack.Volts is in “V”: no switch. Write voltage = "):
        find_bindings(volts, [(None, [PACK])])


def table(of: MessageSpec, bus: str = "can0", name: str = "", **columns: list[float]) -> Table:
    count = len(next(iter(columns.values())))
    time_ns = np.arange(count, dtype=np.int64) * 10**9
    return Table(name or of.name, bus, of, 0, time_ns, {key: np.array(value) for key, value in columns.items()}, {})


def built(tables: dict[str, Table], definitions: Any = None, **signals: Any) -> Any:
    made = vehicle(**signals)
    return build_signals(made, find_bindings(made, definitions or ALL)[0], tables, 9.0)


def test_parts_with_samples_and_the_reason_of_those_without() -> None:
    found = built({"Pack": table(PACK, Volts=[300.0, 310.0])}, battery_voltage="Pack.Volts", torque="Box.Torque")
    assert found["battery_voltage"].value.tolist() == [300.0, 310.0]
    assert (found.start_s, found.end_s) == (0.0, 9.0)
    assert found.empty == {"torque": "Box.Torque is mapped to torque, but message Box does not occur in the log"}
    nothing = built({"Box": table(BOX, Torque=[np.nan])}, torque="Box.Torque")
    assert nothing.empty["torque"].endswith("but it has no readable sample")
    other = built({"Box": table(BOX, Other=[1.0])}, torque="Box.Torque")
    assert "the log holds others of Box but no value of it" in other.empty["torque"]
    bus = built({}, [("can1", [BOX]), ("can2", [BOX])], torque="Box.Torque")
    assert "does not occur in the log on bus “can1” or “can2”: “logscope inventory”" in bus.empty["torque"]


def test_one_message_on_two_buses_needs_its_bus() -> None:
    tables = {
        "can0:Box": table(BOX, "can0", Torque=[1.0]), "can1:Box": table(BOX, "can1", Torque=[2.0]),
        "Pack": table(PACK, "can1", Volts=[3.0]),
    }  # fmt: skip
    with pytest.raises(
        VehicleError, match=r"“Box” occurs more than once in the log\. Write “can0:Box.Torque” or “can1:"
    ):
        built(tables, torque="Box.Torque")
    assert built(tables, torque="can1:Box.Torque")["torque"].value.tolist() == [2.0]
    sources = {"Box@1": table(BOX, name="Box@1", Torque=[1.0]), "Box@2": table(BOX, name="Box@2", Torque=[2.0])}
    assert built(sources, torque="Box@2.Torque")["torque"].value.tolist() == [2.0]
    with pytest.raises(VehicleError, match="occurs more than once"):
        built(sources, torque="Box.Torque")


def play(name: str, spec: SignalSpec, values: list[float], **mapped: Any) -> Any:
    how = Mapped.model_validate({"signal": f"Box.{spec.name}", **mapped})
    binding = SignalBinding(PARTS[name], how, ("signals", name), None, "Box", spec, Conversion(1.0, 0.0))
    return part_of(Vehicle(), binding, table(message("Box", spec), **{spec.name: values}))


def test_a_reading_of_up_to_ten_to_the_fifteenth_is_one() -> None:
    spec = SignalSpec("Torque", 0, 16, unit="Nm")
    assert play("torque", spec, [1e15, 1.01e15, -1e15, -1.01e15]).value.tolist() == [1e15, -1e15]


def test_a_state_that_is_not_defined_is_named_with_what_is() -> None:
    spec = SignalSpec("State", 0, 4, choices={0: "Open", 1: "Closed"})
    with pytest.raises(VehicleError, match=r"“on”: Box\.State has no value named “Shut”\. It has: Open, Closed"):
        play("main_contactor", spec, [0.0], on="Shut")
    assert play("main_contactor", spec, [0.0, 1.0, 3.0], on=["Shut", 3]).on.tolist() == [False, False, True]
    with pytest.raises(VehicleError, match=r"Its definition has no texts: give numbers, such as “on = \[1\]”"):
        play("main_contactor", SignalSpec("State", 0, 4), [0.0], on="Closed")
    scaled = SignalSpec("State", 0, 4, scale=2.0, offset=1.0, choices={1: "Closed"})
    assert play("main_contactor", scaled, [1.0, 3.0], on="Closed").on.tolist() == [False, True]
    assert play("main_contactor", scaled, [3.0]).labels == {3.0: "Closed"}
    assert play("inverter_state", spec, [0.0, 1.0]).on is None
    assert play("inverter_state", spec, [0.0, 1.0], on=1).on.tolist() == [False, True]


def test_a_fault_is_healthy_at_zero_and_a_negative_code_has_no_bits() -> None:
    spec = SignalSpec("Code", 0, 8, signed=True, choices={5: "Phase OVERCURRENT", 6: "Over_current", 7: "Heat"})
    made = play("fault", spec, [0.0, 5.0, 6.0, 7.0, -1.0])
    assert made.healthy.tolist() == [True, False, False, False, False]
    assert made.overcurrent.tolist() == [False, True, True, False, False]
    bits = play("fault", spec, [-1.0, 4.0, 8.0, 12.0], overcurrent_bits=[2, 3])
    assert bits.overcurrent.tolist() == [False, True, True, True]
    assert play("torque", SignalSpec("Code", 0, 8), [1.0]).healthy is None


@pytest.mark.parametrize(
    ("spec", "encoding"),
    [
        (SignalSpec("S", 0, 12, scale=0.5, offset=-10.0, signed=True), Encoding(12, True, -1.0, 25.0)),
        (SignalSpec("S", 0, 12, big_endian=True), Encoding(12, False, -2.0, 5.0, True)),
        (SignalSpec("S", 0, 32, floating=True), None), (SignalSpec("S", 0, 12, scale=0.0), None),
    ],
)  # fmt: skip
def test_how_values_lie_in_their_message_goes_through_unit_and_vehicle_file(
    spec: SignalSpec, encoding: Encoding | None
) -> None:
    """value = −2·logged + 5."""
    mapped = Mapped(signal="Box.S", scale=-2.0, offset=5.0)
    assert SignalBinding(PARTS["torque"], mapped, (), None, "Box", spec, Conversion(1.0, 0.0)).encoding == encoding


@pytest.mark.parametrize(
    ("unit", "wanted", "scale", "offset"),
    [
        (" [degC] ", "°C", 1.0, 0.0), ("ºC", "°C", 1.0, 0.0), ("℃", "°C", 1.0, 0.0), ("K", "°C", 1.0, -273.15),
        ("degF", "°C", 5 / 9, -160 / 9), ("Volts", "V", 1.0, 0.0), ("kV", "V", 1000.0, 0.0), ("U/min", "rpm", 1.0, 0.0),
        ("mi/h", "km/h", 1.609344, 0.0), ("m/s", "km/h", 3.6, 0.0), ("kNm", "Nm", 1000.0, 0.0), ("N-m", "Nm", 1.0, 0.0),
        ("kW", "W", 1000.0, 0.0), ("pct", "%", 1.0, 0.0), ("kHz", "Hz", 1000.0, 0.0), ("A rms", "A", 1.0, 0.0),
    ],
)  # fmt: skip
def test_units_as_definitions_spell_them_are_converted(unit: str, wanted: str, scale: float, offset: float) -> None:
    """By the definitions of the units (SI brochure, NIST SP 811)."""
    found = convert(unit, wanted)
    assert found is not None
    assert (found.scale, found.offset) == (pytest.approx(scale), pytest.approx(offset))


def test_what_is_no_unit_of_the_quantity_cannot_be_converted() -> None:
    for unit, wanted in (("bar", "Nm"), ("V", "A"), ("furlongs per", "V"), ("(((", "V"), ("counts", "rpm")):
        assert convert(unit, wanted) is None
    assert [normalise_unit(text) for text in ("", " ", "[V]", "Deg_C", "KPH")] == ["", "", "V", "°C", "km/h"]


def test_parts_have_names_for_sentences_and_for_their_beginning() -> None:
    assert (part_name("aux_voltage"), part_title("aux_voltage")) == ("12 V supply voltage", "12 V supply voltage")
    assert (part_name("slip"), part_title("throttle_second")) == ("slip", "Throttle, second track")
    assert part_title("dc_link_voltage_second") == "DC-link voltage, second source"
    assert part_name("cell_voltage_lowest") == "lowest cell voltage"
