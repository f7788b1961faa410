"""lead.toml of an invented lead: only keys of the contract, with comments for a reader."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from scenes.faces import Face

COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class LeadText:
    """What goes into a lead.toml. `faces`: write their rafters; tables: further tables, each key a plain value."""

    name: str
    scan: str
    survey_date: str
    note: str
    faces: tuple[Face, ...] = ()
    rafter_tolerance_mm: float = 15.0
    tables: dict[str, dict[str, object]] = field(default_factory=dict)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(value)


def _rafters(face: Face, tolerance_mm: float) -> list[str]:
    looks = COMPASS[round(face.lsq.azimuth_deg / 45) % 8]
    places = ", ".join(str(round(float(r))) for r in face.rafters_mm)
    azimuth = round(face.lsq.azimuth_deg) % 360
    return [
        "",
        "[[rafters]]",
        f"azimuth_deg = {azimuth}      # the face that looks {looks}; middles measured in the loft",
        f"positions_mm = [{places}]",
        f"tolerance_mm = {tolerance_mm:g}",
    ]


def lead_toml(lead: LeadText) -> str:
    """Text of the file."""
    lines = [
        *(f"# {line}" for line in lead.note.splitlines()),
        f"name = {_value(lead.name)}",
        f"scan = {_value(lead.scan)}",
        f"survey_date = {lead.survey_date}",
    ]
    for table, values in lead.tables.items():
        lines += ["", f"[{table}]", *(f"{key} = {_value(v)}" for key, v in values.items())]
    for face in lead.faces:
        lines += _rafters(face, lead.rafter_tolerance_mm)
    return "\n".join(lines) + "\n"


def write_lead(lead: LeadText, folder: Path) -> Path:
    """Write lead.toml into a folder; returns its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "lead.toml"
    path.write_text(lead_toml(lead), encoding="utf-8")
    return path
