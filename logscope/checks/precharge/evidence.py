"""What the chart of a precharge shows beside the measured voltage."""

from __future__ import annotations

import numpy as np

from logscope.checks.precharge.judge import Judged
from logscope.checks.precharge.measure import Measurement
from logscope.curves.rise import CurveFit
from logscope.findings import Chart, Curve, Evidence, Level, Mark, Series, Style
from logscope.observations.dc_link.link import Link
from logscope.physics.rc import settled_fraction, settled_fraction_two_pole
from logscope.statistics.robust import NORMAL_95

_BAND_POINTS = 200


def evidence(judged: Judged, link: Link) -> Evidence:
    """Beside the measured voltage: the fitted curve, the expected one, the threshold; and the residuals on demand."""
    m, fit = judged.measurement, judged.curve
    marks, levels, curves = [Mark(m.onset_s, "rise begins")], [], []
    if m.closing is not None:
        marks.append(Mark((m.closing.start_s + m.closing.end_s) / 2, "contactor closes"))
    if m.pack_v:
        share = f"{judged.close_fraction * 100:g} % of the pack"
        levels.append(Level(judged.close_fraction * m.pack_v, f"closing threshold, {share}", "dc_link_voltage"))
    if fit is not None:
        time_s = np.linspace(m.onset_s, m.end_s, _BAND_POINTS)
        curves.append(Curve("fitted curve", "dc_link_voltage", time_s, fit.voltage(time_s)))
        if judged.expected_s is not None:
            curves.append(_expected_curve(judged, time_s))
    charts = (_residuals(fit, m, link),) if fit is not None else ()
    return Evidence(tuple(curves), tuple(marks), tuple(levels), charts=charts)


def _residuals(fit: CurveFit, m: Measurement, link: Link) -> Chart:
    """What the fitted curve leaves of the readings that it was fitted to, beside their noise."""
    time_s, volts = link.part.time_s[m.window], link.part.value[m.window]
    after_s = time_s - m.onset_s
    ends, spread = after_s[[0, -1]], np.full(2, NORMAL_95 * link.noise_v)
    return Chart(
        x_name="time since the rise began",
        x_unit="s",
        y_name="reading less fitted curve",
        y_unit="V",
        series=(
            Series("noise of a reading at rest", ends, np.zeros(2), -spread, spread),
            Series("readings", after_s, volts - fit.voltage(time_s), style=Style.POINTS),
        ),
        folded="How far each reading is from the fitted curve",
    )


def _expected_curve(judged: Judged, time_s: np.ndarray) -> Curve:
    """The curve that R·C with its tolerance would have drawn from the same start to the same end."""
    m, fit, expected_s = judged.measurement, judged.measurement.fit, judged.expected_s
    assert fit is not None
    assert expected_s is not None
    elapsed = time_s - m.onset_s
    end_v = m.pack_v or fit.end.value
    lag = judged.constant.lag.value if judged.constant and judged.constant.lag else None

    def curve(tau: float) -> np.ndarray:
        fraction = settled_fraction(elapsed, tau) if lag is None else settled_fraction_two_pole(elapsed, tau, lag)
        return fit.start.value + (end_v - fit.start.value) * fraction

    slowest, fastest = curve(expected_s * (1 + judged.tolerance)), curve(expected_s * (1 - judged.tolerance))
    return Curve(
        "expected from R·C, with its tolerance",
        "dc_link_voltage",
        time_s,
        curve(expected_s),
        slowest,
        fastest,
    )
