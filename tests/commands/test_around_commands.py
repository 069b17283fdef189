"""What all commands share: files as they are given, what may be written, bit rates, and where results are shown."""

from __future__ import annotations

import io
import sys
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any

import pytest
import typer

from logscope.commands import given, guarded, live, output, replay
from logscope.commands.guarded import Reads, Writes, roles
from logscope.commands.options import bit_rates
from logscope.errors import RequestError
from logscope.outputs import HTML, JSON, Guard

REPORT = '<meta name="generator" content="logscope 1.0">'


@pytest.mark.parametrize(
    ("texts", "rates"),
    [
        (None, None), ([], None), (["500000"], {None: 500_000}),
        (["can1=250000", "500000"], {"can1": 250_000, None: 500_000}),
        (["a=b=125000"], {"a=b": 125_000}),
    ],
)  # fmt: skip
def test_bit_rates_of_every_bus_or_of_one(texts: list[str] | None, rates: dict[str | None, int] | None) -> None:
    assert bit_rates(texts) == rates


@pytest.mark.parametrize("text", ["", "can0", "can0=", "0", "-5", "1e6", "500 000", "can0=٣٠٠٠٠٠"])
def test_what_is_no_bit_rate_is_refused(text: str) -> None:
    with pytest.raises(RequestError, match="--bit-rate"):
        bit_rates([text])


def read_and_write(
    logs: Annotated[list[Path], Reads(stream=True), typer.Argument()],
    guard: Guard,
    like: Annotated[Path | None, Reads(column=True), typer.Option()] = None,
    vehicle: Annotated[Path | None, Reads(vehicle=True), typer.Option()] = None,
    report: Annotated[Path | None, Writes(HTML), typer.Option()] = None,
    json_file: Annotated[Path | None, Writes(JSON), typer.Option()] = None,
    count: int = 3,
) -> None:
    """A command that keeps what it got."""
    GOT.append((logs, guard, report, count))


GOT: list[Any] = []


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Any:
    GOT.clear()
    monkeypatch.setattr(guarded, "_vehicle_files", lambda path: (path, path.with_name("d.dbc")))
    command = guarded.guarded(read_and_write)

    def called(logs: list[Path], **more: Any) -> Any:
        names = ("like", "vehicle", "report", "json_file")
        command(**{"logs": logs, "count": 3, **dict.fromkeys(names), **more})
        return GOT[-1]

    return called


def test_each_path_of_a_command_is_read_or_written() -> None:
    assert roles(read_and_write) == {
        "logs": Reads(stream=True), "like": Reads(column=True), "vehicle": Reads(vehicle=True), "report": Writes(HTML),
        "json_file": Writes(JSON),
    }  # fmt: skip
    made = guarded.guarded(read_and_write)
    import inspect

    assert list(inspect.signature(made).parameters) == [
        "logs", "like", "vehicle", "report", "json_file", "count", "overwrite"
    ]  # fmt: skip

    def reads_alone(log: Annotated[Path, Reads(), typer.Argument()]) -> None:
        """Writes nothing."""

    assert guarded.guarded(reads_alone) is reads_alone


