"""Catalogue of findings: everything the job may want to tell a person, with what it means and what to do about it."""

from __future__ import annotations

import difflib
from dataclasses import dataclass

from rowplane.errors import RowplaneError, shown
from rowplane.model import Finding, Severity


@dataclass(frozen=True)
class FindingKind:
    """One entry: severity, what it means in a sentence or two, what to do."""

    severity: Severity
    meaning: str
    do: str


CATALOGUE: dict[str, FindingKind] = {
    # ingest
    "unit-guessed": FindingKind(
        "person",
        "Neither the file nor the lead says which unit the coordinates are in; it was chosen by the size of what they show.",
        "Check one known length (a ridge, a module) against the drawing, then set ingest.unit in lead.toml.",
    ),
    "crs-misfit": FindingKind(
        "person",
        "The coordinates do not lie where their coordinate system is made for.",
        "Check the coordinate system of the export; set ingest.crs. Distances are taken as they stand until then.",
    ),
    "up-guessed": FindingKind(
        "caution",
        "The axis that points up was recognised from the mesh, against what its format says.",
        "Look at the model that `rowplane run` writes; set ingest.up if the roof lies on its side.",
    ),
    "pitch-from-readings": FindingKind(
        "info",
        "The pitch of a level survey's face was worked out from its readings.",
        "Set ingest.pitch_deg if it was measured.",
    ),
    "points-dropped": FindingKind(
        "info", "Points were left out before fitting, for the reason named.", "Nothing, unless the count surprises you."
    ),
    "azimuth-assumed": FindingKind(
        "caution",
        "A level survey does not know where north is; the face was taken to look south.",
        "Set ingest.azimuth_deg to the compass direction the face looks to.",
    ),
    "outline-assumed": FindingKind(
        "caution",
        "The face's outline was taken from the extent of the readings; the tiles may reach further.",
        "Read the level out to the verges, eave and ridge, or give ingest.footprint.",
    ),
    "scan-quality": FindingKind(
        "caution",
        "The scan cannot carry foot heights everywhere to the tolerance asked for.",
        "Read the reasons under scan quality; measure the feet marked 'measure', or survey again as advised there.",
    ),
    "scan-not-fit": FindingKind(
        "person",
        "The scan is good enough for areas and counts, but not for foot heights.",
        "Use the default order of work: rails up, measure the rail tops, `rowplane recheck`, then set the feet.",
    ),
    # planes
    "no-roof": FindingKind(
        "stop",
        "No pitched face of 2 m² or more was found.",
        "Check unit, axis order and footprint; look at the scan in a viewer of point clouds.",
    ),
    "face-not-used": FindingKind("info", "A face of the building gets no modules, for the reason named.", "Nothing."),
    # surface
    "no-pattern": FindingKind(
        "caution",
        "No repeating tile pattern was found on this face: courses and pans are not known, the datum is the outline's.",
        "Hooks are placed by rafter only: mark the pans on the roof, and measure the rail tops.",
    ),
    "courses-only": FindingKind(
        "caution",
        "Courses repeat on this face, tile columns were not seen: cover width, pans and side laps are not known.",
        "Hooks are placed by rafter and course: keep their arms off the side laps on the roof.",
    ),
    "structure-sag": FindingKind(
        "person",
        "The substrate sags beyond an ordinary deflection limit.",
        "Have the structure looked at by somebody licensed to judge it before anything is loaded onto it.",
    ),
    "points-left-out": FindingKind(
        "info",
        "Points that are not the tile pattern were kept out of the substrate.",
        "Nothing; look at the hatched patches of the deviation map if the count surprises you.",
    ),
    "survey-error-assumed": FindingKind(
        "info",
        "The part of the survey's error that is smooth over metres is assumed, not measured.",
        "Give surface.smooth_error_sd_mm from check points; readings on the roof (`rowplane recheck`) correct it.",
    ),
    # placement, supports
    "roof-settling": FindingKind(
        "info",
        "The array's own weight bends the rafters a little more; the survey saw the roof without it.",
        "Nothing, where it is small; give depth_mm and clear_span_mm in [rafters], or true the rows again after loading.",
    ),
    "no-layout": FindingKind("stop", "No module fits on the faces of this roof.", "Read the reason; change what it names."),
    "layout-count": FindingKind(
        "info", "How many modules a face carries, with the proof: no offset of the grid holds more.", "Nothing."
    ),
    "orientation-refused": FindingKind(
        "caution",
        "Modules may not lie this way: the data sheet does not allow the edges they would be held at, or not for this load.",
        "Check [module] held edges and greatest pressures against the data sheet; choose another module or orientation.",
    ),
    "setbacks-assumed": FindingKind(
        "caution",
        "Distances from the roof's edges are assumed defaults, not those of a code.",
        "Give placement.preset or [placement.setback_mm] as the locally adopted code and its official ask for.",
    ),
    "modules-dropped": FindingKind(
        "info", "Modules that would fit were left out, for the reason named.", "Nothing, unless the count surprises you."
    ),
    "modules-not-carried": FindingKind(
        "caution",
        "There is room for more modules, but no rails on these rafters and in these pans could carry them within every limit.",
        "Try another module, a hook that reaches further, or other rail and foot limits of your supplier, and compare.",
    ),
    "outline-repaired": FindingKind(
        "person",
        "A face's outline crosses itself or has pieces that belong to no edge.",
        "Look at the face in the drawing; give ingest.footprint, or survey that edge again.",
    ),
    "faces-ranked": FindingKind(
        "info", "Not all faces could be filled; the better ones by sun came first, by the rule named.", "Nothing."
    ),
    "ridge-share": FindingKind(
        "info", "The setback from the ridge, by the share of the roof's plan area that modules take.", "Nothing."
    ),
    "access-path": FindingKind(
        "caution",
        "Where the clear ways from eave to ridge lie, and what about them could not be known from the survey.",
        "Have the official who applies the code confirm them; which face looks to the street is for a person to say.",
    ),
    "fixed-layout": FindingKind(
        "person",
        "A module of the agreed layout leaves the usable area, overlaps another, or lies on no face.",
        "Correct its place in placement.fixed, or the setback it breaks.",
    ),
    "wish-not-met": FindingKind(
        "caution",
        "Another layout that levelling asked for could not be made as asked.",
        "See the reason; levelling goes on without.",
    ),
    "rafters-unknown": FindingKind(
        "person",
        "Rafter positions were not given: hooks stand in the pans where the spacing asks for them.",
        "Every hook reads 'find rafter'. Measure the rafters from the loft and give [rafters] in lead.toml.",
    ),
    "supports-relaxed": FindingKind(
        "person",
        "No arrangement of rails and hooks keeps every limit here; the smallest change of one that would do is drawn.",
        "Change what is named (another orientation, rail, hook or module), or have the supplier agree to it in writing.",
    ),
    "no-supports": FindingKind(
        "person",
        "An array has no place for its rails.",
        "Check the rafter positions and the tile pattern; move or drop the array.",
    ),
    "rafter-narrow": FindingKind(
        "person",
        "The rafters are too narrow for the hook's screws.",
        "Use another screw or hook, or have a licensed professional say how the rafters are strengthened.",
    ),
    "arm-too-wide": FindingKind(
        "person",
        "The hook's arm does not fit into the pan of these tiles.",
        "Use a hook with a narrower arm, or a replacement tile made for it.",
    ),
    "splice-place": FindingKind(
        "person",
        "A rail is longer than the stock, and no splice keeps clear of feet and end spans.",
        "Order longer stock, or have the supplier agree to the splice shown.",
    ),
    "loads-not-screened": FindingKind(
        "caution",
        "No site loads were given, so no hook, rail or module was screened against wind and snow.",
        "Give [site] pressures or wind and snow data, and have the result confirmed by a licensed professional.",
    ),
    "load-rule-partial": FindingKind(
        "caution",
        "The loads rest on a part of the standard only: what could not be checked against a readable source was left out.",
        "Have a licensed professional complete the load case named, or give [site] pressures.",
    ),
    "hook-overloaded": FindingKind(
        "person",
        "A hook takes more than the screening allows.",
        "Use more hooks (smaller spans), another hook or screw, and have a licensed professional verify it.",
    ),
    "rail-overloaded": FindingKind(
        "person",
        "A rail is bent, or sags, more than its data sheet allows, by this screening.",
        "Use smaller hook spans or a stiffer rail.",
    ),
    "module-overloaded": FindingKind(
        "person",
        "By this screening the pressure is above what the module's data sheet allows for the way it is held.",
        "Hold the modules at the other edges, or use another module.",
    ),
    "hardware-assumed": FindingKind(
        "caution",
        "Hardware or module values are the invented defaults of a preset, not your supplier's data sheet.",
        "Put the data sheet's values into [hardware] and [module].",
    ),
    # levelling
    "rows-folded": FindingKind(
        "caution",
        "No one plane reaches every foot; rows were given planes of their own that meet in folds, as the settings allow.",
        "Look whether the fold may be seen from the street; levelling.max_fold_mm = 0 forbids it, and other cures are named.",
    ),
    "foot-out-of-reach": FindingKind(
        "person",
        "A foot cannot reach the array plane within its travel and the packers in stock.",
        "See the cures listed with it: packers, another front height, dropping a row, or two arrays.",
    ),
    "packers-needed": FindingKind(
        "info", "Feet or hooks need stock packers so that all seats reach the array plane.", "Take the packers listed along."
    ),
    "plane-limits": FindingKind(
        "person",
        "No plane keeps both the clearance to the tile crowns and the greatest height within the tilt allowed.",
        "Change the hook's build-up, levelling.max_tilt_mm or levelling.max_height_mm, or split the array.",
    ),
    "plane-not-proved": FindingKind(
        "caution", "The search for the best array plane ended before it was proved best.", "Nothing; a better one may exist."
    ),
    "levelling-cure": FindingKind(
        "person", "What would bring a foot that is out of reach back into reach, cheapest first.", "Choose one of the cures."
    ),
    "glance-limit": FindingKind(
        "caution",
        "With the settings as written a step, kink or twist is expected that eye or glass notices.",
        "Measure the rail tops there, `rowplane recheck`, and true the modules named by eye.",
    ),
    "array-without-feet": FindingKind(
        "person", "An array has no feet, so there is nothing to level.", "Read the findings on rails and hooks."
    ),
    "string-too-long": FindingKind(
        "info", "A string over this run sags by an amount that is not known well enough.", "Support it midway or use a laser."
    ),
    "reading-outlier": FindingKind(
        "person",
        "A reading does not agree with the survey and the other readings; it was left out.",
        "Measure that point again and give it once more.",
    ),
    "survey-errs-more": FindingKind(
        "caution",
        "The readings stand further off the survey than its stated error allows, all together and not one by one.",
        "Measure more of the feet marked 'measure': what was not measured is taken to be that much less sure.",
    ),
    "reading-unused": FindingKind(
        "info",
        "A reading adds nothing: it was taken in before, it was taken where a string rests, or its rail has moved since.",
        "Nothing.",
    ),
    "set-foot-off": FindingKind(
        "person",
        "A foot that is set and stays stands off the plane that suits the others best.",
        "Look whether it can still be turned; if so, recheck the earlier revision without its 'set' line.",
    ),
    "feet-to-measure": FindingKind(
        "caution",
        "The survey does not support these feet to the tolerance asked for.",
        "Measure the points listed in the order given, then `rowplane recheck`.",
    ),
}
"""Codes are stable: tables, sheets and `rowplane explain` use them."""


def finding(
    code: str, subject: str, detail: str, value: float | None = None, limit: float | None = None, unit: str = ""
) -> Finding:
    """A finding of the catalogue about `subject`; `detail` is the sentence that carries the values. KeyError if unknown."""
    return Finding(code, CATALOGUE[code].severity, shown(subject), shown(detail), value, limit, unit)


def explain(code: str) -> FindingKind:
    """The catalogue entry of `code`; raises RowplaneError naming the nearest code."""
    if code not in CATALOGUE:
        near = difflib.get_close_matches(code, CATALOGUE, n=1, cutoff=0.0)
        raise RowplaneError("code", repr(code), "a code of the catalogue", f"Did you mean {near[0]}?")
    return CATALOGUE[code]
