"""What an archive must survive, once a call; `python tests/shelf/trials_of_archives.py 100` makes each a hundred times.

Each trial raises AssertionError where an archive cannot be read, lacks a log, or has one twice. After whatever
happened, the next run must give what a run without it gives.
"""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from threading import Event, Thread

import numpy as np
from small_shelf import START_S, contents, filled, write_log, write_vehicle

import logscope
from logscope.errors import RequestError

ROOT = Path(__file__).parents[2]
_LOGS = 8
_LONGEST_S = 2.0  # from the first write of a run to its end, on a busy machine
_GROWS_S = 0.5


def _shelf(folder: Path) -> Path:
    logs = folder / "my logs"
    write_vehicle(logs, "Hazel")
    for day in range(_LOGS):
        write_log(logs / f"{day}.log", day, 0x1000 + day)
    return logs


def _is_readable(archive: Path) -> None:
    """Every table opens, and no recording is there twice, or in part."""
    opened = logscope.open_archive(archive)
    rows = opened.rows()
    assert rows.key.is_unique, "a recording is there twice"
    assert not rows.logs.map(tuple).duplicated().any(), "a log is there twice"
    samples = (opened.samples(),) if len(rows) else ()  # they are written before the row
    for table in (opened.findings(), opened.measures(), opened.explanations(), *samples):
        assert set(table.key) <= set(rows.key), "a recording is there in part"


def _is_whole(logs: Path, archive: Path, folder: Path) -> None:
    """The next run completes the archive, to what a run without any trouble gives."""
    completed, _ = filled(logs, archive, signals=True)
    assert contents(completed) == contents(filled(logs, folder / "fresh", signals=True)[0]), "the archives differ"
    assert not list(archive.rglob(".logscope-*")), "what was being written is still there"


def killed(folder: Path, random: np.random.Generator, command: tuple[str, ...] = ()) -> None:
    """`kill -9` at any moment between the first write and the end.

    command : the whole program with its processes; without it this file fills the archive, which starts sooner
    """
    logs, archive = _shelf(folder), folder / "my archive"
    arguments = (
        [*command, str(logs), "--out", str(archive)] if command else [__file__, "--fill", str(logs), str(archive)]
    )
    process = subprocess.Popen(
        [sys.executable, *arguments], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(Path(__file__).parent)])},
    )  # fmt: skip
    try:
        until = time.monotonic() + 120.0
        while not (archive / "rows").is_dir() and process.poll() is None and time.monotonic() < until:
            time.sleep(0.002)
        time.sleep(
            float(random.uniform(0.0, _LONGEST_S)) ** 2 / _LONGEST_S
        )  # early moments are more often in the middle
        process.kill()
        process.wait()
    finally:
        process.kill()
        assert process.stderr is not None
        said = process.stderr.read().decode()
        process.stderr.close()
    assert archive.is_dir(), said
    _is_readable(archive)
    _is_whole(logs, archive, folder)


def whole_program_killed(folder: Path, random: np.random.Generator) -> None:
    """The command with its worker processes, killed; they end by themselves."""
    killed(folder, random, ("-m", "logscope", "shelf", "--signals", "--workers", "2"))


def disk_full(folder: Path, random: np.random.Generator) -> None:
    """At any byte: the file that did not fit is not there, and the run says why it ended."""
    logs, archive = _shelf(folder), folder / "my archive"
    room = int(random.integers(300, 250_000))
    plain = os.fsync

    def sync(number: int) -> None:  # of each file that is written, before it gets its name
        nonlocal room
        size = os.fstat(number).st_size
        if size > room:
            os.ftruncate(number, room)
            raise OSError(errno.ENOSPC, "No space left on device")
        room -= size
        plain(number)

    os.fsync = sync
    said = "No space left"
    try:
        filled(logs, archive, signals=True)
    except RequestError as error:
        said = str(error)
    finally:
        os.fsync = plain
    assert "No space left" in said
    _is_readable(archive)
    _is_whole(logs, archive, folder)


def grows(folder: Path, random: np.random.Generator) -> None:
    """A log that a logger still writes, in pieces that end anywhere, over several runs."""
    logs, archive = _shelf(folder), folder / "my archive"
    growing, ended = logs / "growing.log", Event()
    write_log(growing, 100)

    def write() -> None:
        until, count = time.monotonic() + _GROWS_S, 0
        with growing.open("a", encoding="utf-8") as file:
            while time.monotonic() < until:
                line = f"({START_S + 86_400 * 100 + 2 + 0.1 * count:.6f}) can0 100#10000000\n"
                cut = int(random.integers(0, len(line)))
                for piece in (line[:cut], line[cut:]):
                    file.write(piece)
                    file.flush()
                    time.sleep(0.001)
                count += 1
        ended.set()

    logger = Thread(target=write)
    logger.start()
    try:
        while not ended.is_set():
            filled(logs, archive, signals=True)
            _is_readable(archive)
    finally:
        logger.join()
    _is_whole(logs, archive, folder)


TRIALS: tuple[Callable[[Path, np.random.Generator], None], ...] = (killed, disk_full, grows)


def main() -> None:
    if sys.argv[1:2] == ["--fill"]:
        filled(Path(sys.argv[2]), Path(sys.argv[3]), signals=True)
        return
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for trial in (*TRIALS, whole_program_killed):
        if sys.argv[2:] and trial.__name__ not in sys.argv[2:]:
            continue
        failed = 0
        for seed in range(times):
            with tempfile.TemporaryDirectory() as place:
                try:
                    trial(Path(place), np.random.default_rng(seed))
                except AssertionError as error:
                    failed += 1
                    print(f"{trial.__name__}, seed {seed}: {error!r}")
        print(f"{trial.__name__}: {times} trials, {failed} failed", flush=True)


if __name__ == "__main__":
    main()
