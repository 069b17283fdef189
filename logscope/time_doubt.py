"""A unit of time that makes a log impossibly long or short: plain data, and how it is said."""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_S = 86_400.0  # recordings of a conversion are an hour or so (common practice, no published source)
_UNITS = ((86_400.0, "days"), (3_600.0, "h"), (1.0, "s"), (1e-3, "ms"), (1e-6, "µs"))
_AS_DAYS_FROM_S = 172_800.0


@dataclass(frozen=True, slots=True)
class TimeDoubt:
    """A unit of time that cannot be right.

    unit : as it was read, in words; source : where the unit comes from, in words
    length_s : of the log, as read; shortest_s : what its frames need at minimum
    others : further units in words, each with the length that the log would have [s]
    remedy : the line to write in the vehicle file
    """

    file: str
    unit: str
    source: str
    length_s: float
    shortest_s: float
    others: tuple[tuple[str, float], ...]
    remedy: str

    def reason(self) -> str:
        """Why that cannot be."""
        if self.length_s > LONGEST_S:
            return "A single file that long is unlikely."
        return (
            f"Its frames take at least {length_text(self.shortest_s)}: no bus carries them faster, and no controller "
            "repeats a message more often than every millisecond."
        )

    def title(self) -> str:
        """What is in doubt, with the length that shows it."""
        return f"The time unit is in doubt: in {self.unit} the log is {length_text(self.length_s)} long"

    def alternatives(self) -> str:
        """The further units with the length that each would give, or that there is none."""
        if not self.others:
            return "No other unit fits either: check which column holds the time."
        lengths = ", ".join(f"in {unit} {length_text(length)}" for unit, length in self.others)
        return f"It would be {lengths}."

    def next_step(self) -> str:
        """What to write."""
        return f"Write in the vehicle file, under [[can]]: {self.remedy}"

    def sentence(self) -> str:
        """All of it, for a note."""
        return f"{self.file}: {self.title()} (unit {self.source}). {self.alternatives()} {self.next_step()}"


def length_text(length_s: float) -> str:
    """A length from microseconds to years in a unit that leaves a readable number.

    >>> length_text(18_216_200), length_text(18.2162), length_text(0.0182)
    ('210.8 days', '18.22 s', '18.2 ms')
    """
    size, name = next(((size, name) for size, name in _UNITS if abs(length_s) >= size), _UNITS[-1])
    if name == "days" and length_s < _AS_DAYS_FROM_S:
        size, name = _UNITS[1]
    return f"{length_s / size:,.4g} {name}" if length_s / size < 10_000 else f"{length_s / size:,.0f} {name}"
