"""Which column of a delimited log holds what: the `columns` table of a `[[can]]` section in the vehicle file.

[[can]]
definitions = ["hazel.dbc"]
columns = { time = "Time [ms]", time_unit = "ms", identifier = "ID", data = ["D0", "D1", "D2", "D3"] }
"""

from __future__ import annotations

import json
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

Number = Annotated[int, Field(ge=1, le=256)]
Column = Annotated[str, Field(min_length=1)] | Number  # its name in the header, or its number from 1

TimeUnit = Literal["s", "ms", "us", "ns", "date"]
Delimiter = Literal[",", ";", "tab", "|", "space"]

DELIMITER_CHARACTERS: dict[Delimiter, str] = {",": ",", ";": ";", "tab": "\t", "|": "|", "space": " "}


def _listed(value: object) -> object:
    return value if isinstance(value, list | tuple) else (value,)


class ColumnLayout(BaseModel):
    """The columns of a delimited log, by their names in its header or by their numbers from 1.

    time_unit : of the numbers in `time`; without it the one in the column's name, else "s"; "date" for
        2026-03-02 09:00:00.123 or 09:00:00.123
    identifier_base, data_base : 16 or 10; a prefix 0x or a trailing h always means 16
    bus : without it every frame is of bus "can0"; a bare number 1 means "can1"
    extended : 1/0, true/false, ext/std, x, 29/11; without it identifiers above 7FF, or with a trailing x, are
    length : bytes; without it there are as many as the data hold
    data : one column with all bytes ("11 22", "1122", "0x11 0x22"), or one column for each byte
    direction : Tx marks frames that the logger sent
    delimiter : without it the most regular one is taken; header : without it, true where columns are named
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    time: Column
    time_unit: TimeUnit = "s"
    identifier: Column
    identifier_base: Literal[10, 16] = 16
    data: Annotated[tuple[Column, ...], Field(min_length=1, max_length=64), BeforeValidator(_listed)]
    data_base: Literal[10, 16] = 16
    bus: Column | None = None
    extended: Column | None = None
    length: Column | None = None
    direction: Column | None = None
    delimiter: Delimiter | None = None
    header: bool | None = None

    @model_validator(mode="after")
    def _every_column_once(self) -> Self:
        columns = self.columns()
        twice = next((column for k, column in enumerate(columns) if column in columns[:k]), None)
        if twice is not None:
            raise ValueError(f"column “{twice}” is named for two purposes")
        if self.header is False and (named := next((c for c in columns if isinstance(c, str)), None)):
            raise ValueError(
                f"column “{named}” is given by name, but header = false says there are no names; give its number"
            )
        return self

    def columns(self) -> tuple[Column, ...]:
        """Every column that is used."""
        single = (self.time, self.identifier, self.bus, self.extended, self.length, self.direction)
        return (*(column for column in single if column is not None), *self.data)

    @property
    def has_header(self) -> bool:
        """Whether the log's first row names its columns."""
        return self.header if self.header is not None else any(isinstance(column, str) for column in self.columns())

    def as_toml(self) -> str:
        """The line of a `[[can]]` section that describes these columns.

        >>> ColumnLayout(time="t", time_unit="ms", identifier="ID", data=("D0", "D1")).as_toml()
        'columns = { time = "t", time_unit = "ms", identifier = "ID", data = ["D0", "D1"] }'
        """
        keys = self.model_dump(exclude_defaults=True) | {"time_unit": self.time_unit}
        ordered = {key: keys[key] for key in type(self).model_fields if key in keys}
        return "columns = { " + ", ".join(f"{key} = {_toml_value(value)}" for key, value in ordered.items()) + " }"


def _toml_value(value: object) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)  # text, whole numbers and truth are written alike in TOML
