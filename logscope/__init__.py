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
    from logscope.errors import LogscopeError as LogscopeError
    from logscope.findings import Finding as Finding
    from logscope.logs import decode as decode
    from logscope.logs import read as read
    from logscope.pipeline import check as check
    from logscope.pipeline import compare as compare
    from logscope.result import Result as Result
    from logscope.vehicle import load_vehicle as load_vehicle

_PUBLIC = {
    "Capture": "capture.open",
    "Comparison": "comparison.outcome",
    "Finding": "findings",
    "LogscopeError": "errors",
    "Result": "result",
    "check": "pipeline",
    "compare": "pipeline",
    "decode": "logs",
    "load_vehicle": "vehicle",
    "read": "logs",
}

__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'logscope' has no attribute {name!r}")
    return getattr(import_module(f"logscope.{_PUBLIC[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
