"""Every setting and every finding, from the config sections and the catalogue: configs/REFERENCE.md is made from it.

python -m rowplane.cli.reference > configs/REFERENCE.md
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from rowplane.config import Config
from rowplane.findings import CATALOGUE

BOUNDS = (("gt", ">"), ("ge", "≥"), ("lt", "<"), ("le", "≤"))
HEAD = """# Reference

Made from `config.py` and `findings.py` by `python -m rowplane.cli.reference > configs/REFERENCE.md`; a test holds it to them.

A lead.toml starts with `name`, `scan` (a file or a list of files beside it), and optionally `survey_date` and `extends` (a file
beside it, or one of this folder); all below stands in tables. Lengths are millimetres unless a key says otherwise."""


class Setting(NamedTuple):
    """One key of lead.toml: where it stands, its default (None: not set), bounds or choices in words, meaning."""

    key: str
    default: Any
    allowed: str
    meaning: str


class Table(NamedTuple):
    """One table of lead.toml: its header, what it is for, its own keys."""

    header: str
    meaning: str
    settings: list[Setting]


def settings() -> list[Setting]:
    """Every key, in the order of the sections."""
    return [setting for table in tables() for setting in table.settings]


def tables() -> list[Table]:
    """The sections; one inside another follows it."""
    return list(_tables(Config, ""))


def _tables(model: type[BaseModel], prefix: str) -> Iterator[Table]:
    for name, info in model.model_fields.items():
        section = _section_of(info)
        if section is None:
            continue
        key = prefix + name
        own = [
            Setting(f"{key}.{k}", _default_of(i), _bounds_of(i) or _choices(i.annotation), i.description or "")
            for k, i in section.model_fields.items()
            if _section_of(i) is None
        ]
        yield Table(_header_of(key, info), (section.__doc__ or "").strip().splitlines()[0], own)
        yield from _tables(section, f"{key}.")


def _header_of(key: str, info: FieldInfo) -> str:
    """`[key]`, or `[[key]]` for a list of tables."""
    return f"[[{key}]]" if get_origin(info.annotation) is tuple else f"[{key}]"


def _section_of(info: FieldInfo) -> type[BaseModel] | None:
    """The section that a field holds, one or several; None for a plain value."""
    kinds = [info.annotation, *get_args(info.annotation)]
    return next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)


def _default_of(info: FieldInfo) -> Any:
    """A field's default; None where it has none."""
    return None if info.is_required() else info.get_default(call_default_factory=True, validated_data={})


def _bounds_of(info: FieldInfo) -> str:
    """`> 0, ≤ 600`; empty without bounds."""
    return ", ".join(f"{sign} {getattr(rule, name):g}" for rule in info.metadata for name, sign in BOUNDS if hasattr(rule, name))


def _choices(annotation: Any) -> str:
    kinds = (annotation, *get_args(annotation))
    choices = next((get_args(kind) for kind in kinds if get_origin(kind) is Literal), ())
    return ", ".join(str(choice) for choice in choices)


def reference() -> str:
    """The whole page, Markdown."""
    lines = [HEAD]
    for table in tables():
        lines += ["", f"## {table.header}", "", table.meaning, ""]
        lines += ["| key | default | allowed | meaning |", "| --- | --- | --- | --- |"]
        for setting in table.settings:
            default = "" if setting.default is None else f"`{json.dumps(setting.default, ensure_ascii=False)}`"
            lines.append(f"| `{setting.key.rpartition('.')[2]}` | {default} | {setting.allowed} | {setting.meaning} |")
    lines += ["", "## Findings", "", "`rowplane explain CODE` says the same.", ""]
    lines += ["| code | severity | means | to do |", "| --- | --- | --- | --- |"]
    lines += [f"| `{code}` | {kind.severity} | {kind.meaning} | {kind.do} |" for code, kind in CATALOGUE.items()]
    return "\n".join(lines)


if __name__ == "__main__":
    print(reference())
