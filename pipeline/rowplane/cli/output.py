"""What --json prints, and the schema of it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from rowplane.errors import RowplaneError

SCHEMAS = {"result": Path(__file__).parents[1] / "deliverables" / "schema" / "result-1.schema.json"}
OUTPUT = Path(__file__).parent / "output-1.schema.json"
"""JSON Schema of every command's output, one definition a command."""


def print_json(values: Any) -> None:
    """Values as JSON on stdout; what is no finite number is null."""
    print(json.dumps(_plain(values), indent=2, ensure_ascii=False, allow_nan=False))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def schema_of(what: str) -> dict[str, Any]:
    """JSON Schema of lead.toml (`lead`), result.json (`result`) or a command's --json. Raises RowplaneError for another name."""
    if what == "lead":
        from rowplane.config import Config

        return Config.model_json_schema()
    outputs: dict[str, Any] = json.loads(OUTPUT.read_text(encoding="utf-8"))
    if what in SCHEMAS:
        found: dict[str, Any] = json.loads(SCHEMAS[what].read_text(encoding="utf-8"))
        return found
    known = ("lead", *SCHEMAS, *(name for name in outputs["$defs"] if name != "finding"))
    if what not in known:
        raise RowplaneError("config schema", repr(what), ", ".join(known), "Name one of them.")
    return {**outputs, "$ref": f"#/$defs/{what}"}
