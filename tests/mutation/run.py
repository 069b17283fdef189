"""Would the tests notice? Small faults are put into the code one at a time, and the tests that run the line are run.

    python tests/mutation/run.py --gather tests/curves tests/checks        # once: which test runs which line
    python tests/mutation/run.py logscope/curves --sample 100 --seed 7     # then: files or folders …
    python tests/mutation/run.py --diff main --sample 100                  # … or the lines that a change added

A mutant is killed where a test fails or runs far too long, and survives where all pass; one in a line that no test runs
survives at once. Printed: the score by folder, and every survivor. The working tree is never touched: each worker has a
copy, and compiled kernels are kept in a folder of its own that is emptied for each mutant of a file that has any.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue

from covering import Map, gather, load
from mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
DATA = Path(tempfile.gettempdir()) / "logscope-mutation.coverage"
MOST_TESTS = 12  # of those that run a line: the most specific ones, which run the fewest lines
SLOWEST_S = 120.0  # a mutant that runs longer does not end


def main() -> None:
    """Gather, or draw mutants and run the tests that cover them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("places", nargs="*", help="files or folders to mutate; with --gather, tests to run")
    parser.add_argument("--gather", action="store_true")
    parser.add_argument("--diff", metavar="REV", help="only lines added since this revision")
    parser.add_argument("--sample", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    chosen = parser.parse_args()
    if chosen.gather:
        gather(ROOT, DATA, chosen.places)
        return
    files = _files(chosen.places or ["logscope"])
    added = None if chosen.diff is None else _added(chosen.diff)
    every = [m for file in files for m in mutants(file) if added is None or m.line in added.get(file, set())]
    drawn = random.Random(chosen.seed).sample(every, min(chosen.sample, len(every)))
    covering = load(ROOT, DATA)
    killed, total = Counter[str](), Counter[str]()
    for mutant, dead in _run(drawn, covering, chosen.jobs):
        folder = mutant.path.relative_to(ROOT / "logscope").parts[0]
        total[folder] += 1
        killed[folder] += dead
        if not dead:
            print(f"survived  {mutant.path.relative_to(ROOT).as_posix()}:{mutant.line}: "
                  f"{' '.join(mutant.before.split())} → {' '.join(mutant.after.split())}", flush=True)  # fmt: skip
    for folder in sorted(total):
        print(f"{folder:<16} {killed[folder]:>4} of {total[folder]:>4} killed")
    count = sum(total.values())
    print(f"{'in all':<16} {sum(killed.values()):>4} of {count:>4} killed, of {len(every)} mutants")


def _files(places: Sequence[str]) -> list[Path]:
    paths = [ROOT / place for place in places]
    return sorted(file for path in paths for file in (path.rglob("*.py") if path.is_dir() else [path]))


def _added(revision: str) -> dict[Path, set[int]]:
    """The lines that were added since a revision, by file."""
    diff = subprocess.run(
        ["git", "diff", "-U0", revision, "--", "logscope"],
        cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=True,
    ).stdout  # fmt: skip
    found: dict[Path, set[int]] = {}
    file = ROOT
    for line in diff.splitlines():
        if line.startswith("+++ b/"):
            file = ROOT / line[6:]
        elif hunk := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line):
            first, count = int(hunk[1]), int(hunk[2] or 1)
            found.setdefault(file, set()).update(range(first, first + count))
    return found


def _run(drawn: Sequence[Mutant], covering: Map, jobs: int) -> Iterator[tuple[Mutant, bool]]:
    with tempfile.TemporaryDirectory() as folder:
        copies: Queue[Path] = Queue()
        for number in range(jobs):
            copy = Path(folder) / str(number)
            for part in ("logscope", "tests", "decoders", "sample_logs"):
                shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__", "*.nb[ic]"))
            for part in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
                shutil.copy(ROOT / part, copy / part)
            copies.put(copy)

        def judged(mutant: Mutant) -> tuple[Mutant, bool]:
            copy = copies.get()
            try:
                return mutant, _is_killed(mutant, copy, _tests(mutant, covering))
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(jobs) as pool:
            yield from pool.map(judged, drawn)


def _tests(mutant: Mutant, covering: Map) -> list[str]:
    """The tests that run the mutated line, those first that run the fewest lines; at most MOST_TESTS.

    A line that runs as the file is imported (a constant, a table) is run by no test: those of the whole file then, or
    of its folder, those first that run most of it.
    """
    name = mutant.path.relative_to(ROOT).as_posix()
    lines = covering.get(name, {})
    reach = Counter(test for tests in lines.values() for test in tests)
    if own := lines.get(mutant.line, frozenset()):
        return sorted(own, key=lambda test: (reach[test], test))[:MOST_TESTS]
    folder = name.rpartition("/")[0]
    beside = [each for file, each in covering.items() if file.rpartition("/")[0] == folder]
    wide = reach or Counter(test for each in beside for tests in each.values() for test in tests)
    return sorted(wide, key=lambda test: (-wide[test], test))[:MOST_TESTS]


def _is_killed(mutant: Mutant, copy: Path, tests: Sequence[str]) -> bool:
    if not tests:
        return False
    source = mutant.path.read_text(encoding="utf-8")
    file = copy / mutant.path.relative_to(ROOT)
    kernels = copy / "kernels"
    if "numba" in source:
        shutil.rmtree(kernels, ignore_errors=True)
    file.write_text(mutant.text(source), encoding="utf-8", newline="\n")
    environment = {
        **os.environ,
        "PYTHONPATH": str(copy),
        "NUMBA_CACHE_DIR": str(kernels),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    began = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", *tests],
            cwd=copy, env=environment, capture_output=True, timeout=SLOWEST_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return time.monotonic() - began >= SLOWEST_S
    finally:
        file.write_text(source, encoding="utf-8", newline="\n")
        if "numba" in source:
            shutil.rmtree(kernels, ignore_errors=True)
    return done.returncode != 0


if __name__ == "__main__":
    main()
