"""A recording while it runs: threads that read, one that writes, and the description of it all."""

from __future__ import annotations

import errno
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Event, Lock, Thread

from logscope.capture.drive_folder import SERIAL_FORMS
from logscope.errors import RequestError
from logscope.recording.can_port import open_can
from logscope.recording.clock import RecordingClock
from logscope.recording.drive_file import Described, Description, DriveFile
from logscope.recording.intake import Arrived, Intake
from logscope.recording.port import Port, UnpluggedError
from logscope.recording.serial_port import SerialPort, open_serial
from logscope.recording.socketcan_port import is_possible, open_socketcan
from logscope.recording.source import Source
from logscope.recording.specs import CanSpec, SerialSpec
from logscope.recording.writers import BinaryConsoleWriter, BlfWriter, CandumpWriter, StampedLineWriter, Writer

# What a killed process or a pulled plug costs at most is the sum of both, and what the disk itself takes.
_DRAIN_S = 0.1  # how long a batch waits for the writing thread at most
_SYNC_S = 0.5
_DESCRIBE_S = 3.0
BY_USER, BY_TIME = "by the user", "after the time asked for"

Listener = Callable[[Sequence[Arrived]], None]


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be recorded, and how. blf : CAN as BLF in place of text; most_bytes : of a file before the next"""

    cans: Sequence[CanSpec]
    serials: Sequence[SerialSpec]
    folder: Path
    vehicle: str = ""
    blf: bool = False
    most_bytes: int = 256 << 20

    @property
    def given(self) -> list[str]:
        """Every source as the command line has it, in order."""
        return [*(spec.text for spec in self.cans), *(spec.text for spec in self.serials)]


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """How a source stands. count : of frames, or of a console's bytes"""

    name: str
    serial: bool
    count: int
    error_frames: int
    lost: int
    unplugged: str


