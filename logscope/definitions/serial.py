"""Serial consoles: what a controller prints or sends over its serial port, defined in a TOML file of ours.

Unknown keys are errors. Exactly one of the sections `delimited`, `pairs`, `pattern`, `record` says
how a sample is written.

| key | meaning |
|---|---|
| `[console]` `name` | how the vehicle file calls it: “Console.Signal” |
| `other` | regular expressions of lines that hold no sample: boot messages, prompts, comments |
| `unmatched` | what any further line without a sample is: "bad" (default; "other" for pairs) or "other" |
| `[delimited]` | values in columns; a header line, at the top or repeated, names them |
| `separator` | between columns, default ","; " " stands for any run of blanks, "\\t" for a tab |
| `columns` | names of the columns where the log has no header line |
| `decimal` | decimal mark, "." (default) or "," |
| `[pairs]` | `name=value` or `name: value`, any number of them anywhere in a line |
| `assign` | characters that may stand between name and value, default "=:" |
| `[[pattern]]` `line` | regular expression that fits a whole line; a named group for each value |
| `[record]` | binary records of a fixed layout |
| `framing` | "none" (default; found by `sync`), "cobs" (ended by a zero byte) or "slip" (RFC 1055) |
| `sync` | first bytes of every record, in hexadecimal: "A5 5A" |
| `length_bytes` | whole record, sync to checksum; default: as long as its signals and checksum need |
| `length_at_byte` | where in the record a length byte stands, the record's first byte being 0 |
| `length_adds` | whole record in bytes = length byte + this, default 0 |
| `order` | byte order of signals and checksum: "little" (default) or "big" |
| `checksum` | last bytes of the record: "sum8", "xor8", or a class name of the crccheck library |
| `checksum_order` | its byte order where it differs from `order` |
| `checksum_skip_bytes` | leading bytes of the record that it does not cover, default 0 |
| `[line_checksum]` | checksum at the end of every text line, in hexadecimal digits |
| `algorithm` | as `checksum` above |
| `mark` | what stands between the text and its checksum, default "*" |
| `start` | covered is what follows this mark, default "" : the line from its beginning |
| `[time]` | exactly one of `field`, `stamp`, `rate_Hz` |
| `field` | column, name or group that holds the controller's own time; in a record a signal, by its raw value |
| `unit` | of that field: "s", "ms" (default), "us", "ns" |
| `wrap_bits` | 8, 16, 24 or 32: the field starts again at zero after so many bits |
| `stamp` | in front of the line, by the computer that logged it: "iso" (ISO 8601; UTC if without zone), |
| | "clock" (HH:MM:SS.mmm), "epoch" (seconds since 1970) or "uptime" (`[12.345]`, seconds) |
| `rate_Hz` | neither of them: samples are assumed to come at this rate, and the account says so |
| `[[signal]]` `name`, `unit`, `scale`, `offset` | value in `unit` = raw × `scale` + `offset` |
| `choices` | enumeration texts by raw value; text logs may print either |
| `field` | column, name or group, where it differs from `name` |
| `base` | 16 where a text log prints the number in hexadecimal digits, default 10 |
| `type` | in a record: u8 i8 u16 i16 u32 i32 u64 i64 f32 f64; integers beyond 2⁵³ are rounded |
| `at_byte` | where in the record (the packet of a framing) it begins; default: after the signal before |
| `order` | byte order where it differs from the record's |
"""

from __future__ import annotations

