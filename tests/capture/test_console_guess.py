"""Console text without a definition: what it is said to be, and a definition that reads it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.console_guess import advice
from logscope.capture.open import refuse_unknown
from logscope.definitions.serial import load_serial_definition
from logscope.errors import LogError

ROWS = [f"speed={100 * n} bus={300 + n / 10:.1f}V temp: {20 + n}C" for n in range(20)]


def example_of(tmp_path: Path, lines: list[str]) -> str:
    log = tmp_path / "first run.txt"
    log.write_text("\n".join(["controller v1.4 ready", *lines]) + "\n", encoding="utf-8")
    with pytest.raises(LogError, match="serial console") as refused:
        refuse_unknown(log)
    return refused.value.example


@pytest.mark.parametrize(
    ("before", "time"),
    [
        ("", "rate_Hz = 10 "),
        ("2026-03-01 10:00:{n:02d}.0 ", 'stamp = "iso"'),
        ("[{n:5d}.25] ", 'stamp = "uptime"'),
        ("t_ms={n}00, ", 'field = "t_ms"\nunit = "ms"'),
    ],
)
def test_the_proposed_definition_reads_the_log(tmp_path: Path, before: str, time: str) -> None:
    lines = [before.format(n=n) + row for n, row in enumerate(ROWS)]
    text = example_of(tmp_path, lines)
    assert time in text
    definition = tmp_path / "console.toml"
    definition.write_text(text, encoding="utf-8")
    read = load_serial_definition(definition)
    assert [(each.name, each.unit) for each in read.signal] == [("speed", ""), ("bus", "V"), ("temp", "C")]
    refuse_unknown(tmp_path / "first run.txt", consoles=[read])


def test_a_name_that_is_a_unit_gives_it(tmp_path: Path) -> None:
    assert 'name = "rpm"\nunit = "rpm"' in example_of(tmp_path, [f"rpm={n} udc={300 + n}" for n in range(20)])


@pytest.mark.parametrize(
    "lines",
    [
        [],
        ["(1.000000) can0 101#0011", "(1.010000) can0 101#0012"],
        ["time,id,d0", "0.1,101,5", "0.2,101,6", "0.3,101,7"],
        ["note: 3"] * 5,
        ["starting up", "please wait", "a=1 b=2"],
    ],
)
def test_other_text_is_no_console(lines: list[str]) -> None:
    assert advice(lines, Path("a.log")) is None


@given(st.lists(st.text(max_size=60), max_size=30))
def test_any_text_gets_an_answer(lines: list[str]) -> None:
    advice(lines, Path("a.log"))
