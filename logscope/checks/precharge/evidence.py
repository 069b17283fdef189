"""What the chart of a precharge shows beside the measured voltage."""

from __future__ import annotations

import numpy as np

from logscope.checks.precharge.judge import Judged
from logscope.findings import Curve, Evidence, Level, Mark
from logscope.physics.rc import settled_fraction, settled_fraction_two_pole

_BAND_POINTS = 200


def evidence(judged: Judged) -> Evidence:
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
    return Evidence(tuple(curves), tuple(marks), tuple(levels))


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
