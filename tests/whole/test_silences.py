"""What a log does not hold of one sender while others go on is told; made by hand, no published log has known gaps."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

Command = Callable[..., tuple[int, str, str]]


def findings(command: Command, log: Path, vehicle: Path, kind: str) -> tuple[list[dict], str]:
    """The findings of a kind, and what stood on the terminal."""
    target = log.with_suffix(".found.json")
    _, out, err = command("check", log, "--vehicle", vehicle, "--json", target)
    assert not err
    found = json.loads(target.read_text(encoding="utf-8"))["findings"]
    return [each for each in found if each["kind"] == kind], " ".join(out.split())


def link_and_status(folder: Path, silent: tuple[float, float], period_ms: int = 100, jitter_ms: int = 0) -> Path:
    """Link every 10 ms over 12 s, Status with a period and a silence."""
    rows = [(k / 100, "100#10270500") for k in range(1200)]
    times = [k * period_ms / 1000 + (k % 3) * jitter_ms / 1000 for k in range(12_000 // period_ms)]
    rows += [(time, "101#10") for time in times if not silent[0] < time < silent[1]]
    path = folder / "silent.log"
    path.write_text("".join(f"({time:.6f}) can0 {frame}\n" for time, frame in sorted(rows)), encoding="utf-8")
    return path


@pytest.mark.parametrize("period_ms", [10, 20, 100])
def test_a_message_that_is_silent_while_others_go_on_is_told(folder: Path, command: Command, period_ms: int) -> None:
    path = link_and_status(folder, (4.0, 7.5), period_ms)
    (found,), out = findings(command, path, folder / "small.toml", "capture.message_silent")
    assert found["severity"] == "info"
    assert found["measured"]["longest_s"]["value"] == pytest.approx(3.5, abs=0.2)
    assert (found["start_s"], found["end_s"]) == pytest.approx((4.0, 7.5), abs=0.1)
    assert set(found["parts"]) == {"main_contactor", "fault"}
    assert "Status was not logged for 3.5" in out or "Status was not logged for 3.6" in out


@pytest.mark.parametrize("silent", [(-1.0, 2.2), (9.0, 13.0)], ids=["begins late", "ends early"])
def test_a_message_that_begins_late_or_ends_early_is_told(
    folder: Path, command: Command, silent: tuple[float, float]
) -> None:
    path = link_and_status(folder, silent)
    (found,), _ = findings(command, path, folder / "small.toml", "capture.message_silent")
    assert found["count"] == 1


@pytest.mark.parametrize(("silent", "jitter"), [((20.0, 21.0), 0), ((5.0, 5.35), 0), ((20.0, 21.0), 30)])
def test_lost_frames_and_jitter_are_no_silence(
    folder: Path, command: Command, silent: tuple[float, float], jitter: int
) -> None:
    path = link_and_status(folder, silent, jitter_ms=jitter)
    assert findings(command, path, folder / "small.toml", "capture.message_silent")[0] == []


def test_a_node_that_leaves_the_bus_is_reported_once_with_all_its_messages(folder: Path, command: Command) -> None:
    """Status and two messages without a definition stop together; what that says of the mapped one is not repeated."""
    rows = [(k / 100, "100#10270500") for k in range(1200)]
    rows += [(k / 100, f"{name}#10") for k in range(1200) if not 400 < k < 500 for name in ("101", "102", "103")]
    path = folder / "node.log"
    path.write_text("".join(f"({time:.6f}) can0 {frame}\n" for time, frame in sorted(rows)), encoding="utf-8")
    (found,), _ = findings(command, path, folder / "small.toml", "bus.node_absent")
    assert found["measured"]["message_count"]["value"] == 3
    assert (found["start_s"], found["end_s"]) == pytest.approx((4.0, 5.0), abs=0.02)
    assert findings(command, path, folder / "small.toml", "capture.message_silent")[0] == []


def test_a_silence_of_the_whole_log_is_told_once_as_such(folder: Path, command: Command) -> None:
    path = folder / "gap.log"
    times = [k / 100 for k in [*range(500), *range(900, 1400)]]
    rows = [f"({time:.6f}) can0 {frame}\n" for time in times for frame in ("100#10270500", "101#10")]
    path.write_text("".join(rows), encoding="utf-8")
    assert findings(command, path, folder / "small.toml", "capture.message_silent")[0] == []
    assert len(findings(command, path, folder / "small.toml", "capture.gap")[0]) == 1


CONSOLE = """[console]
name = "Console"
[delimited]
[time]
field = "t"
[[signal]]
name = "rpm"
unit = "rpm"
"""


@pytest.mark.parametrize(("rpm", "severity"), [(3000, "warning"), (0, "info")])
@pytest.mark.parametrize("first_ms", [2000, 20])
def test_a_console_that_restarts_is_told_on_the_terminal(
    folder: Path, command: Command, rpm: int, severity: str, first_ms: int
) -> None:
    """Its clock says how long ago it started: the shortest time that is missing."""
    (folder / "c.toml").write_text(CONSOLE, encoding="utf-8")
    vehicle = folder / "v.toml"
    vehicle.write_text('[[serial]]\ndefinitions = "c.toml"\n[signals]\nmotor_speed = "Console.rpm"\n', "utf-8")
    path = folder / "console.txt"
    ticks = [*range(100_000, 110_000, 20), *range(first_ms, first_ms + 8_000, 20)]
    path.write_text("t,rpm\n" + "".join(f"{t},{rpm}\n" for t in ticks), encoding="utf-8")
    (found,), out = findings(command, path, vehicle, "capture.console_restart")
    assert found["severity"] == severity
    assert found["measured"]["longest_s"]["value"] == pytest.approx(first_ms / 1000)
    assert found["start_s"] == pytest.approx(9.98)
    assert "controller restarted once" in out
    assert ("3000 rpm" in out) == (rpm > 0)
