"""Checks on the window, run when something has happened: each verdict is the check's own.

A verdict is given at once, and again when the check has seen a few seconds more, after which it stays.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.findings import Finding
from logscope.live.picture import Margin, Phase, Verdict
from logscope.live.window import WINDOW_S, between
from logscope.observations.observations import Observations
from logscope.observations.stated_limits import stated_limits
from logscope.pipeline import chosen_checks, run_checks
from logscope.plausibility.examine import examine
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_BEFORE_S = 5.0  # what the check sees of the time before an attempt: the link at rest
# How long after an event it is looked at. The first look waits for what a state may lag the voltage by, and is shown as
# the first; by the last, closing, settling, retries and slow states are in the window.
_LOOKS_S = (0.2, 3.0, 10.0)
# A link that rises by so much between two looks was charged, however quickly: a share of its highest voltage, and more
# than the noise of a reading at rest.
_CHARGED_SHARE, _CHARGED_V = 0.05, 10.0
_LONGEST_ATTEMPT_S = 60.0  # what is reported as precharging for longer is judged as it stands
_SURVEY_EVERY_S = 8.0  # a survey takes some 0.15 s of processor time
_SETTLED_S = 5.0  # a disturbance is counted for good when the speed after it is known
_SAME_S = 0.5  # two findings of one kind that begin so near are one


@dataclass(frozen=True, slots=True)
class _Due:
    """A look that is due at a moment, at what came since another."""

    at_s: float
    check: str
    start_s: float
    final: bool


class Judge:
    """Keeps what was judged. Fed with the signals of the window, as often as one likes."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._due: list[_Due] = []
        self._began_s: float | None = None
        self._followed_s = 0.0
        self._healthy = True
        self._next_survey_s = _SURVEY_EVERY_S
        self._counted_to_s = 0.0
        self.verdicts: list[Verdict] = []
        self.by_minute: Counter[int] = Counter()
        self.margins: dict[str, Margin] = {}
        self.doubted: dict[str, str] = {}

    def follow(self, signals: Signals, phase: Phase, now_s: float) -> None:
        """Look at the window: note what has happened, and judge what is due."""
        self._follow_precharge(phase is Phase.PRECHARGING or _charged(signals, self._followed_s, now_s), now_s)
        self._follow_fault(signals, now_s)
        self._followed_s = now_s
        due = [each for each in self._due if each.at_s <= now_s]
        self._due = [each for each in self._due if each.at_s > now_s]
        for each in _latest(due):
            self._judge(signals, each, now_s)
        if now_s >= self._next_survey_s:
            self._next_survey_s = now_s + _SURVEY_EVERY_S
            self._survey(signals, now_s)

    def finish(self, signals: Signals, now_s: float) -> None:
        """Judge what was still waiting, at the end of the recording."""
        if self._began_s is not None:
            self._follow_precharge(False, now_s)
        for each in _latest(self._due):
            self._judge(signals, each, now_s)
        self._due = []
        self._survey(signals, now_s + _SETTLED_S)

    def _follow_precharge(self, active: bool, now_s: float) -> None:
        """Note when an attempt is over, and when to look at it."""
        if active:
            self._began_s = self._followed_s if self._began_s is None else self._began_s
            if now_s - self._began_s <= _LONGEST_ATTEMPT_S:
                return
        if self._began_s is None:
            return
        start_s = self._began_s - _BEFORE_S
        self._due += [_Due(now_s + after_s, "precharge", start_s, after_s == _LOOKS_S[-1]) for after_s in _LOOKS_S]
        self._began_s = None

    def _follow_fault(self, signals: Signals, now_s: float) -> None:
        fault = signals.get("fault")
        if fault is None or fault.healthy is None or not fault.healthy.size:
            return
        healthy = bool(fault.healthy[-1])
        if self._healthy and not healthy:
            start_s = now_s - WINDOW_S / 2
            self._due += [_Due(now_s + after_s, "trips", start_s, after_s == _LOOKS_S[-1]) for after_s in _LOOKS_S]
        self._healthy = healthy

    def _judge(self, signals: Signals, due: _Due, now_s: float) -> None:
        plausible = examine(signals, self._vehicle)
        self.doubted = dict(plausible.signals.doubtful)
        seen = between(plausible.signals, max(due.start_s, signals.start_s), now_s)
        findings, _ = run_checks(seen, plausible.vehicle, chosen_checks(due.check))
        for finding in findings:
            if finding.kind in _ABOUT_ALL or finding.start_s <= seen.start_s:
                continue
            self._keep(_verdict(due, finding, now_s))

    def _keep(self, verdict: Verdict) -> None:
        def same(former: Verdict) -> bool:
            return former.check == verdict.check and abs(former.start_s - verdict.start_s) <= _SAME_S

        former = next((each for each in self.verdicts if same(each)), None)
        if former is not None and former.final:
            return
        self.verdicts = [each for each in self.verdicts if not same(each)] + [verdict]

    def _survey(self, signals: Signals, now_s: float) -> None:
        """What is taken again and again: margins, and disturbances of the motor speed up to a few seconds ago."""
        plausible = examine(signals, self._vehicle)
        self.doubted = dict(plausible.signals.doubtful)
        self._take_margins(plausible.signals, plausible.vehicle)
        if "fault" not in signals and "motor_current" in signals:  # then the current alone shows a trip
            self._judge(signals, _Due(now_s, "trips", now_s - WINDOW_S / 2, final=False), now_s)
        if "motor_speed" in plausible.signals:
            self._count(Observations(plausible.signals, plausible.vehicle), now_s - _SETTLED_S)

    def _take_margins(self, signals: Signals, vehicle: Vehicle) -> None:
        for finding in run_checks(signals, vehicle, chosen_checks("limits"))[0]:
            for name, measured in finding.measured.items():
                what, is_margin, _ = name.partition("_margin_")
                if not is_margin or measured.value is None:
                    continue
                former = self.margins.get(what)
                if former is None or measured.value < former.left:
                    name = next((limit.what for limit in stated_limits(vehicle) if limit.name == what), what)
                    self.margins[what] = Margin(name, measured.value, measured.unit)

    def _count(self, observations: Observations, until_s: float) -> None:
        """Count each disturbance once."""
        if (wrong := observations.speed) is not None:
            time_s = wrong.study.speed.time_s
            for disturbance in wrong.study.disturbances:
                at_s = float(time_s[disturbance.first])
                if self._counted_to_s <= at_s < until_s:
                    self.by_minute[int(at_s // 60)] += 1
        self._counted_to_s = max(self._counted_to_s, until_s)


def warm_up(vehicle: Vehicle) -> None:
    """Judge a made-up precharge, so that what is imported and compiled at the first use does not delay a real one."""
    time_s = np.arange(0.0, 3.0, 0.01)
    volts = 300.0 * (1.0 - np.exp(-np.clip(time_s - 1.0, 0.0, None) / 0.15))
    link = Part("dc_link_voltage", time_s, volts, "V", "Warm.Up")
    signals = Signals({link.name: link}, 0.0, 3.0)
    run_checks(examine(signals, vehicle).signals, vehicle, chosen_checks("precharge"))


def _charged(signals: Signals, since_s: float, now_s: float) -> bool:
    """Whether between two looks the precharge relay was closed at any time, or the link rose, be it in one step."""
    relay, main, link = (signals.get(name) for name in ("precharge_relay", "main_contactor", "dc_link_voltage"))
    closed = main is not None and main.on is not None and bool(main.on[-1])  # a relay may stay on with the contactor
    if not closed and relay is not None and relay.on is not None and relay.on[relay.between(since_s, now_s)].any():
        return True
    if link is None:
        return False
    inside = link.between(since_s, now_s)
    recent = link.value[max(inside.start - 1, 0) : inside.stop]
    if recent.size < 2:
        return False
    rise = float(np.max(recent - np.minimum.accumulate(recent)))
    return rise > max(_CHARGED_V, _CHARGED_SHARE * float(link.value.max()))


# Verdicts on a whole log, which a window cannot give.
_ABOUT_ALL = ("precharge.drift", "precharge.resistor_stress", "trip.none", "trip.pattern", "trip.near")


def _latest(due: Sequence[_Due]) -> list[_Due]:
    """One look for those at the same stretch."""
    return list({(each.check, each.start_s): each for each in sorted(due, key=lambda each: each.at_s)}.values())


def _verdict(due: _Due, finding: Finding, now_s: float) -> Verdict:
    constant = finding.measured.get("time_constant_s")
    return Verdict(
        due.check,
        finding.kind,
        finding.severity,
        finding.start_s,
        finding.title,
        finding.cause,
        None if constant is None else constant.value,
        due.final or finding.start_s < now_s - _LOOKS_S[-1],
    )
