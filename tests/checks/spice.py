"""Circuits solved by ngspice, the outside judge of what the checks say about them."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from logscope.arrays import FloatArray

NEEDS_NGSPICE = pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")


def solve(folder: Path, elements: str, end_s: float, step_s: float, shown: Sequence[str]) -> FloatArray:
    """Times [s] and the shown vectors, shape (n, 1 + len(shown)), from initial conditions.

    elements : lines of the deck, without title and control lines
    """
    deck, out = folder / "deck.cir", folder / "out.txt"
    deck.write_text(
        f"circuit\n{elements}\n.options reltol=1e-5\n.tran {step_s} {end_s} 0 {step_s} UIC\n"
        f".control\nset wr_singlescale\nrun\nwrdata out.txt {' '.join(shown)}\nquit\n.endc\n.end\n",
        encoding="utf-8",
    )
    subprocess.run(["ngspice", "-b", deck.name], cwd=folder, check=True, capture_output=True, timeout=120)
    return np.loadtxt(out)


def stairs(changes: Sequence[tuple[float, float]], edge_s: float = 1e-6) -> str:
    """A source that stands at each value from its time on, as ngspice's PWL."""
    corners, before = [], changes[0][1]
    for at_s, value in changes:
        if at_s > 0:
            corners.append(f"{at_s:.9g} {before:.9g}")
        corners.append(f"{at_s + (edge_s if at_s > 0 else 0.0):.9g} {value:.9g}")
        before = value
    return f"PWL({' '.join(corners)})"
