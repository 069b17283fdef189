"""The demo: a simulated drive of Hazel as a workshop would have it on disk, and the truth beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from logscope.files import create_folder, write_bytes
from logscope.simulate.console_output import Console, console_text
from logscope.simulate.drive import Drive, simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.hazel_drives import demo_drive
from logscope.simulate.truth import truth_to_json

DEMO_SEED = 5  # with this one the interference trips the inverter once; others give other stories
_CONSOLE = Console()
_FIRST_STAMP_S = 1772355600.0  # 2026-03-01 09:00:00 UTC

_README = """\
# Hazel's demo drive

All of this is simulated: Hazel is an invented conversion, and no vehicle was logged.

Ten minutes:

| from | what happens |
|---|---|
| 0:04 | a good precharge, then a clean drive |
| 1:58 | key off; the link falls by its bleeder |
| 2:46 | a slow precharge: the resistor, of a kind that gains resistance with heat, is still warm from earlier tries |
| 3:07 | interference on the encoder under load, and the trip it causes |
| 4:30 | a try at livelier settings, and the trip of a stab at the pedal |
| 4:54 | settings as before, the drive home, key off |
| 6:25 | a charge, with constant current, then with constant voltage |

- `hazel-drive.log`: both CAN buses of it, in the log format of candump.
- `hazel-console.txt`: what the inverter's console printed meanwhile, on a clock of its own.
- `hazel.dbc`, `hazel-console.toml`: what messages and columns mean. Some messages on the buses have no
  definition, as in any vehicle.
- `hazel.toml`: the vehicle file: what is fitted, and which signal plays which part.
- `truth.json`: what the simulator did, to compare the findings with. No check reads it.
"""


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """Where the demo was written. `console` is a second witness on its own clock; no log of `logs`."""

    folder: Path
    logs: tuple[Path, ...]
    definitions: Path
    vehicle: Path
    truth: Path
    console: Path


Allow = Callable[[Path, bytes], None]


def write_demo(folder: Path, seed: int = DEMO_SEED, allow: Allow = lambda *_: None) -> DemoFiles:
    """Write log, definitions, vehicle file, truth and a README of the demo drive into `folder`.

    allow : is asked for each file and its content before anything is written, and raises where that must not be

    The folder is made if need be. The same seed writes the same bytes. Raises RequestError where the
    folder cannot be written.
    """
    paths = DemoFiles(
        folder=folder,
        logs=(folder / "hazel-drive.log",),
        definitions=folder / "hazel.dbc",
        vehicle=folder / "hazel.toml",
        truth=folder / "truth.json",
        console=folder / "hazel-console.txt",
    )
    fixed = {folder / "README.md": _README.encode("utf-8")}
    for path in (paths.definitions, paths.vehicle, folder / "hazel-console.toml"):
        fixed[path] = files("logscope.simulate").joinpath(path.name).read_bytes()
    for path, content in fixed.items():  # before the time is spent on the drive
        allow(path, content)
    create_folder(folder)
    drive = simulate_drive(demo_drive(), seed)
    log, truth = log_and_truth(drive, seed, _FIRST_STAMP_S, _CONSOLE)
    simulated = {
        paths.logs[0]: log,
        paths.truth: truth.encode("utf-8"),
        paths.console: console_text(drive, seed, _CONSOLE),
    }
    for path, content in simulated.items():
        allow(path, content)
    for path, content in (fixed | simulated).items():
        write_bytes(path, content)
    return paths


def log_and_truth(drive: Drive, seed: int, epoch_s: float, console: Console | None = None) -> tuple[bytes, str]:
    """A drive as candump text and its truth as JSON; times of the truth count from the first stamp."""
    log, start_s = log_drive(drive, seed, epoch_s)
    clock = None if console is None else {"starts_s": console.boots_s - start_s, "drift": console.drift}
    return log, truth_to_json(drive.scenario.name, seed, drive_truth(drive, start_s), clock)
