"""A plug that is in while no current flows; true by construction."""

from __future__ import annotations

import numpy as np
import pytest
from charge_traces import VEHICLE, Made
from one_check import findings_of

from logscope.checks.charging.check import charging
from logscope.findings import NothingToCheck, Severity
from logscope.signals import Part, Signals


def plugged(current_a: float = 0.0, asked_a: float | None = 16.0, **more: float) -> Signals:
    """Ten minutes with the plug in after 20 s, and a charger that gives nothing, or hardly anything."""
    t = np.arange(0.0, 600.0, 0.5)
    parts = [
        Part("charge_plug", t, (t > 20.0).astype(float), "", "Made.plug", on=t > 20.0),
        Part("charger_current", t, np.full(t.size, current_a), "A", "Made.a", step=0.1),
        Part("battery_voltage", t, np.full(t.size, 320.0), "V", "Made.v", step=0.1),
    ]
    if asked_a is not None:
        parts.append(Part("charger_current_target", t, np.where(t > 30.0, asked_a, 0.0), "A", "Made.asked", step=0.1))
        limit_v = more.get("limit_v", 333.0)
        parts.append(Part("charger_voltage_target", t, np.full(t.size, limit_v), "V", "Made.limit", step=0.1))
    for name, unit in (("vehicle_speed", "km/h"), ("battery_current", "A"), ("charger_input_power", "W")):
        if name in more:
            parts.append(Part(name, t, np.full(t.size, more[name]), unit, f"Made.{name}"))
    return Signals({part.name: part for part in parts}, 0.0, 600.0)


@pytest.mark.parametrize(
    ("signals", "kind", "severity"),
    [
        (plugged(), "charge.no_current", Severity.WARNING),
        (plugged(charger_input_power=0.0), "charge.no_current", Severity.WARNING),
        (plugged(0.2), "charge.no_current", Severity.WARNING),  # an idle meter's offset
        (plugged(asked_a=0.0), "charge.no_current", Severity.INFO),
        (plugged(asked_a=None), "charge.no_current", Severity.INFO),
        (plugged(limit_v=320.0), "charge.no_current", Severity.INFO),  # full
        (plugged(battery_current=-15.0), "charge.undetermined", Severity.INFO),
    ],
)  # fmt: skip
def test_a_plug_without_current_is_named(signals: Signals, kind: str, severity: Severity) -> None:
    """Common practice, no published source."""
    (found,) = findings_of(charging, signals, VEHICLE)
    assert (found.kind, found.severity) == (kind, severity)
    assert found.measured["lasted_s"].value == pytest.approx(580.0, abs=2.0)


def test_a_plug_that_drives_is_no_plug() -> None:
    with pytest.raises(NothingToCheck):
        findings_of(charging, plugged(vehicle_speed=40.0), VEHICLE)


def test_no_plug_without_current_beside_a_charge() -> None:
    assert [
        found.kind
        for found in findings_of(charging, Made(begins_s=200.0, ends_s=900.0, log_s=1000.0).signals(), VEHICLE)
    ] == ["charge.complete"]
