"""Mutants of a file are faults at one place each, in code that runs. Oracle: Python's own parser."""

from __future__ import annotations

import ast
from pathlib import Path

from mutants import drawn, mutants

_CODE = '''"""A text that is left alone: 1 < 2."""

from __future__ import annotations

LIMIT = 0.5


def passed(value: float, limits: dict[str, int] | None = None) -> bool:
    """Whether 3 > 2."""
    if value < LIMIT and not limits:
        return value - 1.0 > -2
    return False
'''


def made(tmp_path: Path) -> list[tuple[str, str]]:
    file = tmp_path / "code.py"
    file.write_text(_CODE, encoding="utf-8")
    return [(" ".join(m.before.split()), " ".join(m.after.split())) for m in mutants(file)]


def test_signs_comparisons_constants_and_conditions_are_exchanged(tmp_path: Path) -> None:
    found = made(tmp_path)
    for pair in (
        ("0.5", "0.75"),
        ("<", "<="),
        ("and", "or"),
        ("not limits", "(limits)"),
        ("-", "+"),
        ("False", "True"),
    ):
        assert pair in found
    assert ("-2", "(2)") in found


def test_texts_and_annotations_are_left_alone(tmp_path: Path) -> None:
    assert not any("text" in before or "int" in before or "None" in before for before, _ in made(tmp_path))


def test_every_mutant_is_python_and_differs_in_one_place(tmp_path: Path) -> None:
    file = tmp_path / "code.py"
    file.write_text(_CODE, encoding="utf-8")
    assert len(drawn([file], 5, 0)) == 5
    assert all(mutant.line == 11 for mutant in drawn([file], 99, 0, {file: {11}}))
    for mutant in drawn([file], 99, 0):
        text = mutant.text(_CODE)
        assert ast.dump(ast.parse(text)) != ast.dump(ast.parse(_CODE))
        assert text.startswith(_CODE[: mutant.start])
        assert text.endswith(_CODE[mutant.end :])
