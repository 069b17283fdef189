"""The data goes one way: what each folder may import, and what the package shows."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import logscope

PACKAGE = Path(logscope.__file__).parent
FORBIDDEN = {
    "physics": {
        "pandas",
        "scipy",
        "plotly",
        "cantools",
        "can",
        "logscope.signals",
        "logscope.capture",
        "logscope.checks",
    },
    "statistics": {"pandas", "plotly", "cantools", "can", "logscope.signals", "logscope.capture", "logscope.checks"},
    "capture": {
        "pandas",
        "cantools",
        "plotly",
        "logscope.signals",
        "logscope.decoding",
        "logscope.checks",
        "logscope.report",
    },
    "definitions": {"pandas", "plotly", "logscope.capture", "logscope.decoding", "logscope.checks", "logscope.report"},
    "sizing": {"pandas", "typer", "cantools", "can", "logscope.checks", "logscope.capture", "logscope.vehicle"},
    "inventory": {"pandas", "plotly", "typer", "logscope.checks", "logscope.vehicle", "logscope.report"},
    "draft": {"plotly", "typer", "rich", "logscope.checks", "logscope.report", "logscope.simulate"},
    "decoding": {"cantools", "can", "plotly", "logscope.checks", "logscope.report", "logscope.vehicle"},
    "checks": {
        "pandas",
        "plotly",
        "jinja2",
        "rich",
        "typer",
        "cantools",
        "can",
        "logscope.capture",
        "logscope.decoding",
        "logscope.plausibility",
    },
    "plausibility": {
        "pandas",
        "plotly",
        "jinja2",
        "rich",
        "typer",
        "cantools",
        "can",
        "logscope.capture",
        "logscope.decoding",
        "logscope.checks",
    },
    "comparison": {"pandas", "plotly", "jinja2", "rich", "typer", "cantools", "can", "logscope.decoding"},
    "history": {"pandas", "plotly", "jinja2", "rich", "typer", "cantools", "can", "logscope.decoding"},
    "report": {
        "scipy",
        "cantools",
        "can",
        "typer",
        "logscope.plausibility",
        "logscope.checks",
        "logscope.physics",
        "logscope.statistics",
    },
}


def _imports(path: Path) -> set[str]:
    """Every module a file imports, with all its parents."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return {".".join(name.split(".")[: k + 1]) for name in found for k in range(len(name.split(".")))}


def _files(folder: str = "") -> list[Path]:
    return sorted((PACKAGE / folder).rglob("*.py"))


@pytest.mark.parametrize("layer", FORBIDDEN)
def test_a_layer_imports_only_what_lies_before_it(layer: str) -> None:
    for path in _files(layer):
        wrong = _imports(path) & FORBIDDEN[layer]
        assert not wrong, f"{path.relative_to(PACKAGE)} imports {wrong}"


def test_the_simulator_shares_no_code_with_the_checks() -> None:
    for path in _files("simulate"):
        shared = {name for name in _imports(path) if name.startswith("logscope.") and name.count(".") == 1}
        assert shared <= {"logscope.simulate", "logscope.errors", "logscope.files"}, path


def test_nothing_but_the_demo_imports_the_simulator_and_nobody_the_command_line() -> None:
    for path in _files():
        inside = path.relative_to(PACKAGE).as_posix()
        if not inside.startswith("simulate/") and inside != "commands/demo.py":
            assert "logscope.simulate" not in _imports(path), inside
        if inside != "__main__.py":
            assert "logscope.cli" not in _imports(path), inside


def test_every_public_name_can_be_had() -> None:
    for name in logscope.__all__:
        assert getattr(logscope, name) is not None