import re
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import DefinitionError
from logscope.toml_file import as_error, line_of, read_toml

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, le=65_535)]
Order = Literal["little", "big"]
NumberType = Literal["u8", "i8", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64"]
Name = Annotated[str, Field(pattern=r"^[^.:\s][^.:]*$")]  # “Console.Signal” and “bus:Message.Signal” need the marks

NS_PER_UNIT = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _from_hex(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return bytes.fromhex(value)
    except ValueError:
        raise ValueError("should be bytes in hexadecimal, such as “A5 5A”") from None


class Console(_Section):
    """Its name, and which lines hold no sample."""

    name: Name
    other: tuple[re.Pattern[str], ...] = ()
    unmatched: Literal["bad", "other"] | None = None


class Delimited(_Section):
    """Values in columns."""

    separator: Annotated[str, Field(min_length=1)] = ","
    columns: Annotated[tuple[str, ...], Field(min_length=1)] | None = None
    decimal: Literal[".", ","] = "."


class Pairs(_Section):
    """Names with values."""

    assign: Annotated[str, Field(min_length=1)] = "=:"


class LinePattern(_Section):
    """A line by its regular expression."""

    line: re.Pattern[str]


class Record(_Section):
    """A binary record."""

    framing: Literal["none", "cobs", "slip"] = "none"
    sync: Annotated[bytes, BeforeValidator(_from_hex)] = b""
    length_bytes: Annotated[int, Field(gt=0, le=65_535)] | None = None
    length_at_byte: Count | None = None
    length_adds: Count = 0
    order: Order = "little"
    checksum: str | None = None
    checksum_order: Order | None = None
    checksum_skip_bytes: Count = 0


class LineChecksum(_Section):
    """A checksum at the end of every line."""

    algorithm: str
    mark: Annotated[str, Field(min_length=1)] = "*"
    start: str = ""


class Time(_Section):
    """Where the time of a sample comes from."""

    field: str | None = None
    unit: Literal["s", "ms", "us", "ns"] = "ms"
    wrap_bits: Literal[8, 16, 24, 32] | None = None
    stamp: Literal["iso", "clock", "epoch", "uptime"] | None = None
    rate_Hz: Positive | None = None

    @property
    def modulus_ns(self) -> int | None:
        """After how long the time starts again at zero [ns]; None where it does not."""
        if self.stamp == "clock":
            return 86_400 * NS_PER_UNIT["s"]
        return None if self.wrap_bits is None else (1 << self.wrap_bits) * NS_PER_UNIT[self.unit]


class SerialSignal(_Section):
    """One signal; value in `unit` = raw × scale + offset."""

    name: Name
    field: str | None = None
    unit: str = ""
    scale: Finite = 1.0
    offset: Finite = 0.0
    choices: dict[int, str] = Field(default_factory=dict)
    base: Literal[10, 16] = 10
    type: NumberType | None = None
    at_byte: Count | None = None
    order: Order | None = None

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("a scale of 0 makes every value 0")
        return value

    @property
    def written_as(self) -> str:
        """The column, name or group that holds it."""
        return self.field or self.name

    @property
    def spec(self) -> SignalSpec:
        """The signal in the words of the CAN definitions. A printed number has no fixed step, like a float."""
        kind = self.type or "f64"
        return SignalSpec(
            name=self.name,
            start=8 * (self.at_byte or 0),
            bits=int(kind[1:]),
            signed=kind[0] == "i",
            floating=kind[0] == "f",
            scale=self.scale,
            offset=self.offset,
            unit=self.unit,
            choices=dict(self.choices),
        )


class SerialDefinition(_Section):
    """A whole definition file. `path` is where it was read from, if it was."""

    console: Console
    time: Time
    signal: Annotated[tuple[SerialSignal, ...], Field(min_length=1)]
    delimited: Delimited | None = None
    pairs: Pairs | None = None
    pattern: tuple[LinePattern, ...] = ()
    record: Record | None = None
    line_checksum: LineChecksum | None = None
    path: Path | None = Field(default=None, exclude=True)

    @property
    def name(self) -> str:
        """As the vehicle file calls the console."""
        return self.console.name

    @property
    def unmatched_is_other(self) -> bool:
        """Whether a line that holds no sample and is not named in `other` is still no damage."""
        return self.console.unmatched == "other" or (self.console.unmatched is None and self.pairs is not None)

    @cached_property
    def message(self) -> MessageSpec:
        """The console as one message, so that signals are looked up as on a CAN bus."""
        signals = tuple(signal.spec for signal in self.signal)
        return MessageSpec(self.name, 0, extended=False, length=0, signals=signals, source=self.path)


def load_serial_definition(path: Path | str) -> SerialDefinition:
    """Read and check the definition of a serial console.

    Raises DefinitionError, naming file and line, where the file cannot be read, is no TOML, holds an
    unknown key or a value out of range, or contradicts itself.
    """
    from logscope.definitions.serial_rules import faults

    path = Path(path)
    content, text = read_toml(path, "the console definition", DefinitionError)
    if "path" in content:
        raise DefinitionError("unknown key “path”", where=path, line=line_of(text, ("path",)), do="Remove it.")
    try:
        definition = SerialDefinition(**content, path=path)
    except ValidationError as failure:
        raise as_error(failure, SerialDefinition, text, path, DefinitionError) from None
    for fault in faults(definition):
        raise DefinitionError(fault.what, where=path, line=line_of(text, fault.keys), do=fault.do)
    return definition
