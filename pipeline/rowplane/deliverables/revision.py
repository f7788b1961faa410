"""The revision: a short fingerprint of what went in, how it was set, and which version computed it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from rowplane import __version__
from rowplane.config import Config, Lead
from rowplane.deliverables.words import WORDS
from rowplane.model import RoofResult


def revision(result: RoofResult) -> str:
    """Eight hexadecimal digits; the same for the same files, settings and version on any machine. A result read back has its own."""
    return result.revision or revision_of(result.lead, [s.sha256 for s in result.survey.sources])


def revision_of(lead: Lead, input_hashes: Iterable[str]) -> str:
    """The revision a lead's result will have, from the sha-256 of its input files; known before anything is computed."""
    basis = {
        "inputs": sorted([*input_hashes, *_footprint_hash(lead)]),
        "config": config_values(lead.config),
        "survey_date": lead.survey_date.isoformat() if lead.survey_date else "not given",
        "version": __version__,
    }
    return hashlib.sha256(json.dumps(basis, sort_keys=True).encode()).hexdigest()[:8]


def _footprint_hash(lead: Lead) -> list[str]:
    """The sha-256 of the footprint's file where one is named: another polygon is another input."""
    given = lead.config.ingest.footprint
    if not isinstance(given, str):
        return []
    path = lead.scan[0].parent / given
    return [hashlib.sha256(path.read_bytes()).hexdigest()] if path.is_file() else []


def survey_date(result: RoofResult) -> str:
    """ISO date of the survey, or words."""
    return result.lead.survey_date.isoformat() if result.lead.survey_date else WORDS["date_unknown"]


def config_values(config: Config) -> dict[str, Any]:
    """All settings as plain values. A footprint file goes by its name: where it lies differs between machines."""
    values = config.model_dump(mode="json")
    footprint = values["ingest"]["footprint"]
    if isinstance(footprint, str):
        values["ingest"]["footprint"] = Path(footprint.replace("\\", "/")).name
    return values
