"""What separates a logged reading from the curve that it is taken of: noise, rounding, and stamps that are off.

Shared by the fits of a link's rise and of its fall. Noise and the error of the stamps are estimated with the curve;
what the rest of the log shows of them comes in as a prior that can be overruled.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import FloatArray
from logscope.curves.timestamps import Known, Timestamps

KNOWN_NOISE_STEPS = 0.2  # less noise than this leaves most readings on one level, and its size unknown
# Most logs keep their noise and the irregularity of their stamps through a curve; one in five may not, for a controller
# can be busier there, or pass on values that were measured at times of its own.
REST_TRUST = 0.8
# To what factor (as a logarithm) they are then known: from a few hundred samples, part of them at the rounding step.
REST_NOISE_LOG, REST_STAMPS_LOG = 0.3, 0.5
_FAR_OFF = 10.0  # times what a controller's task usually runs off its period
_SURE_TRUST = 0.95  # where readings are seen to repeat, their age follows from the message's period
_MOST_WIDER = 5.0  # limits that want more than this belong to a curve that does not fit, which is said instead

Ends = tuple[float, float]  # lowest and highest logarithm that a parameter may take


def log_prior_of_noise(log_noise: FloatArray, usual: float, ends: Ends) -> FloatArray:
    """Log prior of the noise from the rest of the log, relative to one that is flat in the logarithm, shape (k,)."""
    return _near(log_noise, usual, REST_NOISE_LOG, REST_TRUST, ends)


def log_prior_of_stamps(log_error: FloatArray, stamps: Timestamps, ends: Ends) -> FloatArray:
    """Log prior of the stamps' error, relative to one that is flat in its logarithm, shape (k,)."""
    usual = float(np.clip(stamps.error_s, np.exp(ends[0]), np.exp(ends[1])))
    if stamps.known is Known.SURELY:
        return _near(log_error, usual, REST_NOISE_LOG, _SURE_TRUST, ends)
    if stamps.known is Known.COUNTED:  # of any size, up to tasks that run far off their period
        most = min(float(np.log(usual * _FAR_OFF)), ends[1])
        return np.where(log_error <= most, np.log((ends[1] - ends[0]) / (most - ends[0])), -np.inf)
    if stamps.known is Known.AT_MOST:  # flat in the error itself, up to what it may be
        inside = log_error <= np.log(usual)
        return np.where(inside, np.log(ends[1] - ends[0]) + log_error - np.log(usual), -np.inf)
    return _near(log_error, usual, REST_STAMPS_LOG, REST_TRUST, ends)


def over_stamp_error(
    curve: Callable[[FloatArray], FloatArray], time_s: FloatArray, noise: FloatArray, error_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each reading, shape (k, n), over the times when it may have been taken.

    By Simpson's rule for the mean and the secant for the deviation: where the curve bends within the error of a
    stamp, as at its onset, the slope at the stamp itself would say too little or too much.

    curve : of times, shape (k or 1, n), to values, shape (k, n); time_s : the stamps, shape (n,)
    noise, error_s : standard deviations of a reading and of a stamp, shape (k,)
    """
    reach = np.sqrt(3.0) * error_s[:, None]  # a uniform error of that half-width has this deviation
    early, at, late = (curve(time_s[None, :] + shift) for shift in (-reach, 0.0, reach))
    deviation = np.sqrt(noise[:, None] ** 2 + ((late - early) / 2) ** 2 / 3)
    return np.asarray((early + 4 * at + late) / 6), np.asarray(deviation)


def wider_by_correlation(scores: FloatArray) -> float:
    """By how much limits grow where a fit's scores resemble their neighbours: √((1 + r) / (1 − r)), at least 1.

    The score of a reading is the slope of its log-likelihood with the curve's value there. Under a right model scores
    are independent, rounding or not; where they are not (a filter, a repeated reading, stamps that beat) neighbours are
    worth fewer readings by that factor squared: a first-order autoregressive error (Bayley and Hammersley, J. R. Stat.
    Soc. Suppl. 8, 1946). Its correlation is estimated too low by about (1 + 4r)/n after a line was fitted (Kendall,
    Biometrika 41, 1954), which is put back.

    scores : in order of time, shape (n,)
    """
    n = scores.size
    if n < 8 or not min(float(np.std(scores[:-1])), float(np.std(scores[1:]))) > 0:
        return 1.0
    r = float(np.corrcoef(scores[:-1], scores[1:])[0, 1])
    r += (1 + 4 * r) / n
    return float(np.clip(np.sqrt((1 + r) / max(1 - r, 1e-3)), 1.0, _MOST_WIDER)) if r > 0 else 1.0


def _near(logs: FloatArray, usual: float, deviation: float, trust: float, ends: Ends) -> FloatArray:
    """Log prior from the rest of the log, relative to one that is flat in the logarithm."""
    width = ends[1] - ends[0]
    density = np.exp(-0.5 * ((logs - np.log(usual)) / deviation) ** 2) / (deviation * np.sqrt(2 * np.pi))
    return np.asarray(np.log(trust * density * width + 1 - trust))
