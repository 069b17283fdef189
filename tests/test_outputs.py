"""Which files are earlier outputs of ours, and may be replaced: by their first bytes alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.errors import RequestError
from logscope.inventory.show import CSV_COLUMNS
from logscope.outputs import (
    CSV,
    DBC,
    FOLDER,
    HTML,
    JSON,
    MARKDOWN,
    PARQUET,
    PNG,
    SCHEMA,
    VEHICLE,
    Guard,
    Kind,
    kind_for,
    refuse_repeated_outputs,
    write_output,
)

INVENTORY = ",".join(CSV_COLUMNS)


@pytest.mark.parametrize(
    ("kind", "text", "ours"),
    [
        (CSV, '"time_s [s]","Link.Voltage [V]"\n0.0,320.0\n', True),
        (CSV, '"time_s [s]"\r\n', True),
        (CSV, f"{INVENTORY}\ncan0,123\n", True),
        (CSV, f"{INVENTORY},my notes\n", False),
        (CSV, "time_s,rpm\n0.0,320.0\n", False),
        (CSV, '"time_s [s]";"Link"\n', False),
        (CSV, "", False),
        (JSON, '{"schema": 1, "logscope": "0.1"}', True),
        (JSON, '{"schema": 1, "name": "0.1"}', False),
        (JSON, '{"logscope": "0.1", "schema": 1}', False),
        (SCHEMA, '{"$schema": "https://json-schema.org/x", "title": "logscope vehicle file"}', True),
        (SCHEMA, '{"$schema": "https://json-schema.org/x", "title": "another"}', False),
        (HTML, '<!doctype html><meta name="generator" content="logscope 0.1">', True),
        (HTML, "<!doctype html><title>logscope</title>", False),
        (VEHICLE, "[vehicle]\n", False),  # people edit a draft: from then on it is theirs
        (DBC, 'VERSION ""\n', False),
    ],
)
def test_a_file_is_ours_by_the_mark_at_its_beginning_alone(kind: Kind, text: str, ours: bool, tmp_path: Path) -> None:
    path = tmp_path / "an output"
    path.write_text(text, encoding="utf-8", newline="")
    assert kind.recognise(path) is ours


OURS = '{"schema": 1, "logscope": "0.1"}'


@pytest.mark.parametrize(
    ("path", "kinds", "kind"),
    [
        ("a.html", (HTML, JSON), HTML), ("a.HTM", (HTML, JSON), HTML), ("a.json", (HTML, JSON), JSON),
        ("a.txt", (HTML,), HTML), ("out", (CSV, FOLDER), FOLDER), ("logs.2026", (CSV, FOLDER), FOLDER),
        ("a.csv", (CSV, FOLDER), CSV), (".", (CSV, FOLDER), FOLDER), ("a.abcdefghijk", (CSV, FOLDER), FOLDER),
        ("a.b.parquet", (PARQUET, FOLDER), PARQUET),
    ],
)  # fmt: skip
def test_a_path_asks_for_a_kind_by_its_suffix(path: str, kinds: tuple[Kind, ...], kind: Kind) -> None:
    assert kind_for(Path(path), kinds) is kind


@pytest.mark.parametrize(
    ("path", "kinds", "said"),
    [
        ("a.txt", (HTML, JSON), r"cannot write “.txt” files. Possible: a .html file or a .json file"),
        ("a.png", (CSV, FOLDER), r"Possible: a .csv file or a folder \(a name without an ending\)"),
        ("a.abcdefghij", (CSV, FOLDER), "cannot write “.abcdefghij” files"),
        ("-", (CSV, FOLDER), "the output does not go to standard output"),
        ("-", (HTML,), "the output does not go to standard output"),
    ],
)
def test_a_path_that_asks_for_no_kind_is_refused_with_what_is_possible(
    path: str, kinds: tuple[Kind, ...], said: str
) -> None:
    with pytest.raises(RequestError, match=said):
        kind_for(Path(path), kinds)


def test_no_input_is_written_over_nor_a_file_in_a_given_folder(tmp_path: Path) -> None:
    given, folder = tmp_path / "a.json", tmp_path / "logs"
    folder.mkdir()
    inside, sub = folder / "x.json", folder / "sub"
    sub.mkdir()
    for path in (given, inside):
        path.write_text(OURS, encoding="utf-8")
    foreign = sub / "y.json"
    foreign.write_text("{}", encoding="utf-8")
    guard = Guard((given, folder), overwrite=True)
    with pytest.raises(RequestError, match="this is an input and would be overwritten"):
        guard.allow(tmp_path / "logs" / ".." / "a.json", JSON)
    with pytest.raises(RequestError, match="this is an input"):
        guard.allow(foreign, JSON)
    guard.allow(inside, JSON)  # an earlier output of ours among the logs
    guard.allow(folder / "new.json", JSON)
    with pytest.raises(RequestError, match="this is an input"):
        guard.refuse_inputs([tmp_path / "b.json", given])


def test_a_foreign_file_is_replaced_on_request_only(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text("{}", encoding="utf-8")
    with pytest.raises(
        RequestError, match=r"this file exists, and is not a JSON file that logscope wrote\. Name another"
    ):
        Guard().allow(path, JSON)
    Guard((), overwrite=True).allow(path, JSON)
    with pytest.raises(RequestError, match=r"a.json: this file exists\. Name another"):
        Guard().allow(path, VEHICLE)
    with pytest.raises(RequestError, match="this is a file, not a folder"):
        Guard().allow(path, FOLDER)
    Guard().allow(tmp_path / "new folder", FOLDER)
    Guard().allow(tmp_path, FOLDER)
    write_output(path, OURS, JSON, overwrite=True)
    write_output(str(path), OURS + " ", JSON)  # ours by now
    assert path.read_text(encoding="utf-8") == OURS + " "
    with pytest.raises(RequestError, match="this is an input"):
        write_output(path, OURS, JSON, [path])


def test_two_outputs_that_are_one_file_are_refused(tmp_path: Path) -> None:
    refuse_repeated_outputs({"--json": tmp_path / "a", "--report": tmp_path / "b"})
    with pytest.raises(RequestError, match=r"a: --json and --report name the same file"):
        refuse_repeated_outputs({"--json": tmp_path / "a", "--report": tmp_path / "x" / ".." / "a"})


def test_what_has_no_mark_of_ours_is_none_of_our_pictures_tables_or_summaries(tmp_path: Path) -> None:
    path = tmp_path / "an output"
    for content in (b"", b"PAR1", b"\x89PNG\r\n\x1a\n" + bytes(40), b"# Summary\n"):
        path.write_bytes(content)
        assert not any(kind.recognise(path) for kind in (PNG, PARQUET, MARKDOWN))
    assert [kind.suffixes for kind in (HTML, JSON, SCHEMA, PNG, MARKDOWN, CSV, PARQUET, VEHICLE, DBC, FOLDER)] == [
        (".html", ".htm"), (".json",), (".json",), (".png",), (".md",), (".csv",), (".parquet",), (".toml",),
        (".dbc",), (),
    ]  # fmt: skip
