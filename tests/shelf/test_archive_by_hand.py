"""Files of an archive one by one: where they stand, what is written over, removed, renamed and passed over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from made_records import START, archive_of, job, log, outcome, row
from pyarrow import parquet

from logscope.errors import RequestError
from logscope.shelf.archive import MARK, REPORTS, is_archive, open_archive, open_or_create
from logscope.shelf.job import base_row, failed
from logscope.shelf.schema import TABLES, VERSION, arrow_schema, arrow_table


@pytest.mark.parametrize(
    ("vehicle", "folder"),
    [
        ("Hazel", "vehicle=Hazel"), ("", "vehicle=__HIVE_DEFAULT_PARTITION__"), ("a b", "vehicle=a b"),
        ("a/b=c.", "vehicle=a%2Fb%3Dc%2E"), ("ä", "vehicle=%C3%A4"),
    ],
)  # fmt: skip
def test_each_recording_has_a_file_in_the_folders_of_its_vehicle_and_month(
    vehicle: str, folder: str, tmp_path: Path
) -> None:
    made = outcome(row("k", 40), vehicle, findings=[{"key": "k", "finding": 0}], page="<p>", samples=b"PAR1")
    archive = archive_of(tmp_path, made)
    below = Path(folder) / "month=2026-04" / "k.parquet"
    assert (tmp_path / "rows" / below).is_file()
    assert (tmp_path / "findings" / below).is_file()
    assert not (tmp_path / "measures").exists()  # of nothing no file is made
    assert (tmp_path / "samples" / below).read_bytes() == b"PAR1"
    assert (tmp_path / REPORTS / "k.html").read_text(encoding="utf-8") == "<p>"
    (known,) = archive.known()
    assert (known["vehicle"], known["month"]) == (vehicle or None, "2026-04")
    assert archive.samples_file(known) == tmp_path / "samples" / below
    assert archive.report("k") == tmp_path / REPORTS / "k.html"


def test_what_says_whether_a_recording_is_done_is_read_without_the_rest(tmp_path: Path) -> None:
    (known,) = archive_of(tmp_path, outcome(row("k", frames=7))).known()
    assert known == {
        "key": "k", "logs": ["drives/k.log"], "log_keys": ["k"], "status": "checked", "date": START,
        "date_from": "log", "duration_s": 60.0, "frames": 7, "content": "k", "vehicle_file": "hazel.toml",
        "vehicle": "Hazel", "month": "2026-03",
    }  # fmt: skip


def test_without_a_page_or_samples_none_is_written(tmp_path: Path) -> None:
    archive_of(tmp_path, outcome(row("k")))
    assert sorted(each.name for each in tmp_path.iterdir()) == [MARK, "rows"]


def test_a_recording_is_removed_whole_and_no_other(tmp_path: Path) -> None:
    both = [
        outcome(row(key), findings=[{"key": key, "finding": 0}], page="<p>", samples=b"x") for key in ("k", "other")
    ]
    archive = archive_of(tmp_path, *both)
    archive.remove("k")
    archive.remove("never there")
    files = sorted(
        each.relative_to(tmp_path).parts[0] + "/" + each.stem for each in tmp_path.rglob("*") if each.is_file()
    )
    assert files == ["_logscope.json/_logscope", "_reports/other", "findings/other", "rows/other", "samples/other"]


def test_of_a_recording_that_is_removed_the_row_goes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that is cut meanwhile leaves findings without a row, which no reader takes for a whole recording."""
    archive = archive_of(tmp_path, outcome(row("k"), findings=[{"key": "k", "finding": 0}]))
    gone: list[str] = []
    monkeypatch.setattr(Path, "unlink", lambda self, missing_ok=False: gone.append(self.relative_to(tmp_path).parts[0]))
    archive.remove("k")
    assert gone[:2] == ["rows", "findings"]


def test_a_renamed_log_changes_nothing_but_its_name(tmp_path: Path) -> None:
    archive = archive_of(tmp_path, outcome(row("k", frames=7, cautions=["x"])))
    (known,) = archive.known()
    before = parquet.read_table(next(tmp_path.rglob("k.parquet")), partitioning=None)
    archive.rename(known, ["new/place.log"])
    after = parquet.read_table(next(tmp_path.rglob("k.parquet")), partitioning=None)
    assert after.schema.equals(before.schema, check_metadata=True)
    assert after.to_pylist() == [before.to_pylist()[0] | {"logs": ["new/place.log"]}]


def test_what_a_killed_run_left_is_cleared(tmp_path: Path) -> None:
    archive = archive_of(tmp_path, outcome(row("k"), findings=[{"key": "k", "finding": 0}]))
    place = tmp_path / "findings" / "vehicle=Hazel" / "month=2026-03"
    for name in (".logscope-k.parquet", "without row.parquet"):
        (place / name).write_bytes(b"x")
    (place / "mine.txt").write_bytes(b"x")
    archive.clear_unfinished()
    assert sorted(each.name for each in place.iterdir()) == ["k.parquet", "mine.txt"]


