"""The decoded signals of one message, as a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.definitions.spec import MessageSpec

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """The samples of one message on one bus, in time order.

    message : its name in the tables; bus : where it was received; spec : its definition
    start_ns : where `time_s` counts from
    time_ns : int64, shape (n,), as logged
    columns : by signal, each of shape (n,), in the signal's unit. float64 with NaN where a frame holds
        no sample (another multiplexer branch, or too short); int64 or uint64 for plain integers of
        more than 53 bits
    absent : for those integer columns, where a frame holds no sample (the value there is 0); no entry
        where every frame has one
    """

    message: str
    bus: str
    spec: MessageSpec
    start_ns: int
    time_ns: NDArray[np.int64]
    columns: Mapping[str, NDArray[Any]]
    absent: Mapping[str, BoolArray]

    def __len__(self) -> int:
        return int(self.time_ns.size)

    @property
    def time_s(self) -> FloatArray:
        """Seconds from the capture's start, shape (n,)."""
        seconds: FloatArray = (self.time_ns - self.start_ns) / 1e9
        return seconds

    def floats(self, signal: str) -> FloatArray:
        """A column as float64 with NaN where there is no sample; beyond 2⁵³ integers are rounded."""
        values: FloatArray = self.columns[signal].astype(np.float64, copy=False)
        if signal in self.absent:
            values = np.where(self.absent[signal], np.nan, values)
        return values

    def to_dataframe(self, labels: bool = False) -> pd.DataFrame:
        """The table as a DataFrame: index `time_s` (s from the capture's start), one column a signal.

        labels : enumerations as Categorical; a value without a text is shown as the number

        `attrs` holds message, bus, `units` by signal and, for enumerations, `choices`: texts by value;
        `not_decoded` names the signals that are wider than 64 bits, which are bytes and not numbers.
        """
        import pandas as pd

        data = {name: self._series(name, labels) for name in self.columns}
        frame = pd.DataFrame(data, index=pd.Index(self.time_s, name="time_s"))
        signals = [self.spec.by_name[name] for name in self.columns]
        frame.attrs = {
            "message": self.message,
            "bus": self.bus,
            "units": {signal.name: signal.unit for signal in signals},
            "choices": {signal.name: signal.labels for signal in signals if signal.labels},
            "not_decoded": list(self.spec.left_out),
        }
        return frame

    def _series(self, name: str, labels: bool) -> Any:
        """What goes into the DataFrame for one column."""
        import pandas as pd

        if labels and (texts := self.spec.by_name[name].labels):
            return pd.Categorical.from_codes(*coded(self.columns[name], self.absent.get(name), texts))
        if name not in self.absent:
            return self.columns[name]
        return pd.arrays.IntegerArray(self.columns[name].copy(), self.absent[name].copy())


def coded(
    values: NDArray[Any], absent: BoolArray | None, texts: Mapping[float, str]
) -> tuple[NDArray[np.int32], list[str]]:
    """Each value as the place of its text in a list of texts, -1 where there is no sample; and the texts.

    The order is that of the definition, then of the numbers without a text, which are shown as numbers.
    """
    there = ~(np.isnan(values) if absent is None else absent)
    seen, which = np.unique(values[there], return_inverse=True)
    names = [texts.get(value) or _number_text(value) for value in seen.tolist()]
    categories = list(dict.fromkeys([*texts.values(), *names]))  # several values may share a text
    code_of = {text: code for code, text in enumerate(categories)}
    codes = np.full(values.shape, -1, dtype=np.int32)
    codes[there] = np.array([code_of[name] for name in names], dtype=np.int32)[which]
    return codes, categories


def _number_text(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.15g}"
