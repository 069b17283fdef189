"""What a single cell's voltage can be."""

from __future__ import annotations

# Lithium titanate, discharged, to the highest that any lithium cell is charged to, 4.4 V, and a charger's own cables
# (common practice, no published source).
_LOWEST_V, _HIGHEST_V = 1.3, 5.0


def is_one_cell(highest_V: float) -> bool:
    """Whether the highest voltage of what is charged is that of one cell, and of no vehicle's battery."""
    return _LOWEST_V < highest_V < _HIGHEST_V