def test_patterns_are_expanded_and_the_guard_knows_all_that_is_read(tmp_path: Path, run: Any) -> None:
    for name in ("b.log", "a.log", "v.toml", "d.dbc", "s.csv"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    logs, guard, report, count = run(
        [tmp_path / "*.log"],
        vehicle=tmp_path / "v.toml",
        like=tmp_path / "s.csv:speed",
        report=tmp_path / "r.html",
        count=5,
    )
    assert (logs, report, count) == ([tmp_path / "a.log", tmp_path / "b.log"], tmp_path / "r.html", 5)
    assert set(guard.inputs) == {tmp_path / name for name in ("a.log", "b.log", "v.toml", "d.dbc", "s.csv")}
    assert not guard.overwrite
    without = run([tmp_path / "a.log"], vehicle=tmp_path / "v.toml")[1]
    assert set(without.inputs) == {tmp_path / "a.log", tmp_path / "v.toml"}  # nothing is written: nothing to look up


@pytest.mark.parametrize(
    ("outputs", "refusal"),
    [
        ({"report": "a.log"}, "input"), ({"report": "s.csv"}, "input"), ({"json_file": "d.dbc"}, "input"),
        ({"report": "x.html", "json_file": "x.html"}, "--report and --json-file name the same file"),
        ({"report": "mine.html"}, "not a"), ({"report": "no such folder/r.html"}, "folder"),
        ({"report": "ours.html"}, ""), ({"report": "new.html", "json_file": "new.json"}, ""),
        ({"report": "mine.html", "overwrite": True}, ""), ({"report": "a.log", "overwrite": True}, "input"),
    ],
)  # fmt: skip
def test_an_output_that_would_harm_a_file_is_refused_before_anything_is_read(
    outputs: dict[str, Any], refusal: str, tmp_path: Path, run: Any
) -> None:
    for name, text in (("a.log", "x"), ("s.csv", "x"), ("d.dbc", "x"), ("v.toml", "x"), ("mine.html", "mine"),
                       ("ours.html", f"<!DOCTYPE html><html><head>{REPORT}</head>")):  # fmt: skip
        (tmp_path / name).write_text(text, encoding="utf-8")
    named = {name: tmp_path / each if isinstance(each, str) else each for name, each in outputs.items()}
    arguments = {"vehicle": tmp_path / "v.toml", "like": tmp_path / "s.csv:x", **named}
    if not refusal:
        assert run([tmp_path / "a.log"], **arguments)[1].overwrite is outputs.get("overwrite", False)
        return
    with pytest.raises(RequestError, match=refusal):
        run([tmp_path / "a.log"], **arguments)
    assert GOT == []


@pytest.mark.parametrize(
    ("path", "file"),
    [("a.csv:x", "a.csv"), ("a.csv", "a.csv"), ("C:x", "C:x"), ("C:/a.csv:x", "C:/a.csv"), (":x", ":x")],
)
def test_a_column_is_no_part_of_the_name_of_its_file(path: str, file: str) -> None:
    assert guarded._without_column(Path(path)) == Path(file)


def test_files_as_they_are_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("b.log", "a.log", "x[1].log", "c.txt"):
        (tmp_path / name).write_text("x", encoding="utf-8")
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "d.log").write_text("x", encoding="utf-8")
    monkeypatch.setattr(given, "standard_input", lambda: Path("stdin"))

    def names(*patterns: str, stream: bool = True) -> list[str]:
        found = given.given_files([tmp_path / each if each != "-" else Path("-") for each in patterns], stream=stream)
        return [each.name for each in found]

    assert names("*.log") == ["a.log", "b.log", "x[1].log"]
    assert names("x[1].log") == ["x[1].log"]  # what exists is itself
    assert names("**/*.log") == ["a.log", "b.log", "d.log", "x[1].log"]
    assert names("?.txt", "absent.log", "*.none") == ["c.txt", "absent.log", "*.none"]
    assert names("-", "a.log") == ["stdin", "a.log"]
    assert names("-", stream=False) == ["-"]


def test_standard_input_is_read_once_into_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: False, buffer=io.BytesIO(b"a log")))
    given.standard_input.cache_clear()
    path = given.standard_input()
    assert path.read_bytes() == b"a log"
    assert given.standard_input() == path
    given.standard_input.cache_clear()
    for nothing in (None, SimpleNamespace(isatty=lambda: True)):
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(RequestError, match="nothing is piped"):
            given.standard_input()
    path.unlink()


class _Console:
    def __init__(self) -> None:
        self.lines: list[str] = []

    def print(self, text: str, **how: object) -> None:
        assert (how["markup"], how["highlight"]) == (False, False)  # paths are text and no markup
        self.lines.append(text)