def test_tables_as_frames_hold_what_has_a_row(tmp_path: Path) -> None:
    tables = {name: [{"key": "k", "title": name}] for name in ("findings", "explanations")}
    tables["measures"] = [{"key": "k", "name": "x_s", "value": 2.0}, {"key": "k", "name": "y_s", "value": 3.0}]
    lost = outcome(row("lost"), findings=[{"key": "lost", "title": "lost"}])
    archive = archive_of(tmp_path, outcome(row("k"), **tables), lost)
    next((tmp_path / "rows").rglob("lost.parquet")).unlink()
    assert list(archive.rows().key) == ["k"]
    assert list(archive.findings().title) == ["findings"]
    assert list(archive.explanations().title) == ["explanations"]
    assert list(archive.measures().value) == [2.0, 3.0]


def sampled(key: str) -> bytes:
    import pyarrow as pa

    records = [{"key": key, "part": part, "time_s": 0.1, "value": 1.0} for part in ("motor_speed", "torque")]
    content = pa.BufferOutputStream()
    parquet.write_table(arrow_table("samples", records), content)
    return bytes(content.getvalue())


@pytest.mark.parametrize(
    ("keys", "parts", "count"),
    [(None, None, 4), ("a", None, 2), (["a", "a"], None, 2), (["a", "b"], "torque", 2), (None, ["torque"], 2),
     ("b", ["torque", "motor_speed"], 2), (["a", "none"], None, 2)],
)  # fmt: skip
def test_samples_of_some_recordings_and_parts(
    keys: str | list[str] | None, parts: str | list[str] | None, count: int, tmp_path: Path
) -> None:
    archive = archive_of(
        tmp_path, *(outcome(row(key), samples=sampled(key)) for key in "ab"), outcome(row("none")),
    )  # fmt: skip
    found = archive.samples(keys, parts)
    assert len(found) == count
    if isinstance(keys, str):
        assert set(found.key) == {keys}


def test_samples_that_are_not_kept_or_not_known_are_said(tmp_path: Path) -> None:
    archive = archive_of(tmp_path, outcome(row("a")))
    with pytest.raises(RequestError, match="keeps no signals"):
        archive.samples("a")
    with pytest.raises(RequestError, match="no recording “x”"):
        archive.samples(["a", "x"])


def test_a_new_archive_is_made_in_a_new_or_empty_folder(tmp_path: Path) -> None:
    for folder in (tmp_path / "new" / "place", tmp_path / "empty"):
        (tmp_path / "empty").mkdir(exist_ok=True)
        archive = open_or_create(folder)
        fields = json.loads((folder / MARK).read_text(encoding="utf-8"))
        assert (fields["schema"], fields["archive"]) == (1, VERSION)
        assert is_archive(folder)
        assert open_archive(str(folder)) == archive == open_or_create(folder)


@pytest.mark.parametrize("content", ["", "[]", "{}", "3", '{"archive": 2}', '{"archive": 4}'])
def test_a_mark_of_another_version_or_none_is_not_read(content: str, tmp_path: Path) -> None:
    (tmp_path / MARK).write_text(content, encoding="utf-8")
    with pytest.raises(RequestError, match="of another version"):
        open_archive(tmp_path)


def test_a_row_says_what_is_known_before_anything_was_read() -> None:
    two = job(log("b.log", "B", 2), log("a.log", "A", 1))
    assert base_row(two) == {
        "key": two.key, "logs": ["b.log", "a.log"], "log_keys": ["B", "A"], "vehicle_file": "hazel.toml",
        "date": log(days=1).modified, "date_from": "file",
    }  # fmt: skip
    assert two.key == job(log("a.log", "A"), log("b.log", "B")).key
    assert two.key not in ("A", "B")
    lost = failed(job(log("a.log", "A")), "torn")
    assert lost.row["key"] == "A"
    assert (lost.row["status"], lost.row["reason"], lost.page, lost.samples, lost.worn) == (
        "failed",
        "torn",
        "",
        b"",
        False,
    )
    assert failed(two, "x", "changed").row["status"] == "changed"


@pytest.mark.parametrize("table", TABLES)
def test_each_column_has_its_type_and_meaning_in_the_file(table: str) -> None:
    schema = arrow_schema(table)
    assert schema.names == [column.name for column in TABLES[table]]
    assert schema.metadata == {b"logscope": table.encode(), b"schema": b"3"}
    types = {
        "text": "string", "texts": "list<item: string>", "word": "dictionary<values=string, indices=int32, ordered=0>",
        "flag": "bool", "count": "int64", "counts": "list<item: int64>", "number": "double",
        "time": "timestamp[us, tz=UTC]",
    }  # fmt: skip
    for column in TABLES[table]:
        field = schema.field(column.name)
        assert str(field.type) == types[column.kind]
        assert field.metadata == {b"meaning": column.meaning.encode()}
