"""Some signals on one time axis: `plot`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.errors import RequestError
from logscope.files import Paths, as_paths
from logscope.logs import open_logs
from logscope.tasks.common import Watch, defining, unwatched

if TYPE_CHECKING:
    from logscope.survey.plot import SignalPlot
    from logscope.vehicle import Vehicle


def plot_signals(
    logs: Paths,
    signals: str | Sequence[str],
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    from_s: float | None = None,
    until_s: float | None = None,
    watch: Watch = unwatched,
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

    known = defining(vehicle, definitions)
    asked = request([signals] if isinstance(signals, str) else list(signals), known)
    decoded = decode_tables(watch(open_logs(as_paths(logs), known)), known, wanted=asked.wanted)
    end_s = decoded.seconds(decoded.end_ns)
    window = (0.0 if from_s is None else float(from_s), end_s if until_s is None else float(until_s))
    if not window[0] < window[1]:
        raise RequestError(
            f"there is nothing between {window[0]:g} and {window[1]:g} s", do=f"The log is {end_s:.3f} s long."
        )
    return SignalPlot(tuple(picked(asked, known, decoded)), window, decoded.account.files, decoded.notes)
