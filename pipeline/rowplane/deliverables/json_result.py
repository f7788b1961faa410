"""result.json: all of it, for programs; posterior.npz: what a recheck conditions on. The schema lies beside, versioned."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path
from typing import Any

import numpy as np

from rowplane.deliverables.content import Files, Sheets, Table
from rowplane.deliverables.plain_values import to_plain
from rowplane.deliverables.revision import config_values
from rowplane.model import Posterior, RecheckBasis, RoofResult, Surface

FORMAT, VERSION = "rowplane-result", 1
SCHEMA = Path(__file__).parent / "schema" / "result-1.schema.json"

# Points, rasters and dense matrices are in the scan, deviation.tif and posterior.npz; a JSON file of them helps nobody.
_TOO_BIG = frozenset({"points_mm", "classes", "labels", "height", "own_mm", "sd_mm", "covariance_mm2", "findings"})


def result_files(result: RoofResult, sheets: Sheets) -> Files:
    """result.json and posterior.npz."""
    return {
        "result.json": json_bytes(result_values(result, sheets)),
        "posterior.npz": posteriors_bytes(result.levels.posteriors, result.surfaces.surfaces),
    }


def json_bytes(values: Any) -> bytes:
    """Values as indented JSON. A file name may hold bytes that are no text; they become question marks, the rest stays."""
    return json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8", "replace") + b"\n"


def result_values(result: RoofResult, sheets: Sheets) -> dict[str, Any]:
    """The whole result as plain values: the tables as printed, and the nouns behind them at full precision."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "made_by": f"rowplane {sheets.version}",
        "lead": sheets.lead,
        "survey_date": sheets.survey_date,
        "revision": sheets.revision,
        "headline": sheets.headline,
        "needs_a_person": result.needs_a_person,
        "units": {"inside": "mm", "scan": result.survey.frame.unit},
        "config": config_values(result.lead.config),
        "findings": to_plain(result.findings),
        "quality": to_plain(result.quality, frozenset({"findings"})),
        "survey": to_plain(result.survey, _TOO_BIG),
        "roof": to_plain(result.roof, _TOO_BIG),
        "surfaces": [to_plain(s, _TOO_BIG) for s in result.surfaces.surfaces],
        "layout": to_plain(result.layout, _TOO_BIG),
        "plan": to_plain(result.plan, _TOO_BIG),
        "levels": to_plain(result.levels, _TOO_BIG - {"findings"} | {"posteriors"}),
        "parts": to_plain(result.parts),
        "assumed": [{"setting": s, "value": v, "meaning": m} for s, v, m in sheets.assumed],
        "work_order": [s.foot for s in sheets.stops],
        "tables": {name: _table(table) for name, table in sheets.tables.items()},
    }


def _table(table: Table) -> dict[str, Any]:
    columns = [{"name": c.name, "unit": c.unit, "meaning": c.meaning} for c in table.columns]
    return {"columns": columns, "rows": table.records()}


def posteriors_bytes(posteriors: tuple[Posterior, ...], surfaces: tuple[Surface, ...] = ()) -> bytes:
    """posterior.npz without pickles: what a recheck conditions on, and the rasters that its sheets need again.

    `arrays` names the arrays; `0.mean_mm`, `0.hook_ids`, … are the fields of the first; `map.A.own_mm`, `map.A.sd_mm` face A's.
    """
    values: dict[str, Any] = {"arrays": np.array([p.array for p in posteriors], dtype=np.str_)}
    for surface in surfaces:
        values |= {f"map.{surface.face.id}.{name}": getattr(surface, name) for name in ("own_mm", "sd_mm")}
    for k, posterior in enumerate(posteriors):
        values |= {f"{k}.{name}": array for name, array in posterior_arrays(posterior).items()}
    out = io.BytesIO()
    np.savez_compressed(out, allow_pickle=False, **values)
    return out.getvalue()


def posterior_arrays(posterior: Posterior) -> dict[str, Any]:
    """The fields of one array's posterior as arrays; all that a recheck needs where it is a RecheckBasis."""
    if isinstance(posterior, RecheckBasis):
        return posterior.as_arrays()
    return {f.name: np.asarray(getattr(posterior, f.name)) for f in dataclasses.fields(posterior)}
