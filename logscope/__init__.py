"""Diagnoses the drive system of an electric-vehicle conversion from its CAN and serial logs.

    import logscope
    result = logscope.check("first-drive.log", "hazel.toml")
    result.to_html("report.html")

The public names are loaded on first use, so that `import logscope` stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from logscope.capture.open import Capture as Capture
    from logscope.comparison.outcome import Comparison as Comparison
    from logscope.errors import DefinitionError as DefinitionError
    from logscope.errors import LogError as LogError
    from logscope.errors import LogscopeError as LogscopeError
    from logscope.errors import RequestError as RequestError
    from logscope.errors import VehicleError as VehicleError
    from logscope.findings import Finding as Finding
    from logscope.findings import Measured as Measured
    from logscope.findings import Severity as Severity
    from logscope.history.rows import History as History
    from logscope.inventory.collect import Inventory as Inventory
    from logscope.logs import decode as decode
    from logscope.logs import read as read
    from logscope.parts import PARTS as PARTS
    from logscope.pipeline import check as check
    from logscope.pipeline import compare as compare
    from logscope.result import Result as Result
    from logscope.shelf.archive import Archive as Archive
    from logscope.shelf.archive import open_archive as open_archive
    from logscope.signals import Signals as Signals
    from logscope.sizing.precharge import PrechargeDesign as PrechargeDesign
    from logscope.sizing.precharge import size_precharge as size_precharge
    from logscope.sizing.requirements import PrechargeRequirements as PrechargeRequirements
    from logscope.survey.plot import SignalPlot as SignalPlot
    from logscope.tasks.archive import fill_archive as fill_archive
    from logscope.tasks.draft import Draft as Draft
    from logscope.tasks.draft import draft_vehicle as draft_vehicle
    from logscope.tasks.inventory import take_inventory as take_inventory
    from logscope.tasks.plot import plot_signals as plot_signals
    from logscope.tasks.readiness import VehicleReadiness as VehicleReadiness
    from logscope.tasks.readiness import vehicle_readiness as vehicle_readiness
    from logscope.tasks.seek import seek as seek
    from logscope.tasks.signals import SignalList as SignalList
    from logscope.tasks.signals import list_signals as list_signals
    from logscope.tasks.trend import trend as trend
    from logscope.vehicle import Vehicle as Vehicle
    from logscope.vehicle import load_vehicle as load_vehicle

_PUBLIC = {
    "Archive": "shelf.archive",
    "Capture": "capture.open",
    "Comparison": "comparison.outcome",
    "DefinitionError": "errors",
    "Draft": "tasks.draft",
    "Finding": "findings",
    "History": "history.rows",
    "Inventory": "inventory.collect",
    "LogError": "errors",
    "LogscopeError": "errors",
    "Measured": "findings",
    "PARTS": "parts",
    "PrechargeDesign": "sizing.precharge",
    "PrechargeRequirements": "sizing.requirements",
    "RequestError": "errors",
    "Result": "result",
    "Severity": "findings",
    "SignalList": "tasks.signals",
    "SignalPlot": "survey.plot",
    "Signals": "signals",
    "Vehicle": "vehicle",
    "VehicleError": "errors",
    "VehicleReadiness": "tasks.readiness",
    "check": "pipeline",
    "compare": "pipeline",
    "decode": "logs",
    "draft_vehicle": "tasks.draft",
    "fill_archive": "tasks.archive",
    "list_signals": "tasks.signals",
    "load_vehicle": "vehicle",
    "open_archive": "shelf.archive",
    "plot_signals": "tasks.plot",
    "read": "logs",
    "seek": "tasks.seek",
    "size_precharge": "sizing.precharge",
    "take_inventory": "tasks.inventory",
    "trend": "tasks.trend",
    "vehicle_readiness": "tasks.readiness",
}

__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'logscope' has no attribute {name!r}")
    return getattr(import_module(f"logscope.{_PUBLIC[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
