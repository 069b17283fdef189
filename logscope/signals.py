"""Parts on one clock, in their units: what a check gets to see of a capture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.sampling import new_value_period_s, typical_period_s, unbunched_s, zero_order_hold

if TYPE_CHECKING:
    import pandas as pd

_EXACT_BITS = 53  # a double holds every integer of so many bits (IEEE 754 binary64)


class MissingPart(KeyError):
    """A check asked for a part that no logged signal plays."""

    def __init__(self, part: str) -> None:
        super().__init__(part)
        self.part = part


@dataclass(frozen=True, slots=True)
class Encoding:
    """How a part's values lie in their message: value in the part's unit = raw × scale + offset.

    bits, signed, big_endian : of the raw integer
    scale, offset : of definition, unit and vehicle file together; scale is not zero
    """

    bits: int
    signed: bool
    scale: float
    offset: float
    big_endian: bool = False

    @property
    def lowest(self) -> int:
        """The lowest raw value that the bits can hold."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def highest(self) -> int:
        """The greatest raw value that the bits can hold."""
        return (1 << (self.bits - 1)) - 1 if self.signed else (1 << self.bits) - 1

    def raw(self, value: FloatArray) -> NDArray[np.int64]:
        """The raw integers of values in the part's unit, shape (n,); exact up to 53 bits."""
        if self.bits > _EXACT_BITS:
            raise ValueError(f"{self.bits} bits cannot be recovered from a double")
        raw: NDArray[np.int64] = np.rint((value - self.offset) / self.scale).astype(np.int64)
        return raw

    def value(self, raw: NDArray[np.int64]) -> FloatArray:
        """The values in the part's unit of raw integers, shape (n,)."""
        value: FloatArray = raw.astype(np.float64) * self.scale + self.offset
        return value


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The samples of one part.

    time_s : seconds from the capture's start, never falling, shape (n,)
    value : in `unit`, shape (n,); no NaN
    unit : the part's unit, '' for states, faults and modes
    step : the resolution that the definition can express, in `unit`; None for floating-point signals
    source : the signal that plays the part, 'Message.Signal'
    labels : enumeration texts by value, where the definition has them
    on : for a state, whether it is on, shape (n,)
    overcurrent, healthy : for a fault, whether the sample says overcurrent / no fault, shape (n,)
    encoding : how the values lie in their message; None for floating-point signals and text
    """

    name: str
    time_s: FloatArray
    value: FloatArray
    unit: str
    source: str
    step: float | None = None
    labels: Mapping[float, str] = field(default_factory=dict)
    on: BoolArray | None = None
    overcurrent: BoolArray | None = None
    healthy: BoolArray | None = None
    encoding: Encoding | None = None
    _period_s: float | None = field(default=None, init=False, repr=False)

    @property
    def period_s(self) -> float:
        """Typical time between *new* values [s]: what the part can resolve; NaN with fewer than two samples.

        Messages in bursts count as they come on average, and the repeated readings of a sensor slower than its message
        as one. Worked out once.
        """
        if self._period_s is None:
            state = self.on is not None or self.healthy is not None or not self.unit
            period_s = self.spacing_s if state else new_value_period_s(self.time_s, self.value, self.step or 0.0)
            object.__setattr__(self, "_period_s", period_s)
        assert self._period_s is not None
        return self._period_s

    @property
    def spacing_s(self) -> float:
        """Typical time between samples, repeated or not [s]: what a gap is measured by; NaN with fewer than two."""
        return typical_period_s(self.time_s)

    @property
    def has_period(self) -> bool:
        """Whether there are two samples or more, most of them at moments of their own."""
        return self.period_s > 0

    def between(self, start_s: float, end_s: float) -> slice:
        """The samples with start_s <= time <= end_s."""
        first, last = np.searchsorted(self.time_s, [start_s, end_s], side="left"), None
        last = int(np.searchsorted(self.time_s, end_s, side="right"))
        return slice(int(first[0]), last)

    def held_at(self, at_s: FloatArray, longest_s: float = np.inf) -> FloatArray:
        """The newest value at each moment, shape (m,); NaN before the first, and where it is older than `longest_s`."""
        return zero_order_hold(self.time_s, self.value, at_s, longest_s)

    def where(self, keep: BoolArray) -> Part:
        """The same with some samples only. keep : which, shape (n,)."""

        def kept(flags: BoolArray | None) -> BoolArray | None:
            return None if flags is None else flags[keep]

        return replace(
            self,
            time_s=self.time_s[keep],
            value=self.value[keep],
            on=kept(self.on),
            overcurrent=kept(self.overcurrent),
            healthy=kept(self.healthy),
        )

    @property
    def message(self) -> str:
        """The message that carries the part: its parts were sent, and are lost, together."""
        return self.source.rpartition(".")[0]

    def label(self, value: float) -> str:
        """The enumeration text of a value, or the number itself."""
        return self.labels.get(value, f"{value:g}")


READINGS = ("switch", "current", "voltage")  # what can be logged of a load, in the order of `Load`


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """A load, supply, relay or pump of the 12 V side, named by the vehicle file.

    switch : a state, on where it is switched on; current [A]; voltage [V]: None where not logged
    """

    name: str
    switch: Part | None = None
    current: Part | None = None
    voltage: Part | None = None

    @property
    def logged(self) -> tuple[Part, ...]:
        """What is logged of it. Its parts are called by its name: 'Brake pump', 'Brake pump current'."""
        return tuple(part for part in (self.switch, self.current, self.voltage) if part is not None)

    def unbunched(self) -> Load:
        """The same with the stamps of bursts spread over their time."""
        own = (self.switch, self.current, self.voltage)
        return Load(self.name, *(part and _unbunched(part) for part in own))


def load_part_name(load: str, reading: str) -> str:
    """What a part of a load is called; `reading` is "switch", "current" or "voltage"."""
    return load if reading == "switch" else f"{load} {reading}"


@dataclass(frozen=True, slots=True, eq=False)
class Signals:
    """All mapped parts of a capture that have samples.

    parts : by name; start_s, end_s : the capture's span, seconds from its start
    loads : of the 12 V side, in the order of the vehicle file; each with at least one part that has samples
    empty : mapped parts, those of loads too, without a sample, with the reason
    doubtful : mapped parts whose readings do not fit what else is logged or configured, with the reason; they
        are not among `parts`, so that nothing can rest on them
    missed : the parts in doubt that were asked for, in order; the one thing here that grows
    """

    parts: Mapping[str, Part]
    start_s: float
    end_s: float
    empty: Mapping[str, str] = field(default_factory=dict)
    loads: tuple[Load, ...] = ()
    doubtful: Mapping[str, str] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list, repr=False)

    @classmethod
    def from_dataframe(cls, df: pd.DataFrame, parts: Mapping[str, str | Mapping[str, Any]]) -> Signals:
        """Signals out of a table of your own, one column a part, to be checked by `logscope.check`.

        Parameters
        ----------
        df : pandas.DataFrame
            Its times are a column or an index named `time_s` [s], never falling, or an index of dates. Empty cells
            (NaN) are no samples. Without a unit in `parts` or in `df.attrs["units"]`, a column is in the part's unit.
        parts : mapping
            From column to the name of a part (`logscope.PARTS`), or to a mapping with `part` and, as in the vehicle
            file, `unit`, `scale`, `offset`, `on`, `overcurrent`, `overcurrent_bits`, `none`; and `step`, the
            resolution of the column in its unit, where it is rounded (1 for whole numbers). For a load of the 12 V
            side `load`, its name, in place of `part`, and `reading`: "switch" (if not given), "current" or "voltage".

        Returns
        -------
        Signals

        Raises
        ------
        RequestError
            Where a column is missing or holds no numbers, a part is unknown, a unit cannot be converted, or the times
            are missing or fall.
        VehicleError
            Where a state that `on`, `overcurrent` or `none` names does not occur in the column.

        Examples
        --------
        >>> import logscope, pandas
        >>> df = pandas.DataFrame({"time_s": [0.0, 0.1, 0.2], "speed": [600, 610, 620], "key": ["off", "on", "on"]})
        >>> signals = logscope.Signals.from_dataframe(
        ...     df, {"speed": {"part": "motor_speed", "unit": "1/min"}, "key": {"part": "main_contactor", "on": "on"}}
        ... )
        >>> signals["motor_speed"].value.tolist(), signals["main_contactor"].on.tolist()
        ([600.0, 610.0, 620.0], [False, True, True])
        """
        from logscope.signals_frame import signals_from_dataframe

        return signals_from_dataframe(df, parts)

    def to_dataframe(self) -> pd.DataFrame:
        """All parts as one table, each value in the row of its own time.

        Returns
        -------
        pandas.DataFrame
            Index `time_s` [s] from the capture's start: the times of all parts together. One column a part, NaN
            where the part has no sample at that time. `attrs["units"]` and `attrs["sources"]` by part.

        Examples
        --------
        >>> import logscope, pandas
        >>> df = pandas.DataFrame({"time_s": [0.0, 0.1], "udc": [310.0, 311.0]})
        >>> logscope.Signals.from_dataframe(df, {"udc": "dc_link_voltage"}).to_dataframe()["dc_link_voltage"].tolist()
        [310.0, 311.0]
        """
        from logscope.signals_frame import signals_to_dataframe

        return signals_to_dataframe(self)

    def unbunched(self) -> Signals:
        """The same with the stamps of messages that come in bursts, or on a coarse grid, spread over their time.

        For what asks how fast something changed, or in which order.
        """
        parts = {name: _unbunched(part) for name, part in self.parts.items()}
        return replace(self, parts=parts, loads=tuple(load.unbunched() for load in self.loads))

    def without(self, doubtful: Mapping[str, str]) -> Signals:
        """The same without parts that are in doubt. doubtful : the reason for each."""
        kept = {name: part for name, part in self.parts.items() if name not in doubtful}
        return replace(self, parts=kept, doubtful={**self.doubtful, **doubtful})

    def watched(self) -> Signals:
        """The same with an empty list of missed parts: what one check asks for."""
        return replace(self, missed=[])

    def note_missed(self, names: Iterable[str]) -> None:
        """Note parts in doubt that were asked for on behalf of the one who has these signals."""
        self.missed.extend(name for name in names if name not in self.missed)

    def __getitem__(self, name: str) -> Part:
        part = self.get(name)
        if part is None:
            raise MissingPart(name)
        return part

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and self.get(name) is not None

    def get(self, name: str) -> Part | None:
        """The part, or None where no logged signal plays it, or where it is in doubt; of a load by its own name."""
        if name in self.doubtful and name not in self.missed:
            self.missed.append(name)
        part = self.parts.get(name)
        return part or next((each for load in self.loads for each in load.logged if each.name == name), None)


def _unbunched(part: Part) -> Part:
    return replace(part, time_s=unbunched_s(part.time_s))
