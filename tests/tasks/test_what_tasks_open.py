"""What each task opens, decodes and hands over: readers and checks are replaced, so that nothing is read."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logscope.errors import LogError, RequestError
from logscope.report.shelf_page import Shelf
from logscope.shelf.fill import Tally, Wishes
from logscope.signals import Part, Signals
from logscope.tasks import archive as archive_task
from logscope.tasks import common, readiness, seek, trend
from logscope.tasks import draft as draft_task
from logscope.tasks import inventory as inventory_task
from logscope.tasks import plot as plot_task
from logscope.tasks import signals as signals_task

A, V, D = Path("a.log"), Path("v.toml"), Path("d.dbc")


@dataclass(frozen=True)
class Counted:
    skipped: tuple[Any, ...] = ()
    left_out: tuple[str, ...] = ()


class Asked:
    """Replaces functions; keeps what they got, by name."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls: dict[str, list[tuple[Any, ...]]] = {}
        self._set = monkeypatch.setattr

    def replace(self, target: str, gives: Any) -> None:
        name = target.rpartition(".")[2]

        def called(*arguments: Any, **named: Any) -> Any:
            self.calls.setdefault(name, []).append((*arguments, *([named] if named else [])))
            return gives(*arguments) if callable(gives) else gives

        self._set(import_module(target.rpartition(".")[0]), name, called)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    return Asked(monkeypatch)


def test_definitions_are_those_of_the_vehicle_file_or_added_to_it(asked: Asked) -> None:
    asked.replace("logscope.tasks.common.loaded", lambda path: f"loaded {path}")
    asked.replace("logscope.draft.draft.undrafted", "drafted")
    assert common.defining(V, ()) == "loaded v.toml"
    assert common.defining(None, ()) == "drafted"
    assert common.defining(V, D) == "drafted"
    assert asked.calls["undrafted"] == [
        ([], "vehicle.toml", {"like": None}), ([D], "vehicle.toml", {"like": "loaded v.toml"})
    ]  # fmt: skip
    capture: Any = object()
    assert common.unwatched(capture) is capture


def test_a_draft_is_of_the_logs_with_the_definitions(asked: Asked) -> None:
    for name in ("loaded", "open_logs"):
        asked.replace(f"logscope.tasks.draft.{name}", name)
    asked.replace("logscope.draft.draft.undrafted", "known")
    asked.replace("logscope.draft.draft.draft_text", ("toml", ("note",)))
    watched: Any = lambda capture: f"watched {capture}"  # noqa: E731
    made = draft_task.draft_vehicle(A, D, out="x/out.toml", name="Hazel", like=V, watch=watched)
    assert (made.text, made.notes) == ("toml", ("note",))
    assert asked.calls["undrafted"] == [([D], Path("x/out.toml"), "Hazel", "loaded")]
    assert asked.calls["draft_text"] == [("watched open_logs", "known")]
    assert asked.calls["open_logs"] == [([A], "known")]


@pytest.mark.parametrize(("vehicle", "rates"), [(V, {"can0": 1}), (None, {})])
def test_an_inventory_counts_the_frames_of_the_logs(asked: Asked, vehicle: Path | None, rates: dict[str, int]) -> None:
    known = SimpleNamespace(bit_rates={"can0": 1})
    asked.replace("logscope.tasks.inventory.loaded", known)
    asked.replace("logscope.tasks.inventory.open_logs", SimpleNamespace(blocks="blocks"))
    asked.replace("logscope.decoded.read_definitions", ("pairs", ("skipped",)))
    asked.replace("logscope.inventory.collect.count_frames", Counted())
    found: Any = inventory_task.take_inventory(A, vehicle, D, bit_rate=500_000)
    assert found.skipped == ("skipped",)
    wanted = known if vehicle else None
    assert asked.calls["read_definitions"] == [(wanted, D)]
    assert asked.calls["count_frames"] == [("blocks", "pairs", rates, 500_000)]
    assert asked.calls["open_logs"] == [([A], wanted, {"joint": False})]