def test_results_are_written_then_shown_then_said_where(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[Any] = []
    console = _Console()
    monkeypatch.setattr(output, "terminal", lambda: console)
    made: Any = SimpleNamespace(to_json=lambda path, **how: done.append(("json", path, how)),
                                to_html=lambda path, **how: done.append(("html", path, how)))  # fmt: skip
    output.deliver(
        made, lambda of, on: done.append((of, on)), Path("r.html"), Path("f.json"), {"Charts": Path("png"), "No": None}
    )
    assert done == [
        ("json", Path("f.json"), {"overwrite": True}),
        ("html", Path("r.html"), {"overwrite": True}),
        (made, console),
    ]
    assert console.lines == ["Report: r.html", "JSON: f.json", "Charts: png"]
    output.deliver(made, lambda of, on: None, None, None)
    assert len(done) == 3
    assert len(console.lines) == 3


def test_notes_go_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    output.warn(["one", "two"])
    assert capsys.readouterr() == ("", "Note: one\nNote: two\n")


@pytest.mark.parametrize(("tty", "width"), [(False, 10_000), (True, None)])
def test_lines_are_wrapped_for_a_terminal_alone(tty: bool, width: int | None, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(stream, "isatty", lambda: tty)
    monkeypatch.setattr(sys, "stdout", stream)
    console = output.terminal()
    if width is not None:
        assert console.width == width
        console.file.write("a  \n  b c   \nd ")
        assert stream.getvalue() == "a\n  b c\nd "  # blanks that fill a table up are dropped
    assert live.someone_watches() is tty


@pytest.mark.parametrize("watched", [True, False])
def test_frames_are_counted_while_they_pass_where_someone_watches(
    watched: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import dataclass

    @dataclass(frozen=True)
    class Made:
        blocks: Any

    said: list[str] = []
    status = SimpleNamespace(update=said.append)

    class Console:
        def __init__(self, **how: Any) -> None:
            assert how == {"stderr": True}

        def status(self, text: str) -> Any:
            from contextlib import nullcontext

            said.append(text)
            return nullcontext(status)

    monkeypatch.setattr("rich.console.Console", Console)
    monkeypatch.setattr(
        sys, "stderr", SimpleNamespace(isatty=lambda: watched, write=lambda text: None, flush=lambda: None)
    )
    blocks = [SimpleNamespace(frames=[0] * 1500), SimpleNamespace(frames=[0] * 2000)]
    made: Any = Made(iter(blocks))
    passed = list(output.with_progress(made).blocks)
    assert passed == blocks
    assert said == (["Reading …", "Reading … 1,500 frames", "Reading … 3,500 frames", "Checking …"] if watched else [])
    if not watched:
        with output.log_progress() as watch:
            watch(1, 2)


def test_a_replay_keeps_the_pace_of_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two slices of 4 s at twice the speed: 2 s each, less what the work took."""
    from contextlib import contextmanager

    done: list[Any] = []
    now = [100.0]
    view = SimpleNamespace(
        add_frames=lambda frames: done.append(("frames", frames)), add_console=lambda log: done.append(("console",
        log)),
        follow=lambda ns: (done.append(("follow", ns)), now.__setitem__(0, now[0] + 0.5)),
        finish=lambda: done.append("finish"),
        look=lambda: "view",
    )  # fmt: skip
    pieces = [SimpleNamespace(frames=n, consoles=("c",), until_ns=n, lasts_s=4.0) for n in (1, 2, 3)]
    pressed = [[], ["end"], []]

    @contextmanager
    def keyboard():  # type: ignore[no-untyped-def]
        yield SimpleNamespace(asked=lambda: pressed.pop(0))

    @contextmanager
    def shown(draw):  # type: ignore[no-untyped-def]
        yield lambda: done.append(("draw", draw(24)))

    monkeypatch.setattr(import_module("logscope.vehicle"), "load_vehicle", lambda path: "vehicle")
    monkeypatch.setattr(
        import_module("logscope.logs"), "open_logs", lambda *of: done.append(("open", *of)) or "capture"
    )
    monkeypatch.setattr(import_module("logscope.live.view"), "LiveView", lambda known: view)
    monkeypatch.setattr(import_module("logscope.live.replayed"), "slices", lambda capture: iter(pieces))
    monkeypatch.setattr(import_module("logscope.live.screen"), "screen", lambda *of: of)
    monkeypatch.setattr(import_module("logscope.live.screen"), "view_lines", lambda of: [(f"line of {of}", "")])
    monkeypatch.setattr(import_module("logscope.recording.keys"), "keyboard", keyboard)
    monkeypatch.setattr(import_module("logscope.recording.keys"), "Key", SimpleNamespace(END="end"))
    monkeypatch.setattr(replay, "shown", shown)
    monkeypatch.setattr(replay, "someone_watches", lambda: True)
    console = _Console()
    monkeypatch.setattr(replay, "terminal", lambda: console)
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    monkeypatch.setattr(replay, "time", SimpleNamespace(monotonic=lambda: now[0], sleep=sleep))
    replay.replay([Path("x/a.log"), Path("b.log")], Path("v.toml"), 2.0, [1.0])
    assert slept == pytest.approx([1.5, 1.5])
    late, pressed[:] = len(slept), [[], [], []]
    replay.replay([Path("b.log")], Path("v.toml"), 100.0)  # the work takes longer than the log
    assert slept[late:] == [0.0, 0.0, 0.0]
    del done[done.index("finish") + 1 :], console.lines[2:]
    assert done[0] == ("open", [Path("x/a.log"), Path("b.log")], "vehicle", [1.0])
    screen = ("draw", ("view", ["a.log, b.log"], "q ends", "", 24))
    assert done[1:] == [
        ("frames", 1), ("console", "c"), ("follow", 1), screen, ("frames", 2), ("console", "c"),
        ("follow", 2), screen, "finish",
    ]  # fmt: skip
    assert console.lines == ["line of view", "`logscope check` judges the whole log, and all checks."]
