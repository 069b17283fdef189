"""Tables of the user's own: times, keys, loads, empty cells, and back; and what the signals of a log hand out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from logscope.errors import RequestError
from logscope.signals import Encoding, Load, Part, Signals
from logscope.signals_frame import signals_from_dataframe, signals_to_dataframe


def frame(**columns: object) -> pd.DataFrame:
    return pd.DataFrame({"time_s": [2.0, 2.5, 2.5, 4.0], **columns})


def refused(table: pd.DataFrame, parts: dict[str, Any]) -> str:
    with pytest.raises(RequestError) as failure:
        signals_from_dataframe(table, parts)
    return str(failure.value)


def test_times_are_a_column_or_an_index_of_seconds_lengths_or_dates() -> None:
    made = signals_from_dataframe(frame(u=[1.0, np.nan, 3.0, 4.0]), {"u": "torque"})
    assert (made.start_s, made.end_s) == (2.0, 4.0)
    assert made["torque"].time_s.tolist() == [2.0, 2.5, 4.0]
    seconds = pd.DataFrame({"u": [1.0, 2.0]}, index=pd.Index([0.5, 1.0], name="time_s"))
    assert signals_from_dataframe(seconds, {"u": "torque"})["torque"].time_s.tolist() == [0.5, 1.0]
    lengths = pd.DataFrame({"u": [1.0, 2.0]}, index=pd.to_timedelta([0.5, 1.5], unit="s"))
    assert signals_from_dataframe(lengths, {"u": "torque"}).end_s == 1.5
    unnamed = pd.DataFrame({"u": [1.0, 2.0]}, index=[0.5, 1.0])
    assert "the table has no times" in refused(unnamed, {"u": "torque"})
    gone = frame(u=1.0)
    gone.loc[2, "time_s"] = np.nan
    assert "row 2 of the table has no time" in refused(gone, {"u": "torque"})


def test_a_column_is_in_its_own_unit_or_that_of_the_table_or_the_part_s() -> None:
    table = frame(u=[1.0, 2.0, 3.0, 4.0], v=[1, 2, 3, 4])
    table.attrs["units"] = {"u": "kNm"}
    parts: dict[str, Any] = {"u": "torque", "v": {"part": "battery_voltage", "unit": "mV", "scale": 2, "offset": 1}}
    made = signals_from_dataframe(table, parts)
    assert made["torque"].value.tolist() == [1000.0, 2000.0, 3000.0, 4000.0]
    assert made["battery_voltage"].value.tolist() == pytest.approx([1.002, 1.004, 1.006, 1.008])
    assert (made["torque"].step, made["battery_voltage"].step) == (None, pytest.approx(0.002))
    assert (made["torque"].source, made["torque"].unit) == ("DataFrame.u", "Nm")
    stepped = signals_from_dataframe(table, {"u": {"part": "torque", "step": 0.5, "scale": -1.0}})
    assert stepped["torque"].step == pytest.approx(500.0)
    flags = signals_from_dataframe(table, {"v": {"part": "main_contactor", "on": 3}})
    assert flags["main_contactor"].step is None
    assert flags["main_contactor"].on.tolist() == [False, False, True, False]  # type: ignore[union-attr]


def test_columns_show_loads_by_their_name_and_reading() -> None:
    parts: dict[str, Any] = {
        "a": {"load": "Pump"}, "b": {"load": "Pump", "reading": "current"}, "c": {"load": "Fan", "reading": "voltage"},
        "d": "torque",
    }  # fmt: skip
    made = signals_from_dataframe(frame(a=[0, 1, 1, 0], b=1.5, c=13.0, d=5.0), parts)
    assert [load.name for load in made.loads] == ["Pump", "Fan"]
    assert made.loads[0].switch is not None
    assert made.loads[0].switch.on.tolist() == [False, True, True, False]  # type: ignore[union-attr]
    assert list(made.parts) == ["torque"]
    back = signals_to_dataframe(made)
    assert list(back.columns) == ["torque", "Pump", "Pump current", "Fan voltage"]
    assert back.attrs["units"] == {"torque": "Nm", "Pump current": "A", "Fan voltage": "V"}
    assert back.attrs["sources"]["Pump current"] == "DataFrame.b"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"reading": "current"}, "is either a part or the reading of a load"),
        ({"part": "torque", "load": "Pump"}, "is either a part or the reading of a load"),
        ({"load": "Pump", "reading": "power"},
         "“power” is no reading of a load. Known here: switch, current, voltage."),
        ({"load": "torque"}, "a load needs a name that no part has"), ({"load": ""}, "a load needs a name"),
        ({"load": 5}, "a load needs a name"), ({"unit": "V"}, "no part is named. logscope.PARTS lists them."),
        ({"part": "zzz"}, "“zzz” is not a known part. logscope.PARTS lists them."),
        ({"xyz": 1}, "unknown key “xyz” for column “u”. Known here: part, load, reading, unit, scale, offset, on, "
         "overcurrent, overcurrent_bits, none, step."),
    ],
)  # fmt: skip
def test_what_is_said_of_a_column_is_checked(given: dict[str, Any], said: str) -> None:
    assert said in refused(frame(u=1.0), {"u": given})


def test_a_column_without_a_value_is_known_as_empty_and_no_second_one_takes_its_part() -> None:
    made = signals_from_dataframe(frame(u=np.nan), {"u": "torque"})
    assert made.empty == {"torque": "column “u” is mapped to torque, but it has no value"}
    assert "two columns are mapped to torque" in refused(frame(u=np.nan, w=1.0), {"u": "torque", "w": "torque"})
    assert refused(frame(), {"u": "torque"}).endswith("the table has no column “u”. It has: time_s.")
    twice = pd.DataFrame([[0.0, 1.0, 2.0]], columns=["time_s", "u", "u"])
    with pytest.raises(RequestError, match="the table has two columns “u”"):
        signals_from_dataframe(twice, {"u": "torque"})
    many = frame(**{f"c{k}": 1.0 for k in range(9)})
    assert refused(many, {"xyzzy": "torque"}).endswith("It has: time_s, c0, c1, c2, c3, c4, c5, c6, ….")


def test_equal_stamps_have_a_row_each_and_parts_share_rows() -> None:
    one = Part("torque", np.array([0.0, 1.0, 1.0]), np.array([1.0, 2.0, 3.0]), "Nm", "A.T")
    other = Part("brake", np.array([1.0, 2.0]), np.array([4.0, 5.0]), "", "A.B", on=np.array([True, True]))
    table = signals_to_dataframe(Signals({"torque": one, "brake": other}, 0.0, 2.0))
    assert table.index.tolist() == [0.0, 1.0, 1.0, 2.0]
    np.testing.assert_equal(table["torque"].to_numpy(), [1.0, 2.0, 3.0, np.nan])
    np.testing.assert_equal(table["brake"].to_numpy(), [np.nan, 4.0, np.nan, 5.0])
    assert table.attrs["units"] == {"torque": "Nm"}
    assert signals_to_dataframe(Signals({}, 0.0, 1.0)).empty


def test_an_encoding_holds_what_its_bits_hold() -> None:
    for bits, signed, lowest, highest in ((1, False, 0, 1), (8, True, -128, 127), (12, False, 0, 4095)):
        made = Encoding(bits, signed, 0.5, 10.0)
        assert (made.lowest, made.highest) == (lowest, highest)
    assert Encoding(53, False, 1.0, 0.0).raw(np.array([2.0**53 - 1])).tolist() == [2**53 - 1]
    with pytest.raises(ValueError, match="54 bits cannot be recovered"):
        Encoding(54, False, 1.0, 0.0).raw(np.array([1.0]))
    assert Encoding(8, False, 0.5, 10.0).raw(np.array([10.7, 11.4])).tolist() == [1, 3]
    assert Encoding(8, False, 0.5, 10.0).value(np.array([3])).tolist() == [11.5]


def test_what_is_in_doubt_is_noted_once_and_states_go_with_their_samples() -> None:
    at = np.array([0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 3.0, 3.0])
    fault = Part("fault", at, np.arange(12.0), "", "A.F", overcurrent=np.arange(12) == 5, healthy=np.arange(12) == 0)
    kept = fault.where(np.arange(12) % 5 == 0)
    assert (kept.value.tolist(), kept.on) == ([0.0, 5.0, 10.0], None)
    assert kept.overcurrent is not None
    assert kept.healthy is not None
    assert (kept.overcurrent.tolist(), kept.healthy.tolist()) == ([False, True, False], [True, False, False])
    assert (fault.message, Part("slip", at, at, "", "Box.Sub.Slip").message) == ("A", "Box.Sub")
    assert (Part("slip", at, at, "", "A.B", labels={1.0: "On"}).label(1.0), fault.label(2.5)) == ("On", "2.5")
    made = Signals({"fault": fault}, 0.0, 3.0, loads=(Load("Pump", switch=fault),)).without({"slip": "why"})
    made.note_missed(["slip", "torque", "slip"])
    assert made.missed == ["slip", "torque"]
    assert made.without({"torque": "so"}).doubtful == {"slip": "why", "torque": "so"}
    spread = made.unbunched()
    for each in (spread.parts["fault"], spread.loads[0].switch):
        assert each is not None
        assert np.allclose(np.diff(each.time_s)[2:], 1 / 3)  # the first burst has none before it
