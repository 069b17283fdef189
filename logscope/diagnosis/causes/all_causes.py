"""All causes by name."""

from __future__ import annotations

from collections.abc import Mapping

from logscope.diagnosis.causes import charging, cooling, drive, high_voltage, log, low_voltage
from logscope.diagnosis.causes.cause import Cause

_SUBJECTS = (high_voltage, drive, cooling, low_voltage, charging, log)
CAUSES: Mapping[str, Cause] = {cause.name: cause for subject in _SUBJECTS for cause in subject.CAUSES}
