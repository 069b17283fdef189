"""The console's text, read back by the reader of serial logs, and its clock."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from logscope.simulate.console_output import Console, console_text
from logscope.simulate.drive import simulate_drive
from logscope.simulate.hazel_drives import healthy_drive


@pytest.fixture(scope="module")
def drive():
    return simulate_drive(healthy_drive(), 3)


def test_lines_are_plain_comma_separated_values(drive):
    # Python's own csv reader
    text = console_text(drive, 3).decode("ascii")
    boot, body = text.split("\r\n", 1)
    samples = list(csv.DictReader(io.StringIO(body)))
    assert boot.startswith("boot:")
    assert {row["state"] for row in samples} == {"Precharge", "Run"}
    assert len(samples) == pytest.approx((42.0 - 1.0) / 0.1, abs=2)


def test_its_clock_drifts_by_what_was_asked_for(drive):
    # 1 % fast and started 5 s after the drive: the last line, near 42 s, shows about 37.4 s
    text = console_text(drive, 3, Console(boots_s=5.0, drift=0.01)).decode("ascii")
    last = int(text.splitlines()[-1].split(",")[0])
    assert last / 1e3 == pytest.approx((42.0 - 0.05 - 5.0) * 1.01, abs=0.06)


def test_it_saw_the_same_drive(drive):
    console = Console()
    rows = [line.split(",") for line in console_text(drive, 3, console).decode("ascii").splitlines()[2:]]
    time_s = np.array([int(row[0]) for row in rows]) / 1e3 / (1 + console.drift) + console.boots_s
    speed = np.array([float(row[1]) for row in rows])
    assert speed == pytest.approx(np.interp(time_s, drive.time_s, drive.column("reading_rpm")), abs=60.0)
