"""Which files are earlier outputs of ours, and may be replaced: by their first bytes alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from logscope.inventory.show import CSV_COLUMNS
from logscope.outputs import CSV, DBC, HTML, JSON, SCHEMA, VEHICLE, Kind

INVENTORY = ",".join(CSV_COLUMNS)


@pytest.mark.parametrize(
    ("kind", "text", "ours"),
    [
        (CSV, '"time_s [s]","Link.Voltage [V]"\n0.0,320.0\n', True),
        (CSV, '"time_s [s]"\r\n', True),
        (CSV, f"{INVENTORY}\ncan0,123\n", True),
        (CSV, f"{INVENTORY},my notes\n", False),
        (CSV, "time_s,rpm\n0.0,320.0\n", False),
        (CSV, '"time_s [s]";"Link"\n', False),
        (CSV, "", False),
        (JSON, '{"schema": 1, "logscope": "0.1"}', True),
        (JSON, '{"schema": 1, "name": "0.1"}', False),
        (JSON, '{"logscope": "0.1", "schema": 1}', False),
        (SCHEMA, '{"$schema": "https://json-schema.org/x", "title": "logscope vehicle file"}', True),
        (SCHEMA, '{"$schema": "https://json-schema.org/x", "title": "another"}', False),
        (HTML, '<!doctype html><meta name="generator" content="logscope 0.1">', True),
        (HTML, "<!doctype html><title>logscope</title>", False),
        (VEHICLE, "[vehicle]\n", False),  # people edit a draft: from then on it is theirs
        (DBC, 'VERSION ""\n', False),
    ],
)
def test_a_file_is_ours_by_the_mark_at_its_beginning_alone(kind: Kind, text: str, ours: bool, tmp_path: Path) -> None:
    path = tmp_path / "an output"
    path.write_text(text, encoding="utf-8", newline="")
    assert kind.recognise(path) is ours
