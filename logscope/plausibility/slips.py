"""What goes wrong with a scale: the factors that definitions and vehicle files are off by in practice."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

# Decimal places, SI prefixes, a factor of two of a resolution, bits of a shifted field (common practice, no published
# source). A reading that is off by one of these is a slip; one off by 1.3 is a sensor, a tyre or a gear.
FACTORS = (2.0, 4.0, 10.0, 16.0, 100.0, 256.0, 1000.0)
SLIP_TOLERANCE = 0.08  # two sensors, a load on one of them, a worn tyre: all below
_RARE = (4.0, 0.25, 16.0, 1 / 16, 256.0, 1 / 256)
_IN_WORDS = {
    2.0: "twice",
    0.5: "half",
    4.0: "four times",
    0.25: "a quarter of",
    10.0: "ten times",
    0.1: "a tenth of",
    16.0: "16 times",
    1 / 16: "a sixteenth of",
    100.0: "100 times",
    0.01: "a hundredth of",
    256.0: "256 times",
    1 / 256: "1/256 of",
    1000.0: "1000 times",
    0.001: "a thousandth of",
}


@dataclass(frozen=True, slots=True)
class Slip:
    """A reading that is `factor` times the truth."""

    factor: float

    @property
    def words(self) -> str:
        """As in “reads a tenth of the pack voltage”."""
        return _IN_WORDS[self.factor]

    @property
    def rare(self) -> bool:
        """Whether it takes bits in the wrong place, where a decimal place or a unit would be the commoner slip."""
        return self.factor in _RARE

    @property
    def cure(self) -> float:
        """What the reading has to be multiplied by."""
        return 1.0 / self.factor


SLIPS = tuple(Slip(factor) for each in FACTORS for factor in (each, 1.0 / each))


def nearest_slip(ratio: float) -> Slip | None:
    """The slip that a ratio of reading to truth shows; None where it is none of the usual ones.

    >>> nearest_slip(0.0985).words, nearest_slip(1.3)
    ('a tenth of', None)
    """
    if ratio <= 0.0:
        return None
    best = min(SLIPS, key=lambda slip: abs(log(ratio / slip.factor)))
    return best if abs(log(ratio / best.factor)) <= SLIP_TOLERANCE else None
