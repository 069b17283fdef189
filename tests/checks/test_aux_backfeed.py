"""Loads of the 12 V side that are fed with their switch open, and what merely looks like it. Made signals."""

from __future__ import annotations

import numpy as np
import pytest
from aux_traces import STATED, Made, claims, found, only
from one_check import findings_of

from logscope.checks.aux_supply.backfeed import _followed
from logscope.checks.aux_supply.check import aux_supply
from logscope.findings import Severity
from logscope.signals import Load, Part, Signals


def test_a_pump_that_stays_fed_is_named_and_one_that_runs_on_is_not():
    assert claims(found(Made(fed=((16.0, 90.0),), end_s=90.0))) == [("aux.backfeed", None)]
    runs_on = tuple((at, at + 2.5) for at in (16.0, 26.0, 36.0, 46.0))
    findings = found(Made(fed=runs_on))
    assert claims(findings) == []
    assert only(findings, "aux.backfeed").severity is Severity.INFO


def test_a_load_that_follows_another_switch_and_never_its_own_is_mapped_to_the_wrong_signal():
    signals = Made().signals(7372)
    load = signals.loads[0]
    time_s, own = load.switch.time_s, load.switch.on
    opens_s = time_s[1:][~own[1:] & own[:-1]]

    def fan_on(at_s):  # from before the other one's end to some seconds behind it
        return np.any([(at_s > opened - 2.8) & (at_s < opened + 4.0) for opened in opens_s], axis=0)

    fan = Part("fan", time_s, fan_on(time_s).astype(float), "", "Other.Fan", on=fan_on(time_s))
    drawn = np.where(fan_on(load.current.time_s), 4.0, 0.0)
    of_fan = Part("fan", load.current.time_s, drawn, "A", "Other.FanCurrent", step=0.1)
    mixed = (Load(load.name, load.switch, of_fan), Load("fan", fan, load.current))
    findings = findings_of(aux_supply, Signals(signals.parts, 0.0, 60.0, loads=mixed), STATED)
    fed = [f for f in findings if f.kind == "aux.backfeed"]
    assert fed
    assert {f.severity for f in fed} == {Severity.INFO}
    assert any("never its own" in f.title for f in fed)


def test_a_current_that_repeats_an_old_value_is_no_back_feed():
    signals = Made().signals(7370)
    load = signals.loads[0]
    current = load.current
    stuck = np.where(current.time_s > 46.0, 10.0, current.value)  # the switch opens at 46 s for good
    old = Part(current.name, current.time_s, stuck, "A", current.source, step=0.1)
    findings = findings_of(
        aux_supply,
        Signals(signals.parts, 0.0, 60.0, loads=(Load(load.name, load.switch, old),)),
        STATED,
    )
    assert claims(findings) == []


def test_two_loads_commanded_together_are_noted_only():
    signals = Made().signals(7371)
    switch = signals.loads[0].switch
    late = Part("fan", switch.time_s + 0.05, switch.value, "", "Other.fan", on=switch.on)
    both = Signals(signals.parts, 0.0, 60.0, loads=(*signals.loads, Load("fan", late)))
    findings = findings_of(aux_supply, both, STATED)
    assert claims(findings) == []
    assert "always switch together" in only(findings, "aux.backfeed").title


SECONDS = np.arange(0.0, 40.0, 0.1)


def fan_on(at_s):
    return (at_s >= 10.0) & (at_s < 20.0) | (at_s >= 30.0)


@pytest.mark.parametrize(
    ("fed", "blamed"),
    [
        (fan_on, ("fan",)),
        (lambda at_s: at_s >= 0.0, ()),  # fed all the time: whatever feeds it, it is not the fan
        (lambda at_s: at_s < 0.0, ()),
        (lambda at_s: ~fan_on(at_s), ()),
        (lambda at_s: at_s >= 10.0, ()),  # since the fan came on, but also without it
        (lambda at_s: at_s >= 30.0, ()),  # not whenever the fan is on
        (lambda at_s: fan_on(at_s) | ((at_s > 2.0) & (at_s < 2.5)), ("fan",)),  # a few readings do not count
    ],
)
def test_a_switch_is_blamed_where_a_load_is_fed_whenever_it_is_on_and_only_then(fed, blamed):
    off, on = np.zeros(SECONDS.size, bool), fan_on(SECONDS)
    switch = Part("pump", SECONDS, off.astype(float), "", "Made.Pump", on=off)
    fan = Part("fan", SECONDS, on.astype(float), "", "Other.Fan", on=on)
    current = Part("pump", SECONDS, 10.0 * fed(SECONDS), "A", "Made.PumpCurrent", step=0.1)
    load = Load("pump", switch, current)
    signals = Signals({}, 0.0, 40.0, loads=(load, Load("fan", fan)))
    assert _followed(load, current, ~off, fed(SECONDS), signals) == blamed
