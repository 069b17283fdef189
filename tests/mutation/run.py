"""Would the tests notice? Small faults are put into the code one at a time, and the tests that run the line are run.

    python tests/mutation/run.py --gather logscope tests/curves            # once: which doctest or test runs a line
    python tests/mutation/run.py logscope/curves --sample 100 --seed 7     # then: files or folders …
    python tests/mutation/run.py --diff main --sample 100                  # … or the lines that a change added
    python tests/mutation/run.py --sample 400 --seed 7 --again judged.txt  # those that survived, once tests are added

A mutant is killed where a test fails or runs far too long, and survives where all pass; one in a line that no test runs
survives at once. Printed: each mutant as it is judged, with the test that noticed it, and the score by folder: as they
were drawn, so that the first so many are a random sample, too. The working tree is never touched: each worker
has a copy, and a mutant of a file with compiled kernels compiles them anew, into a folder of its own.
A test that fails in an unchanged copy notices nothing: it is run there before it counts.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue

from covering import Map, durations, gather, load
from mutants import Mutant, drawn

ROOT = Path(__file__).parents[2]
DATA = Path(tempfile.gettempdir()) / "logscope-mutation.coverage"
MOST_TESTS = 12  # of those that run a line: the most specific ones, which run the fewest lines
LONGEST_S = 60.0  # of tests a mutant, as they took when gathered
OVER = 5.0  # a mutant whose tests run so many times longer does not end
STARTING_S = 60.0  # imports, and kernels compiled anew
ENDLESS = "does not end"
NO_SUCH_TEST, NO_TEST = 4, 5  # exit codes of pytest
NOT_COPIED = (".git", "__pycache__", "*.nb[ic]", ".*_cache", ".hypothesis", ".venv", "dist")


def main() -> None:
    """Gather, or draw mutants and run the tests that cover them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("places", nargs="*", help="files or folders to mutate; with --gather, tests to run")
    parser.add_argument("--gather", action="store_true")
    parser.add_argument("--diff", metavar="REV", help="only lines added since this revision")
    parser.add_argument("--again", metavar="FILE", type=Path, help="only those that survived in this output")
    parser.add_argument("--sample", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    chosen = parser.parse_args()
    if chosen.gather:
        gather(ROOT, DATA, chosen.places)
        return
    files = _files(chosen.places or ["logscope"])
    added = None if chosen.diff is None else _added(chosen.diff)
    tried = drawn(files, chosen.sample, chosen.seed, added)
    if chosen.again is not None:
        survived = set(chosen.again.read_text(encoding="utf-8").splitlines())
        tried = [mutant for mutant in tried if f"survived {_words(mutant)} " in survived]
    killed, total = Counter[str](), Counter[str]()
    for mutant, killer in _run(tried, load(ROOT, DATA), durations(DATA), chosen.jobs):
        folder = mutant.path.relative_to(ROOT / "logscope").parts[0]
        total[folder] += 1
        killed[folder] += killer is not None
        print("survived" if killer is None else "killed  ", _words(mutant), "" if killer is None else f"({killer})",
              flush=True)  # fmt: skip
    for folder in sorted(total):
        print(f"{folder:<16} {killed[folder]:>4} of {total[folder]:>4} killed")
    count = sum(total.values())
    print(f"{'in all':<16} {sum(killed.values()):>4} of {count:>4} killed")


def _words(mutant: Mutant) -> str:
    before, after = (" ".join(text.split()) for text in (mutant.before, mutant.after))
    return f"{mutant.path.relative_to(ROOT).as_posix()}:{mutant.line}: {before} → {after}"


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


def _run(
    tried: Sequence[Mutant], covering: Map, seconds: Mapping[str, float], jobs: int
) -> Iterator[tuple[Mutant, str | None]]:
    """Each mutant with the test that noticed it."""
    with tempfile.TemporaryDirectory() as folder:
        copies: Queue[Path] = Queue()
        for number in range(jobs):
            shutil.copytree(ROOT, Path(folder) / str(number), ignore=shutil.ignore_patterns(*NOT_COPIED))
            copies.put(Path(folder) / str(number))
        sound: dict[str, bool] = {}

        def judged(mutant: Mutant) -> tuple[Mutant, str | None]:
            copy = copies.get()
            try:
                tests, longest_s = _tests(mutant, covering, seconds)
                while tests and (killer := _failing(copy, tests, longest_s, mutant)):
                    if killer not in sound:
                        sound[killer] = killer == ENDLESS or _failing(copy, [killer], longest_s) is None
                    if sound[killer]:
                        return mutant, killer
                    tests = [test for test in tests if test not in (killer, killer.partition("::")[0])]
                return mutant, None
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(jobs) as pool:
            yield from pool.map(judged, tried)


def _tests(mutant: Mutant, covering: Map, seconds: Mapping[str, float]) -> tuple[list[str], float]:
    """The tests that run the mutated line, and the seconds that they take.

    First those that run the fewest lines, then the files in which these stand: what tests of a file share runs in the
    first of them alone. A line that runs as the file is imported (a constant), or compiled, is seen in no test: those
    of the whole file then, or of its folder, those first that run most of it.
    """
    name = mutant.path.relative_to(ROOT).as_posix()
    lines = covering.get(name, {})
    reach = Counter(test for tests in lines.values() for test in tests)
    if own := lines.get(mutant.line, frozenset()):
        ranked = sorted(own, key=lambda test: (reach[test], test))
    else:
        folder = name.rpartition("/")[0]
        beside = [each for file, each in covering.items() if file.rpartition("/")[0] == folder]
        wide = reach or Counter(test for each in beside for tests in each.values() for test in tests)
        ranked = sorted(wide, key=lambda test: (-wide[test], test))
    by_file: dict[str, float] = {}
    for test, spent in seconds.items():
        file = test.partition("::")[0]
        by_file[file] = by_file.get(file, 0.0) + spent
    chosen, total = ranked[:1], seconds.get(ranked[0], 0.0) if ranked else 0.0
    files = dict.fromkeys(test.partition("::")[0] for test in ranked[:MOST_TESTS])
    for place in [*ranked[1:MOST_TESTS], *files]:
        spent = seconds.get(place, by_file.get(place, 0.0))
        if total + spent <= LONGEST_S:
            chosen.append(place)
            total += spent
    return chosen, total


def _failing(copy: Path, tests: Sequence[str], seconds: float, mutant: Mutant | None = None) -> str | None:
    """The first of the tests that fails in a copy of the project, with the mutant in it."""
    source = "" if mutant is None else mutant.path.read_text(encoding="utf-8")
    anew = "numba" in source  # else what is compiled is kept from mutant to mutant
    kernels = copy / ("kernels_anew" if anew else "kernels")
    if mutant is not None:
        (copy / mutant.path.relative_to(ROOT)).write_text(mutant.text(source), encoding="utf-8", newline="\n")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-rfE", "-p", "no:cacheprovider", *tests],
            cwd=copy, env={**os.environ, "PYTHONPATH": str(copy), "NUMBA_CACHE_DIR": str(kernels)},
            capture_output=True, text=True, encoding="utf-8", errors="replace",
            timeout=STARTING_S + OVER * seconds, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return ENDLESS
    finally:
        if mutant is not None:
            (copy / mutant.path.relative_to(ROOT)).write_text(source, encoding="utf-8", newline="\n")
        if anew:
            shutil.rmtree(kernels, ignore_errors=True)
    if done.returncode == 0:
        return None
    if named := re.search(r"^(?:FAILED|ERROR) ([^\s\[]+)", done.stdout, re.MULTILINE):
        return named[1]
    if done.returncode in (NO_SUCH_TEST, NO_TEST):
        raise SystemExit(f"gather again: {done.stdout[-500:]}{done.stderr[-500:]}")
    return tests[0]


if __name__ == "__main__":
    main()
