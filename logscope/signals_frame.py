"""Signals out of a pandas table of the user's own, and back into one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from logscope.arrays import FloatArray
from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import RequestError, did_you_mean
from logscope.mapping import SignalBinding, load_info, part_of, taken_loads
from logscope.parts import PARTS, Conversion, PartInfo, Role, convert
from logscope.signals import READINGS, Part, Signals
from logscope.vehicle import Mapped, Vehicle, refuse_foreign_keys

if TYPE_CHECKING:
    import pandas as pd

TIME = "time_s"
_TABLE = "DataFrame"  # stands where a log has the message: "DataFrame.column" is the source of a part
_KEYS = (
    "part", "load", "reading", "unit", "scale", "offset", "on", "overcurrent", "overcurrent_bits", "none", "step",
)  # fmt: skip


def signals_from_dataframe(frame: pd.DataFrame, parts: Mapping[str, str | Mapping[str, Any]]) -> Signals:
    """See `Signals.from_dataframe`."""
    time_s = _times(frame)
    found: dict[str, Part] = {}
    empty: dict[str, str] = {}
    loads: dict[str, None] = {}
    for column, given in parts.items():
        keys = _keys(column, given)
        info = _info(column, keys)
        if "load" in keys:
            loads[keys["load"]] = None
        if column not in frame.columns:
            hint = did_you_mean(str(column), map(str, frame.columns)) or f"It has: {_some(frame.columns)}."
            raise RequestError(f"the table has no column “{column}”", do=hint)
        if info.name in found or info.name in empty:
            raise RequestError(f"two columns are mapped to {info.name}", do="Keep the better one.")
        part = _part(frame, time_s, column, info, keys)
        if part.time_s.size:
            found[part.name] = part
        else:
            empty[part.name] = f"column “{column}” is mapped to {part.name}, but it has no value"
    if not parts:
        raise RequestError("no column is mapped to a part", do='Give parts, such as {"U_link": "dc_link_voltage"}.')
    return Signals(found, float(time_s[0]), float(time_s[-1]), empty, taken_loads(loads, found))


def _times(frame: pd.DataFrame) -> FloatArray:
    """The times of the rows [s]: numbers as they are, dates from the first on."""
    import pandas as pd

    named = TIME in frame.columns
    if not named and frame.index.name != TIME and not isinstance(frame.index, pd.DatetimeIndex | pd.TimedeltaIndex):
        raise RequestError(
            "the table has no times",
            do=f"Give seconds as “{TIME}”, a column or the index, or dates as the index.",
        )
    given = pd.Index(frame[TIME]) if named else frame.index
    if isinstance(given, pd.DatetimeIndex):
        given = given - given[0] if len(given) else given
    if isinstance(given, pd.TimedeltaIndex):
        given = given.total_seconds()
    try:
        time_s = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError):
        raise RequestError(f"“{TIME}” holds {given.dtype}, not numbers", do="Give seconds as numbers.") from None
    if not time_s.size:
        raise RequestError("the table has no rows", do="Is this the table you meant?")
    if (bad := np.flatnonzero(~np.isfinite(time_s))).size:
        raise RequestError(f"row {bad[0]} of the table has no time", do="Drop the rows without a time.")
    if (back := np.flatnonzero(np.diff(time_s) < 0)).size:
        raise RequestError(
            f"the time goes back at row {back[0] + 1} of the table: "
            f"{time_s[back[0]]:g} s, then {time_s[back[0] + 1]:g} s",
            do="Sort the rows by time, or give each recording by itself.",
        )
    return time_s


def _keys(column: str, given: str | Mapping[str, Any]) -> dict[str, Any]:
    """What is said of a column, checked."""
    keys = {"part": given} if isinstance(given, str) else dict(given)
    for key in keys:
        if key not in _KEYS:
            hint = did_you_mean(str(key), _KEYS) or f"Known here: {', '.join(_KEYS)}."
            raise RequestError(f"unknown key “{key}” for column “{column}”", do=hint)
    return keys


def _info(column: str, keys: Mapping[str, Any]) -> PartInfo:
    """The part that a column is mapped to, or what it shows of a load."""
    if ("reading" in keys and "load" not in keys) or ("part" in keys and "load" in keys):
        raise RequestError(f"column “{column}” is either a part or the reading of a load", do="Give one of the two.")
    if "load" in keys:
        reading = keys.get("reading", "switch")
        if reading not in READINGS:
            raise RequestError(
                f"column “{column}”: “{reading}” is no reading of a load", do=f"Known here: {', '.join(READINGS)}."
            )
        if not isinstance(keys["load"], str) or not keys["load"] or keys["load"] in PARTS:
            raise RequestError(f"column “{column}”: a load needs a name that no part has", do="Name it otherwise.")
        return load_info(keys["load"], reading)
    if keys.get("part") not in PARTS:
        said = f"“{keys['part']}” is not a known part" if "part" in keys else "no part is named"
        hint = did_you_mean(str(keys.get("part", "")), PARTS) or "logscope.PARTS lists them."
        raise RequestError(f"column “{column}”: {said}", do=hint)
    return PARTS[keys["part"]]


@dataclass(frozen=True, slots=True, eq=False)
class _Column:
    """A column as numbers, NaN where it is empty. texts : by number, where it holds texts.

    whole : whether it holds whole numbers, which are taken to be rounded to one
    """

    value: FloatArray
    whole: bool = False
    texts: Mapping[int, str] = field(default_factory=dict)


def _part(frame: pd.DataFrame, time_s: FloatArray, column: str, info: PartInfo, keys: Mapping[str, Any]) -> Part:
    """The column as samples of its part, by the same rules as a signal of a log."""
    read = _column(frame[column], column, texts=info.role is not Role.QUANTITY)
    unit = str(keys.get("unit") or frame.attrs.get("units", {}).get(column) or "")
    conversion = convert(unit, info.unit) if unit and info.role is Role.QUANTITY else Conversion(1.0, 0.0)
    if conversion is None:
        raise RequestError(
            f"column “{column}” is in “{unit}”, which cannot be converted to {info.unit} for {info.name}",
            do="Map another column, or correct its unit.",
        )
    mapped = _mapped(column, info, keys)
    spec = SignalSpec(str(column), start=0, bits=64, floating=True, unit=unit, choices=read.texts)
    binding = SignalBinding(info, mapped, (), None, _TABLE, spec, conversion)
    message = MessageSpec(_TABLE, identifier=0, extended=False, length=8, signals=(spec,))
    time_ns = np.rint(time_s * 1e9).astype(np.int64)
    part = part_of(Vehicle(), binding, Table(_TABLE, "", message, 0, time_ns, {spec.name: read.value}, {}))
    step = keys.get("step", 1.0 if read.whole and info.role is Role.QUANTITY else None)
    return replace(part, step=None if step is None else abs(step * conversion.scale * mapped.scale))


def _mapped(column: str, info: PartInfo, keys: Mapping[str, Any]) -> Mapped:
    """The keys that the vehicle file has too, checked as there."""
    from pydantic import ValidationError

    shared = {key: keys[key] for key in _KEYS if key in keys and key in Mapped.model_fields}
    try:
        mapped = Mapped(signal=f"{_TABLE}.{str(column).replace(':', '.')}", **shared)
        refuse_foreign_keys(info, mapped)
    except ValidationError as failure:
        first = failure.errors()[0]
        what = f"{'.'.join(map(str, first['loc']))}: {first['msg'].removeprefix('Value error, ')}"
        raise RequestError(f"column “{column}”: {what}", do="Correct that value.") from None
    except ValueError as failure:
        raise RequestError(f"column “{column}”: {failure}", do="Remove that key.") from None
    return mapped


def _column(series: pd.Series[Any], column: str, *, texts: bool) -> _Column:
    import pandas as pd

    if isinstance(series, pd.DataFrame):
        raise RequestError(f"the table has two columns “{column}”", do="Rename one of them.")
    kind = series.dtype
    if pd.api.types.is_bool_dtype(kind) or pd.api.types.is_numeric_dtype(kind):
        whole = pd.api.types.is_integer_dtype(kind)
        return _Column(series.to_numpy(np.float64, na_value=np.nan), whole)
    if not texts:
        raise RequestError(
            f"column “{column}” holds {kind}, not numbers", do="Convert it, for instance with pandas.to_numeric."
        )
    codes, words = pd.factorize(series.astype("string"))
    value = np.where(codes < 0, np.nan, codes.astype(np.float64))
    return _Column(value, texts={number: str(word) for number, word in enumerate(words)})


def _some(names: Iterable[object]) -> str:
    listed = [str(name) for name in names]
    return ", ".join(listed[:8]) + (", …" if len(listed) > 8 else "")


def signals_to_dataframe(signals: Signals) -> pd.DataFrame:
    """See `Signals.to_dataframe`."""
    import pandas as pd

    # Stamps may repeat within a part: the k-th sample at a time goes into the k-th row of that time.
    parts = {**signals.parts, **{part.name: part for load in signals.loads for part in load.logged}}
    keys = {name: _numbered(part.time_s) for name, part in parts.items()}
    if not keys:
        return pd.DataFrame(index=pd.Index([], name=TIME, dtype=np.float64))
    rows, where = np.unique(np.concatenate(list(keys.values())), axis=0, return_inverse=True)
    ends = np.cumsum([len(key) for key in keys.values()])
    data = {}
    for (name, part), places in zip(parts.items(), np.split(where.ravel(), ends[:-1]), strict=True):
        data[name] = np.full(len(rows), np.nan)
        data[name][places] = part.value
    frame = pd.DataFrame(data, index=pd.Index(rows[:, 0], name=TIME))
    frame.attrs["units"] = {name: part.unit for name, part in parts.items() if part.unit}
    frame.attrs["sources"] = {name: part.source for name, part in parts.items()}
    return frame


def _numbered(time_s: FloatArray) -> FloatArray:
    """Each time with its number among equal ones, shape (n, 2)."""
    number = np.arange(time_s.size) - np.searchsorted(time_s, time_s, side="left")
    return np.column_stack([time_s, number])
