"""Findings, parts and verdicts of the live view, made by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from logscope.findings import Finding, Severity
from logscope.live.picture import Verdict
from logscope.signals import Part, Signals


def finding(kind: str, start_s: float, **more: Any) -> Finding:
    return Finding(kind, Severity.WARNING, start_s, start_s + 1.0, f"title of {kind}", "", "", (), **more)


def signals(*parts: Part, start_s: float = 0.0, end_s: float = 100.0) -> Signals:
    return Signals({each.name: each for each in parts}, start_s, end_s)


def part(name: str, value: list[float], unit: str = "V", period_s: float = 1.0, **more: Any) -> Part:
    return Part(name, period_s * np.arange(len(value)), np.array(value), unit, f"M.{name}", **more)


def verdict(start_s: float, check: str = "trips", *, final: bool = False, title: str = "t") -> Verdict:
    return Verdict(check, "k", Severity.INFO, start_s, title, None, None, final)
