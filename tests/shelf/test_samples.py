"""The mapped signals that an archive keeps where that is asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cantools
import numpy as np
import pandas as pd
import pytest
from pyarrow import BufferReader, compute, dataset, parquet
from small_shelf import filled

import logscope
from logscope.errors import RequestError
from logscope.shelf.samples import samples_file


def test_each_mapped_signal_is_kept_as_it_was_logged(shelf: Path, tmp_path: Path) -> None:
    """cantools as the oracle of the values, pandas and pyarrow as readers that know nothing of us."""
    archive, _ = filled(shelf, tmp_path / "archive", signals=True)
    definitions = cantools.database.load_file(shelf / "Hazel" / "small.dbc")
    for row in archive.rows().itertuples():
        lines = [line.split() for line in Path(row.logs[0]).read_text(encoding="utf-8").splitlines()]
        times = [float(stamp.strip("()")) for stamp, _, _ in lines]
        decoded = [definitions.decode_message(256, bytes.fromhex(frame[4:])) for _, _, frame in lines]
        for part, signal, unit in (("dc_link_voltage", "Voltage", "V"), ("motor_speed", "Speed", "rpm")):
            found = archive.samples(row.key, part)
            np.testing.assert_allclose(found.time_s, np.array(times) - times[0], atol=1e-6)
            np.testing.assert_allclose(found.value, [each[signal] for each in decoded])
            assert set(found.unit) == {unit}
            assert set(found.source) == {f"Link.{signal}"}
            assert set(found.vehicle) == {row.vehicle}
    folder = tmp_path / "archive" / "samples"
    whole = archive.samples()
    assert len(pd.read_parquet(folder)) == len(whole) == 6 * 2 * 20
    assert len(pd.read_parquet(folder, filters=[("vehicle", "==", "Hazel"), ("part", "==", "motor_speed")])) == 3 * 20
    plain = dataset.dataset(folder, partitioning="hive")
    assert plain.count_rows(filter=compute.field("part") == "motor_speed") == 6 * 20


def test_only_the_chosen_recordings_and_parts_are_read(shelf: Path, tmp_path: Path) -> None:
    archive, _ = filled(shelf, tmp_path / "archive", signals=True)
    keys = list(archive.rows().key)
    files = {file.stem: file for file in (tmp_path / "archive" / "samples").rglob("*.parquet")}
    for key in keys[2:]:
        files[key].write_bytes(b"not to be read")
    found = logscope.open_archive(tmp_path / "archive").samples(keys[:2], ["motor_speed"])
    assert set(found.key) == set(keys[:2])
    assert set(found.part) == {"motor_speed"}
    held = parquet.ParquetFile(files[keys[0]])  # each part in a group of rows of its own, by which readers choose
    parts = [held.read_row_group(n, columns=["part"])["part"].unique().to_pylist() for n in range(held.num_row_groups)]
    assert sorted(parts) == [["dc_link_voltage"], ["motor_speed"]]


def test_a_part_in_doubt_is_kept_and_marked(shelf: Path) -> None:
    result = logscope.check(shelf / "Hazel" / "drives" / "0.log", shelf / "Hazel" / "vehicle.toml")
    link = result.signals.parts["dc_link_voltage"]
    doubtful = result.signals.without({link.name: "it is odd"})
    content = samples_file("a", replace(result, signals=doubtful, doubted={link.name: link}))
    found = parquet.read_table(BufferReader(content)).to_pandas()
    assert len(found) == 40
    assert set(found.part[found.in_doubt]) == {link.name}
    assert set(found.part[~found.in_doubt]) == {"motor_speed"}


def test_an_archive_without_signals_says_how_to_have_them(shelf: Path, tmp_path: Path) -> None:
    archive, _ = filled(shelf, tmp_path / "archive")
    with pytest.raises(RequestError, match="--signals"):
        archive.samples()
    with pytest.raises(RequestError, match="no recording “absent”"):
        archive.samples("absent")


def test_what_a_killed_run_left_without_a_row_does_not_count(shelf: Path, tmp_path: Path) -> None:
    archive, _ = filled(shelf, tmp_path / "archive", signals=True)
    next((tmp_path / "archive" / "rows").rglob("*.parquet")).unlink()
    assert archive.samples().key.nunique() == 5
