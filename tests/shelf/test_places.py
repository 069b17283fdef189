"""Logs that lie elsewhere, through fsspec, with its file system in memory as the store."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_shelf import contents, filled

from logscope.errors import RequestError

fsspec = pytest.importorskip("fsspec", reason="needs fsspec")


def test_logs_in_a_store_give_what_logs_on_the_disk_give(shelf: Path, tmp_path: Path) -> None:
    store = fsspec.filesystem("memory")
    drives = shelf / "Hazel" / "drives"
    store.put(str(drives), "/shelf/drives", recursive=True)
    store.pipe("/shelf/drives/readme.txt", b"no log")
    vehicle = shelf / "Hazel" / "vehicle.toml"
    archive, tally = filled(["memory://shelf"], tmp_path / "archive", vehicle=vehicle)
    assert (tally.checked, tally.failed, len(tally.other_files)) == (3, 0, 1)
    assert filled(["memory://shelf"], tmp_path / "archive", vehicle=vehicle)[1].kept == 3
    local, _ = filled(drives, tmp_path / "local", vehicle=vehicle)
    ours = ["date", "duration_s", "frames", "severity", "headline"]
    assert sorted(archive.rows()[ours].astype(str).values.tolist()) == sorted(
        local.rows()[ours].astype(str).values.tolist()
    )
    assert len(contents(archive)["findings"]) == len(contents(local)["findings"])
    store.rm("/shelf", recursive=True)


def test_logs_in_a_store_need_a_vehicle_file_and_a_place_that_exists(tmp_path: Path) -> None:
    store = fsspec.filesystem("memory")
    store.pipe("/one/a.log", b"(0.0) can0 100#00")
    with pytest.raises(RequestError, match="need --vehicle"):
        filled(["memory://one"], tmp_path / "archive")
    with pytest.raises(RequestError, match="nothing at this URL"):
        filled(["memory://absent"], tmp_path / "archive")
    store.rm("/one", recursive=True)
