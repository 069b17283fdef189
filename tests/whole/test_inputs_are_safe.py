"""No command harms a file that it was given, nor replaces one that it did not write. Made from the commands' own
parameters, so that a new command or option is covered by itself."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, get_type_hints

import pyarrow as pa
import pytest
from pyarrow import parquet

from logscope import cli
from logscope.commands.guarded import Reads, Writes, roles
from logscope.outputs import DBC, FOLDER, HTML, JSON
from logscope.outputs import VEHICLE as VEHICLE_FILE

EDITED = {FOLDER, VEHICLE_FILE, DBC}  # what becomes the user's own once it is written

VEHICLE = """[[can]]
definitions = ["first.dbc", "sub/second.kcd"]
[[serial]]
definitions = "console.toml"
"""
FOREIGN: Mapping[str, bytes] = {
    "a PDF": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",
    "a log": b"(0.000000) can0 100#10270500\n",
    "a TOML": b'[vehicle]\nname = "mine"\n',
    "a page": b"<!doctype html><html><head><title>logscope</title></head></html>",
    "JSON": b'{"schema": 1, "name": "logscope"}',
    "a table": b"time_s,Speed\n0.0,1\n",
    "an empty file": b"",
    "bytes": bytes(range(256)),
}

Run = Callable[..., tuple[int, str, str]]


def _commands() -> dict[str, Any]:
    return dict(cli.group().commands)


@cache
def _roles(name: str) -> dict[str, Reads | Writes]:
    return roles(_commands()[name].callback.__wrapped__)


OUTPUTS = [(name, key) for name in _commands() for key, role in _roles(name).items() if isinstance(role, Writes)]


def _wanted(name: str, outputs: Mapping[str, object]) -> Iterator[object]:
    """A command's arguments: all its inputs, the outputs wanted, and 1 for whatever else it cannot do without."""
    for parameter in _commands()[name].params:
        role = _roles(name).get(parameter.name)
        values: list[object] = []
        if isinstance(role, Writes):
            values = [outputs[parameter.name]] if parameter.name in outputs else []
        elif isinstance(role, Reads):
            count = 2 if parameter.multiple or parameter.nargs == -1 else 1
            values = [f"{parameter.name}-{k}.{'toml' if role.vehicle else 'dat'}" for k in range(count)]
            for value in values:
                content = VEHICLE if role.vehicle else f"(0.0) can0 100#00 {value}\n"
                Path(str(value)).write_text(content, encoding="utf-8")
        elif parameter.required:
            values = [1]
        for value in values:
            yield from [value] if parameter.param_type_name == "argument" else [parameter.opts[0], value]


def _spellings(path: Path) -> Iterator[Path]:
    """The same file, by other ways."""
    yield path
    yield path.absolute()
    yield Path("sub") / ".." / path
    hard, soft, folder = Path("hard link"), Path("soft link"), Path("other folder")
    os.link(path, hard)
    yield hard
    hard.unlink()
    try:
        soft.symlink_to(path.absolute())
        folder.symlink_to(Path().absolute(), target_is_directory=True)
    except OSError:  # Windows asks for a privilege
        return
    yield soft
    yield folder / path
    soft.unlink()
    folder.unlink()
    other_case = path.with_name(path.name.upper())
    if other_case.exists():
        yield other_case


def _contents() -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in Path().rglob("*") if path.is_file()}


def _refused(command: Run, *arguments: object) -> str:
    """What a command that must change nothing complains of."""
    before = _contents()
    status, out, err = command(*arguments)
    assert (status, out, err.count("\n")) == (2, "", 1), (arguments, out, err)
    assert _contents() == before, arguments
    return err


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "sub").mkdir()
    (tmp_path / "first.dbc").write_text("BO_ 1 A: 8 X\n", encoding="utf-8")
    (tmp_path / "sub" / "second.kcd").write_text("<NetworkDefinition/>", encoding="utf-8")
    (tmp_path / "console.toml").write_text("[console]\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", _commands())
