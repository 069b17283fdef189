"""What an archive must survive, once each; `trials_of_archives.py` makes a hundred of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from trials_of_archives import TRIALS


@pytest.mark.parametrize("trial", TRIALS)
def test_an_archive_survives(trial: Callable[[Path, np.random.Generator], None], tmp_path: Path) -> None:
    trial(tmp_path, np.random.default_rng(0))
