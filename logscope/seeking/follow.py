"""Fields that follow a series of the user's own: a GPS speed, a multimeter's log, a signal of another device.

The other device has a clock of its own, so all shifts are tried. What the best of so many shifts gives by chance is
seen on series of the same spectrum with random phases.

Theiler, Eubank, Longtin, Galdrikian and Farmer, Testing for nonlinearity in time series: the method of surrogate data,
Physica D 58 (1992), 77–94.
"""

from __future__ import annotations

import codecs
import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np

from logscope.arrays import FloatArray, IndexArray
from logscope.errors import RequestError, did_you_mean
from logscope.payload.segmentation import Segment, Sort
from logscope.seeking.bit_planes import best_field
from logscope.seeking.candidates import Candidate
from logscope.seeking.correlation import Line, false_positive_rate, line
from logscope.seeking.hits import Hit
from logscope.seeking.scene import grid
from logscope.seeking.search import Search, Series

_TRIES = 60
_REFINED = 8  # hits whose extent is sought again, bit by bit
_MOST_ROWS = 20_000
_LEAST_OVERLAP = 0.5  # of the shorter log
_LONGEST_S = 100 * 86_400.0  # of a series: a longer one is in milliseconds or finer
_TIME_NAMES = ("time_s", "time", "t", "seconds", "timestamp")


def following(search: Search, name: str, series: Series) -> list[Hit]:
    """The fields in the order of how well they follow a series of times [s] and values, at any shift in time."""
    time_s, values = series
    step = grid(search.start_s, search.end_s)
    at_s = np.arange(time_s[0], time_s[-1], step[1] - step[0])
    template = np.interp(at_s, time_s, values)
    rows = search.scene.rows
    scale = step[1] - step[0]
    best, lag = _best_shift(rows, template)
    rng = np.random.default_rng(3)
    surrogates = (_surrogate(template, rng) for _ in range(_TRIES))
    chance = np.array([np.max(_best_shift(rows, each)[0], initial=0.0) for each in surrogates])
    order = np.argsort(-best)
    hits = []
    for rank, number in enumerate(order.tolist()):
        if best[number] <= 0.05:
            break
        offset_s = float(step[0] + lag[number] * scale - at_s[0])  # the series' time plus this is the log's
        candidate = search.numbers[number]
        score = float(best[number])
        if rank < _REFINED:
            candidate, score = _refined(search, candidate, (time_s + offset_s, values), score)
        raw_time, raw = candidate.samples()
        inside = (raw_time >= time_s[0] + offset_s) & (raw_time <= time_s[-1] + offset_s)
        reference = np.interp(raw_time[inside], time_s + offset_s, values)
        fit = line(reference, raw[inside]) if inside.sum() > 2 else Line()
        reasons = (f"correlation {score:.3f}, {offset_s:+.2f} s between the clocks",)
        rate = false_positive_rate(score, chance)
        hits.append(
            Hit(
                name, candidate, score, rate, fit.scale, fit.offset, "", fit.in_words(name, ""), reasons,
                scale_limits=fit.scale_limits, offset_limits=fit.offset_limits,
            )
        )  # fmt: skip
    return sorted(hits, key=lambda hit: -hit.score)


def _best_shift(rows: FloatArray, template: FloatArray) -> tuple[FloatArray, IndexArray]:
    """The best correlation of each row with the template at any shift, and the shift in points; shapes (n,)."""
    n, m = rows.shape[1], template.size
    size = 1 << int(np.ceil(np.log2(n + m)))
    ones = np.fft.rfft(np.ones(m), size)
    least = max(int(_LEAST_OVERLAP * min(n, m)), 20)
    wave = template - template.mean()
    spectra = np.fft.rfft(wave, size), np.fft.rfft(wave**2, size)
    lags = np.arange(-m + least, n - least + 1)
    best, at = np.zeros(len(rows)), np.zeros(len(rows), np.int64)
    if not lags.size:
        return best, at
    places = lags % size
    here = np.fft.rfft(np.ones(n), size)
    count = np.fft.irfft(here * np.conj(ones), size)[places].round()
    sum_t = np.fft.irfft(here * np.conj(spectra[0]), size)[places]
    sum_tt = np.fft.irfft(here * np.conj(spectra[1]), size)[places]
    for number, row in enumerate(rows):
        if np.ptp(row) == 0:
            continue
        own = row - row.mean()
        f, ff = np.fft.rfft(own, size), np.fft.rfft(own**2, size)
        sum_x = np.fft.irfft(f * np.conj(ones), size)[places]
        sum_xx = np.fft.irfft(ff * np.conj(ones), size)[places]
        sum_xt = np.fft.irfft(f * np.conj(spectra[0]), size)[places]
        cov = sum_xt - sum_x * sum_t / count
        var = (sum_xx - sum_x**2 / count) * (sum_tt - sum_t**2 / count)
        enough = var > 1e-6 * float(own @ own) * float(wave @ wave)
        r = np.where(enough, np.abs(cov) / np.sqrt(np.where(enough, var, 1.0)), 0.0)
        k = int(np.argmax(r))
        best[number], at[number] = min(float(r[k]), 1.0), lags[k]
    return best, at


