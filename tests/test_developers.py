"""What DEVELOPERS.md says of the code is so: its paths exist, and its table holds every kind of finding."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import logscope
from logscope.report.words import value_name

PACKAGE = Path(logscope.__file__).parent
ROOT = PACKAGE.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROWS = [
    [cell.strip() for cell in line.strip("|").split(" | ")]
    for line in GUIDE.partition("## Kinds of findings")[2].partition("\n## ")[0].splitlines()
    if line.startswith("| `")
]
MADE_BY = {"assemble", "Finding"}  # functions whose first argument is a kind
PATH = re.compile(r"[\w./]*/[\w./]*|\w+\.(?:py|md|toml)")


def _listed() -> Iterator[str]:
    """The kinds of the table; `.outcome` continues the topic of the kind before it."""
    topic = ""
    for first, *_ in ROWS:
        for kind in re.findall(r"`([^`]+)`", first):
            topic = kind.partition(".")[0] or topic
            yield topic + "." + kind.partition(".")[2]


def _made() -> Iterator[str]:
    """The kinds that the code makes, as far as each stands there as one text."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in MADE_BY:
                named = [each.value for each in node.keywords if each.arg == "kind"]
                kind = next(iter([*node.args, *named]), None)
                if isinstance(kind, ast.Constant) and isinstance(kind.value, str):
                    yield kind.value


def test_every_kind_that_is_made_stands_in_the_table() -> None:
    made = set(_made())
    assert len(made) > 50  # they are still found
    assert made <= set(_listed())


def test_every_value_of_the_table_is_named_without_its_unit() -> None:
    names = [name for *_, cell in ROWS for text in re.findall(r"`([^`…<>]+)`", cell) for name in text.split()]
    assert len(names) > 100
    for name in names:
        assert not re.search(r"\b(rpm|km|Wh|Nm|ohm|s2|K|W)\b", value_name(name)), name


def test_every_path_that_is_named_exists() -> None:
    prose = re.sub(r"^```.*?^```", "", GUIDE, flags=re.DOTALL | re.MULTILINE)
    words = {word for text in re.findall(r"`([^`]+)`", prose) for word in text.split()}
    paths = {word for word in words if PATH.fullmatch(word)}
    assert len(paths) > 50
    assert [path for path in sorted(paths) if not any(map(_exists, (path, path.rpartition(".")[0])))] == []


def _exists(path: str) -> bool:
    """Whether a folder or file is in the repository, the package or the tests; a module may lack its ending."""
    bases = (ROOT, PACKAGE, PACKAGE / "capture", ROOT / "tests", ROOT / "tests" / "diagnosis")
    return bool(path) and any((base / f"{path.rstrip('/')}{end}").exists() for base in bases for end in ("", ".py"))
