"""Damaged logs, definitions and vehicle files through the whole check.

    python tests/fuzz/fuzz.py 20000 [first seed]

Each input is a sound set of files with one to a few of them damaged: cut off, bits flipped, lines swapped,
doubled or lost, numbers blown up, rubbish put in. The check must end with a result whose account closes, or
with a LogscopeError (one line, exit status 2); anything else, or more than 10 s of computing, is printed with its
seed.
"""

from __future__ import annotations

import faulthandler
import random
import re
import sys
import tempfile
import time
import warnings
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import can

from logscope.errors import LogscopeError
from logscope.logs import open_logs
from logscope.pipeline import check
from logscope.result import Result
from logscope.vehicle import load_vehicle

ROOT = Path(__file__).parents[2]
LONGEST_S = 10.0
_LINES = (9_500, 10_400)  # of the troubled sample: a stretch with a trip
_PRECHARGE = (1_100, 2_000)  # and one with its precharge
_RUBBISH = (b"\x00", b"\xff\xfe", b"(((", b"\n\n\n", b"1e999", b"nan", "Ω".encode(), b"#" * 50, b'"""', b"[[", b"-")


@dataclass(frozen=True)
class Material:
    """The sound files: logs by suffix, definitions and vehicle files by name."""

    logs: dict[str, bytes]
    others: dict[str, bytes]


def material(folder: Path) -> Material:
    """One short log in every format that can be written, and what goes with it."""
    lines = (ROOT / "sample_logs" / "hazel-troubled.log").read_bytes().splitlines(keepends=True)
    text = b"".join(lines[slice(*_PRECHARGE)] + lines[slice(*_LINES)])
    logs = {"log": text}
    plain = folder / "plain.log"
    plain.write_bytes(text)
    messages = list(can.LogReader(plain))
    for message in messages:
        message.channel = 0
    for suffix in ("asc", "blf", "trc", "csv", "db", "mf4"):
        target = folder / f"sound.{suffix}"
        with can.Logger(target) as logger:
            for message in messages:
                logger.on_message_received(message)
            while suffix == "db" and logger.num_frames < len(messages):
                time.sleep(0.05)  # its writing thread drops what still waits when it is stopped
        logs[suffix] = target.read_bytes()
    rows = ["Time;ID;Data"] + [f"{m.timestamp:.4f};{m.arbitration_id:X};{m.data.hex()}" for m in messages[:600]]
    logs["txt"] = "\n".join(rows).encode()
    console = ["boot: console 3, build 41", "t,rpm,amps,volts,heatsink,state,fault"]
    console += [f"{1000 + 20 * k},{k},{k / 10},{min(k, 200) * 1.6:.1f},41.5,Run,0" for k in range(400)]
    logs["console"] = "\n".join(console).encode()
    vehicle = (ROOT / "decoders" / "hazel.toml").read_bytes()
    parts = {name: (ROOT / "decoders" / name).read_bytes() for name in ("hazel.dbc", "hazel-console.toml")}
    serial = b'[[serial]]\ndefinitions = "hazel-console.toml"\n'
    return Material(logs, {**parts, "hazel.toml": serial + vehicle})


def damage(data: bytes, rng: random.Random) -> bytes:
    """One piece of damage."""
    if not data:
        return data
    where = rng.randrange(len(data))
    lines = data.splitlines(keepends=True)
    line = rng.randrange(len(lines))
    match rng.randrange(9):
        case 0:
            return data[:where]
        case 1:
            return data[:where] + bytes([data[where] ^ (1 << rng.randrange(8))]) + data[where + 1 :]
        case 2:
            other = rng.randrange(len(lines))
            lines[line], lines[other] = lines[other], lines[line]
            return b"".join(lines)
        case 3:
            return b"".join(lines[:line] + lines[line:][: rng.randrange(1, 20)] + lines[line:])
        case 4:
            return b"".join(lines[:line] + lines[line + rng.randrange(1, 20) :])
        case 5:
            return data[:where] + rng.choice(_RUBBISH) + data[where:]
        case 6:
            return data[:where] + rng.randbytes(rng.randrange(1, 200)) + data[where:]
        case 7:
            numbers = list(re.finditer(rb"\d+(\.\d+)?", data[where : where + 400]))
            if not numbers:
                return data
            at = rng.choice(numbers)
            new = rng.choice([b"0", b"-1", b"99999999999999999999", b"1e308", b"0.0000001", b"4294967296", b"65"])
            return data[: where + at.start()] + new + data[where + at.end() :]
        case _:
            return data[:where] + data[where : where + rng.randrange(1, 500)][::-1] + data[where + 500 :]


def attempt(sound: Material, seed: int, folder: Path) -> tuple[str, str]:
    """Outcome of one input: 'result', 'refused', or 'FAULT' with what happened."""
    rng = random.Random(seed)
    suffix = rng.choice(list(sound.logs))
    files = {**sound.others, f"log.{suffix}": sound.logs[suffix]}
    for _ in range(rng.choice((1, 1, 2, 5))):
        victim = rng.choice([f"log.{suffix}", f"log.{suffix}", *sound.others])
        files[victim] = damage(files[victim], rng)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    started = time.process_time()
    try:
        vehicle = load_vehicle(folder / "hazel.toml")
        outcome = _account_fault(check(open_logs([folder / f"log.{suffix}"], vehicle), vehicle))
        outcome = ("FAULT", outcome) if outcome else ("result", "")
    except LogscopeError as refusal:
        text = str(refusal)
        outcome = ("refused", "") if text and "\n" not in text else ("FAULT", f"bad message {text!r}")
    except Exception as fault:
        outcome = ("FAULT", f"{type(fault).__name__}: {fault}")
    took = time.process_time() - started
    slow = took >= LONGEST_S and outcome[0] != "FAULT"  # apart: the first to run compiles, and machines differ
    return ("slow", f"took {took:.1f} s") if slow else outcome


def _account_fault(result: Result) -> str:
    c, a = result.capture, result.capture.account
    result.to_json()
    if a.lines != a.frames + a.sample_lines + a.other + a.lines_bad:
        return f"lines do not close: {a}"
    known = c.frames_decoded + c.frames_undefined + c.frames_undecodable + a.error_frames + a.remote_frames
    return "" if a.frames == known else f"frames do not close: {c}"


def run(count: int, first: int = 0) -> Counter[str]:
    """Outcomes of many inputs; every fault, and what took long, is printed with its seed."""
    outcomes: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        sound = material(Path(name))
        for seed in range(first, first + count):
            print(f"\rseed {seed}", end="", file=sys.stderr, flush=True)
            faulthandler.dump_traceback_later(30 * LONGEST_S, exit=True)  # what hangs is shown where it hangs
            outcome, what = attempt(sound, seed, Path(name))
            outcomes[outcome] += 1
            if what:
                print(f"seed {seed}: {what}", flush=True)
        faulthandler.cancel_dump_traceback_later()
    return outcomes


if __name__ == "__main__":
    print(dict(run(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, int(sys.argv[2]) if len(sys.argv) > 2 else 0)))
