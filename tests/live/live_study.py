"""How often the view says what the check says: `python tests/live/live_study.py [SEED [FAMILY]]`, over the catalogue.

The drives take turns in the layouts of the simulator. Prints the disagreements, and first looks of another kind than
the last.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from drive_catalogue import Case, faults, healthy, vary
from live_runs import differences, judged, watched

import logscope
from logscope.live.picture import View
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_bus import log_drive
from logscope.simulate.layouts import LAYOUTS


def cases(family: str = "") -> Iterator[Case]:
    """The drives of the catalogue whose family begins so."""
    yield from (case for case in (*healthy(), *faults()) if case.family.startswith(family))


def changed(pictures: list[View]) -> list[str]:
    """First looks of another kind than the last of the same event."""
    last = {round(v.start_s): v.kind for v in pictures[-1].verdicts}
    found = {
        (v.kind, last.get(round(v.start_s)))
        for picture in pictures
        for v in picture.verdicts
        if not v.final and v.kind != last.get(round(v.start_s), v.kind)
    }
    return [f"{first}, then {then}" for first, then in sorted(found, key=str)]


def main() -> None:
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    vehicle = logscope.load_vehicle(Path(__file__).parents[2] / "decoders" / "hazel.toml")
    runs = agreed = verdicts = 0
    for number, case in enumerate(cases(sys.argv[2] if len(sys.argv) > 2 else "")):
        layout = LAYOUTS[number % len(LAYOUTS)]
        mapped = {part: signal for part, signal in vehicle.signals.items() if part not in layout.unmapped}
        known = vehicle.model_copy(update={"signals": mapped})
        drive = simulate_drive(vary(case.scenario, seed), seed)
        with tempfile.TemporaryDirectory() as folder:
            log = Path(folder) / "drive.log"
            log.write_bytes(log_drive(drive, seed, 1_772_355_600.0, layout)[0])
            live, pictures = watched(log, known)
            wrong = differences(live.verdicts, judged(log, known))
            first = changed(pictures)
        runs, agreed, verdicts = runs + 1, agreed + (not wrong), verdicts + len(live.verdicts)
        for line in (*wrong, *(f"first look: {each}" for each in first)):
            print(f"{case.name}, {layout.name}: {line}", flush=True)
    print(f"{agreed} of {runs} drives agree, {verdicts} verdicts")


if __name__ == "__main__":
    main()
