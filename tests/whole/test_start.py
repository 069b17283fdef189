"""Which heavy packages a command does not import: they are most of the time in which a short job is done.

Each runs in a process of its own and prints the names of the modules that it imported. Nothing is asserted of times.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import logscope

ROOT = Path(logscope.__file__).parents[1]
LOG, VEHICLE, DBC = (
    ROOT / name for name in ("sample_logs/hazel-healthy.log", "decoders/hazel.toml", "decoders/hazel.dbc")
)
_RUN = """
import sys
from logscope.cli import main
sys.argv = ["logscope", *sys.argv[1:]]
try:
    main()
finally:
    print("IMPORTED", *sorted(sys.modules))
"""
DRAWING = {"jinja2", "tsdownsample"}
FORMATS = {"can", "asammdf", "cantools.tester"}


def imported(code: str, *arguments: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, encoding="utf-8", cwd=ROOT, check=True
    )
    return set(done.stdout.rpartition("IMPORTED")[2].split())


@pytest.mark.parametrize(
    ("arguments", "unneeded"),
    [
        (["--help"], DRAWING | FORMATS | {"numpy", "numba", "pandas", "scipy", "pyarrow", "cantools", "pint"}),
        (
            ["decode", str(LOG), "--definitions", str(DBC), "--out", "OUT"],
            DRAWING
            | FORMATS
            | {"pandas", "scipy.stats", "scipy.optimize", "pint", "logscope.pipeline", "logscope.checks"},
        ),
        (
            ["check", str(LOG), "--vehicle", str(VEHICLE), "--fail-on", "never"],
            DRAWING | FORMATS | {"pandas", "pyarrow", "pint", "scipy.signal", "scipy.stats"},
        ),
        (
            ["size-precharge", "--voltage", "320", "--capacitance", "1000", "--time", "0.5"],
            DRAWING | FORMATS | {"numba", "pandas", "pyarrow", "cantools"},
        ),
    ],
    ids=["help", "decode", "check", "size-precharge"],
)
def test_a_command_imports_what_it_uses(arguments: list[str], unneeded: set[str], tmp_path: Path) -> None:
    given = [str(tmp_path / "tables") if word == "OUT" else word for word in arguments]
    found = imported(_RUN, *given)
    assert "logscope.cli" in found  # the list arrived
    assert not found & unneeded


def test_the_package_alone_imports_nothing_heavy() -> None:
    found = imported("import sys, logscope; print('IMPORTED', *sys.modules)")
    assert "logscope" in found
    assert not found & {"numpy", "numba", "pandas", "scipy", "typer", "pydantic"}


def test_cantools_is_whole_for_who_imports_it_after_us() -> None:
    code = (
        "import sys, logscope\n"
        f"logscope.take_inventory({str(LOG)!r}, definitions={str(DBC)!r})\n"
        "early = 'can' in sys.modules\n"
        "import cantools, cantools.database\n"
        "assert not early and cantools.tester.Tester and cantools.database.load_file\n"
        "print('IMPORTED cantools')"
    )
    assert imported(code) == {"cantools"}
