"""How long it takes, and how much memory, to bring a log into DataFrames; beside the libraries for the same.

    python tests/benchmarks/read_candump.py [frames]

A made log with 40 identifiers, 12 of them defined with four signals each, is read and decoded:
a candump log by logscope, and by python-can with cantools; an MF4 log by logscope, and by asammdf.
Each way runs in a process of its own: three times for the time once started (imports and compilation
aside; the middle one counts), and once for the whole process from its start to its end. The DataFrames
of all ways are compared. Then whole processes in turn, five times each, from their start to their end: logscope's
decoding of the candump log from Python, its command `decode` to Parquet files, and asammdf's import and decoding of
the same frames as MF4. Nothing is asserted about times: they depend on the machine.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

DEFINED, IDENTIFIERS, RUNS, PROCESS_RUNS = 12, 40, 3, 5
START_S = 1_772_442_000
Frames = Mapping[str, pd.DataFrame]


# -- the material -----------------------------------------------------------------------------------


def write_material(folder: Path, count: int) -> None:
    """A definition file, and the same frames as candump text and as MF4."""
    draw = np.random.default_rng(7)
    identifiers = 0x100 + 16 * np.arange(IDENTIFIERS)
    chosen = identifiers[draw.integers(IDENTIFIERS, size=count)]
    data = draw.integers(256, size=(count, 8), dtype=np.uint8)
    micros = np.arange(count, dtype=np.int64) * 250
    (folder / "made.dbc").write_text(definitions(identifiers[:DEFINED]), encoding="utf-8")
    digits = data.tobytes().hex().upper()
    with (folder / "made.log").open("w", encoding="ascii", newline="\n") as file:
        for k, (identifier, at) in enumerate(zip(chosen.tolist(), micros.tolist(), strict=True)):
            stamp = f"{START_S + at // 1_000_000:010d}.{at % 1_000_000:06d}"
            file.write(f"({stamp}) can0 {identifier:03X}#{digits[16 * k : 16 * k + 16]}\n")
    write_mf4(folder / "made.mf4", chosen, data, micros)


def definitions(identifiers: np.ndarray) -> str:
    lines = ['VERSION ""', "BU_: Made", ""]
    for identifier in identifiers.tolist():
        lines.append(f"BO_ {identifier} Made{identifier:03X}: 8 Made")
        for k, order in enumerate(("1", "1", "0", "0")):
            start = 16 * k if order == "1" else 16 * k + 7
            sign = "+-"[k % 2]
            lines.append(f' SG_ Value{k} : {start}|16@{order}{sign} (0.1,-{k}) [0|0] "V" Made')
        lines.append("")
    return "\n".join(lines)


def write_mf4(path: Path, identifiers: np.ndarray, data: np.ndarray, micros: np.ndarray) -> None:
    """Bus logging as in the ASAM standard, all frames in one group."""
    from asammdf import MDF, Signal, Source

    fields = [("BusChannel", "u1"), ("ID", "<u4"), ("IDE", "u1"), ("DLC", "u1"), ("DataLength", "u1")]
    kind = np.dtype(
        [(f"CAN_DataFrame.{name}", sort) for name, sort in fields] + [("CAN_DataFrame.DataBytes", "(8,)u1")]
    )
    records = np.zeros(len(identifiers), kind)
    records["CAN_DataFrame.BusChannel"] = 1
    records["CAN_DataFrame.ID"] = identifiers
    records["CAN_DataFrame.DLC"] = records["CAN_DataFrame.DataLength"] = 8
    records["CAN_DataFrame.DataBytes"] = data
    source = Source("made", "made", "", Source.SOURCE_BUS, Source.BUS_TYPE_CAN)
    with MDF(version="4.10") as mdf:
        mdf.append(Signal(records, micros / 1e6, name="CAN_DataFrame", source=source))
        mdf.groups[0].channel_group.flags = 6  # a bus event, with plain bus events in it
        mdf.save(path, overwrite=True)


# -- the ways ---------------------------------------------------------------------------------------


def by_logscope(log: Path, folder: Path) -> Frames:
    import logscope

    return logscope.decode(logscope.read(log), definitions=[folder / "made.dbc"])


def logscope_candump(folder: Path) -> Frames:
    return by_logscope(folder / "made.log", folder)


def logscope_mf4(folder: Path) -> Frames:
    return by_logscope(folder / "made.mf4", folder)


def python_can_and_cantools(folder: Path) -> Frames:
    import can
    import cantools

    known = {message.frame_id: message for message in cantools.database.load_file(folder / "made.dbc").messages}
    rows: dict[str, list[dict[str, Any]]] = {message.name: [] for message in known.values()}
    stamps: dict[str, list[float]] = {name: [] for name in rows}
    with can.LogReader(folder / "made.log") as reader:
        for frame in reader:
            if message := known.get(frame.arbitration_id):
                rows[message.name].append(message.decode(frame.data, decode_choices=False))
                stamps[message.name].append(frame.timestamp)
    return {name: pd.DataFrame(rows[name], index=stamps[name]) for name in rows}


def asammdf_bus_logging(folder: Path) -> Frames:
    import asammdf

    with asammdf.MDF(folder / "made.mf4") as mdf:
        extracted = mdf.extract_bus_logging({"CAN": [(folder / "made.dbc", 0)]})
        frames = {}
        for index in range(len(extracted.groups)):
            frame = extracted.get_group(index)
            name = extracted.groups[index].channel_group.comment or extracted.groups[index].channel_group.acq_name
            frames[str(name)] = frame.rename(columns=lambda column: str(column).rsplit(".", 1)[-1])
        return frames


WAYS: dict[str, Callable[[Path], Frames]] = {
    way.__name__: way for way in (logscope_candump, python_can_and_cantools, logscope_mf4, asammdf_bus_logging)
}


# -- one process ------------------------------------------------------------------------------------


def measure(way: str, folder: Path, runs: int) -> None:
    """Print what one way took, as JSON: seconds of each run, peak memory, and sums to compare the values by."""
    if runs > 1:
        WAYS[way](folder / "warm")  # imports, and compilation where there is any
    seconds = []
    for _ in range(runs):
        begin = time.perf_counter()
        frames = WAYS[way](folder)
        seconds.append(time.perf_counter() - begin)
    sums = sorted(float(frame[f"Value{k}"].sum()) for frame in frames.values() for k in range(4))
    rows = sum(len(frame) for frame in frames.values())
    print(json.dumps({"seconds": seconds, "peak_MB": peak_megabytes(), "rows": rows, "sums": sums}))


def peak_megabytes() -> float | None:
    """The most memory that this process has held, MB; None where the system does not tell."""
    try:
        import resource
    except ImportError:  # Windows
        return None
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


# -- all of them ------------------------------------------------------------------------------------


def run(way: str, folder: Path, runs: int) -> dict[str, Any]:
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, "--measure", way, str(folder), str(runs)], check=True, stdout=subprocess.PIPE
    )
    return {**json.loads(done.stdout), "process_s": time.perf_counter() - begin}


def compare(title: str, ours: str, theirs: str, folder: Path, count: int) -> None:
    print(f"\n{title}, {count:,} frames")
    results = {}
    for way in (ours, theirs):
        started, whole = run(way, folder, RUNS), run(way, folder, 1)
        middle = statistics.median(started["seconds"])
        memory = "not known" if whole["peak_MB"] is None else f"{whole['peak_MB']:,.0f} MB"
        results[way] = (middle, whole["process_s"], whole["peak_MB"], started)
        name = way.replace("_", " ")
        print(
            f"  {name:26} {middle:8.3f} s once started   {whole['process_s']:7.2f} s whole process   {memory} at most"
        )
    first, second = results[ours], results[theirs]
    same = first[3]["rows"] == second[3]["rows"] and np.allclose(first[3]["sums"], second[3]["sums"], rtol=1e-9)
    lighter = f", {second[2] / first[2]:.1f} in memory" if first[2] else ""
    faster, as_process = second[0] / first[0], second[1] / first[1]
    print(f"  ratio: {faster:.1f} in time once started, {as_process:.1f} as a process{lighter}")
    print(f"  the same {first[3]['rows']:,} rows and values: {'yes' if same else 'NO'}")


def as_processes(folder: Path, count: int) -> None:
    """Wall-clock and processor time of whole processes, the middle one of each."""
    measured = [sys.executable, __file__, "--measure"]
    decode = ["-m", "logscope", "decode", str(folder / "made.log"), "--definitions", str(folder / "made.dbc")]
    ways = {
        "logscope.decode of candump": [*measured, "logscope_candump", str(folder), "1"],
        "command decode to Parquet": [sys.executable, *decode, "--out", str(folder / "tables")],
        "asammdf of MF4": [*measured, "asammdf_bus_logging", str(folder), "1"],
    }
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for _ in range(PROCESS_RUNS):
        for name, command in ways.items():
            begin, used = time.perf_counter(), children_s()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            taken[name].append((time.perf_counter() - begin, children_s() - used))
    print(f"\nwhole processes, {count:,} frames, the middle of {PROCESS_RUNS}")
    for name, runs in taken.items():
        wall_s, cpu_s = (statistics.median(column) for column in zip(*runs, strict=True))
        print(f"  {name:26} {wall_s:8.2f} s   {cpu_s:7.2f} s of processor time")


def children_s() -> float:
    """Processor time of all processes that were waited for [s]; 0 where the system does not tell."""
    times = os.times()
    return times.children_user + times.children_system


def main() -> None:
    count = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "warm").mkdir()
        write_material(folder / "warm", 1000)
        write_material(folder, count)
        compare("candump text to DataFrames", "logscope_candump", "python_can_and_cantools", folder, count)
        compare("MF4 to DataFrames", "logscope_mf4", "asammdf_bus_logging", folder, count)
        as_processes(folder, count)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        measure(sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]))
    else:
        main()
