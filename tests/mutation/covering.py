"""Which tests run a line: gathered once by coverage.py with a context a test, and kept outside the working tree.

pytest loads this file as a plugin while it gathers: the context of a test then holds its fixtures, too.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

Map = Mapping[str, Mapping[int, frozenset[str]]]  # by file within the project, by line: tests, as 'file.py::function'

_DURATIONS = "LOGSCOPE_TEST_DURATIONS"
_spent: dict[str, float] = {}


def gather(root: Path, data: Path, tests: Sequence[str]) -> None:
    """Run the tests once under coverage. data : where to keep what was seen; what earlier runs saw stays."""
    rules = data.with_suffix(".ini")
    rules.write_text("[run]\nsource = logscope\n", encoding="utf-8")
    places = str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")
    files = [file for test in tests for file in sorted((root / test).rglob("test_*.py")) or [root / test]]
    subprocess.run(
        [sys.executable, "-m", "coverage", "run", "--append", f"--rcfile={rules}", f"--data-file={data}",
         "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "-p", "covering", *map(str, files)],
        cwd=root, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(places), _DURATIONS: str(_durations_file(data))},
    )  # fmt: skip


def load(root: Path, data: Path) -> dict[str, dict[int, frozenset[str]]]:
    """What was gathered: for each line of each file, the test functions that ran it."""
    from coverage import CoverageData  # collected with the tests, which do without

    seen = CoverageData(str(data))
    seen.read()
    return {
        Path(file).relative_to(root).as_posix(): {
            line: frozenset(context for context in contexts if context)
            for line, contexts in seen.contexts_by_lineno(file).items()
        }
        for file in seen.measured_files()
        if Path(file).is_relative_to(root)
    }


def durations(data: Path) -> dict[str, float]:
    """Seconds that each test function took while it was gathered."""
    file = _durations_file(data)
    return dict(json.loads(file.read_text(encoding="utf-8"))) if file.exists() else {}


def _durations_file(data: Path) -> Path:
    return data.with_suffix(".json")


def _function(test: str) -> str:
    return test.partition("[")[0]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """What runs from a test's fixtures to its end belongs to it."""
    from coverage import Coverage

    coverage = Coverage.current()
    if coverage is not None:
        coverage.switch_context(_function(item.nodeid))
    return (yield)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add up how long each test took."""
    test = _function(report.nodeid)
    _spent[test] = _spent.get(test, 0.0) + report.duration


def pytest_sessionfinish() -> None:
    """Keep the durations beside what was covered."""
    if file := os.environ.get(_DURATIONS):
        known = durations(Path(file))
        Path(file).write_text(json.dumps({**known, **_spent}), encoding="utf-8")
