"""What `inventory`, `signals`, `plot`, `draft`, `seek`, `trend`, `shelf` and `vehicle` do, as functions of paths."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import Account
from logscope.capture.open import Capture
from logscope.errors import RequestError
from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs

if TYPE_CHECKING:
    from logscope.arrays import FloatArray
    from logscope.checks.needs import Readiness
    from logscope.history.rows import History
    from logscope.inventory.collect import Inventory
    from logscope.seeking.hits import Found
    from logscope.shelf.archive import Archive
    from logscope.shelf.fill import Tally
    from logscope.signals import Signals
    from logscope.survey.collect import SignalRow
    from logscope.survey.plot import SignalPlot
    from logscope.vehicle import Vehicle

Watch = Callable[[Capture], Capture]  # gets each opened capture and gives it back, to count what passes


def _unwatched(capture: Capture) -> Capture:
    return capture


def take_inventory(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    bit_rate: int | Mapping[str | None, int] | None = None,
    watch: Watch = _unwatched,
) -> Inventory:
    """List what is in a log: buses with their load, identifiers with their periods, lengths and changing bytes.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus, and the columns of delimited logs.
    definitions : path or paths, optional
        Definition files for every bus, beside or instead of those of the vehicle.
    bit_rate : int or mapping, optional
        Of every bus [bit/s], or by the name of the bus; without it, what the vehicle file states or the spacing of
        frames shows.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Inventory
        `buses`, `messages`, names that are defined but `unseen`, and what of the definitions was `skipped`.

    Raises
    ------
    LogscopeError
        Where a log, the vehicle file or a definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.take_inventory("sample_logs/hazel-healthy.log", definitions="decoders/hazel.dbc")
    >>> [bus.name for bus in found.buses], found.messages[0].name
    (['can0', 'can1'], 'InverterMotion')
    """
    from logscope.decoded import read_definitions
    from logscope.inventory.collect import count_frames

    known = None if vehicle is None else loaded(vehicle)
    pairs, skipped = read_definitions(known, definitions)
    blocks = watch(open_logs(as_paths(logs), known, joint=False)).blocks
    return replace(count_frames(blocks, pairs, {} if known is None else known.bit_rates, bit_rate), skipped=skipped)


@dataclass(frozen=True, slots=True)
class SignalList:
    """Every signal of a log.

    Attributes
    ----------
    rows : tuple of SignalRow
        Samples, period, lowest, highest and last value, and the part that each resembles.
    duration_s : float
        The length of the log [s].
    account : Account
        What the log held.
    notes : tuple of str
        What of the log and the definitions could not be used.
    """

    rows: tuple[SignalRow, ...]
    duration_s: float
    account: Account
    notes: tuple[str, ...]


def list_signals(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    watch: Watch = _unwatched,
) -> SignalList:
    """Every signal that a log holds, in figures, with the part of a drive system that it resembles.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus, and the columns of delimited logs.
    definitions : path or paths, optional
        DBC, KCD, SYM or ARXML files, and TOML files of serial consoles.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    SignalList

    Raises
    ------
    LogscopeError
        Where there are no definitions, or a log or definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.list_signals("sample_logs/hazel-healthy.log", definitions="decoders/hazel.dbc")
    >>> next(row.resembles for row in found.rows if row.name == "InverterHv.DcLinkVoltage")
    'dc_link_voltage'
    """
    from logscope.decoded import decode_tables
    from logscope.survey.collect import survey

    known = _defining(vehicle, definitions)
    decoded = decode_tables(watch(open_logs(as_paths(logs), known)), known)
    return SignalList(survey(decoded), decoded.seconds(decoded.end_ns), decoded.account, decoded.notes)


def plot_signals(
    logs: Paths,
    signals: str | Sequence[str],
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    from_s: float | None = None,
    until_s: float | None = None,
    watch: Watch = _unwatched,
) -> SignalPlot:
    """Signals of a log on one time axis. Only those are decoded.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    signals : str or sequence of str
        “Message.Signal”, or with a vehicle file the name of a part, which is shown as the checks see it.
    vehicle, definitions, watch
        As for `list_signals`.
    from_s, until_s : float, optional
        The stretch to show [s] from the start of the log; without them the whole log.

    Returns
    -------
    SignalPlot
        Write it with `to_html` or `to_png`.

    Raises
    ------
    LogscopeError
        Where a signal is not defined or not in the log, the stretch is empty, or a file cannot be used.

    Examples
    --------
    >>> import logscope
    >>> plot = logscope.plot_signals("sample_logs/hazel-healthy.log", "motor_speed", "decoders/hazel.toml", until_s=20)
    >>> plot.parts[0].unit, plot.window
    ('rpm', (0.0, 20.0))
    """
    from logscope.decoded import decode_tables
    from logscope.survey.pick import picked, request
    from logscope.survey.plot import SignalPlot

    known = _defining(vehicle, definitions)
    asked = request([signals] if isinstance(signals, str) else list(signals), known)
    decoded = decode_tables(watch(open_logs(as_paths(logs), known)), known, wanted=asked.wanted)
    end_s = decoded.seconds(decoded.end_ns)
    window = (0.0 if from_s is None else float(from_s), end_s if until_s is None else float(until_s))
    if not window[0] < window[1]:
        raise RequestError(
            f"there is nothing between {window[0]:g} and {window[1]:g} s", do=f"The log is {end_s:.3f} s long."
        )
    return SignalPlot(tuple(picked(asked, known, decoded)), window, decoded.account.files, decoded.notes)


def _defining(vehicle: Vehicle | Path | str | None, definitions: Paths) -> Vehicle:
    """The vehicle file alone, or one that has the definitions and nothing else."""
    from logscope.draft.draft import undrafted

    known = None if vehicle is None else loaded(vehicle)
    paths = as_paths(definitions)
    return known if known is not None and not paths else undrafted(paths, "vehicle.toml", like=known)


@dataclass(frozen=True, slots=True)
class Draft:
    """A first vehicle file.

    Attributes
    ----------
    text : str
        The TOML; what is doubtful is commented out, each line with its reason.
    notes : tuple of str
        What of the logs and definitions could not be used.
    """

    text: str
    notes: tuple[str, ...]


def draft_vehicle(
    logs: Paths,
    definitions: Paths = (),
    *,
    out: Path | str = "vehicle.toml",
    name: str = "",
    like: Vehicle | Path | str | None = None,
    watch: Watch = _unwatched,
) -> Draft:
    """Propose which signal plays which part, from names, units and behaviour. Nothing is written.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    definitions : path or paths
        DBC, KCD, SYM or ARXML files, and TOML files of serial consoles.
    out : path
        Where you will keep the vehicle file: definitions are named relative to it.
    name : str, optional
        Of the vehicle; without it the name of the file.
    like : Vehicle or path, optional
        A vehicle file whose definitions and columns are taken over.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Draft

    Raises
    ------
    LogscopeError
        Where there are no definitions, or a log or definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> draft = logscope.draft_vehicle("sample_logs/hazel-healthy.log", "decoders/hazel.dbc", name="Hazel")
    >>> "InverterHv.DcLinkVoltage" in draft.text
    True
    """
    from logscope.draft.draft import draft_text, undrafted

    known = undrafted(as_paths(definitions), Path(out), name, None if like is None else loaded(like))
    return Draft(*draft_text(watch(open_logs(as_paths(logs), known)), known))


def seek(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    like: str = "",
    like_log: str = "",
    at: Sequence[float] = (),
    within_s: float = 1.0,
    watch: Watch = _unwatched,
) -> Found:
    """Find fields that have no definition by how they behave.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus; the parts that it maps serve as references.
    definitions : path or paths, optional
        Definition files for every bus. The bits that any definition names are left out of the search.
    like : str, optional
        A part to find (`logscope.PARTS`).
    like_log : str, optional
        "other.csv:column": a series to find. Its clock may be another one.
    at : sequence of float, optional
        Moments at which you switched something [s from the capture's start].
    within_s : float
        How exact these moments are [s].
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Found
        `hits`, the best first, each with `score` (0 to 1), `false_positive_rate`, `reasons` and `dbc_line`; those that
        are more than chance are `standing_out`. Without a wish every identifier is divided into fields.

    Raises
    ------
    LogscopeError
        Where a log, the vehicle file or a definition cannot be used, or the part is one that cannot be sought.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.seek("sample_logs/hazel-healthy.log", like="dc_link_voltage")
    >>> found.hits[0].candidate.name
    'can0 0x0A5 3|12@0+'
    """
    from logscope.decoded import read_definitions
    from logscope.seeking.gather import gather
    from logscope.seeking.search_log import refuse, search_log

    refuse(like, like_log, at)
    known = None if vehicle is None else loaded(vehicle)
    pairs, skipped = read_definitions(known, definitions)
    streams, start_ns = gather(watch(open_logs(as_paths(logs), known)).blocks)
    parts = {} if known is None or not known.signals else _known_parts(as_paths(logs), known, start_ns)
    found = search_log(streams, pairs, parts, like=like, like_log=like_log, at=at, within_s=within_s)
    return replace(found, left_out=tuple(f"{place.where}: {place.text}: {place.reason}" for place in skipped))


def _known_parts(logs: Sequence[Path], vehicle: Vehicle, start_ns: int) -> dict[str, tuple[FloatArray, FloatArray]]:
    """The quantities that a vehicle file maps: times [s] from a stamp [ns], and values in the parts' units."""
    from logscope.decoded import decode_capture, mapped_bindings
    from logscope.decoding.tables import Decoder
    from logscope.definitions.load import vehicle_definitions
    from logscope.mapping import build_signals
    from logscope.parts import PARTS, Role

    definitions, skipped = vehicle_definitions(vehicle)
    bindings, _ = mapped_bindings(vehicle, definitions, skipped)
    bindings = [each for each in bindings if each.part in PARTS and PARTS[each.part].role is Role.QUANTITY]
    decoded = decode_capture(open_logs(logs, vehicle), Decoder(definitions, wanted={each.wanted for each in bindings}))
    signals = build_signals(vehicle, bindings, decoded.tables, decoded.seconds(decoded.end_ns))
    later_s = (decoded.start_ns - start_ns) / 1e9
    return {name: (part.time_s + later_s, part.value) for name, part in signals.parts.items()}


def trend(
    places: Paths,
    vehicle: Vehicle | Path | str,
    *,
    notes: Path | str | None = None,
    fresh: bool = False,
    watch: Watch = _unwatched,
) -> History:
    """Key measures over all logs of a project, one row a log, and what drifts from log to log.

    Parameters
    ----------
    places : path or paths
        Logs, or folders of logs.
    vehicle : Vehicle or path
        The vehicle file.
    notes : path, optional
        What was changed and when: CSV (`date,text`) or TOML.
    fresh : bool
        Check every log again and keep nothing. Otherwise rows are kept, by the content of the log, in the cache folder
        of the system, so that the next time is quick.
    watch : callable, optional
        Gets each opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    History
        `rows` in order of time with `values` by measure, `drifts`, and logs `skipped` with the reason.

    Raises
    ------
    LogscopeError
        Where the vehicle file or the notes cannot be used, or no log can be read.

    Examples
    --------
    >>> import logscope
    >>> history = logscope.trend("sample_logs/hazel-healthy.log", "decoders/hazel.toml", fresh=True)
    >>> [Path(row.log).name for row in history.rows]
    ['hazel-healthy.log']
    """
    from logscope.history.cache import cache_folder
    from logscope.history.collect import collect, find_logs
    from logscope.history.notes import read_notes
    from logscope.pipeline import check

    known = loaded(vehicle)
    notes_path = None if notes is None else Path(notes)
    return collect(
        find_logs(as_paths(places), notes_path),
        known,
        lambda log: check(watch(open_logs([log], known)), known),
        () if notes_path is None else read_notes(notes_path),
        None if fresh else cache_folder(),
    )


def fill_archive(
    places: Paths,
    out: Path | str,
    vehicle: Path | str | None = None,
    *,
    pages: bool = False,
    again: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    limit_s: float = 600.0,
    memory_MB: float | None = None,
    watch: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Archive, Tally]:
    """Check all logs of many drives, each in a process of its own, and keep the results as Parquet.

    Parameters
    ----------
    places : path or paths
        Folders of logs, logs, or URLs that fsspec reads.
    out : path
        The folder of the archive: a new or empty one, or that of an earlier run, which is brought up to date.
    vehicle : path, optional
        The vehicle file of all logs. Without it, each takes the nearest `vehicle.toml` in its folder or above.
    pages : bool
        Also write the report of each log into the archive.
    again : bool
        Check again what failed before.
    workers : int, optional
        Logs at a time on this machine; all its cores if not given.
    scheduler : str, optional
        Address of a running Dask scheduler, on whose workers the logs are checked instead.
    limit_s : float
        After this time [s] the check of a log is stopped.
    memory_MB : float, optional
        What the check of one log may use (on Linux); the machine's memory over the workers if not given.
    watch : callable, optional
        Gets how many logs are done, and of how many.

    Returns
    -------
    tuple of Archive and Tally
        The archive, and how many logs were found, kept, checked and failed.

    Raises
    ------
    LogscopeError
        Where a place does not exist, the folder is no archive, or the disk is full. A log that cannot be checked is no
        error: its row says why.

    Examples
    --------
    >>> import logscope
    >>> archive, tally = logscope.fill_archive("logs", "archive")  # doctest: +SKIP
    >>> archive.rows().groupby("severity").size()  # doctest: +SKIP
    """
    from logscope.shelf.archive import open_or_create
    from logscope.shelf.cluster import on_cluster
    from logscope.shelf.engine import memory_share, on_this_machine
    from logscope.shelf.fill import Wishes, fill
    from logscope.shelf.find import Search
    from logscope.shelf.places import name_of

    names = [name_of(place) for place in ([places] if isinstance(places, str | Path) else places)]
    search = Search(None if vehicle is None else Path(vehicle))
    if search.vehicle is not None:
        loaded(search.vehicle)
    archive = open_or_create(Path(out))
    crew = workers or os.cpu_count() or 1
    if scheduler is not None:
        wishes = Wishes(pages, again, limit_s, memory_MB, portable=True)
        return archive, fill(archive, search, names, lambda jobs: on_cluster(jobs, scheduler), wishes, watch)
    wishes = Wishes(pages, again, limit_s, memory_MB or memory_share(crew))
    return archive, fill(archive, search, names, lambda jobs: on_this_machine(jobs, crew), wishes, watch)


@dataclass(frozen=True, slots=True, eq=False)
class VehicleReadiness:
    """What can be checked with a vehicle file.

    Attributes
    ----------
    name : str
        Of the vehicle.
    checks : list of Readiness
        Of each check: whether it runs, what it wants, and what would make it stronger.
    signals : Signals or None
        The parts with samples, where a log was given.
    sources : mapping of str to str
        The signal that is mapped to each part.
    """

    name: str
    checks: list[Readiness]
    signals: Signals | None = None
    sources: Mapping[str, str] = field(default_factory=dict)


def vehicle_readiness(
    vehicle: Vehicle | Path | str, logs: Paths = (), *, watch: Watch = _unwatched
) -> VehicleReadiness:
    """Say which checks a vehicle file allows, and with which further signals and numbers they would be stronger.

    Parameters
    ----------
    vehicle : Vehicle or path
        The vehicle file.
    logs : path or paths, optional
        A recording: only what it holds then counts as mapped.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    VehicleReadiness

    Raises
    ------
    LogscopeError
        Where the vehicle file, its definitions or a log cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.vehicle_readiness("decoders/hazel.toml")
    >>> all(each.runs for each in found.checks)
    True
    """
    from logscope.checks.needs import readiness
    from logscope.pipeline import check

    known = loaded(vehicle)
    given = known.model_dump(exclude={"path", "signals", "can", "serial", "load"})
    keys = {
        f"{section}.{key}" for section, values in given.items() for key, value in values.items() if value is not None
    }
    if not as_paths(logs):
        return VehicleReadiness(
            known.vehicle.name, readiness(known.signals, keys, loads=bool(known.load)), sources=_sources(known)
        )
    result = check(watch(open_logs(as_paths(logs), known)), known, only="limits")
    checks = readiness(result.signals.parts, keys, loads=bool(result.signals.loads))
    return VehicleReadiness(known.vehicle.name, checks, result.logged, result.sources)


def _sources(vehicle: Vehicle) -> dict[str, str]:
    return {part: mapped.signal for part, mapped in vehicle.signals.items()}
