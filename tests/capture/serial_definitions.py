"""Console definitions as a user writes them, for the tests."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from logscope.definitions.serial import SerialDefinition, load_serial_definition

CONSOLE = '[console]\nname = "Console"\n'
FIELD_TIME = '[time]\nfield = "t"\nunit = "ms"\n'
SIGNALS = """
[[signal]]
name = "Speed"
field = "rpm"
unit = "rpm"
[[signal]]
name = "Volts"
field = "udc"
unit = "V"
[[signal]]
name = "State"
field = "st"
choices = { 0 = "Off", 1 = "Run" }
"""

DELIMITED = CONSOLE + "[delimited]\n" + FIELD_TIME + SIGNALS
PAIRS = CONSOLE + "[pairs]\n" + FIELD_TIME + SIGNALS
PATTERN = (
    CONSOLE
    + r"""
[[pattern]]
line = 'T(?P<t>\d+) n=(?P<rpm>\S+) u=(?P<udc>\S+)'
[[pattern]]
line = 'T(?P<t>\d+) state (?P<st>\w+)'
"""
    + FIELD_TIME
    + SIGNALS
)
RECORD_SIGNALS = """
[time]
field = "Tick"
unit = "ms"
wrap_bits = 32
[[signal]]
name = "Tick"
type = "u32"
unit = "ms"
[[signal]]
name = "Speed"
type = "i16"
unit = "rpm"
[[signal]]
name = "Current"
type = "f32"
unit = "A"
[[signal]]
name = "State"
type = "u8"
choices = { 0 = "Off", 1 = "Run" }
"""


@cache
def defined(text: str) -> SerialDefinition:
    """The definition that a file with this text gives."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "console.toml"
        path.write_text(text, encoding="utf-8")
        return load_serial_definition(path)


def closes(account) -> bool:
    """Whether every line of an account is one thing or another."""
    return account.lines == account.sample_lines + account.other + account.lines_bad
