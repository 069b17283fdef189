"""One recording checked, in a process of its own: `python -m logscope.shelf.work` answers jobs until none comes.

Jobs and answers are pickles on standard input and output, for both ends are ours. Plain pipes instead of
multiprocessing, whose children a Dask worker may not have and which on Windows runs the main script again.
"""

from __future__ import annotations

import json
import os
import pickle
import signal
import sys
import time
from contextlib import ExitStack
from dataclasses import asdict, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from typing import TYPE_CHECKING, BinaryIO

from logscope.errors import LogscopeError
from logscope.shelf.contents import Contents
from logscope.shelf.job import CHANGED, CHECKED, Job, Outcome, VehicleFiles, base_row, failed
from logscope.shelf.keys import checks_version, mapping_version
from logscope.shelf.places import fetched, stamp_of
from logscope.shelf.samples import samples_file
from logscope.shelf.schema import ROWS

if TYPE_CHECKING:
    from logscope.findings import Finding, Measured
    from logscope.result import Result
    from logscope.shelf.schema import Record
    from logscope.vehicle import Vehicle

READY = b"ready"
_MB = 1e6
_WORN_MB = 500.0  # a process that once held this much is replaced, for what it freed stays in pieces


def serve(jobs: BinaryIO, answers: BinaryIO) -> None:
    """Say that the process is ready, then answer each job."""
    import logscope.pipeline
    import logscope.report.model  # noqa: F401  the time that imports take is no job's

    _send(answers, READY)
    while True:
        try:
            job = pickle.load(jobs)
        except EOFError:
            return
        _send(answers, checked(job))


def _send(answers: BinaryIO, answer: object) -> None:
    answers.write(pickle.dumps(answer))
    answers.flush()


def checked(job: Job) -> Outcome:
    """Check a recording; whatever is wrong with it becomes the reason in its row."""
    if job.refused:
        return failed(job, job.refused)
    before_s = time.process_time()
    worn = False
    try:
        _limit_memory(job.memory_MB)
        outcome = _checked(job)
    except LogscopeError as error:
        outcome = failed(job, str(error))
    except MemoryError:
        outcome, worn = failed(job, f"the check needs more than the {job.memory_MB:g} MB that it may use"), True
    except Exception as defect:  # of logscope or a library, which must not cost the other logs
        outcome = failed(job, f"a defect of logscope: please report it with the log ({defect!r})")
    peak_MB = _peak_memory()
    worn = worn or (peak_MB or 0.0) > _WORN_MB
    spent = {"work_s": time.process_time() - before_s, "memory_MB": peak_MB}
    return replace(outcome, tables={**outcome.tables, ROWS: [{**outcome.row, **spent}]}, worn=worn)


def _checked(job: Job) -> Outcome:
    from logscope.logs import open_logs
    from logscope.pipeline import check

    assert job.vehicle is not None
    vehicle = _vehicle(job.vehicle)
    with ExitStack() as stack:
        folder = stack.enter_context(TemporaryDirectory(prefix="logscope-", ignore_cleanup_errors=True))
        paths = [fetched(log.name, Path(folder) / str(n)) for n, log in enumerate(job.logs)]
        capture, contents = open_logs(paths, vehicle), Contents()
        result = check(replace(capture, blocks=contents.watched(capture.blocks)), vehicle)
    for log in job.logs:
        if stamp_of(log.name) not in (None, (log.size, log.modified)):
            return failed(job, f"{log.name}: the log changed while it was read. The next run reads it again.", CHANGED)
    tables = records(job, result, vehicle, contents)
    page = result.to_html() if job.report else ""
    return Outcome(job, tables, page, samples_file(job.key, result) if job.signals else b"")


@lru_cache(maxsize=4)  # a shelf has few vehicles, and their logs come one after another
def _vehicle_at(path: Path, _modified_ns: int) -> Vehicle:
    from logscope.vehicle import load_vehicle

    return load_vehicle(path)


def _vehicle(files: VehicleFiles) -> Vehicle:
    path = Path(files.path) if not files.contents else _unpacked(files)
    return _vehicle_at(path, path.stat().st_mtime_ns)


