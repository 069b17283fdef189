"""The definition files that a vehicle names."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.capture.columns import ColumnLayout
from logscope.definitions.load import vehicle_definitions
from logscope.errors import VehicleError
from logscope.logs import formats_of
from logscope.vehicle import Vehicle, load_vehicle

PACK = 'BO_ 256 Pack: 8 Hazel\n SG_ Voltage : 0|16@1+ (0.1,0) [0|0] "V" Hazel\n'


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / name.replace("_", ".")).write_text(text, encoding="utf-8")
    return folder / "hazel.toml"


def test_a_message_on_two_buses_is_no_repetition(tmp_path: Path) -> None:
    toml = '[[can]]\nbus = "can0"\ndefinitions = "a.dbc"\n[[can]]\nbus = "can1"\ndefinitions = "b.dbc"\n'
    path = write(tmp_path, hazel_toml=toml, a_dbc=PACK, b_dbc=PACK.replace("0.1", "0.5"))
    pairs, skipped = vehicle_definitions(load_vehicle(path))
    assert [(bus, messages[0].signals[0].scale) for bus, messages in pairs] == [("can0", 0.1), ("can1", 0.5)]
    assert skipped == ()


def test_a_file_that_serves_two_buses_is_reported_once(tmp_path: Path) -> None:
    toml = '[[can]]\nbus = "can0"\ndefinitions = "a.dbc"\n[[can]]\nbus = "can1"\ndefinitions = "a.dbc"\n'
    pairs, skipped = vehicle_definitions(load_vehicle(write(tmp_path, hazel_toml=toml, a_dbc=PACK + "stray\n")))
    assert [bus for bus, _ in pairs] == ["can0", "can1"]
    assert [place.where for place in skipped] == ["a.dbc:3"]


def test_two_descriptions_of_columns_are_refused_and_one_that_is_repeated_is_not() -> None:
    columns = {"time": "t", "identifier": "id", "data": "data"}
    other = columns | {"time": "stamp"}

    def described(*sections: dict[str, str] | None) -> object:
        return formats_of(Vehicle.model_validate({"can": [{"columns": each} for each in sections]}))[0]

    assert described() is None
    assert described(None) is None
    assert described(columns, None) == described(columns, columns) == ColumnLayout.model_validate(columns)
    with pytest.raises(VehicleError, match="describe different columns"):
        described(columns, other)
