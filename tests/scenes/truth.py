"""Truth of one lead beside its files: faces, and how the file's coordinates relate to the scene's metres.

A truth file is JSON and complete: scoring from it needs neither the seed nor the generator's random numbers.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scenes.faces import Edge, Face, Obstacle
from scenes.relief import Laid, TilePattern
from scenes.scene import Scene
from scenes.substrate import Substrate

Array = NDArray[np.float64]
UNIT_M = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "us-ft": 1200 / 3937, "in": 0.0254}
MIN_FACE_M2 = 2.0  # smaller faces need not be found


@dataclass(frozen=True)
class Georef:
    """From the scene's ground metres to a file: plan scaled by k about a centre (point scale factor), shifted, in a unit."""

    unit: str = "m"
    epsg: int | None = None
    k: float = 1.0
    centre_m: tuple[float, float] = (0.0, 0.0)
    shift_m: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def to_file(self, xyz_m: Array) -> Array:
        """File coordinates of world points (..., 3)."""
        out = np.array(xyz_m, dtype=float)
        out[..., :2] = self.centre_m + (out[..., :2] - self.centre_m) * self.k
        return (out - self.shift_m) / UNIT_M[self.unit]

    def to_world(self, xyz: Array) -> Array:
        """World metres of file coordinates (..., 3)."""
        out = np.array(xyz, dtype=float) * UNIT_M[self.unit] + self.shift_m
        out[..., :2] = self.centre_m + (out[..., :2] - self.centre_m) / self.k
        return out


@dataclass(frozen=True)
class Truth:
    """What a result is scored against. frame 'xyz': places come from x, y, z; 'uv': from u_mm, v_mm and the datum."""

    faces: tuple[Face, ...]
    georef: Georef = field(default_factory=Georef)
    frame: str = "xyz"

    @classmethod
    def of(cls, scene: Scene, georef: Georef | None = None) -> Truth:
        """Truth of a scanned scene."""
        return cls(scene.faces, georef or Georef())

    @property
    def listed(self) -> tuple[Face, ...]:
        """Faces that a result must list."""
        return tuple(f for f in self.faces if f.area_m2 >= MIN_FACE_M2)


def face_summary(face: Face) -> dict[str, Any]:
    """The figures of a face that a person compares with faces.csv."""
    return {
        "name": face.name,
        "pitch_deg": round(face.lsq.pitch_deg, 4),
        "azimuth_deg": round(face.lsq.azimuth_deg, 4),
        "area_m2": round(face.area_m2, 3),
        "gauge_mm": face.tile.gauge_mm,
        "cover_width_mm": face.tile.cover_mm,
        "tile_rise_mm": face.tile.rise_mm,
        "deviation_rms_mm": round(face.lsq.rms_mm, 2),
        "deviation_max_mm": round(face.lsq.max_mm, 2),
        "edges": [e.kind for e in face.edges],
        "rafters_mm": [round(float(r)) for r in face.rafters_mm],
    }


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"cannot write {type(value).__name__} as JSON")


def save_truth(truth: Truth, path: Path) -> None:
    """Write a truth file."""
    content = {
        "invented": True,
        "summary": [face_summary(f) for f in truth.faces],
        "frame": truth.frame,
        "georef": asdict(truth.georef),
        "faces": [asdict(f) for f in truth.faces],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(content, default=_plain, separators=(",", ":")) + "\n", encoding="utf-8")


def _arrays(values: dict[str, Any]) -> dict[str, Any]:
    return {k: np.array(v) if isinstance(v, list) else v for k, v in values.items()}


def _face(d: dict[str, Any]) -> Face:
    laid = d["laid"]
    moss = np.array(laid["moss_uv_m"], dtype=float).reshape(-1, 2)
    tiles = Laid(
        TilePattern(**laid["pattern"]),
        tuple(laid["first"]),
        np.array(laid["seat_mm"]),
        np.array(laid["slid"]),
        np.array(laid["missing"]),
        moss,
        laid["moss_mm"],
        laid["moss_width_m"],
    )
    edges = tuple(Edge(e["kind"], tuple(e["a_uv_m"]), tuple(e["b_uv_m"]), e["neighbour"]) for e in d["edges"])
    obstacles = tuple(Obstacle(o["kind"], tuple(map(tuple, o["outline_uv_m"])), o["height_mm"]) for o in d["obstacles"])
    vectors = (np.array(d[k]) for k in ("origin_m", "e_u", "e_v", "normal", "outline_uv_m"))
    return Face(d["index"], d["name"], *vectors, edges, Substrate(**_arrays(d["substrate"])), tiles, obstacles)


def load_truth(path: Path) -> Truth:
    """Read a truth file."""
    content = json.loads(Path(path).read_text(encoding="utf-8"))
    g = content["georef"]
    georef = Georef(g["unit"], g["epsg"], g["k"], tuple(g["centre_m"]), tuple(g["shift_m"]))
    return Truth(tuple(_face(d) for d in content["faces"]), georef, content["frame"])