def test_every_path_of_a_command_is_said_to_be_read_or_written(name: str) -> None:
    callback = _commands()[name].callback.__wrapped__
    paths = {key for key, hint in get_type_hints(callback).items() if "Path" in str(hint)}
    assert paths == set(_roles(name))


@pytest.mark.parametrize(("name", "key"), OUTPUTS)
def test_an_output_that_is_an_input_is_refused_by_any_spelling(command: Run, here: Path, name: str, key: str) -> None:
    named_by_the_vehicle_file = [*_contents()]
    [*_wanted(name, {key: "out"})]  # which writes the other inputs
    has_vehicle = any(isinstance(role, Reads) and role.vehicle for role in _roles(name).values())
    inputs = sorted(path for path in _contents() if has_vehicle or path not in named_by_the_vehicle_file)
    for path in inputs:  # in every way the first and the last: a path is made out before it is asked whose it is
        for spelling in _spellings(path) if path in (inputs[0], inputs[-1]) else (path,):
            err = _refused(command, name, *_wanted(name, {key: spelling}), "--overwrite")
            assert "is an input" in err
        assert "is an input" in _refused(command, name, *_wanted(name, {key: path}))


@pytest.mark.parametrize(("name", "key"), OUTPUTS)
@pytest.mark.parametrize("what", FOREIGN)
def test_a_file_that_logscope_did_not_write_stays(command: Run, here: Path, name: str, key: str, what: str) -> None:
    role = _roles(name)[key]
    assert isinstance(role, Writes)
    for kind in role.kinds:
        target = Path(f"mine{kind.suffixes[0] if kind.suffixes else ''}")
        target.write_bytes(FOREIGN[what])
        err = _refused(command, name, *_wanted(name, {key: target}))
        assert "not a folder" in err if kind is FOLDER else "this file exists" in err
        assert kind is FOLDER or "--overwrite" in err


@pytest.mark.parametrize(("name", "key"), OUTPUTS)
def test_standard_output_and_missing_folders_are_refused(command: Run, here: Path, name: str, key: str) -> None:
    assert "Possible:" in _refused(command, name, *_wanted(name, {key: "-"}))
    role = _roles(name)[key]
    assert isinstance(role, Writes)
    for kind in role.kinds:
        if kind is not FOLDER:
            target = Path("absent") / f"a{kind.suffixes[0]}"
            assert "does not exist" in _refused(command, name, *_wanted(name, {key: target}))


@pytest.mark.parametrize("name", dict.fromkeys(name for name, _ in OUTPUTS))
def test_two_outputs_into_one_file_are_refused(command: Run, here: Path, name: str) -> None:
    keys = [key for other, key in OUTPUTS if other == name]
    for first, second in pairwise(keys):
        for spelling in (Path("one"), Path("sub") / ".." / "one", here / "one"):
            err = _refused(command, name, *_wanted(name, {first: "one", second: spelling}))
            assert "name the same file" in err


