"""Small faults put into a file one at a time: signs, comparisons, constants, conditions.

A mutant is the text of the file with one place exchanged, found in its syntax tree. Texts, annotations and what only a
type checker reads are left alone: no test can notice them, nor need it.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

_COMPARED = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
_COUNTED = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.Pow: "*", ast.Mod: "*", ast.FloorDiv: "/",
}  # fmt: skip
_FLOAT_FACTOR = 1.5  # of a constant: more than any that is a matter of taste should bear without a test


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault: the file, the line, what stood there and what stands there now."""

    path: Path
    line: int
    start: int
    end: int
    before: str
    after: str

    def text(self, source: str) -> str:
        """The whole file with the fault in it."""
        return source[: self.start] + self.after + source[self.end :]

    def __str__(self) -> str:
        return f"{self.path.as_posix()}:{self.line}: {self.before} → {self.after}"


def mutants(path: Path) -> list[Mutant]:
    """Every mutant of a file; a few of them may be no Python."""
    source = path.read_text(encoding="utf-8")
    starts = _line_starts(source)
    tree = ast.parse(source)
    found = []
    for node in _living(tree):
        for place, after in _changes(node, source, starts):
            start, end = place
            found.append(Mutant(path, node.lineno, start, end, source[start:end], after))
    return [mutant for mutant in found if mutant.before != mutant.after]


def drawn(files: Iterable[Path], count: int, seed: int, lines: Mapping[Path, set[int]] | None = None) -> list[Mutant]:
    """So many mutants of some files at random, all of them Python; of these lines alone where any are given.

    To parse each of tens of thousands takes minutes: only those that are drawn are.
    """
    every = [each for file in files for each in mutants(file) if lines is None or each.line in lines.get(file, set())]
    random.Random(seed).shuffle(every)
    return list(islice((mutant for mutant in every if _parses(mutant)), count))


def _parses(mutant: Mutant) -> bool:
    try:
        ast.parse(mutant.text(mutant.path.read_text(encoding="utf-8")))
    except SyntaxError:
        return False
    return True


def _living(node: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """Every node that runs, but for texts, annotations, and imports for the type checker."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "bases"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, ast.JoinedStr):
                continue
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                continue
            if isinstance(child, ast.expr | ast.stmt):
                yield child
            yield from _living(child)


Change = tuple[tuple[int, int], str]


def _changes(node: ast.expr | ast.stmt, source: str, starts: list[int]) -> Iterator[Change]:
    def span(part: ast.expr | ast.stmt) -> tuple[int, int]:
        assert part.end_lineno is not None
        assert part.end_col_offset is not None
        return _at(source, starts, part.lineno, part.col_offset), _at(
            source, starts, part.end_lineno, part.end_col_offset
        )

    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in _COMPARED:
        between = span(node.left)[1], span(node.comparators[0])[0]
        yield between, _between(source, between, f" {_COMPARED[type(node.ops[0])]} ")
    elif isinstance(node, ast.BinOp) and type(node.op) in _COUNTED:
        between = span(node.left)[1], span(node.right)[0]
        yield between, _between(source, between, f" {_COUNTED[type(node.op)]} ")
    elif isinstance(node, ast.BoolOp):
        between = span(node.values[0])[1], span(node.values[1])[0]
        yield between, _between(source, between, " or " if isinstance(node.op, ast.And) else " and ")
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
        yield span(node), f"({source[slice(*span(node.operand))]})"
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield span(node), str(not node.value)
        elif isinstance(node.value, int):
            yield span(node), str(node.value + 1)
        elif isinstance(node.value, float):
            yield span(node), repr(node.value * _FLOAT_FACTOR if node.value else 1.0)
    elif isinstance(node, ast.IfExp | ast.If | ast.While):
        yield span(node.test), f"(not ({source[slice(*span(node.test))]}))"


def _between(source: str, place: tuple[int, int], operator: str) -> str:
    """The text between two operands with another operator: brackets and line breaks beside it stay."""
    text = source[slice(*place)]
    closing = text[: len(text) - len(text.lstrip(") "))]
    opening = text[len(text.rstrip("( ")) :]
    broken = "\n" if "\n" in text else ""
    return f"{closing.rstrip()}{operator}{broken}{opening.lstrip()}"


def _line_starts(source: str) -> list[int]:
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return starts


def _at(source: str, starts: list[int], line: int, column_bytes: int) -> int:
    """Where in the text a node begins; the syntax tree counts columns in bytes of UTF-8."""
    text = source[starts[line - 1] : starts[line]]
    return starts[line - 1] + len(text.encode("utf-8")[:column_bytes].decode("utf-8"))
