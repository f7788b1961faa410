"""An invented lead levelled by the real program, so that page and command line have the same basis."""

from __future__ import annotations

from dataclasses import replace

from rowplane.config import Config
from rowplane.levelling import level_feet
from rowplane.model import RoofResult
from test_7_deliverables.builders import make_result

HOSTILE = '<script>alert(1)</script> & "Ærø" שלום 🏠'


def levelled_result(name: str = HOSTILE, config: Config | None = None) -> RoofResult:
    """Two arrays on a wavy substrate, levelled."""
    result = make_result(name=name, columns=(5, 3), rows=(3, 2), config=config)
    config = result.lead.config
    levels = level_feet(result.layout, result.plan, result.surfaces, config.levelling, config.hardware, config.module)
    return replace(result, levels=replace(levels, wishes=()))
