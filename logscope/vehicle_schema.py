"""The vehicle file as a JSON schema, for editors that complete and check TOML."""

from __future__ import annotations

import json
from typing import Any

from logscope.parts import PARTS
from logscope.vehicle import Vehicle

# How a TOML file names its schema to an editor: in a comment at its head.
SCHEMA_FILE = "vehicle.schema.json"
_DRAFT = "https://json-schema.org/draft/2020-12/schema"


def vehicle_schema() -> str:
    """The schema (JSON Schema 2020-12) as text; each part with its meaning and unit."""
    schema = Vehicle.model_json_schema()
    schema["properties"].pop("path")  # where the file lies, not what is in it
    mapped: dict[str, Any] = schema["properties"]["signals"]["additionalProperties"]
    schema["properties"]["signals"] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {
            name: {
                "description": f"{part.meaning} [{part.unit}]" if part.unit else part.meaning,
                "anyOf": [{"type": "string", "description": "Message.Signal, or bus:Message.Signal"}, mapped],
            }
            for name, part in PARTS.items()
        },
    }
    described = {
        "$schema": _DRAFT,
        "title": "logscope vehicle file",
        **{k: v for k, v in schema.items() if k != "title"},
    }
    return json.dumps(described, ensure_ascii=False, indent=2) + "\n"
