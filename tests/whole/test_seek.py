"""`logscope seek` on the command line, on a simulated log and on captures of real vehicles.

The captures are public (CC0) and are kept beside the project, not in it; what their bytes hold stands in the README
beside them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path

import pytest

import logscope
from logscope.logs import open_logs
from logscope.seeking.candidates import candidates
from logscope.seeking.gather import gather
from logscope.seeking.hits import Hit
from logscope.seeking.rank import ranked
from logscope.seeking.search import Search

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
captured = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the captures are not at hand")


def test_the_link_voltage_of_the_sample_log_is_found_and_written(command, sample_logs: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    out, fields, page = tmp_path / "found.dbc", tmp_path / "found.json", tmp_path / "found.html"
    log = sample_logs / "hazel-healthy.log"
    status, printed, _ = command(
        "seek", log, "--like", "dc_link_voltage", "--out", out, "--json", fields, "--report", page
    )
    assert status == 0
    assert "stands out" in printed or "stand out" in printed
    best = json.loads(fields.read_text(encoding="utf-8"))["hits"][0]
    assert (best["identifier"], best["big_endian"]) == (0xA5, True)
    assert best["stands_out"]
    assert "BO_ 165 " in out.read_text(encoding="utf-8")
    shown = page.read_text(encoding="utf-8")
    assert re.search(r"1\. can0 0x0A5, \d+ bits from bit \d+, high byte first</h2>", shown)
    assert "dc_link_voltage" not in shown


def test_a_field_of_unknown_scale_is_given_no_unit(sample_logs: Path) -> None:
    """Who reads its definition would take raw values for revolutions per minute."""
    best = logscope.seek(sample_logs / "hazel-troubled.log", like="motor_speed").hits[0]
    assert best.scale_from.startswith("Scale unknown")
    assert best.unit == ""
    assert '""' in best.dbc_line


def test_a_part_of_the_vehicle_file_serves_as_reference(command, sample_logs: Path, decoders: Path) -> None:  # type: ignore[no-untyped-def]
    """Everything is defined but what other controllers send, in which there is no drive system."""
    log = sample_logs / "hazel-healthy.log"
    status, printed, _ = command("seek", log, "--like", "motor_speed", "--vehicle", decoders / "hazel.toml")
    assert status == 0
    assert "nothing stands out" in printed


def test_an_unknown_part_is_refused_in_one_line(command, sample_logs: Path) -> None:  # type: ignore[no-untyped-def]
    status, _, complaint = command("seek", sample_logs / "hazel-healthy.log", "--like", "motor_sped")
    assert status == 2
    assert "motor_speed" in complaint


def places(hits: Sequence[Hit]) -> list[tuple[int, int]]:
    """Identifier and lowest bit of the first five fields."""
    return [(hit.candidate.key.identifier, hit.candidate.field.positions()[0]) for hit in hits[:5]]


@captured
def test_both_inverters_link_voltages_are_among_the_first_five() -> None:
    """0x288 and 0x289: 10 bits, big-endian; their lowest bit is bit 0 of the sixth byte in the file's definition."""
    first = places(logscope.seek(CAPTURES / "plug-in-hybrid-ready.log", like="dc_link_voltage").hits)
    assert {identifier for identifier, _ in first} >= {0x288, 0x289}


@captured
def test_link_relay_and_contactor_of_a_production_car_are_among_the_first_five() -> None:
    """Its frames are divided into fields once, for one part after the other."""
    streams, _ = gather(open_logs([CAPTURES / "production-car-power-on.csv"]).blocks)
    end_s = max(float(stream.time_s[-1]) for stream in streams.values())
    divided = Search(candidates(streams, ()), {}, 0.0, end_s)
    known = {"dc_link_voltage": (0x524, 0), "precharge_relay": (0x595, 8), "main_contactor": (0x5A3, 6)}
    for part, field in known.items():
        assert field in places(ranked(divided, part)[0]), part
