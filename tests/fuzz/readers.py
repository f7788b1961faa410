"""What is tried with broken files: every reader of the package, and the whole job behind the readers of scans."""

from __future__ import annotations

import importlib
import math
import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from rowplane.cli.run import recheck_result
from rowplane.config import IngestConfig, Lead
from rowplane.ingest import mesh, read_survey
from rowplane.leads import load_lead
from rowplane.model import RoofResult


def warm_up() -> None:
    """Load the libraries, so that the memory they take is not counted as an input's; put few points on meshes."""
    mesh.FEWEST = 3000
    for name in ("laspy", "lazrs", "rasterio", "trimesh", "pyproj", "shapely", "scipy.optimize", "pye57", "open3d", "networkx"):
        importlib.import_module(name)


def scan(path: Path) -> str:
    """One scan, as `inspect` reads it first."""
    survey = read_survey((path,), IngestConfig())
    assert np.isfinite(survey.points_mm).all()
    assert survey.points_mm.ndim == 2
    assert all(math.isfinite(v) for v in (survey.frame.unit_mm, survey.frame.grid_scale, *survey.frame.origin))
    return f"{len(survey.points_mm)} points"


def job(path: Path) -> str:
    """One scan, through the whole job to the sheets."""
    from rowplane.deliverables.sheets import build_sheets
    from rowplane.roof import survey_to_layout

    lead = Lead("fuzz", (path,), None, path.parent, load_lead(path).config)
    result = survey_to_layout(lead)
    build_sheets(result)
    assert all(math.isfinite(f.lift_mm) for f in result.levels.feet if f.reach != "out-of-reach")
    return f"{len(result.roof.faces)} faces, {len(result.levels.feet)} feet"


def footprint(path: Path) -> str:
    """A GeoJSON footprint over a scan that lies beside it."""
    config = IngestConfig(unit="m", footprint=str(path))
    return f"{len(read_survey((path.with_name('beside.las'),), config).points_mm)} points"


def lead(path: Path) -> str:
    """A lead.toml."""
    found = load_lead(path)
    assert all(p.resolve().is_relative_to(path.parent.resolve()) for p in found.scan)
    return found.name


def lead_job(path: Path) -> str:
    """A lead.toml over a small level survey, through the whole job."""
    from rowplane.roof import survey_to_layout

    found = load_lead(path)
    sheet = path.with_name("beside.csv")
    return f"{len(survey_to_layout(replace(found, scan=(sheet,))).levels.feet)} feet"


def readings(path: Path) -> str:
    """A readings file, taken into the result beside it, which is read once; the new sheets are not drawn."""
    return _recheck(_whole(path.with_name("beside")), path)


def result(path: Path) -> str:
    """One broken file among those of an earlier result; the new sheets are not drawn."""
    from rowplane.ingest import read_earlier_result

    return _recheck(read_earlier_result(_with_broken(path)), path.with_name("readings.csv"))


def result_job(path: Path) -> str:
    """The same as `recheck` does it, sheets and all."""
    folder = _with_broken(path)
    recheck_result(folder, path.with_name("readings.csv"), folder.with_name("out"), overwrite=True)
    return "a revision"


def _with_broken(path: Path) -> Path:
    """The result beside `path` with the broken file in its place; one copy serves all, since each breaks the same file."""
    folder = path.with_name("broken")
    if not folder.exists():
        shutil.copytree(path.with_name("beside"), folder)
    (folder / {".npz": "posterior.npz", ".json": "result.json"}[path.suffix]).write_bytes(path.read_bytes())
    return folder


@cache
def _whole(folder: Path) -> RoofResult:
    from rowplane.ingest import read_earlier_result

    return read_earlier_result(folder)


def _recheck(before: RoofResult, file: Path) -> str:
    from rowplane.ingest import read_field_readings
    from rowplane.levelling import recheck_feet

    levels = recheck_feet(before.levels, read_field_readings(file, before.revision))
    assert all(math.isfinite(f.lift_mm) for f in levels.feet)
    return f"{len(levels.feet)} feet"


def manifest(path: Path) -> str:
    """A manifest of leads."""
    from rowplane.batch import plan_batch

    tasks = plan_batch(str(path)).tasks
    root = path.parent.resolve()
    assert all(Path(t.place).resolve().is_relative_to(root) for t in tasks if t.place)
    assert len({t.name for t in tasks}) == len(tasks)
    return f"{len(tasks)} tasks"


READERS: dict[str, Callable[[Path], str]] = {
    read.__name__: read for read in (scan, job, footprint, lead, lead_job, readings, result, result_job, manifest)
}
