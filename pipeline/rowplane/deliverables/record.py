"""record.json: where everything came from. The one file that may differ between two runs: it holds seconds and memory."""

from __future__ import annotations

import platform
from importlib import metadata
from pathlib import Path

from rowplane.deliverables.content import Files, Sheets
from rowplane.deliverables.json_result import json_bytes
from rowplane.deliverables.plain_values import to_plain
from rowplane.deliverables.revision import config_values
from rowplane.model import RoofResult

LIBRARIES = (
    "numpy",
    "scipy",
    "scikit-learn",
    "shapely",
    "trimesh",
    "open3d",
    "open3d-cpu",
    "laspy",
    "lazrs",
    "pyproj",
    "rasterio",
    "pye57",
    "ezdxf",
    "pydantic",
    "jinja2",
    "typst",
    "matplotlib",
    "openpyxl",
)


def record_files(result: RoofResult, sheets: Sheets) -> Files:
    """record.json: inputs with their hashes, settings with origin, versions, dropped points, cost per stage."""
    origins = result.lead.origins
    values = {
        "lead": sheets.lead,
        "survey_date": sheets.survey_date,
        "revision": sheets.revision,
        "rowplane": sheets.version,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "libraries": _versions(),
        "inputs": to_plain(result.survey.sources),
        "unit": {"unit": result.survey.frame.unit, "source": result.survey.frame.unit_source, "epsg": result.survey.frame.epsg},
        "dropped_points": [{"reason": reason, "points": count} for reason, count in result.survey.dropped],
        "settings": [
            {"setting": key, "value": value, "origin": _origin(key, origins)}
            for key, value in _leaves(config_values(result.lead.config))
        ],
        "cost": [
            {"stage": c.stage, "seconds": round(c.seconds, 3), "peak_mb": to_plain(round(c.peak_mb, 1))} for c in result.costs
        ],
    }
    return {"record.json": json_bytes(values)}


def _versions() -> dict[str, str]:
    found: dict[str, str] = {}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def _leaves(values: dict[str, object], before: str = "") -> list[tuple[str, object]]:
    leaves: list[tuple[str, object]] = []
    for key, value in values.items():
        leaves += _leaves(value, f"{before}{key}.") if isinstance(value, dict) else [(f"{before}{key}", value)]
    return leaves


def _origin(key: str, origins: dict[str, str]) -> str:
    # Origins name files; only their last part is of use on another machine.
    while key:
        if key in origins:
            return Path(origins[key].replace("\\", "/")).name
        key = key.rpartition(".")[0]
    return "default"
