"""Golden numbers of the sample leads. To see them again after a change that is meant:

cd tests && python -m test_9_cli.golden            # writes test_9_cli/golden.json; git diff shows what moved
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.leads import load_lead
from rowplane.model import RoofResult
from rowplane.roof import survey_to_layout

SAMPLES = Path(__file__).parents[2] / "sample_scans"
GOLDEN = Path(__file__).parent / "golden.json"
LEADS = ("hip_and_gable", "l_shaped", "level_survey")


def numbers(name: str) -> dict[str, Any]:
    """What the job makes of a sample, in a few dozen numbers: counts, faces, and every foot's lift, packer and sigma summed up."""
    result = survey_to_layout(load_lead(SAMPLES / name))
    feet = result.levels.feet
    return {
        "scan": result.quality.verdict,
        "faces": _faces(result),
        "modules": sum(len(a.modules) for a in result.layout.arrays),
        "rails": len(result.plan.rails),
        "hooks": len(result.plan.hooks),
        "feet": len(feet),
        "feet_to_measure": sum(f.trust == "measure" for f in feet),
        "feet_out_of_reach": sum(f.reach == "out-of-reach" for f in feet),
        "adjustment_mm": [_over(feet, min, "adjustment_mm"), _over(feet, max, "adjustment_mm")],
        "mean_lift_mm": _over(feet, _mean, "lift_mm"),
        "mean_sigma_mm": _over(feet, _mean, "sigma_mm"),
        "packers_mm": round(sum(f.packer_mm for f in feet) + sum(h.packer_mm for h in result.levels.hooks), 3),
        "parts": round(math.fsum(p.quantity for p in result.parts), 3),
        "findings": sorted({f.code for f in result.findings}),
    }


def _faces(result: RoofResult) -> list[list[float]]:
    found = [(s.face.frame, s.face.area_m2) for s in result.surfaces.surfaces]
    return [[round(pitch_deg(f), 3), round(azimuth_deg(f), 3), round(area, 3)] for f, area in found]


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values)


def _over(feet: tuple[Any, ...], of: Callable[[list[float]], float], field: str) -> float | None:
    return round(of([float(getattr(f, field)) for f in feet]), 3) if feet else None


if __name__ == "__main__":
    seen = {name: numbers(name) for name in LEADS}
    GOLDEN.write_text(json.dumps(seen, indent=1) + "\n", encoding="utf-8")
    print(GOLDEN.read_text())