@pytest.mark.parametrize("ending", [".png", ".xlsx", ".PDF", ".log", ".h5", ".parquet.gz"])
def test_tables_are_not_written_as_what_they_cannot_be(command: Run, folder: Path, ending: str, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.chdir(folder)
    request = ("decode", "small.log", "--vehicle", "small.toml", "--out")
    assert "Possible: a folder" in _refused(command, *request, f"x{ending}")
    assert command(*request, "tables of 2026.03")[0] == 0
    assert (folder / "tables of 2026.03" / "Link.parquet").is_file()


def _writing(folder: Path) -> dict[str, tuple[object, ...]]:
    """Every output of every command that reads a log, as written in earnest; the last argument is its path."""
    log = ("small.log", "--vehicle", "small.toml")
    sides = ("--before", "small.log", "--after", "other.log", "--vehicle", "small.toml")
    sizing = ("size-precharge", "--voltage", 320, "--capacitance", 1000, "--time", 0.5)
    (folder / "other.log").write_bytes((folder / "small.log").read_bytes())
    return {
        "check --report": ("check", *log, "--fail-on", "never", "--report", "a.html"),
        "check --json": ("check", *log, "--fail-on", "never", "--json", "a.json"),
        "check --summary": ("check", *log, "--fail-on", "never", "--summary", "a.md"),
        "signals --json": ("signals", *log, "--json", "a.json"),
        "plot --out": ("plot", *log, "--signal", "Link.Speed", "--out", "a.html"),
        "compare --report": ("compare", *sides, "--report", "a.html"),
        "compare --json": ("compare", *sides, "--json", "a.json"),
        "trend --report": ("trend", *log, "--fresh", "--report", "a.html"),
        "trend --json": ("trend", *log, "--fresh", "--json", "a.json"),
        "shelf --report": ("shelf", *log, "--out", "archive", "--workers", 1, "--report", "a.html"),
        "inventory --json": ("inventory", *log, "--json", "a.json"),
        "inventory --csv": ("inventory", *log, "--csv", "a.csv"),
        "seek --report": ("seek", *log, "--report", "a.html"),
        "seek --json": ("seek", *log, "--json", "a.json"),
        "decode to Parquet": ("decode", *log, "--out", "a.parquet"),
        "decode to CSV": ("decode", *log, "--out", "a.csv"),
        "vehicle --schema": ("vehicle", "--schema", "a.json"),
        "size-precharge --json": (*sizing, "--json", "a.json"),
        "size-precharge --html": (*sizing, "--html", "a.html"),
    }


def test_every_output_that_can_be_recognised_is_among_those_written_in_earnest(folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.chdir(folder)
    written = {(arguments[0], arguments[-2]) for arguments in _writing(folder).values()}
    kinds = {(name, f"--{key.replace('_', '-')}"): _roles(name)[key].kinds for name, key in OUTPUTS}  # type: ignore[union-attr]
    needs_a_cluster = {("shelf", "--performance")}  # see tests/shelf/test_cluster
    assert written | needs_a_cluster == {output for output, possible in kinds.items() if not set(possible) <= EDITED}


def test_an_earlier_output_is_replaced_and_anything_else_on_request_alone(
    command: Run, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    for name, arguments in _writing(folder).items():
        target = Path(str(arguments[-1]))
        assert command(*arguments)[0] == 0, name
        written = target.read_bytes()
        assert command(*arguments)[0] == 0, f"{name}: its own earlier output is in its way"
        target.write_bytes(FOREIGN["a PDF"])
        _refused(command, *arguments)
        assert command(*arguments, "--overwrite")[0] == 0, name
        assert target.read_bytes()[:100] == written[:100], name
        target.unlink()


def test_a_summary_that_was_edited_is_the_users(command: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A build log may begin with one."""
    monkeypatch.chdir(folder)
    request = ("check", "small.log", "--vehicle", "small.toml", "--fail-on", "never", "--summary", "build log.md")
    assert command(*request)[0] == 0
    written = Path("build log.md").read_bytes()
    Path("build log.md").write_bytes(written.replace(b"\n", b"\r\n"))  # as version control may leave it
    assert command(*request)[0] == 0
    for edited in (written + b"Screen bonded.\n", b"My build\n\n" + written, written.replace(b"Hazel", b"Ours"), b""):
        Path("build log.md").write_bytes(edited)
        _refused(command, *request)


def test_an_output_of_another_kind_is_not_an_earlier_one(command: Run, folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """The options of report and JSON exchanged."""
    monkeypatch.chdir(folder)
    log = ("check", "small.log", "--vehicle", "small.toml", "--fail-on", "never")
    assert command(*log, "--report", "a.html", "--json", "a.json")[0] == 0
    _refused(command, *log, "--report", "a.json")
    _refused(command, *log, "--json", "a.html")


def test_a_foreign_parquet_file_stays(command: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    parquet.write_table(pa.table({"time_s": [0.0]}), "a.parquet")
    _refused(command, "decode", "small.log", "--vehicle", "small.toml", "--out", "a.parquet")


def test_a_folder_of_tables_spares_what_else_is_in_it(command: Run, folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """Also where a message has the name of the log, which only shows after it was read."""
    monkeypatch.chdir(folder)
    (folder / "Link.csv").write_bytes((folder / "small.log").read_bytes())
    request = ("--vehicle", "small.toml", "--out", ".", "--format", "csv")
    assert "is an input" in _refused(command, "decode", "Link.csv", *request, "--overwrite")
    _refused(command, "decode", "small.log", *request)
    assert command("decode", "small.log", *request, "--overwrite")[0] == 0
    assert command("decode", "small.log", *request)[0] == 0


def test_messages_whose_names_differ_in_case_alone_get_files_of_their_own(command: Run, folder: Path) -> None:
    text = (folder / "small.dbc").read_text(encoding="utf-8")
    (folder / "small.dbc").write_text(text.replace("Status", "LINK"), encoding="utf-8")
    request = ("decode", folder / "small.log", "--definitions", folder / "small.dbc", "--out", folder / "tables")
    assert command(*request)[0] == 0
    assert sorted(path.name for path in (folder / "tables").iterdir()) == ["LINK-2.parquet", "Link.parquet"]


def test_a_report_over_a_log_in_the_folder_of_logs_is_refused(command: Run, folder: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    logs = folder / "logs"
    logs.mkdir()
    os.replace(folder / "small.log", logs / "small.log")
    os.link(logs / "small.log", folder / "linked")
    monkeypatch.chdir(folder)
    request = ("trend", "logs", "--vehicle", "small.toml", "--fresh", "--report")
    for target in ("logs/small.log", "linked", logs / "small.log"):
        assert "is an input" in _refused(command, *request, target, "--overwrite")
    for _ in range(2):
        assert command(*request, "logs/trend.html")[0] == 0


def test_a_log_given_twice_is_refused(command: Run, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    os.link("small.log", "linked.log")
    vehicle = ("--vehicle", "small.toml")
    for other in ("small.log", "./small.log", folder / "small.log", "linked.log"):
        for name in ("check", "inventory"):
            assert "given twice" in _refused(command, name, "small.log", other, *vehicle)
        assert "given twice" in _refused(command, "decode", "small.log", other, *vehicle, "--out", "tables")
        sides = ("--before", "small.log", other, "--after", "other.log")
        assert "given twice" in _refused(command, "compare", *sides, *vehicle)
        both = _refused(command, "compare", "--before", "small.log", "--after", other, *vehicle)
        assert "both before and after" in both
    assert command("trend", ".", "small.log", *vehicle, "--fresh")[1].count(".log, ") == 1


def test_a_changed_demo_is_somebodys_own_work(command: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "README.md").write_text("mine", encoding="utf-8")
    assert "README.md: this file exists" in _refused(command, "demo", ".")


def test_results_are_not_written_over_what_is_not_ours(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import logscope
    from logscope.errors import RequestError

    monkeypatch.chdir(folder)
    result = logscope.check(logscope.read("small.log"), logscope.load_vehicle("small.toml"))
    for write, ours in ((result.to_html, "a.html"), (result.to_json, "a.json")):
        for target in ("small.toml", "small.log", "small.dbc"):
            with pytest.raises(RequestError):
                write(target)
        with pytest.raises(RequestError, match="is an input"):
            write("small.log", overwrite=True)
        for _ in range(2):
            write(ours)
    Path("page.html").write_bytes(FOREIGN["a page"])
    with pytest.raises(RequestError, match="this file exists"):
        result.to_html("page.html")
    result.to_html("page.html", overwrite=True)
    assert HTML.recognise(Path("page.html"))
    assert JSON.recognise(Path("a.json"))
