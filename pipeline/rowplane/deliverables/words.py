"""Every label of the sheets in one place, so that another language is one more dict."""

from __future__ import annotations

WORDS: dict[str, str] = {
    "crew_sheet": "Crew sheet",
    "survey_date": "survey date",
    "revision": "revision",
    "page": "page",
    "lengths_in": "lengths in",
    "key_plan": "Key plan",
    "key_plan_note": "North is up; arrows point down the slope.",
    "cautions": "Before anyone climbs",
    "quality": "Scan quality",
    "findings": "What somebody should know",
    "nothing": "Nothing.",
    "assumed": "What was assumed",
    "assumed_intro": "Not given with the lead; each can be set in lead.toml.",
    "setting": "setting",
    "value": "value",
    "meaning": "meaning",
    "plan": "Plan",
    "array": "Array",
    "face": "face",
    "marking": "Marking out",
    "marking_intro": "All dimensions run from the datum. Never chain from one mark to the next.",
    "datum": "Datum",
    "rail": "rail",
    "line": "line",
    "from_datum_u": "along the eave",
    "from_datum_v": "up the slope",
    "counted": "counted",
    "splice": "splice at",
    "hooks": "Hook schedule",
    "per_hook": "Per hook",
    "hook": "hook",
    "rafter": "rafter",
    "probe": "probe",
    "course": "course",
    "pan": "pan",
    "loads": "loads",
    "pieces": "pieces",
    "runs_from": "runs",
    "heights": "Heights, in order of work",
    "heights_intro": (
        "Rails up first. Measure the rail tops at the feet asked for, update, then set the feet: the two outer feet of a run, "
        "string, inner feet. The big figure is the height from rail top to module seat, packer included."
    ),
    "one_turn": "Turns count from fully down; ▲▼ is how far from mid-travel. One turn is {pitch}. Seat too low: turn ▲ up. Seat too high: turn ▼ down.",
    "foot": "foot",
    "set": "set",
    "turns": "turns",
    "turns_head": "turns,\n▲▼ mid",
    "turns_note": "from fully down",
    "from_mid": "from mid-travel",
    "packer": "packer",
    "gap": "string gap",
    "sure": "sure to",
    "trust": "trust",
    "ok": "ok",
    "measure_word": "MEASURE",
    "out_of_reach": "OUT OF REACH",
    "joiner": "joiner",
    "measured": "as measured",
    "no_feet": "There is no foot to set on this lead.",
    "strings": "String lines",
    "strings_intro": "Set the two outer feet of a run, stretch the string over their seats, then read the gap at the inner ones.",
    "no_strings": "No string line is advised.",
    "feet": "feet",
    "length": "length",
    "sag": "sag",
    "longest": "longest",
    "use": "use",
    "measure": "What to measure first",
    "measure_none": "Nothing beyond the order of work: the survey supports every foot to the tolerance asked for.",
    "measure_after": "after it the worst foot is sure to (1 sd)",
    "parts": "Parts and loads per trip",
    "part": "part",
    "detail": "detail",
    "quantity": "quantity",
    "weight": "kg",
    "trips": "trips",
    "note": "note",
    "no_parts": "No parts: there is no layout.",
    "screening": "A screening, not engineering: codes, suppliers' data and a licensed professional prevail.",
}

CAUTIONS: tuple[str, ...] = (
    "Falls, fragile tiles, electricity, wind on loose modules, leaks and overloaded timber hurt people. "
    "Fall protection and safe electrical practice apply before anything on this sheet.",
    "Load and span results are a screening, not engineering. "
    "Local codes, the hardware and module suppliers' data and a licensed professional prevail.",
    "What is marked 'measure' was not seen well enough by the survey: measure it on the roof before it is set.",
)

SEVERITY_WORDS: dict[str, str] = {
    "stop": "No layout", "person": "Somebody has to look", "caution": "Caution", "info": "For the record",
}

SEVERITY_SIGNS: dict[str, str] = {"No layout": "✖", "Somebody has to look": "▲", "Caution": "△", "For the record": "·"}

COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def compass(azimuth_deg: float) -> str:
    """Nearest of eight compass points."""
    return COMPASS[round(azimuth_deg / 45.0) % 8]
