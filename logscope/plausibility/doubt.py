"""A doubt: which parts do not fit, and the finding that says so."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.findings import Finding


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """What a relation between parts found not to fit.

    doubtful : the parts that no check may rest on; none where something is only odd
    reason : why, as it stands under “not checked”
    values : values of the vehicle file that no check may rest on, each a section and a key
    """

    finding: Finding
    doubtful: tuple[str, ...] = ()
    reason: str = ""
    values: tuple[tuple[str, str], ...] = ()

    @property
    def bears(self) -> bool:
        """Whether anything is taken out."""
        return bool(self.doubtful or self.values)