DECODED = SimpleNamespace(
    seconds=lambda ns: ns / 1e9, end_ns=20_000_000_000, account=SimpleNamespace(files=("a.log",)), notes=("n",),
    start_ns=7_500_000_000, tables="tables",
)  # fmt: skip


@pytest.mark.parametrize(
    ("stretch", "window"),
    [({}, (0.0, 20.0)), ({"from_s": 3}, (3.0, 20.0)), ({"until_s": 5}, (0.0, 5.0)),
    ({"from_s": -1.0, "until_s": 99.0}, (-1.0, 99.0)),
     ({"from_s": 5.0, "until_s": 5.0}, None), ({"from_s": 20.0}, None)],
)  # fmt: skip
def test_a_plot_is_of_the_stretch_that_is_asked_for(
    asked: Asked, stretch: dict[str, float], window: tuple[float, float] | None
) -> None:
    asked.replace("logscope.tasks.plot.defining", "known")
    asked.replace("logscope.tasks.plot.open_logs", "capture")
    asked.replace("logscope.survey.pick.request", SimpleNamespace(wanted="wanted"))
    asked.replace("logscope.decoded.decode_tables", DECODED)
    asked.replace("logscope.survey.pick.picked", lambda *of: ["part"])
    if window is None:
        with pytest.raises(RequestError, match=r"nothing between .* The log is 20\.000 s long"):
            plot_task.plot_signals(A, "x", **stretch)  # type: ignore[arg-type]
        return
    made = plot_task.plot_signals(A, "x", V, D, **stretch)  # type: ignore[arg-type]
    assert (made.parts, made.window, made.files, made.notes) == (("part",), window, ("a.log",), ("n",))
    assert asked.calls["request"] == [(["x"], "known")]
    assert asked.calls["decode_tables"] == [("capture", "known", {"wanted": "wanted"})]
    assert asked.calls["defining"] == [(V, D)]


def test_all_signals_of_a_log_are_listed(asked: Asked) -> None:
    asked.replace("logscope.tasks.signals.defining", "known")
    asked.replace("logscope.tasks.signals.open_logs", "capture")
    asked.replace("logscope.decoded.decode_tables", DECODED)
    asked.replace("logscope.survey.collect.survey", ("row",))
    found = signals_task.list_signals([A], V, D)
    assert (found.rows, found.duration_s, found.account, found.notes) == (("row",), 20.0, DECODED.account, ("n",))
    assert asked.calls["open_logs"] == [([A], "known")]


def test_what_a_vehicle_file_allows_counts_what_the_log_holds(asked: Asked) -> None:
    known = SimpleNamespace(
        vehicle=SimpleNamespace(name="Hazel"), load=[1], signals={"torque": SimpleNamespace(signal="M.T")},
        model_dump=lambda exclude: {"precharge": {"resistance_ohm": 47.0, "tolerance": None}, "limits": {"speed": 0.0}},
    )  # fmt: skip
    signals = Signals({"torque": 1}, 0.0, 1.0)  # type: ignore[dict-item]
    result = SimpleNamespace(signals=signals, logged="logged", sources={"torque": "M.T"})
    asked.replace("logscope.tasks.readiness.loaded", known)
    asked.replace("logscope.tasks.readiness.open_logs", "capture")
    asked.replace("logscope.checks.needs.readiness", ["checks"])
    asked.replace("logscope.pipeline.check", result)
    alone = readiness.vehicle_readiness(V)
    keys = {"precharge.resistance_ohm", "limits.speed"}
    assert (alone.name, alone.checks, alone.signals, alone.sources) == ("Hazel", ["checks"], None, {"torque": "M.T"})
    found = readiness.vehicle_readiness(V, A)
    assert (found.signals, found.sources) == ("logged", {"torque": "M.T"})
    assert asked.calls["check"] == [("capture", known, {"only": "limits"})]
    assert asked.calls["readiness"] == [
        (known.signals, keys, {"loads": True}), (signals.parts, keys, {"loads": False})
    ]  # fmt: skip


