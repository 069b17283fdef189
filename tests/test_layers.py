"""The data goes one way: what each folder may import, and what the package shows."""

from __future__ import annotations

import ast
import sys
from collections import Counter
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import logscope

PACKAGE = Path(logscope.__file__).parent
TESTS = Path(__file__).parent
# What each folder may import of the package and of the libraries, beside the standard library, itself, `arrays` and
# `errors`.
ALLOWED: dict[str, tuple[str, str]] = {
    "physics": ("", "numpy"),
    "statistics": ("findings physics", "numpy scipy"),
    "curves": ("physics statistics", "numpy scipy"),
    "definitions": ("toml_file vehicle", "numpy cantools crccheck pydantic"),
    "capture": ("definitions joint_clock time_doubt toml_file", "numpy numba llvmlite can asammdf cobs pydantic"),
    "recording": ("capture definitions", "numpy can serial"),
    "decoding": ("capture definitions", "numpy numba pandas"),
    "payload": ("definitions", "numpy numba crccheck"),
    "bus": ("capture decoding definitions payload physics", "numpy numba scipy"),
    "seeking": (
        "bus capture definitions parts payload quantities report signals",
        "numpy scipy rich",
    ),
    "plausibility": ("findings parts physics signals statistics vehicle", "numpy scipy"),
    "observations": ("bus curves findings parts physics signals statistics vehicle", "numpy scipy"),
    "checks": (
        "bus curves definitions findings joint_clock measures observations parts physics quantities signals "
        "statistics time_doubt vehicle",
        "numpy scipy",
    ),
    "diagnosis": ("findings", "numpy"),
    "comparison": (
        "findings measures outputs parts quantities report result signals statistics vehicle",
        "numpy scipy",
    ),
    "history": (
        "checks comparison files findings measures quantities result statistics toml_file vehicle",
        "numpy scipy",
    ),
    "report": (
        "capture checks comparison diagnosis findings history parts quantities result signals",
        "numpy pandas jinja2 markupsafe rich tsdownsample",
    ),
    "pictures": ("files report result", "playwright"),
    "survey": (
        "capture decoded decoding definitions draft export files findings mapping outputs parts pictures quantities "
        "report signals statistics vehicle",
        "numpy rich",
    ),
    "shelf": (
        "capture checks clocks files findings history logs pipeline quantities report result signals vehicle",
        "numpy pandas pyarrow fsspec dask rich",
    ),
    "live": (
        "bus capture checks decoded decoding definitions findings mapping observations parts pipeline plausibility "
        "quantities signals vehicle",
        "numpy rich",
    ),
    "sizing": ("findings physics quantities report", "numpy rich"),
    "inventory": ("bus capture definitions quantities", "numpy rich"),
    "draft": ("capture decoded decoding definitions findings parts vehicle vehicle_schema", "numpy"),
    "simulate": ("files", "numpy numba scipy cantools"),
}
# What several checks use: how a finding is put together, and the words in it.
SHARED_BY_CHECKS = {"assemble", "wording"}


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _imports(path: Path) -> set[str]:
    """Every module a file imports, with all its parents."""
    found: set[str] = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return {".".join(name.split(".")[: k + 1]) for name in found for k in range(len(name.split(".")))}


def _files(folder: str = "") -> list[Path]:
    return sorted((PACKAGE / folder).rglob("*.py"))


@pytest.mark.parametrize("layer", ALLOWED)
def test_a_layer_imports_only_what_it_may(layer: str) -> None:
    inside, libraries = (set(names.split()) for names in ALLOWED[layer])
    for path in _files(layer):
        roots = {name for name in _imports(path) if "." not in name} - {"logscope"} - sys.stdlib_module_names
        assert roots <= libraries, f"{path.relative_to(PACKAGE)} imports {roots - libraries}"
        parts = {name.split(".")[1] for name in _imports(path) if name.startswith("logscope.")} - {"__version__"}
        wrong = parts - inside - {layer, "arrays", "errors"}
        assert not wrong, f"{path.relative_to(PACKAGE)} imports {wrong}"


def test_no_check_imports_another() -> None:
    for path in _files("checks"):
        own = path.relative_to(PACKAGE / "checks").parts[0].removesuffix(".py")
        others = {name.split(".")[2] for name in _imports(path) if name.startswith("logscope.checks.")}
        assert others <= {own} | SHARED_BY_CHECKS, f"{path.relative_to(PACKAGE)} imports {others}"


def test_nothing_but_the_demo_imports_the_simulator_and_nobody_the_command_line() -> None:
    for path in _files():
        inside = path.relative_to(PACKAGE).as_posix()
        if not inside.startswith("simulate/") and inside != "commands/demo.py":
            assert "logscope.simulate" not in _imports(path), inside
        if inside != "__main__.py":
            assert "logscope.cli" not in _imports(path), inside


def test_no_circle_of_imports() -> None:
    """Between folders, and files of the package itself; what a method imports when it is called does not count."""
    needs: dict[str, set[str]] = {}
    for path in _files():
        own = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        body = _tree(path).body
        modules = [node.module for node in body if isinstance(node, ast.ImportFrom) and node.module]
        used = {module.split(".")[1] for module in modules if module.startswith("logscope.")}
        needs.setdefault(own, set()).update(used - {own})
    TopologicalSorter(needs).prepare()  # raises CycleError


def test_no_statement_does_nothing() -> None:
    """A sentence that goes on in the next line without a bracket would lose its end there."""
    useful = (ast.Call, ast.Await, ast.Yield, ast.YieldFrom)
    for path in _files():
        for node in ast.walk(_tree(path)):
            bodies = [getattr(node, name, None) for name in ("body", "orelse", "finalbody")]
            for body in (each for each in bodies if isinstance(each, list)):
                lost = [each for each in body[1:] if isinstance(each, ast.Expr) and not isinstance(each.value, useful)]
                assert not lost, f"{path.relative_to(PACKAGE)}:{lost[0].lineno}"


def test_every_public_name_can_be_had() -> None:
    for name in logscope.__all__:
        assert getattr(logscope, name) is not None


def test_no_two_files_of_the_tests_have_one_name() -> None:
    """Pytest imports a test file by its name alone, and collects no second one; helpers are found by name as well."""
    names = Counter(path.name for path in TESTS.rglob("*.py") if path.name != "conftest.py")
    assert [name for name, count in names.items() if count > 1] == []
