"""The loads of the 12 V side: from the vehicle file and from a table of one's own to the signals."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import logscope
from logscope.errors import RequestError, VehicleError
from logscope.vehicle import Vehicle

ROOT = Path(__file__).parents[2]
LOG = ROOT / "sample_logs" / "hazel-healthy.log"


def vehicle(tmp_path: Path, loads: str) -> Vehicle:
    path = tmp_path / "v.toml"
    definitions = (ROOT / "decoders" / "hazel.dbc").as_posix()
    path.write_text(f'[[can]]\ndefinitions = "{definitions}"\n{loads}', encoding="utf-8")
    return logscope.load_vehicle(path)


def test_loads_have_a_switch_and_a_current_by_their_own_names():
    signals = logscope.check(LOG, ROOT / "decoders" / "hazel.toml", only="precharge").signals
    assert [load.name for load in signals.loads] == ["coolant pump relay", "power steering pump", "brake vacuum pump"]
    pump = signals.loads[2]
    assert pump.switch is not None
    assert pump.current is not None
    assert pump.voltage is None
    assert pump.switch.on is not None
    assert 0 < pump.switch.on.sum() < pump.switch.on.size
    assert pump.current.unit == "A"
    assert signals["brake vacuum pump"] is pump.switch
    assert signals["brake vacuum pump current"] is pump.current
    assert "brake vacuum pump" not in signals.parts
    assert signals.unbunched().loads[2].logged[1].value.tolist() == pump.current.value.tolist()


def test_modes_say_which_of_their_values_mean_on():
    signals = logscope.check(LOG, ROOT / "decoders" / "hazel.toml", only="precharge").signals
    running = signals["converter_state"]
    assert running.on is not None
    assert {running.label(value) for value in running.value[running.on]} == {"Running"}


@pytest.mark.parametrize(
    ("loads", "what", "line", "do"),
    [
        ('[[load]]\nname = "pump"', "a load needs the signal of its switch", 3, ""),
        ('[[load]]\nname = "pump"\nsignal = "Loads"', "a signal is named", 5, ""),
        ('[[load]]\nname = "aux_voltage"\nsignal = "Pedals.Brake"', "is a part", 4, ""),
        ('[[load]]\nname = "p"\nsinal = "Pedals.Brake"', "unknown key “load 1.sinal”", 5, "signal"),
        ('[[load]]\nname = "p"\nvoltage = "Auxiliary.Voltage"\non = 1', "has no signal", 3, ""),
    ],
)
def test_a_wrong_load_is_named_with_its_line(loads: str, what: str, line: int, do: str, tmp_path: Path):
    with pytest.raises(VehicleError) as found:
        vehicle(tmp_path, loads)
    assert what in str(found.value)
    assert f"v.toml:{line}" in str(found.value)
    assert do in str(found.value)


def test_two_loads_of_one_name_are_an_error(tmp_path: Path):
    with pytest.raises(VehicleError, match="two loads are called “Pump”"):
        vehicle(tmp_path, "".join(f'[[load]]\nname = "{n}"\nsignal = "Pedals.Brake"\n' for n in ("Pump", "pump")))


@pytest.mark.parametrize(
    ("loads", "what"),
    [
        ('[[load]]\nname = "p"\nsignal = "LowVoltageLoads.BrakePumb"', "Did you mean “BrakePump”?"),
        ('[[load]]\nname = "p"\nsignal = "Pedals.Brake"\ncurrent = "Auxiliary.Voltage"', "cannot be converted to A"),
        ('[[load]]\nname = "p"\nsignal = "Auxiliary.Voltage"', 'Write voltage = "Auxiliary.Voltage"'),
        ('[[load]]\nname = "p"\nsignal = "Inverter.State"\non = "Drives"', "Did you mean “Drive”?"),
    ],
)
def test_a_signal_that_is_not_that_of_a_load_is_an_error(loads: str, what: str, tmp_path: Path):
    with pytest.raises(VehicleError, match="load 1") as found:
        logscope.check(LOG, vehicle(tmp_path, loads), only="precharge")
    assert what in str(found.value)


def test_a_load_that_is_not_in_the_log_is_reported_like_a_part(tmp_path: Path):
    loads = (
        '[[load]]\nname = "heater"\nsignal = "Charger.State"\n[[load]]\nname = "feed"\nvoltage = "Auxiliary.Voltage"'
    )
    result = logscope.check(LOG, vehicle(tmp_path, loads), only="precharge")
    assert "message Charger does not occur in the log" in result.signals.empty["heater"]
    assert [load.name for load in result.signals.loads] == ["feed"]
    assert result.sources["heater"] == "Charger.State"
    page = tmp_path / "r.html"
    result.to_html(page)
    assert "message Charger does not occur" in page.read_text(encoding="utf-8")


def test_loads_of_a_table_of_ones_own_go_there_and_back():
    frame = pd.DataFrame({"time_s": [0.0, 1.0, 2.0], "pump": ["off", "on", "on"], "amps": [0.0, 9500.0, 8000.0]})
    columns = {
        "pump": {"load": "brake pump", "on": "on"},
        "amps": {"load": "brake pump", "reading": "current", "unit": "mA"},
    }
    signals = logscope.Signals.from_dataframe(frame, columns)
    (pump,) = signals.loads
    assert pump.switch is not None
    assert pump.switch.on is not None
    assert pump.switch.on.tolist() == [False, True, True]
    assert signals.to_dataframe()["brake pump current"].tolist() == [0.0, 9.5, 8.0]


@pytest.mark.parametrize(
    ("given", "what"),
    [
        ({"load": "p", "part": "brake"}, "either a part or the reading of a load"),
        ({"part": "brake", "reading": "switch"}, "either a part or the reading of a load"),
        ({"load": "p", "reading": "power"}, "“power” is no reading of a load"),
        ({"load": "brake"}, "a load needs a name that no part has"),
    ],
)
def test_a_wrong_column_of_a_load_is_an_error(given: dict[str, str], what: str):
    frame = pd.DataFrame({"time_s": [0.0, 1.0], "x": [0.0, 1.0]})
    with pytest.raises(RequestError, match=what):
        logscope.Signals.from_dataframe(frame, {"x": given})