def _unpacked(files: VehicleFiles) -> Path:
    """The vehicle file among its definitions, in a folder of this machine named after their content."""
    from logscope.files import write_bytes

    digest = sha256(repr(sorted(files.contents.items())).encode()).hexdigest()[:16]
    root = Path(gettempdir()) / f"logscope-vehicle-{digest}"
    for name, content in files.contents.items():
        target = root / name
        if not (target.is_file() and target.read_bytes() == content):
            target.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(target, content)
    return root / files.path


def records(job: Job, result: Result, vehicle: Vehicle, contents: Contents) -> dict[str, list[Record]]:
    """A checked recording as the records of every table."""
    from logscope.history.history import row_of

    of = row_of(result, vehicle, job.logs[0].name, job.logs[0].modified)
    whole = [
        {"key": job.key, "name": name, **_value(value), "period_s": of.periods_s.get(name)}
        for name, value in of.values.items()
    ]
    held = {
        "identifiers": sorted(contents.identifiers),
        "content": contents.digest,
        "mapping": mapping_version(vehicle),
        "checks": checks_version(),
    }
    return {
        "rows": [{**base_row(job), **_account(result), **held, "date": of.date, "date_from": of.date_from,
                  "duration_s": of.duration_s, "tuning": json.dumps(asdict(of.tuning))}],
        "findings": [_finding(job, number, each) for number, each in enumerate(result.findings)],
        "explanations": _explanations(job, result),
        "measures": [*whole, *(each for n, f in enumerate(result.findings) for each in _measures(job, n, f))],
    }  # fmt: skip


def _account(result: Result) -> Record:
    from logscope.findings import Severity
    from logscope.report.json import capture_fields
    from logscope.report.model import verdict

    judged = verdict(result)
    counted = capture_fields(result.capture)
    taken = ("lines", "lines_bad", "lines_other", "sample_lines", "frames", "frames_decoded", "frames_undefined",
             "frames_undecodable", "error_frames", "remote_frames")  # fmt: skip
    return {
        "status": CHECKED,
        "severity": judged.severity.value,
        "headline": judged.headline,
        "advice": judged.advice,
        "dangers": sum(f.severity is Severity.DANGER for f in result.findings),
        "warnings": sum(f.severity is Severity.WARNING for f in result.findings),
        **{name: counted[name] for name in taken},
        "cautions": list(result.capture.account.cautions),
        "not_checked": [f"{item.check}: {item.reason}" for item in result.not_checked],
    }


def _finding(job: Job, number: int, finding: Finding) -> Record:
    from logscope.report.json import finding_fields

    fields = finding_fields(finding)
    return {"key": job.key, "finding": number, **fields, "count": fields.get("count")}


def _explanations(job: Job, result: Result) -> list[Record]:
    from logscope.report.json import explanation_fields

    return [
        {"key": job.key, "explanation": number, **explanation_fields(each)}
        for number, each in enumerate(result.explanations)
    ]


def _measures(job: Job, number: int, finding: Finding) -> list[Record]:
    from logscope.findings import Measured

    nothing = Measured(None, "")
    found: list[Record] = []
    for name in dict.fromkeys((*finding.measured, *finding.expected)):
        measured, expected = finding.measured.get(name, nothing), finding.expected.get(name, nothing)
        fields = _value(measured)
        wanted = {f"expected_{side}": value for side, value in _value(expected).items() if side != "unit"}
        unit = measured.unit or expected.unit
        found.append(
            {"key": job.key, "finding": number, "kind": finding.kind, "name": name, **fields, **wanted, "unit": unit}
        )
    return found


def _value(measured: Measured) -> Record:
    from logscope.report.json import measured_fields

    return measured_fields(measured)


def _limit_memory(memory_MB: float | None) -> None:
    """Bound what the process may allocate, where the system knows such a limit."""
    if sys.platform != "linux":
        return
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    resource.setrlimit(resource.RLIMIT_DATA, (hard if memory_MB is None else int(memory_MB * _MB), hard))


def _peak_memory() -> float | None:
    if sys.platform == "win32":
        return None
    import resource

    unit = 1.0 if sys.platform == "darwin" else 1024.0  # bytes there, else KiB
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / _MB


def main() -> None:
    """Serve on standard input and output; what a library prints goes to standard error."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that started this one
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    try:
        serve(sys.stdin.buffer, answers)
    except BrokenPipeError:  # who asked has gone
        os._exit(1)


if __name__ == "__main__":
    main()
