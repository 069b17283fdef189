"""What is in a log: counts and periods against pandas."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from logscope.bus.frame_bits import frame_bits
from logscope.definitions.can import load_definitions
from logscope.definitions.spec import MessageSpec
from logscope.inventory.collect import count_frames
from logscope.inventory.show import changing_text, print_inventory, to_csv, to_json
from logscope.logs import read

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def capture():  # type: ignore[no-untyped-def]
    return read(ROOT / "sample_logs" / "hazel-troubled.log")


@pytest.fixture(scope="module")
def found(capture):  # type: ignore[no-untyped-def]
    definitions = [(None, load_definitions(ROOT / "decoders" / "hazel.dbc").messages)]
    return count_frames(capture.blocks, definitions)


def test_counts_times_and_periods_are_those_of_a_group_by(capture, found) -> None:  # type: ignore[no-untyped-def]
    """pandas.groupby on the same columns."""
    f = capture.frames
    table = pd.DataFrame(
        {"bus": f.bus, "id": f.identifier, "t": (f.time_ns - f.time_ns.min()) / 1e9, "length": f.length}
    )
    for (bus, identifier), group in table.groupby(["bus", "id"]):
        (message,) = [m for m in found.messages if (m.bus, m.identifier) == (f.buses[bus], identifier)]
        assert message.count == len(group)
        assert (message.first_s, message.last_s) == pytest.approx((group["t"].iloc[0], group["t"].iloc[-1]))
        # of an identifier with more than 2048 frames only half of the windows are kept
        assert message.period_s == pytest.approx(group["t"].diff().median(), abs=1e-5)
        assert message.longest_gap_s == pytest.approx(group["t"].diff().max(), abs=1e-6)
        assert (message.shortest, message.longest) == (group["length"].min(), group["length"].max())


def test_changing_bytes_are_those_that_ever_change(capture, found) -> None:  # type: ignore[no-untyped-def]
    f = capture.frames
    for message in found.messages:
        rows = np.flatnonzero((f.identifier == message.identifier) & (f.bus == f.buses.index(message.bus)))
        payloads = np.array([list(f.data(int(row))) for row in rows])
        expected = "".join(str(k) if np.ptp(payloads[:, k]) else "." for k in range(payloads.shape[1]))
        assert changing_text(message) == expected


def test_names_come_from_the_definitions_and_the_rest_is_said(found) -> None:  # type: ignore[no-untyped-def]
    named = {m.name for m in found.messages} - {None}
    assert {"InverterHv", "Pack", "Road"} <= named
    assert sum(m.name is None for m in found.messages) == 6
    assert set(found.unseen) == {"Charger", "ChargeRequest", "ChargerInput"}  # it was not plugged in


@pytest.mark.parametrize("seconds", [0.3, 1.2, 1.9, 2.5, 10.0, 10.84])
@pytest.mark.parametrize("first_s", [0.0, 0.25, 0.6, 1_700_000_000.4])
def test_the_average_is_never_above_the_busiest_second(seconds: float, first_s: float, tmp_path: Path) -> None:
    """Logs of any length and start, evenly filled and with all frames at both ends."""
    for name, times in (
        ("even", np.arange(0.0, seconds + 1e-9, 0.01)),
        ("ends", np.concatenate([np.arange(0.0, 0.1, 0.01), seconds - np.arange(0.1, -1e-9, -0.01)])),
    ):
        path = tmp_path / f"{name}.log"
        path.write_text("".join(f"({first_s + t:.6f}) can0 123#1122334455667788\n" for t in times), encoding="ascii")
        (bus,) = count_frames(read(path).blocks).buses
        frame_bits = bus.mean_bits_per_s * max(seconds, 1.0) / times.size
        assert bus.mean_bits_per_s <= bus.busiest_bits_per_s
        if name == "even" and seconds > 1:
            assert bus.busiest_bits_per_s == pytest.approx(100 * frame_bits, rel=0.011)


def test_a_load_is_a_share_of_a_bit_rate_that_is_known(tmp_path: Path) -> None:
    """110 kbit/s would fill 125 kbit/s to 88 %, an alarming bus; nothing shows that this is its rate."""
    path = tmp_path / "a.log"
    path.write_text("".join(f"({k / 900:.6f}) can0 123#1122334455667788\n" for k in range(2000)), encoding="ascii")
    (unknown,) = count_frames(read(path).blocks).buses
    assert (unknown.bit_rate, unknown.mean_load, unknown.bit_rate_source) == (None, None, "unknown")
    console = Console(file=io.StringIO(), width=80)
    print_inventory(count_frames(read(path).blocks), console)
    assert "load unknown: give --bit-rate" in " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]
    console = Console(file=io.StringIO(), width=80)
    print_inventory(count_frames(read(path).blocks, bit_rate=250_000), console)
    assert "load 4" in " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]


def test_bus_load_is_the_sum_of_the_bits(capture, found) -> None:  # type: ignore[no-untyped-def]
    f = capture.frames
    bits, _ = frame_bits(f)
    for bus in found.buses:
        here = f.bus == f.buses.index(bus.name)
        assert bus.mean_bits_per_s == pytest.approx(bits[here].sum() / found.duration_s)
        assert bus.mean_bits_per_s <= bus.busiest_bits_per_s


def test_a_message_on_events_has_no_period(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.exponential(0.5, 50))
    log = tmp_path / "events.log"
    log.write_text("".join(f"({t:.6f}) can0 123#00\n" for t in times) + "(99.0) can0 20000004#0004000000000000\n")
    found = count_frames(read(log).blocks)
    assert not found.messages[0].periodic
    assert found.buses[0].errors == {"controller problem": 1}


def test_frames_are_named_as_they_are_decoded_whatever_their_priority_and_sender(tmp_path: Path) -> None:
    """SAE J1939-21: the parameter group names a message; as the decoder matches it."""
    spec = MessageSpec("AxleSpeed", 0x18F004FE, True, 8, (), j1939=True)
    log = tmp_path / "pgn.log"
    log.write_text("(1.0) can0 0CF00417#00\n(2.0) can0 18F00517#00\n", encoding="utf-8")
    found = count_frames(read(log).blocks, [(None, (spec,))])
    assert [message.name for message in found.messages] == ["AxleSpeed", None]
    assert found.unseen == ()


def test_a_length_is_given_once_or_from_the_shortest_to_the_longest(tmp_path: Path) -> None:
    log = tmp_path / "lengths.log"
    log.write_text("(1.0) can0 123#0011223344\n(2.0) can0 456#00\n(3.0) can0 456#001122\n", encoding="utf-8")
    text = io.StringIO()
    print_inventory(count_frames(read(log).blocks), Console(file=text, width=80))
    rows = [line.split() for line in text.getvalue().splitlines()]
    (fixed,), (varying,) = ([row for row in rows if name in row] for name in ("123", "456"))
    assert "5" in fixed
    assert "1-3" in varying


def test_json_and_csv_hold_every_identifier(found) -> None:  # type: ignore[no-untyped-def]
    fields = json.loads(to_json(found))
    rows = list(csv.DictReader(io.StringIO(to_csv(found))))
    assert len(fields["messages"]) == len(rows) == len(found.messages)
    assert fields["messages"][0]["identifier"] == rows[0]["identifier"]


def test_the_table_fits_a_terminal_of_80_columns(found) -> None:  # type: ignore[no-untyped-def]
    text = io.StringIO()
    print_inventory(found, Console(file=text, width=80))
    assert all(len(line.rstrip()) <= 80 for line in text.getvalue().splitlines())
    assert "…" not in text.getvalue()
