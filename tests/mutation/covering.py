"""Which tests run a line: gathered once by coverage.py with a context a test, and kept beside the commit's name."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

Map = Mapping[str, Mapping[int, frozenset[str]]]  # by file within the package, by line: ids of tests


def gather(root: Path, data: Path, tests: Sequence[str]) -> None:
    """Run the tests once under coverage. data : where to keep what was seen."""
    rules = data.with_suffix(".ini")
    rules.write_text("[run]\nsource = logscope\ndynamic_context = test_function\n", encoding="utf-8")
    subprocess.run(
        [sys.executable, "-m", "coverage", "run", f"--rcfile={rules}", f"--data-file={data}",
         "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", *tests],
        cwd=root, check=False,
    )  # fmt: skip


def load(root: Path, data: Path) -> dict[str, dict[int, frozenset[str]]]:
    """What was gathered: for each line of each file, the test functions that ran it, as 'file.py::function'."""
    from coverage import CoverageData

    seen = CoverageData(str(data))
    seen.read()
    functions = _functions(root)
    found: dict[str, dict[int, frozenset[str]]] = {}
    for file in seen.measured_files():
        try:
            name = Path(file).relative_to(root).as_posix()
        except ValueError:
            continue
        found[name] = {
            line: frozenset(functions[context] for context in contexts if context in functions)
            for line, contexts in seen.contexts_by_lineno(file).items()
        }
    return found


def _functions(root: Path) -> dict[str, str]:
    """The id of each test function by the context that coverage names: 'test_module.test_function'."""
    return {
        f"{path.stem}.{line.split('def ')[1].split('(')[0]}": f"{path.relative_to(root).as_posix()}::"
        f"{line.split('def ')[1].split('(')[0]}"
        for path in (root / "tests").rglob("test_*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.startswith("def test_")
    }
