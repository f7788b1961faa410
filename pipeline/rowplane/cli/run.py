"""What `run` and `inspect` do: call the job, show progress, print five lines or JSON."""

from __future__ import annotations

import contextlib
import importlib
import sys
import threading
from dataclasses import asdict
from pathlib import Path

from rowplane.cli.output import print_json
from rowplane.leads import load_lead
from rowplane.model import Finding, RoofResult, StageCost

STAGE_WORDS = {
    "read_survey": "read the survey",
    "fit_planes": "found the faces",
    "map_surface": "mapped the substrate",
    "judge_scan": "judged the scan",
    "place_modules": "placed modules",
    "place_supports": "placed rails, hooks, feet",
    "level_feet": "levelled the feet",
    "list_parts": "listed the parts",
    "write_all": "wrote the sheets",
}


def run_lead(
    path: Path, out: Path | None, overrides: dict[str, str], as_json: bool, overwrite: bool, quiet: bool, verbose: bool
) -> bool:
    """The whole job on one lead; True where a person has to look. Raises RowplaneError before anything is written."""
    lead = load_lead(path, overrides)
    target = out or _default_out(path)
    tell = None if quiet else _tell
    from rowplane.deliverables import check_out, write_all
    from rowplane.watch import Watch

    check_out(target, overwrite)
    from rowplane.roof import survey_to_layout

    threading.Thread(target=_load_writers_libraries, daemon=True).start()

    result = survey_to_layout(lead, tell)
    Watch(tell)(write_all, result, target, overwrite)
    _print_findings(result.findings, verbose)
    if as_json:
        print_json(summary(result, target))
    else:
        print(summary_lines(result, target))
    return result.needs_a_person


def _load_writers_libraries() -> None:
    """Load what only the writers need while the job computes on the other core: over a second of a short run."""
    for name in ("matplotlib.figure", "ezdxf", "openpyxl", "trimesh", "rasterio"):
        # Whoever needs a library that will not load says so better than a thread can.
        with contextlib.suppress(Exception):
            importlib.import_module(name)


def _default_out(path: Path) -> Path:
    whole = path.resolve()
    if whole.name == "lead.toml":
        whole = whole.parent
    return whole.with_name(f"{whole.stem if whole.is_file() else whole.name}-layout")


def _tell(cost: StageCost) -> None:
    from rich.console import Console

    words = STAGE_WORDS.get(cost.stage, cost.stage)
    Console(stderr=True, highlight=False).print(f"[bold]✓[/bold] {words:<28}{cost.seconds:6.1f} s   {cost.peak_mb:6.0f} MB")


def _print_findings(findings: tuple[Finding, ...], verbose: bool) -> None:
    for found in findings:
        if verbose or found.severity in ("person", "stop"):
            print(f"{found.severity}: {found.subject}: {found.text}  [{found.code}]", file=sys.stderr)


def summary(result: RoofResult, target: Path) -> dict[str, object]:
    """The result in a few figures, for JSON."""
    feet = result.levels.feet
    modules = sum(len(a.modules) for a in result.layout.arrays)
    return {
        "lead": result.lead.name,
        "result": str(target),
        "scan": result.quality.verdict,
        "faces": len(result.roof.faces),
        "modules": modules,
        "power_kw": round(modules * result.lead.config.module.power_w / 1000, 2),
        "rails": len(result.plan.rails),
        "hooks": len(result.plan.hooks),
        "feet": len(feet),
        "adjustment_mm": [min(f.adjustment_mm for f in feet), max(f.adjustment_mm for f in feet)] if feet else None,
        "feet_to_measure": sum(f.trust == "measure" for f in feet),
        "feet_out_of_reach": sum(f.reach == "out-of-reach" for f in feet),
        "needs_a_person": result.needs_a_person,
        "findings": [asdict(f) for f in result.findings],
    }


def summary_lines(result: RoofResult, target: Path) -> str:
    """The result in five lines for a person, the path of the result last."""
    s = summary(result, target)
    reach = s["adjustment_mm"]
    adjust = f"adjustments {reach[0]:+.1f} to {reach[1]:+.1f} mm" if isinstance(reach, list) else "no feet"
    asks = len({(f.code, f.subject) for f in result.findings if f.severity in ("person", "stop")})
    return "\n".join(
        (
            f"{s['lead']}: {s['faces']} {'face' if s['faces'] == 1 else 'faces'}; scan: {s['scan']}",
            f"{s['modules']} modules, {s['power_kw']} kW; {s['rails']} rails, {s['hooks']} hooks",
            f"{s['feet']} feet, {adjust}; {s['feet_to_measure']} to measure, {s['feet_out_of_reach']} out of reach",
            f"{asks} {'findings need' if asks > 1 else 'finding needs'} a person (above; rowplane explain CODE says more)"
            if asks
            else "nothing needs a person first",
            f"result: {target}",
        )
    )


def inspect_scan(path: Path, overrides: dict[str, str], as_json: bool) -> bool:
    """Read, find faces, map, judge; print the verdict. True where the scan is not good for foot heights everywhere."""
    lead = load_lead(path, overrides)
    from threadpoolctl import threadpool_limits

    from rowplane.ingest import judge_scan, read_survey
    from rowplane.planes import fit_planes
    from rowplane.surface import map_surface

    with threadpool_limits(1):  # as the job itself: the number of cores changes no digit
        survey = read_survey(lead.scan, lead.config.ingest)
        roof = fit_planes(survey, lead.config.planes)
        surfaces = map_surface(survey, roof, lead.config.surface)
        quality = judge_scan(survey, roof, surfaces, lead.config.levelling.tolerance_mm)
    from rowplane.cli.inspection import inspection, inspection_lines

    report = inspection(survey, roof, surfaces, quality)
    if as_json:
        print_json(report)
    else:
        print(inspection_lines(report))
    return quality.verdict == "not fit" or not roof.faces


def recheck_result(folder: Path, readings: Path, out: Path | None, overwrite: bool, as_json: bool = False) -> bool:
    """Take readings into an earlier result; True where a finding needs a person. The earlier folder is not touched."""
    from threadpoolctl import threadpool_limits

    from rowplane.deliverables import write_revised
    from rowplane.ingest import read_earlier_result, read_field_readings
    from rowplane.levelling import moved_supports, recheck_feet

    before = read_earlier_result(folder)
    taken = read_field_readings(readings, before.revision)
    with threadpool_limits(1):  # as the job itself: the number of cores changes no digit
        levels = recheck_feet(before.levels, taken)
    after = before.next_revision(levels, moved_supports(before.plan, levels))
    target = out or folder.resolve().with_name(f"{folder.resolve().name}-recheck")
    write_revised(folder, after, taken, target, overwrite)
    _print_findings(levels.findings, verbose=True)
    were = {f.foot: (f.lift_mm, f.packer_mm) for f in before.levels.feet}
    told = {
        "result": str(target),
        "revision_before": before.revision,
        "revision": after.revision,
        "readings": len(taken.readings),
        "feet": len(levels.feet),
        "feet_changed": sum(were[f.foot] != (f.lift_mm, f.packer_mm) for f in levels.feet),
        "feet_to_measure": sum(f.trust == "measure" for f in levels.feet),
        "findings": [asdict(f) for f in levels.findings],
    }
    if as_json:
        print_json(told)
    else:
        print(f"revision {told['revision_before']} and {told['readings']} readings give revision {told['revision']}")
        print(f"{told['feet_changed']} of {told['feet']} feet changed; {told['feet_to_measure']} still to measure")
        print(f"result: {target}")
    return any(f.severity in ("person", "stop") for f in levels.findings)