def test_a_search_has_the_known_parts_on_the_clock_of_its_frames(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    """The decoded log begins at 7.5 s, the frames at 5 s of the same clock: known parts are 2.5 s later."""
    known = SimpleNamespace(signals={"torque": 1})
    asked.replace("logscope.tasks.seek.loaded", known)
    asked.replace("logscope.tasks.seek.open_logs", SimpleNamespace(blocks="blocks"))
    skipped = [SimpleNamespace(where="d.dbc", text="SG_", reason="odd")]
    asked.replace("logscope.decoded.read_definitions", ("pairs", skipped))
    asked.replace("logscope.seeking.gather.gather", ("streams", 5_000_000_000))
    asked.replace("logscope.seeking.search_log.refuse", None)
    asked.replace("logscope.seeking.search_log.search_log", Counted())
    asked.replace("logscope.definitions.load.vehicle_definitions", ("definitions", "skipped"))
    parts = ["torque", "main_contactor", "not a part", "motor_speed"]
    bindings = [SimpleNamespace(part=part, wanted=f"w {part}") for part in parts]
    asked.replace("logscope.decoded.mapped_bindings", (bindings, None))
    monkeypatch.setattr(
        import_module("logscope.decoding.tables"), "Decoder", lambda definitions, wanted: (definitions, sorted(wanted))
    )
    asked.replace("logscope.decoded.decode_capture", DECODED)
    made = Part("torque", np.array([0.0, 1.0]), np.array([5.0, 6.0]), "Nm", "M.T")
    asked.replace("logscope.mapping.build_signals", Signals({"torque": made}, 0.0, 1.0))
    found: Any = seek.seek(A, V, D, like="torque", like_log="x", at=(1.0,), within_s=0.5)
    assert found.left_out == ("d.dbc: SG_: odd",)
    assert asked.calls["refuse"] == [("torque", "x", (1.0,))]
    ((streams, pairs, known_parts, named),) = asked.calls["search_log"]
    assert (streams, pairs) == ("streams", "pairs")
    assert named == {"like": "torque", "like_log": "x", "at": (1.0,), "within_s": 0.5}
    assert known_parts["torque"][0].tolist() == [2.5, 3.5]
    assert known_parts["torque"][1].tolist() == [5.0, 6.0]
    assert asked.calls["decode_capture"][0][1] == ("definitions", ["w motor_speed", "w torque"])  # quantities alone
    assert asked.calls["build_signals"][0][2:] == ("tables", 20.0)
    seek.seek(A)
    assert asked.calls["search_log"][1][2] == {}


@pytest.mark.parametrize(
    ("given", "crew", "memory_MB"),
    [({}, "cores", "share"), ({"workers": 3}, 3, "share"), ({"workers": 3, "memory_MB": 70.0}, 3, 70.0)],
)
def test_an_archive_is_filled_by_all_cores_or_as_many_as_asked(
    asked: Asked, given: dict[str, Any], crew: Any, memory_MB: Any, tmp_path: Path
) -> None:
    crew = (os.cpu_count() or 1) if crew == "cores" else crew
    asked.replace("logscope.tasks.archive.loaded", None)
    asked.replace("logscope.shelf.engine.memory_share", lambda workers: 1000.0 * workers)
    asked.replace("logscope.shelf.engine.on_this_machine", "outcomes")
    asked.replace("logscope.shelf.fill.fill", "tally")
    wishes = {"pages": True, "signals": False, "again": True, "limit_s": 5.0}
    archive, tally = archive_task.fill_archive("s3:/logs", tmp_path, V, notes="n.csv", watch="watch", **wishes, **given)  # type: ignore[arg-type]
    ((held, search, names, engine, asked_for, watch),) = asked.calls["fill"]
    assert (held, tally, watch, names) == (archive, "tally", "watch", ["s3://logs"])
    assert (search.vehicle, search.notes) == (V, Path("n.csv"))
    assert asked_for == Wishes(True, False, True, 5.0, 1000.0 * crew if memory_MB == "share" else memory_MB)
    assert engine("jobs") == "outcomes"
    assert asked.calls["on_this_machine"] == [("jobs", crew)]


def test_a_cluster_gets_what_its_machines_need(asked: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Any] = []

    @contextmanager
    def connected(address: str, performance: Path | None) -> Iterator[str]:
        opened.append((address, performance))
        yield "client"

    monkeypatch.setattr(import_module("logscope.shelf.cluster"), "connected", connected)
    asked.replace("logscope.shelf.cluster.on_cluster", "outcomes")
    asked.replace("logscope.shelf.fill.fill", "tally")
    archive_task.fill_archive(
        [A, "b"], tmp_path, signals=True, scheduler="tcp://x", performance="p.html", memory_MB=9.0
    )
    ((_, search, names, engine, wishes, _),) = asked.calls["fill"]
    assert (names, search.vehicle, search.notes) == (["a.log", "b"], None, None)
    assert wishes == Wishes(False, True, False, 600.0, 9.0, portable=True)
    assert opened == [("tcp://x", Path("p.html"))]
    assert engine("jobs") == "outcomes"
    assert asked.calls["on_cluster"] == [("jobs", "client")]
    with pytest.raises(RequestError, match="needs a cluster"):
        archive_task.fill_archive(A, tmp_path, performance="p.html")


@pytest.mark.parametrize(("fresh", "found", "histories", "refusal"), [
    (False, 3, True, ""), (True, 3, True, ""), (False, 0, False, "no log in this folder"),
    (False, 2, False, "none of these logs"),
])  # fmt: skip
def test_a_trend_is_a_shelf_of_one_vehicle_in_the_cache(
    asked: Asked,
    fresh: bool,
    found: int,
    histories: bool,
    refusal: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    log: Any = SimpleNamespace(row=SimpleNamespace(log="a.log"), trouble="it is torn")
    shelf = Shelf((log,), ("history",) if histories else ())  # type: ignore[arg-type]
    asked.replace("logscope.tasks.trend.loaded", SimpleNamespace(path=tmp_path / "v.toml"))
    asked.replace("logscope.history.notes.read_notes", "notes")
    asked.replace("logscope.tasks.archive.fill_archive", ("archive", Tally(found, keys=frozenset("k"))))
    asked.replace("logscope.shelf.overview.overview", shelf)
    monkeypatch.setattr(import_module("logscope.shelf.keys"), "cache_folder", lambda: tmp_path / "cache")
    if refusal:
        with pytest.raises((RequestError, LogError), match=refusal):
            trend.trend(A, V)
        return
    assert trend.trend(A, V, notes="n.csv", fresh=fresh, watch="watch") == "history"  # type: ignore[arg-type]
    ((places, kept, path, named),) = asked.calls["fill_archive"]
    assert (places, path, named) == (A, tmp_path / "v.toml", {"notes": "n.csv", "watch": "watch"})
    assert (tmp_path / "cache" in kept.parents) is not fresh
    if not fresh:
        assert kept.parent.name == "trend-3"
        assert len(kept.name) == 16
        assert trend._kept(tmp_path / "other.toml") != kept == trend._kept(tmp_path / "v.toml")
    assert asked.calls["overview"] == [("archive", "notes", {"keys": frozenset("k")})]
    assert asked.calls["read_notes"] == [(Path("n.csv"),)]


def test_a_vehicle_without_a_file_has_no_trend(asked: Asked) -> None:
    asked.replace("logscope.tasks.trend.loaded", SimpleNamespace(path=None))
    with pytest.raises(RequestError, match="need a vehicle file"):
        trend.trend(A, V)
