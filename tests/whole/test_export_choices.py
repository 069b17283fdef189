"""What is written of decoded tables, under which names and from which moments; and tables of a console. By hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logscope import export
from logscope.capture.frames import DATES_FROM_NS
from logscope.capture.open import Capture
from logscope.capture.rows import concatenate
from logscope.capture.samples import Samples, SerialLog
from logscope.decoded import decode_capture, decode_tables, read_definitions, serial_tables
from logscope.decoding.table import Table
from logscope.decoding.tables import Decoder
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.errors import LogError, RequestError, VehicleError
from logscope.joint_clock import JointClock
from logscope.logs import formats_of, read
from logscope.parts import PARTS
from logscope.vehicle import Vehicle
from logscope.vehicle_schema import vehicle_schema


def table(name: str, bus: str = "can0", *signals: str) -> Table:
    specs = tuple(SignalSpec(each, 0, 8, unit="V") for each in signals)
    spec = MessageSpec(name.rpartition(":")[2], 1, extended=False, length=8, signals=specs)
    at = np.array([10, 11, 12], np.int64) * 10**9
    return Table(name, bus, spec, 10 * 10**9, at, {each: np.array([1.0, np.nan, 3.0]) for each in signals}, {})


TABLES = {
    "Pack": table("Pack", "can0", "Volts", "Amps"), "can0:Box": table("can0:Box", "can0", "Torque"),
    "can1:Box": table("can1:Box", "can1", "Torque"), "S.I": table("S.I", "", "I"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("wanted", "chosen"),
    [
        ([], {"Pack": ("Volts", "Amps"), "can0:Box": ("Torque",), "can1:Box": ("Torque",), "S.I": ("I",)}),
        (["Pack"], {"Pack": ("Volts", "Amps")}), (["Pack.Amps"], {"Pack": ("Amps",)}),
        (["Pack.Amps", "Pack", "Pack.Amps"], {"Pack": ("Amps", "Volts")}),
        (["can1:Box.Torque"], {"can1:Box": ("Torque",)}), (["can1:Box"], {"can1:Box": ("Torque",)}),
        (["Box.Torque"], {"can0:Box": ("Torque",), "can1:Box": ("Torque",)}),
        (["can0:Pack.Volts"], {"Pack": ("Volts",)}),
    ],
)  # fmt: skip
def test_signals_are_chosen_by_message_bus_or_both(wanted: list[str], chosen: dict[str, tuple[str, ...]]) -> None:
    assert export.choose(TABLES, wanted) == chosen


def test_a_signal_that_is_not_in_the_log_is_refused() -> None:
    with pytest.raises(RequestError, match=r"no signal “can1:Pack.Volt” in this log. Did you mean “Pack.Volts”"):
        export.choose(TABLES, ["can1:Pack.Volt"])
    with pytest.raises(RequestError, match="`logscope inventory` lists the signals"):
        export.choose(TABLES, ["zzzz"])


def test_no_two_files_have_one_name_where_letter_case_does_not_count(tmp_path: Path) -> None:
    names = export._file_names(["Box", "box", "a:b", "a/b", "a-b", "a b_c.d@1"])
    assert list(names.values()) == ["Box", "box-2", "a-b", "a-b-2", "a-b-3", "a b_c.d@1"]
    asked: list[Path] = []
    (tmp_path / "Pack.csv").write_text("", encoding="utf-8")
    written = export.write_messages(
        TABLES, {"Pack": ("Volts",), "S.I": ("I",)}, tmp_path, ".csv", labels=False, allow=asked.append
    )
    assert asked == [tmp_path / "Pack.csv"]
    assert [path.name for path in written] == ["Pack.csv", "S.I.csv"]
    assert written[0].read_text(encoding="utf-8").splitlines() == ['"time_s [s]","Volts [V]"', "0,1", "1,", "2,3"]


def test_a_value_is_held_for_five_periods() -> None:
    at, value = np.array([0.0, 1.0, 2.0, 10.0]), np.array([1.0, 2.0, 3.0, 4.0])
    grid = np.array([-0.1, 0.0, 1.9, 6.9, 7.1, 10.0])
    np.testing.assert_equal(export.held(at, value, grid), [np.nan, 1.0, 2.0, 3.0, np.nan, 4.0])
    np.testing.assert_equal(export.held(at[:1], value[:1], np.array([-1.0, 99.0])), [np.nan, 1.0])
    gone = np.array([1.0, np.nan, 3.0, 4.0])  # what is no sample leaves a period of two seconds
    np.testing.assert_equal(export.held(at, gone, np.array([1.5, 9.9])), [1.0, 3.0])
    wide = export.wide_table(TABLES, {"Pack": ("Volts",)}, 0.5, 2.0)
    assert wide.column_names == ["time_s", "Pack.Volts"]
    for end_s, rows in ((2.2, 5), (2.3, 6)):  # to the nearest step
        assert export.wide_table(TABLES, {}, 0.5, end_s).num_rows == rows
    assert wide["Pack.Volts"].to_pylist() == [1.0, 1.0, 1.0, 1.0, 3.0]
    assert (
        wide.schema.metadata[b"resampling"]
        == b"latest sample at or before each time, held for 5 periods; a row every 0.5 s"
    )
    assert wide.schema.field("Pack.Volts").metadata == {b"unit": b"V"}


def console(*seconds: float, dated: bool = False) -> SerialLog:
    zero = DATES_FROM_NS if dated else 0
    spec = MessageSpec("Cons", 0, extended=False, length=8, signals=(SignalSpec("I", 0, 8), SignalSpec("U", 0, 8)))
    times = np.array([zero + round(each * 1e9) for each in seconds], np.int64)
    some = Samples(times, np.arange(times.size, dtype=float))
    none = Samples(times[:0], np.zeros(0))
    return SerialLog(spec, {"I": some, "U": none}, dated=dated)


def test_a_console_has_a_table_for_each_signal_that_it_printed() -> None:
    tables = serial_tables(console(1.0, 2.0), 10**9)
    assert list(tables) == ["Cons.I"]
    made = tables["Cons.I"]
    assert (made.message, made.bus, made.start_ns) == ("Cons", "", 10**9)
    assert (made.time_s.tolist(), made.columns["I"].tolist(), made.absent) == ([0.0, 1.0], [0.0, 1.0], {})


def test_consoles_are_laid_on_one_clock_from_their_first_sample() -> None:
    found = decode_capture(Capture((), (console(3.0, 5.0), console(2.0, 4.0))), Decoder([]))
    assert (found.start_ns, found.end_ns) == (2 * 10**9, 5 * 10**9)
    assert found.seconds(found.end_ns) == 3.0
    assert found.tables["Cons.I"].time_s.tolist() == [0.0, 2.0]  # of the second console, from the first's start
    with pytest.raises(LogError, match="different clocks: one has no dates"):
        decode_capture(Capture((), (console(3.0), console(2.0, dated=True))), Decoder([]))
    with pytest.raises(LogError, match="no frame and no sample could be read"):
        decode_capture(Capture((), (console(),)), Decoder([]))


DBC = """VERSION ""
BU_: A
BO_ 256 Box: 2 A
 SG_ Low : 0|8@1+ (1,0) [0|255] "V" A
 SG_ High : 8|8@1+ (2,0) [0|510] "A" A
