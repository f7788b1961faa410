"""Texts the commands print that are made from the catalogue and the config sections."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from rowplane.cli.reference import Table, tables
from rowplane.config import Lead
from rowplane.findings import CATALOGUE, explain


def explain_code(code: str | None) -> str:
    """The catalogue entry of `code` in words, or a line per code. Raises RowplaneError for an unknown code."""
    if code is None:
        return "\n".join(f"{name:<24}{kind.severity:<9}{kind.meaning}" for name, kind in CATALOGUE.items())
    kind = explain(code)
    return f"{code} ({kind.severity})\n  means: {kind.meaning}\n  to do: {kind.do}"


def findings_explained(code: str | None) -> list[dict[str, str]]:
    """The catalogue, or the one entry of `code`, as values. Raises RowplaneError for an unknown code."""
    chosen = CATALOGUE if code is None else {code: explain(code)}
    return [{"code": name, **asdict(kind)} for name, kind in chosen.items()]


def commented_lead() -> str:
    """A lead.toml that says everything: required keys set, every setting commented out with its default."""
    head = [
        "# One roof. Lines that start with # are defaults: take the # away to change one.",
        'name = "my first roof"',
        'scan = "roof.laz"            # one file, or a list of files, in this folder',
        "# survey_date = 2026-05-04",
        '# extends = "shared.toml"    # a file beside this one, or a preset',
    ]
    return "\n".join([*head, *(line for table in tables() for line in _table_lines(table))])


def _table_lines(table: Table) -> Iterator[str]:
    # A list of tables would add one with every default if its header stood bare, so the header is commented out too.
    bare = not table.header.startswith("[[")
    yield from ("", f"# {table.meaning}", table.header if bare else f"# {table.header}")
    for setting in table.settings:
        value = "…" if setting.default is None else json.dumps(setting.default, ensure_ascii=False)
        bounds = f" [{setting.allowed}]" if setting.allowed else ""
        yield f"# {setting.key.rpartition('.')[2]} = {value}".ljust(44) + f"# {setting.meaning}{bounds}"


def settings_in_force(lead: Lead) -> dict[str, Any]:
    """Name and scan of a lead, and every setting with its value and where that comes from."""
    settings = [
        {"key": key, "value": value, "origin": lead.origins.get(key) or lead.origins.get(key.split(".")[0]) or "default"}
        for key, value in _flat(lead.config.model_dump(mode="json"), "")
    ]
    return {"name": lead.name, "scan": [p.name for p in lead.scan], "settings": settings}


def settings_lines(found: dict[str, Any]) -> str:
    """The same as lines `section.key = value`, with the file it came from where it is not a default."""
    lines = [f"# {found['name']}", f"scan = {json.dumps(found['scan'])}"]
    for setting in found["settings"]:
        lines.append(f"{setting['key']} = {json.dumps(setting['value'], ensure_ascii=False)}".ljust(60) + f"# {setting['origin']}")
    return "\n".join(lines)


def _flat(tree: dict[str, Any], prefix: str) -> Iterator[tuple[str, Any]]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value
