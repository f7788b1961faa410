"""The nouns of the crew's pages: every cell is the string that is printed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Spot:
    """One running dimension from the datum: what it marks, the length, and the same counted in tiles."""

    name: str
    at_mm: float
    length: str
    tiles: str


@dataclass(frozen=True)
class MarkingPage:
    """Marking out of one array: rails along the eave, lines up the slope."""

    array: str
    face: str
    datum: str
    summary: str
    rails: tuple[Spot, ...]
    lines: tuple[Spot, ...]


@dataclass(frozen=True)
class HookRow:
    """One hook in the schedule, every cell as printed; `short` is its id within the rail."""

    hook: str
    short: str
    rafter: str
    probe: str
    course: str
    pan: str
    v: str
    u: str
    notch: str
    packer: str
    trust: str
    note: str


@dataclass(frozen=True)
class RailPage:
    """Hook schedule of one rail, from the eave up; `pieces` are its cut lengths, `splices` the v of their joints.

    `note` is what all of its hooks have in common.
    """

    rail: str
    array: str
    u: str
    ends: str
    pieces: str
    splices: str
    note: str
    hooks: tuple[HookRow, ...]


@dataclass(frozen=True)
class HeightRow:
    """One foot as printed: `height` is the large figure from rail top to seat, packer included."""

    foot: str
    rail: str
    role: str
    height: str
    turns: str
    adjust: str
    packer: str
    gap: str
    sure: str
    trust: str
    reach: str
    note: str


@dataclass(frozen=True)
class HeightRun:
    """Feet of one run of a line, outer feet first."""

    title: str
    v: str
    rows: tuple[HeightRow, ...]


@dataclass(frozen=True)
class HeightPage:
    """Height table of one array in order of work, with what eye and glass would notice."""

    array: str
    face: str
    summary: tuple[str, ...]
    runs: tuple[HeightRun, ...]


@dataclass(frozen=True)
class StringRow:
    """One string line as printed."""

    where: str
    feet: str
    length: str
    sag: str
    longest: str
    advice: str


@dataclass(frozen=True)
class MeasureRow:
    """One point worth measuring, in the order of worth."""

    order: int
    target: str
    kind: str
    where: str
    after: str


@dataclass(frozen=True)
class PartRow:
    """One line of the picking list."""

    part: str
    detail: str
    quantity: str
    weight: str
    trips: str
    note: str


@dataclass(frozen=True)
class Pages:
    """All pages after the cover; `unit` stands beside every column of lengths, `lengths` says it in words."""

    unit: str
    lengths: str
    marking: tuple[MarkingPage, ...]
    rails: tuple[RailPage, ...]
    heights: tuple[HeightPage, ...]
    strings: tuple[StringRow, ...]
    measures: tuple[MeasureRow, ...]
    parts: tuple[PartRow, ...]
    trips: str
    hook_steps: tuple[str, ...]
    one_turn: str