"""


def recorded(folder: Path, *seconds: float) -> Capture:
    path = folder / "made.log"
    path.write_text("".join(f"({at:.6f}) can0 100#0{k}1{k}\n" for k, at in enumerate(seconds)), encoding="utf-8")
    return read(path)


def test_what_is_wanted_is_decoded_or_all_that_is_defined(tmp_path: Path) -> None:
    (tmp_path / "made.dbc").write_text(DBC, encoding="utf-8")
    capture = recorded(tmp_path, 1.0, 2.0)
    every = decode_tables(capture, definitions=tmp_path / "made.dbc")
    assert every.tables["Box"].columns["Low"].tolist() == [0.0, 1.0]
    assert every.tables["Box"].columns["High"].tolist() == [32.0, 34.0]
    some = decode_tables(capture, definitions=[tmp_path / "made.dbc"], wanted=[(None, "Box", "High")])
    assert list(some.tables["Box"].columns) == ["High"]
    assert (every.start_ns, every.end_ns, every.account.frames, every.counts.decoded) == (10**9, 2 * 10**9, 2, 2)
    pairs, skipped = read_definitions(None, tmp_path / "made.dbc")
    assert [(bus, [message.name for message in messages]) for bus, messages in pairs] == [(None, ["Box"])]
    assert skipped == ()


def test_frames_and_a_console_need_one_clock(tmp_path: Path) -> None:
    """Frames that count from their own start say nothing of a console's, unless the clocks have been joined."""
    frames = recorded(tmp_path, 1.0, 9.0)
    both = replace(frames, serial=(console(3.0, 5.0),))
    with pytest.raises(LogError, match="different clocks"):
        decode_capture(both, Decoder([]))
    joined = decode_capture(replace(both, clocks=(JointClock("a", "b", 0.0),)), Decoder([]))
    assert (joined.start_ns, joined.end_ns) == (10**9, 9 * 10**9)
    silent = decode_capture(replace(frames, serial=(console(),)), Decoder([]))  # it printed nothing
    assert (silent.start_ns, silent.end_ns) == (10**9, 9 * 10**9)
    dated = recorded(tmp_path, 1_700_000_001.0, 1_700_000_002.0)
    late = decode_capture(replace(dated, serial=(console(700_000_000.0, dated=True),)), Decoder([]))
    assert (late.start_ns, late.end_ns) == (1_700_000_000 * 10**9, 1_700_000_002 * 10**9)
    nothing = replace(next(iter(frames.blocks)), frames=concatenate([]))
    beside = decode_capture(Capture((nothing,), (console(3.0, 5.0),)), Decoder([]))
    assert (beside.start_ns, beside.end_ns) == (3 * 10**9, 5 * 10**9)


def test_one_description_of_columns_serves_a_log() -> None:
    assert formats_of(None) == (None, ())
    columns = {"time": "t", "identifier": "i", "data": "d"}
    one = Vehicle.model_validate({"can": [{"columns": columns}, {"bus": "b", "columns": columns}]})
    assert formats_of(one)[0] == one.can[0].columns
    two = Vehicle.model_validate({"can": [{"columns": columns}, {"bus": "b", "columns": {**columns, "time": "x"}}]})
    with pytest.raises(VehicleError, match=r"two .* sections describe different columns"):
        formats_of(two)


def test_the_schema_has_every_part_with_its_meaning_and_unit() -> None:
    schema = json.loads(vehicle_schema())
    assert list(schema)[:2] == ["$schema", "title"]
    assert schema["title"] == "logscope vehicle file"
    signals = schema["properties"]["signals"]
    assert (set(signals["properties"]), signals["additionalProperties"]) == (set(PARTS), False)
    assert signals["properties"]["slip"]["description"] == "slip frequency of an induction motor [Hz]"
    assert signals["properties"]["brake"]["description"] == "brake pedal"
    assert "path" not in schema["properties"]
