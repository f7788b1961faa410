"""The nouns of the sheets: tables with typed columns, and drawings with layers. Built once, rendered by every writer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Cell = str | int | float | None
"""None is an empty cell: the value is not known, or has no meaning in this row."""

Files = dict[str, bytes]
"""What a writer makes: file name → content. Only write.py touches the disk."""

Point = tuple[float, float]
Layer = Literal[
    "outline",
    "edge",
    "usable",
    "obstacle",
    "patch",
    "module",
    "line",
    "rail",
    "hook",
    "foot",
    "splice",
    "dimension",
]


@dataclass(frozen=True)
class Column:
    """One column: its name is the contract's; `decimals` is None for text, 0 for counts."""

    name: str
    unit: str
    decimals: int | None
    meaning: str


@dataclass(frozen=True)
class Table:
    """Rows of cells under columns. Numbers are rounded to the column's decimals, so that no two writers can disagree."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def records(self) -> list[dict[str, Cell]]:
        """The rows as dicts by column name."""
        names = [c.name for c in self.columns]
        return [dict(zip(names, row, strict=True)) for row in self.rows]


@dataclass(frozen=True)
class Mark:
    """One thing on a drawing, in u, v, mm: a closed `area`, an open `path`, a `spot` (one point) or a `label` at a point.

    `name` is the id of what it stands for ('' for scenery); `style` tells kinds of one layer apart (eave, front, …).
    A label is centred on its point, `height` is that of its letters, `turn` degrees counter-clockwise.
    """

    layer: Layer
    shape: Literal["area", "path", "spot", "label"]
    points: tuple[Point, ...]
    name: str = ""
    style: str = ""
    text: str = ""
    height: float = 0.0
    turn: float = 0.0
    holes: tuple[tuple[Point, ...], ...] = ()


@dataclass(frozen=True)
class FaceDrawing:
    """One face seen square on, eave at the bottom. `north_deg` turns from page-up to north, clockwise."""

    face: str
    title: str
    note: str
    north_deg: float
    bounds: tuple[float, float, float, float]
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Stop:
    """One foot in the order of work. `height_mm` is what gauge or rule reads from rail top to module seat, packer included."""

    foot: str
    array: str
    line: int
    run: int
    rail: str
    role: Literal["outer", "inner"]
    kind: str
    u_mm: float
    v_mm: float
    rail_height_mm: float
    height_mm: float
    lift_mm: float
    turns: float
    adjustment_mm: float
    packer_mm: float
    string_gap_mm: float | None
    sigma_mm: float | None
    reach: str
    trust: str
    note: str


@dataclass(frozen=True)
class Sheets:
    """Everything that is read by a person, said once. `tables` by name; `stops` in the order heights are set."""

    lead: str
    survey_date: str
    revision: str
    version: str
    units: Literal["mm", "in"]
    paper: Literal["a4", "letter"]
    headline: str
    facts: tuple[tuple[str, str], ...]
    quality: tuple[str, ...]
    cautions: tuple[str, ...]
    assumed: tuple[tuple[str, str, str], ...]
    findings: tuple[tuple[str, str, str, str], ...]
    tables: dict[str, Table]
    drawings: tuple[FaceDrawing, ...]
    key_plan: FaceDrawing | None
    stops: tuple[Stop, ...]
