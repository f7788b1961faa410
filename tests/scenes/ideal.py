"""Tables of the contract made from truth itself: what a perfect result looks like, to check the scorer with.

Not a layout: rails stand on a plain grid, hooks in every third course, feet in lines of even distance.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from scenes.faces import Face
from scenes.score import natural_curve
from scenes.tables import COLUMNS
from scenes.truth import Truth

Array = NDArray[np.float64]
Table = list[dict[str, object]]
MID_LIFT_MM, BUILD_UP_MM = 45.0, 110.0
PITCH_MM = 0.004  # so fine a thread that quarters of a turn do not show


@dataclass(frozen=True)
class IdealTables:
    """Rows of the five tables, free to be spoilt before `write`."""

    feet: Table
    hooks: Table
    rails: Table
    modules: Table
    faces: Table

    def write(self, folder: Path) -> Path:
        """Write the five CSV files; returns the folder."""
        for name, columns in COLUMNS.items():
            with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as stream:
                out = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
                out.writeheader()
                out.writerows(getattr(self, name))
        return folder


def _rows(face: Face, rail: str, u: float, along: tuple[Array, Array], truth: Truth) -> tuple[Table, Table, Array]:
    """Hook and foot rows of one rail and the feet's true seat deviation from the face's plane, lifts still to be set."""
    hook_v, foot_v = along
    over = face.substrate_mm(np.full(len(hook_v), u), hook_v) - face.lsq.height_mm(np.full(len(hook_v), u), hook_v)
    seat, height = over + BUILD_UP_MM, natural_curve(hook_v, over + BUILD_UP_MM, foot_v)

    def place(v: float, over_plane: float) -> dict[str, object]:
        w = over_plane + float(face.lsq.height_mm(np.array(u), np.array(v)))
        xyz = truth.georef.to_file(face.to_world(np.array([u]), np.array([v]), np.array([w])))[0]
        return {
            "face": f"F{face.index}",
            "array": "A1",
            "rail": rail,
            "u_mm": (u - face.datum_u_m) * 1000,
            "v_mm": v * 1000,
            "x": xyz[0],
            "y": xyz[1],
            "z": xyz[2],
            "packer_mm": 0,
            "trust": "ok",
        }

    hooks = [
        {"hook": f"{rail}-h{k}", "seat_height_mm": s, **place(float(v), float(s))}
        for k, (v, s) in enumerate(zip(hook_v, seat, strict=True))
    ]
    feet = [
        {
            "foot": f"{rail}-f{k}",
            "line": k,
            "kind": "seam",
            "rail_height_mm": b,
            "load_sag_mm": 0,
            "sigma_mm": 1.0,
            "turns": 0,
            "reach": "ok",
            **place(float(v), float(b)),
        }
        for k, (v, b) in enumerate(zip(foot_v, height, strict=True))
    ]
    return hooks, feet, height


def set_lift(foot: dict[str, object], lift_mm: float) -> None:
    """Give a foot a lift, in whole quarter turns, with all that hangs on it."""
    turns = round(lift_mm / PITCH_MM * 4) / 4
    foot |= {"turns": turns, "lift_mm": turns * PITCH_MM, "adjustment_mm": turns * PITCH_MM - MID_LIFT_MM}


def ideal_tables(truth: Truth, *, constant: bool = False) -> IdealTables:
    """Tables whose lifts bring every seat exactly into one plane, or (constant) leave every foot at one lift."""
    hooks: Table = []
    feet: Table = []
    rails: Table = []
    for face in (f for f in truth.listed if f.area_m2 > 8):
        box = face.polygon.buffer(-0.5, join_style="mitre")
        if box.is_empty:
            continue
        for n, u in enumerate(np.arange(0.6, face.extent_m[0] - 0.5, 1.1)):
            v = np.arange(0.2, face.extent_m[1], 0.1)
            inside = v[face.inside(np.full(len(v), u), v, -0.4)]
            if len(inside) < 25:
                continue
            rail = f"R{face.index}-{n}"
            more_hooks, more_feet, _ = _rows(face, rail, float(u), (inside[::9], inside[2::10]), truth)
            hooks, feet, rails = hooks + more_hooks, feet + more_feet, [*rails, {"rail": rail}]
    mean = float(np.mean([f["rail_height_mm"] for f in feet]))
    for foot in feet:
        set_lift(foot, MID_LIFT_MM if constant else MID_LIFT_MM + mean - float(str(foot["rail_height_mm"])))
    faces = [
        {"face": f"F{f.index}", "pitch_deg": f.lsq.pitch_deg, "azimuth_deg": f.lsq.azimuth_deg, "area_m2": f.area_m2}
        for f in truth.listed
    ]
    return IdealTables(feet, hooks, rails, [{"module": "M1"}], faces)
