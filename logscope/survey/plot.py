"""Signals of a log on one time axis, as a page or a picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logscope.errors import RequestError
from logscope.findings import Measured
from logscope.quantities import duration_text, grouped, stated, value_text, with_unit
from logscope.report.charts import parts_chart
from logscope.report.html import render_page
from logscope.report.rows import title_of
from logscope.report.stack import Drawing
from logscope.signals import Part
from logscope.statistics.sampling import gap_threshold_s, typical_period_s

_GAPS_NAMED = 3  # of one signal


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One signal within the stretch that is shown, in words."""

    name: str
    source: str
    samples: str
    period: str
    lowest: str
    highest: str


@dataclass(frozen=True, slots=True, eq=False)
class SignalPlot:
    """Signals on one time axis.

    Attributes
    ----------
    parts : tuple of Part
        Their samples.
    window : tuple of float
        What is shown, from and until [s] from the start of the log.
    files : tuple of str
        The log files.
    notes : tuple of str
        What the user should know of how the log was read.
    """

    parts: tuple[Part, ...]
    window: tuple[float, float]
    files: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def drawing(self) -> Drawing:
        """The chart. Raises RequestError where no signal has a sample in the stretch."""
        gaps = [note for part in self.parts for note in _gap_notes(part, self.window)]
        drawn = parts_chart(self.parts, self.window, gaps)
        if drawn is None:
            raise RequestError(
                f"none of these signals has a sample from {self.window[0]:g} to {self.window[1]:g} s",
                do="Choose another stretch with --from and --until.",
            )
        return drawn

    def to_html(self, path: Path | str | None = None, *, overwrite: bool = False) -> str:
        """The chart as one HTML page that needs no network.

        Parameters
        ----------
        path : path, optional
            Where to write it as well.
        overwrite : bool
            Also over a file that logscope did not write; never over a log.

        Returns
        -------
        str

        Raises
        ------
        RequestError
            Where nothing can be drawn, or `path` must not be written over.
        """
        from logscope.outputs import HTML, write_output

        names = ", ".join(title_of(part) for part in self.parts)
        text = render_page(
            "plot.html.j2",
            title=f"Signals: {names}",
            facts=self._facts(),
            drawing=self.drawing(),
            rows=[_figures(part, self.window) for part in self.parts],
            files=self.files,
            notes=self.notes,
        )
        if path is not None:
            write_output(path, text, HTML, self.files, overwrite=overwrite)
        return text

    def to_png(self, path: Path | str | None = None, *, overwrite: bool = False) -> bytes:
        """The chart as a PNG picture, drawn by an installed browser of the Chromium family.

        Parameters
        ----------
        path : path, optional
            Where to write it as well.
        overwrite : bool
            Also over a file that logscope did not write; never over a log.

        Returns
        -------
        bytes

        Raises
        ------
        RequestError
            Where nothing can be drawn, there is no browser, or `path` must not be written over.
        """
        from logscope.files import write_bytes
        from logscope.outputs import PNG, Guard
        from logscope.pictures.png import pictures

        if path is not None:
            Guard(tuple(map(Path, self.files)), overwrite).allow(Path(path), PNG)
        (content,) = pictures([("", self.drawing())])
        if path is not None:
            write_bytes(path, content)
        return content

    def _facts(self) -> list[tuple[str, str]]:
        start, end = self.window
        return [
            ("From", with_unit(f"{start:.3f}", "s")),
            ("Until", with_unit(f"{end:.3f}", "s")),
            ("Length", duration_text(end - start)),
        ]


def _figures(part: Part, window: tuple[float, float]) -> FigureRow:
    inside = part.between(*window)
    time_s, value = part.time_s[inside], part.value[inside]
    period_s = typical_period_s(time_s)

    def text(number: float) -> str:
        return part.labels[number] if number in part.labels else with_unit(stated(number), part.unit)

    return FigureRow(
        name=title_of(part),
        source=part.source,
        samples=grouped(time_s.size),
        period=value_text(Measured(period_s, "s")) if time_s.size > 1 else "",
        lowest=text(float(value.min())) if value.size else "",
        highest=text(float(value.max())) if value.size else "",
    )


def _gap_notes(part: Part, window: tuple[float, float]) -> Iterator[str]:
    """Stretches without a sample, for a line is drawn across them."""
    inside = part.between(*window)
    time_s = part.time_s[inside]
    if time_s.size < 2:
        return
    apart_s = np.diff(time_s)
    gaps = np.flatnonzero(apart_s > gap_threshold_s(part.time_s))
    longest = sorted(gaps[np.argsort(-apart_s[gaps], kind="stable")][:_GAPS_NAMED].tolist())
    if longest:
        named = _listed([f"{time_s[at]:.3f} to {time_s[at + 1]:.3f}" for at in longest])
        more = f", and in {grouped(gaps.size - len(longest))} shorter stretches" if gaps.size > len(longest) else ""
        yield f"{title_of(part)}: no sample from {named} s{more}; the line across is no measurement."


def _listed(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"