def _surrogate(template: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A series of the same spectrum, its phases drawn anew."""
    spectrum = np.fft.rfft(template)
    phase = np.exp(2j * np.pi * rng.random(spectrum.size))
    phase[0] = 1.0
    return np.asarray(np.fft.irfft(spectrum * phase, template.size))


def _refined(search: Search, candidate: Candidate, series: Series, score: float) -> tuple[Candidate, float]:
    """The field of the same identifier that follows best, of all starts, widths, orders and signs."""
    if candidate.segment.selected_by is not None:
        return candidate, score
    stream = candidate.stream
    inside = np.flatnonzero((stream.time_s >= series[0][0]) & (stream.time_s <= series[0][-1]))
    inside = inside[:: max(1, inside.size // _MOST_ROWS)]
    if inside.size < 20:
        return candidate, score
    reference = np.interp(stream.time_s[inside], *series)
    barred = search.searched.segmentations[candidate.key].taken
    found = best_field(stream.rows[inside], reference, barred)
    raw = candidate.field.values(stream.rows[inside], signed=candidate.segment.signed).astype(np.float64)
    own = float(np.corrcoef(raw, reference)[0, 1] ** 2) if np.ptp(raw) else 0.0
    if found is None or found[2] <= own + 0.01:
        return candidate, score
    field, signed, explained = found
    sort = Sort.FLAG if field.bits == 1 else Sort.NUMBER
    return replace(candidate, segment=Segment(field, sort, signed)), max(score, float(np.sqrt(explained)))


def read_series(path: Path, column: str) -> Series:
    """A column of a CSV file with its times [s]: the column `time_s`, or the first one.

    Raises RequestError where the file has no such column, or no numbers in it.
    """
    text = _text_of(path)
    delimiter = max(",;\t", key=text.partition("\n")[0].count)
    rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if row]
    if len(rows) < 3:
        raise RequestError("too few rows for a series", where=path)
    header = [name.strip() for name in rows[0]]
    plain = [name.split(" [")[0].strip() for name in header]
    if column not in plain and column not in header:
        near = did_you_mean(column, plain) or f"It has: {', '.join(plain)}."
        raise RequestError(f"no column “{column}”", where=path, do=near)
    at = header.index(column) if column in header else plain.index(column)
    clock = next((k for k, name in enumerate(plain) if name.casefold() in _TIME_NAMES), 0)
    values = np.array([[_number(row, clock), _number(row, at)] for row in rows[1:]])
    values = values[np.all(np.isfinite(values), axis=1)]
    if len(values) < 3 or clock == at:
        raise RequestError(f"column “{column}” and its times hold too few numbers", where=path)
    values = values[np.argsort(values[:, 0], kind="stable")]
    length_s = float(values[-1, 0] - values[0, 0])
    if not 0 < length_s <= _LONGEST_S:
        raise RequestError(
            f"the times of the series, {plain[clock]}, span {length_s:.3g} s", where=path, do="Give them in seconds."
        )
    return values[:, 0], values[:, 1]


def _text_of(path: Path) -> str:
    """A file's text in Unicode, or, as spreadsheets also write it, in the Western code page of Windows."""
    raw = path.read_bytes()
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _number(row: list[str], at: int) -> float:
    try:
        return float(row[at].replace(",", "."))
    except (ValueError, IndexError):
        return float("nan")
