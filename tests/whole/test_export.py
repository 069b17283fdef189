"""Decoded tables in files, read back by the libraries that users read them with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from logscope import export
from logscope.decoded import decode_tables
from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import RequestError
from logscope.logs import open_logs


@pytest.fixture
def tables(folder: Path):  # type: ignore[no-untyped-def]
    return decode_tables(open_logs([folder / "small.log"]), definitions=[folder / "small.dbc"]).tables


def test_a_parquet_file_a_message_carries_times_values_and_units(tables, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    written = export.write_messages(tables, export.choose(tables, ()), tmp_path / "new folder", ".parquet", labels=True)
    assert sorted(path.name for path in written) == ["Link.parquet", "Status.parquet"]
    link = parquet.read_table(tmp_path / "new folder" / "Link.parquet")
    assert link["time_s"].to_pylist() == pytest.approx([0.0, 0.02])
    assert link["Voltage"].to_pylist() == pytest.approx([1000.0, 1000.1])
    assert link.schema.field("Voltage").metadata == {b"unit": b"V"}
    status = parquet.read_table(tmp_path / "new folder" / "Status.parquet")
    assert status["Fault"].to_pylist() == ["Overcurrent"]


def test_csv_names_carry_the_unit(tables, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    export.write_messages(tables, {"Link": ("Voltage",)}, tmp_path, ".csv", labels=False)
    frame = pd.read_csv(tmp_path / "Link.csv")
    assert list(frame.columns) == ["time_s [s]", "Voltage [V]"]
    assert frame["Voltage [V]"].tolist() == pytest.approx([1000.0, 1000.1])


def test_one_wide_table_holds_every_signal_on_one_clock(tables, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    table = export.wide_table(tables, export.choose(tables, ["Link"]), 0.01, 0.02)
    export.write_table(table, tmp_path / "wide.parquet")
    wide = parquet.read_table(tmp_path / "wide.parquet").to_pandas()
    assert wide["time_s"].tolist() == pytest.approx([0.0, 0.01, 0.02])
    assert wide["Link.Speed"].tolist() == [5.0, 5.0, -5.0]


@given(
    st.lists(st.integers(0, 60), min_size=1, max_size=30, unique=True),
    st.lists(st.integers(0, 80), min_size=1, max_size=30),
)
def test_the_held_value_is_the_latest_sample(times: list[int], grid: list[int]) -> None:
    """pandas.merge_asof, backward, with the same tolerance."""
    time_s, grid_s = np.sort(np.array(times)) / 8.0, np.unique(grid) / 8.0
    value = np.arange(time_s.size, dtype=float)
    longest = export.HELD_PERIODS * float(np.median(np.diff(time_s))) if time_s.size > 1 else 1e9
    expected = pd.merge_asof(
        pd.DataFrame({"t": grid_s}), pd.DataFrame({"t": time_s, "v": value}), on="t", tolerance=longest
    )["v"]
    assert np.array_equal(export.held(time_s, value, grid_s), expected.to_numpy(), equal_nan=True)


def test_an_unknown_signal_suggests_the_nearest(tables) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(RequestError, match=r"Did you mean “Link\.Voltage”"):
        export.choose(tables, ["Link.Voltag"])


def test_table_names_become_file_names_on_every_system(tmp_path: Path, tables) -> None:  # type: ignore[no-untyped-def]
    (path,) = export.write_messages(
        {"can1:Link": tables["Link"]}, {"can1:Link": ("Speed",)}, tmp_path, ".csv", labels=False
    )
    assert path.name == "can1-Link.csv"


def test_every_text_of_an_enumeration_is_written_and_what_has_none_is_its_number() -> None:
    """Expected by hand; a frame of another branch of a multiplexer holds no value."""
    spec = SignalSpec("State", 0, 8, choices={0: "Off", 1: "On", 7: "Fault"})
    message = MessageSpec("Box", 0x100, extended=False, length=1, signals=(spec,))
    values = np.array([0.0, 1.0, np.nan, 7.0, 0.0, 5.0])
    table = Table("Box", "can0", message, 0, np.arange(6, dtype=np.int64), {"State": values}, {})
    texts = export.message_table(table, ["State"], labels=True)["State"].to_pylist()
    assert texts == ["Off", "On", None, "Fault", "Off", "5"]
    assert export.message_table(table, ["State"], labels=False)["State"].to_pylist() == [0, 1, None, 7, 0, 5]


@pytest.mark.parametrize(("end_s", "rows"), [(1.0, 11), (1.04, 11), (1.06, 12), (0.0, 1)])
def test_a_wide_table_has_a_row_for_each_step_up_to_the_end(tables, end_s: float, rows: int) -> None:  # type: ignore[no-untyped-def]
    assert export.wide_table(tables, {}, 0.1, end_s).num_rows == rows
