"""The job: one roof, one call per stage, top to bottom, nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from threadpoolctl import threadpool_limits

from rowplane.config import Lead
from rowplane.ingest import judge_scan, read_survey
from rowplane.levelling import level_feet
from rowplane.model import RoofResult, StageCost, Wish
from rowplane.placement import place_modules
from rowplane.planes import fit_planes
from rowplane.supports import list_parts, place_supports
from rowplane.surface import map_surface
from rowplane.watch import Watch


def survey_to_layout(lead: Lead, on_stage: Callable[[StageCost], None] | None = None) -> RoofResult:
    """From what was measured on one roof to the number at every foot.

    `on_stage` hears of every stage as it ends. Raises RowplaneError where the survey cannot be read; a roof that can be
    read but carries no layout comes back with the reason among its findings.
    """
    # With one numeric thread a sum has one order, so that the number of cores changes no digit.
    with threadpool_limits(1):
        return _job(lead, Watch(on_stage))


def _job(lead: Lead, watch: Watch) -> RoofResult:
    config = lead.config
    survey = watch(read_survey, lead.scan, config.ingest)
    roof = watch(fit_planes, survey, config.planes)
    surfaces = watch(map_surface, survey, roof, config.surface)
    quality = watch(judge_scan, survey, roof, surfaces, config.levelling.tolerance_mm)

    wishes: tuple[Wish, ...] = ()
    for _ in range(config.levelling.max_relayouts + 1):
        layout = watch(
            place_modules, surfaces, config.placement, config.rafters, config.module, config.hardware, config.site, wishes
        )
        plan = watch(
            place_supports, layout, surfaces, config.supports, config.rafters, config.module, config.hardware, config.site,
            config.placement.orientation,
        )  # fmt: skip
        levels = watch(level_feet, layout, plan, surfaces, config.levelling, config.hardware, config.module)
        if not levels.wishes:
            break
        wishes += levels.wishes

    parts = watch(list_parts, layout, plan, levels, config.module, config.hardware)
    result = RoofResult(lead, survey, quality, roof, surfaces, layout, plan, levels, parts)
    return replace(result, costs=watch.costs)
