"""Texts the commands print that are made from the catalogue and the config sections."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from rowplane.config import Config, Lead
from rowplane.findings import CATALOGUE, explain


def explain_code(code: str | None) -> str:
    """The catalogue entry of `code` in words, or a line per code. Raises RowplaneError for an unknown code."""
    if code is None:
        return "\n".join(f"{name:<24}{kind.severity:<9}{kind.meaning}" for name, kind in CATALOGUE.items())
    kind = explain(code)
    return f"{code} ({kind.severity})\n  means: {kind.meaning}\n  to do: {kind.do}"


def commented_lead() -> str:
    """A lead.toml that says everything: required keys set, every setting commented out with its default."""
    head = [
        "# One roof. Lines that start with # are defaults: take the # away to change one.",
        'name = "my first roof"',
        'scan = "roof.laz"            # one file, or a list of files, in this folder',
        "# survey_date = 2026-05-04",
        '# extends = "shared.toml"    # a file beside this one, or a preset',
    ]
    return "\n".join([*head, *_tables(Config, "")])


def _tables(model: type[BaseModel], prefix: str) -> Iterator[str]:
    for name, info in model.model_fields.items():
        section = _section(info)
        if section is None:
            continue
        # A list of tables would add one with every default if its header stood bare, so the header is commented out too.
        header = f"# [[{prefix}{name}]]" if get_origin(info.annotation) is tuple else f"[{prefix}{name}]"
        yield from ("", f"# {(section.__doc__ or '').strip().splitlines()[0]}", header)
        yield from (_key_line(key, inner) for key, inner in section.model_fields.items() if _section(inner) is None)
        yield from _tables(section, f"{prefix}{name}.")


def _section(info: FieldInfo) -> type[BaseModel] | None:
    kinds = [info.annotation, *get_args(info.annotation)]
    return next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)


def _key_line(key: str, info: FieldInfo) -> str:
    default = None if info.is_required() else info.get_default(call_default_factory=True, validated_data={})
    value = "…" if default is None else json.dumps(default, ensure_ascii=False)
    bounds = [f"{sign} {getattr(rule, name):g}" for rule in info.metadata for name, sign in _BOUNDS if hasattr(rule, name)]
    limits = f" [{', '.join(bounds)}]" if bounds else ""
    return f"# {key} = {value}".ljust(44) + f"# {info.description}{limits}"


_BOUNDS = (("gt", ">"), ("ge", "≥"), ("lt", "<"), ("le", "≤"))


def settings_in_force(lead: Lead) -> str:
    """Every setting of a lead as `section.key = value`, with the file it came from where it is not a default."""
    lines = [f"# {lead.name}", f"scan = {json.dumps([p.name for p in lead.scan])}"]
    for key, value in _flat(lead.config.model_dump(mode="json"), ""):
        origin = lead.origins.get(key) or lead.origins.get(key.split(".")[0])
        lines.append(f"{key} = {json.dumps(value, ensure_ascii=False)}".ljust(60) + f"# {origin or 'default'}")
    return "\n".join(lines)


def _flat(tree: dict[str, Any], prefix: str) -> Iterator[tuple[str, Any]]:
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value
