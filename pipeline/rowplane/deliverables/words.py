"""Every label of the sheets in one place, so that another language is one more dict."""

from __future__ import annotations

WORDS: dict[str, str] = {
    "crew_sheet": "Crew sheet",
    "lead": "Lead",
    "survey_date": "Survey date",
    "revision": "Revision",
    "not_given": "not given",
    "cover": "Cover",
    "quantities": "Quantities",
    "cautions": "Before anyone climbs",
    "quality": "Scan quality",
    "findings": "What somebody should know",
    "assumed": "What was assumed",
    "assumed_intro": "These values were not given with the lead. Each of them can be set in lead.toml.",
    "marking": "Marking out",
    "marking_intro": "All dimensions run from the datum; never chain from one mark to the next.",
    "hooks": "Hook schedule",
    "hook_steps": (
        "Per hook: find the rafter by probing; lift the tile; pilot hole {pilot} mm; seal the underlayment; packer under the "
        "plate so that the arm clears the tile below by about {clear} mm; screws to their torque; notch the covering tile where "
        "the arm passes, never on the side lap; re-lay, flash."
    ),
    "heights": "Heights, in order of work",
    "heights_intro": (
        "Rails up first. Measure the rail tops at the feet asked for, update, then set the feet. The big figure is the height "
        "from rail top to module seat, packer included."
    ),
    "strings": "String lines",
    "strings_intro": "Set the two outer feet of a run, stretch the string over their seats, then read the gap at the inner ones.",
    "measure": "What to measure first",
    "measure_none": "Nothing beyond the order of work: the survey supports every foot to the tolerance asked for.",
    "parts": "Parts",
    "plan": "Plan",
    "set": "set",
    "turns": "turns from fully down",
    "packer": "packer",
    "gap": "string gap",
    "as_measured": "as measured",
    "sure": "sure to",
    "trust_ok": "ok",
    "trust_measure": "MEASURE",
    "outer": "outer",
    "inner": "inner",
    "none": "none",
    "no_feet": "There is no foot to set on this lead.",
}

CAUTIONS: tuple[str, ...] = (
    "Falls, fragile tiles, electricity, wind on loose modules, leaks and overloaded timber hurt people. Fall protection and safe "
    "electrical practice apply before anything on this sheet.",
    "Load and span results are a screening, not engineering. Local codes, the hardware and module suppliers' data and a licensed "
    "professional prevail.",
    "What is marked 'measure' was not seen well enough by the survey: measure it on the roof before it is set.",
)

SEVERITY_WORDS: dict[str, str] = {
    "stop": "No layout", "person": "Somebody has to look", "caution": "Caution", "info": "For the record",
}

COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def compass(azimuth_deg: float) -> str:
    """Nearest of eight compass points."""
    return COMPASS[round(azimuth_deg / 45.0) % 8]