class Recorder:
    """Opens the sources, then records from `start` to `stop`."""

    def __init__(
        self,
        request: Request,
        clock: RecordingClock | None = None,
        ports: Mapping[str, Callable[[], Port]] | None = None,
        listener: Listener | None = None,
    ) -> None:
        """Open what is to be recorded; nothing is written yet.

        clock, ports : exchanged in tests; ports by the source's name
        listener : gets every batch after it was written, for a view; it must not take long

        Raises RequestError where a source cannot be opened or the folder cannot be used.
        """
        self._request, self._listener = request, listener
        self.clock = clock or RecordingClock()
        refuse_used(request.folder)
        openers = {spec.bus: _can_opener(spec, self.clock) for spec in request.cans}
        openers |= {spec.name: _serial_opener(spec, self.clock) for spec in request.serials}
        openers |= ports or {}
        self.sources: list[Source] = []
        opened: list[Port] = []
        try:
            for number, (name, opener) in enumerate(openers.items()):
                opened.append(opener())
                self.sources.append(Source(number, name, opened[-1], opener, self.clock))
        except BaseException:
            for port in opened:
                port.close()
            raise
        self._ports = opened
        self._intake = Intake(len(self.sources))
        self.ended = Event()
        self._reason = ""
        self._lock = Lock()  # of the description, which keys add to while it is written

    def start(self) -> None:
        """Make the folder, and record from now on. Raises RequestError where the folder cannot be made or written."""
        request = self._request
        try:
            request.folder.mkdir(parents=True, exist_ok=True)
            self._writers = self._make_writers()
            self._drive = DriveFile(request.folder)
            for spec in request.serials:
                (request.folder / f"{spec.name}.toml").write_bytes(spec.definition.read_bytes())
            self.description = self._describe()
            self._drive.write(self.description)
        except OSError as error:
            for port in self._ports:
                port.close()
            what = f"cannot write into the folder ({error.strerror or error})"
            raise RequestError(what, where=request.folder, do="Name another.") from None
        self._thread = Thread(target=self._write, name="write", daemon=True)
        self._thread.start()
        for source in self.sources:
            source.start(self._intake)
        self._ask_consoles()

    def mark_event(self) -> float:
        """Mark this moment; returns seconds from the start."""
        with self._lock:
            self.description.events.append(self.clock.now_ns())
        return self.elapsed_s

    def note(self, text: str) -> None:
        """Keep a note with this moment."""
        with self._lock:
            self.description.notes.append((self.clock.now_ns(), text))

    @property
    def elapsed_s(self) -> float:
        """Since the start."""
        return (self.clock.now_ns() - self.clock.start_ns) / 1e9

    @property
    def reason(self) -> str:
        """Why it ended; empty while it runs."""
        return self._reason

    def status(self) -> list[SourceStatus]:
        """How each source stands."""
        return [
            SourceStatus(
                source.name,
                described.form in SERIAL_FORMS,
                source.account.frames or source.account.bytes,
                source.account.error_frames,
                source.account.lost_in_driver + lost,
                source.unplugged,
            )
            for source, described, lost in zip(self.sources, self.description.sources, self._intake.lost, strict=True)
        ]

    @property
    def written_bytes(self) -> int:
        """What is in the files so far."""
        return sum(writer.total_bytes for writer in self._writers)

    @property
    def free_bytes(self) -> int:
        """Room left on the disk."""
        return shutil.disk_usage(self._request.folder).free

    def stop(self, reason: str = BY_USER) -> None:
        """End the recording; all that has arrived is written."""
        for source in self.sources:
            source.ask_to_stop()
        for source in self.sources:
            source.wait()
        self._end(reason)
        self._thread.join()

    def _end(self, reason: str) -> None:
        with self._lock:
            self._reason = self._reason or reason
        self.ended.set()

    def _ask_consoles(self) -> None:
        for spec in self._request.serials:
            port = next(p for s, p in zip(self.sources, self._ports, strict=True) if s.name == spec.name)
            if spec.send_once and isinstance(port, SerialPort):
                try:
                    port.ask_once(spec.send_once)
                    self.note(f"sent once to {spec.name}: {spec.send_once.decode().strip()}")
                except UnpluggedError as gone:
                    self.note(f"nothing could be sent to {spec.name}: {gone}")

    def _make_writers(self) -> list[Writer]:
        from logscope.definitions.serial import load_serial_definition

        request = self._request
        writers: list[Writer] = []
        for spec in request.cans:
            place = request.folder, spec.bus, request.most_bytes
            writers.append(BlfWriter(*place) if request.blf else CandumpWriter(*place))
        for console in request.serials:
            binary = load_serial_definition(console.definition).record is not None
            place = request.folder, console.name, request.most_bytes
            writers.append(BinaryConsoleWriter(*place) if binary else StampedLineWriter(*place))
        return writers

    def _describe(self) -> Description:
        request = self._request
        described = [
            Described(
                source.name, writer.form, text, source.stamps, source.listening, source.account, writer.names,
                definition=f"{source.name}.toml" if writer.form in SERIAL_FORMS else "",
            )
            for source, writer, text in zip(self.sources, self._writers, request.given, strict=True)
        ]  # fmt: skip
        return Description(request.vehicle, self.clock.start_ns, described)

    def _write(self) -> None:
        """The writing thread, to the end of the recording."""
        synced = described = time.monotonic()
        try:
            while True:
                ending = self.ended.is_set()
                arrived = self._intake.take(0.0 if ending else _DRAIN_S)
                for number, batch in arrived:
                    self._writers[number].write(batch)
                if arrived:
                    self._tell(arrived)
                now = time.monotonic()
                if now - synced >= _SYNC_S:
                    for writer in self._writers:
                        writer.sync()
                    synced = now
                if now - described >= _DESCRIBE_S:
                    self._save(last=False)
                    described = now
                if ending and not arrived:
                    break
                if arrived and len(arrived) < 8:
                    time.sleep(0.02)  # a few batches at a time cost less than each by itself
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT)
            self._end("the disk is full" if full else f"a file could not be written ({error.strerror or error})")
        except Exception as defect:  # whatever it is, nobody must believe that more is being written
            self._end(f"of a defect of logscope while writing ({type(defect).__name__}: {defect})")
        if self._reason not in (BY_USER, BY_TIME):
            for source in self.sources:
                source.ask_to_stop()
        for writer in self._writers:
            with suppress(Exception):  # of a full disk, or of what ended the writing; what was written before is whole
                writer.close()
        self._save(last=True)

    def _tell(self, arrived: Sequence[Arrived]) -> None:
        """Hand to the listener what was written. One that fails gets no more; the recording is not touched by that."""
        if self._listener is None:
            return
        try:
            self._listener(arrived)
        except Exception:
            self._listener = None

    def _save(self, *, last: bool) -> None:
        """Write the description. Where the disk has no room for it, the former one stays."""
        with self._lock:
            for source, lost in zip(self.description.sources, self._intake.lost, strict=True):
                source.lost_in_queue = lost
            self.description.wall_moved_ns = self.clock.wall_moved_ns()
            self.description.ended = self._reason if last else ""
            try:
                (self._drive.finish if last else self._drive.write)(self.description)
            except OSError as error:
                if last or error.errno in (errno.ENOSPC, errno.EDQUOT):
                    return
                raise


def refuse_used(folder: Path) -> None:
    """Refuse a folder that holds anything. Raises RequestError."""
    if folder.is_dir() and any(folder.iterdir()):
        raise RequestError(
            "this folder is not empty, and a recording never replaces another",
            where=folder,
            do="Name a new folder.",
        )
    if folder.exists() and not folder.is_dir():
        raise RequestError("this is a file, not a folder", where=folder, do="Name a new folder.")


def _can_opener(spec: CanSpec, clock: RecordingClock) -> Callable[[], Port]:
    if spec.interface == "socketcan" and is_possible():
        return lambda: open_socketcan(spec, clock)
    return lambda: open_can(spec, clock)


def _serial_opener(spec: SerialSpec, clock: RecordingClock) -> Callable[[], Port]:
    return lambda: open_serial(spec, clock)
