"""The stage: which faces, in which order, by which rules; then arrays with names and lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

from rowplane.config import HardwareConfig, ModuleConfig, PlacementConfig, RafterConfig, SetbackConfig, SiteConfig
from rowplane.findings import finding
from rowplane.frames import azimuth_deg
from rowplane.model import Face, Finding, Layout, ModuleArray, Surfaces, Wish
from rowplane.placement.agreed import agreed
from rowplane.placement.arrays import groups_of, module_array
from rowplane.placement.carrying import cures
from rowplane.placement.filling import Fill
from rowplane.placement.footing import Footings, footings
from rowplane.placement.reasons import outline_trouble, why_empty
from rowplane.placement.rules import Job, Laid, edge_setbacks, escape_areas, lay
from rowplane.placement.sun import rank_faces
from rowplane.placement.trimming import wished
from rowplane.placement.usable import bare_area, stray_outline, usable_area, widest_setback_mm
from rowplane.placement.ways import Lie, allowed_ways, lies


def place_modules(
    surfaces: Surfaces,
    placement: PlacementConfig,
    rafters: Sequence[RafterConfig],
    module: ModuleConfig,
    hardware: HardwareConfig,
    site: SiteConfig,
    wishes: Sequence[Wish] = (),
) -> Layout:
    """The most modules that aligned rows can hold on the faces of `surfaces`, or the agreed layout, checked.

    Every face is filled by the best of all grid offsets (packing.py); where rafters are known, by the best of those at which
    rails could carry the rows (footing.py). No faces, or none with room, gives a layout without
    arrays and findings that say why. `wishes` of levelling are carried out on the finished layout, in their order.
    Raises RowplaneError where the setting names pvlib and it is not installed.
    """
    faces = tuple(s.face for s in surfaces.surfaces)
    ways, findings = allowed_ways(placement, module, site)
    findings += _about_outlines(faces, placement)
    if placement.fixed:
        laid, more = _agreed(faces, placement, module)
        findings += more
    else:
        wanted = {f.id: not_wanted(f, placement) for f in faces}
        footing = {s.face.id: footings(s, rafters, ways, placement.gap_mm, module, hardware) for s in surfaces.surfaces}
        laid, ranking = _best(faces, wanted, ways, footing, placement, hardware, site)
        findings += [*laid.findings, *ranking, *_about_empty(faces, wanted, laid, ways, placement, hardware)]
    fills, more = wished(laid.fills, laid.usable, wishes, placement, hardware)
    findings += more
    arrays = tuple(a for face in faces if face.id in fills for a in _arrays(face, fills[face.id], placement))
    would_carry = {
        s.face.id: cures(fills[s.face.id], s, rafters, module, hardware, partial(footings, s, rafters, ways, placement.gap_mm))
        for s in surfaces.surfaces
        if s.face.id in fills and fills[s.face.id].uncarried
    }
    findings += _about_counts(faces, fills, would_carry, placement)
    if not arrays:
        findings.append(_no_layout(faces, findings))
    return Layout(arrays, tuple((f.id, laid.usable[f.id]) for f in faces), tuple(dict.fromkeys(findings)))


def not_wanted(face: Face, placement: PlacementConfig) -> str:
    """Why a face gets no modules whatever its room, or ''."""
    if not face.used:
        return face.note or "it is not a face to build on"
    looks, start, end = azimuth_deg(face.frame), placement.azimuth_from_deg, placement.azimuth_to_deg
    inside = start <= looks <= end if start <= end else looks >= start or looks <= end
    if not inside:
        return f"it looks to {looks:.0f}°, outside the sector {start:g}° to {end:g}°"
    return ""


def _best(
    faces: tuple[Face, ...],
    wanted: Mapping[str, str],
    ways: tuple[Lie, ...],
    footing: Mapping[str, Footings],
    placement: PlacementConfig,
    hardware: HardwareConfig,
    site: SiteConfig,
) -> tuple[Laid, list[Finding]]:
    """All wanted faces filled. The order of faces matters, and is worked out, only where not all can be filled."""
    able = tuple(f for f in faces if not wanted[f.id])
    bare = {f.id: bare_area(f, placement) for f in faces}
    unlimited = placement.model_copy(update={"max_modules": 10**9})
    laid = lay(Job(faces, tuple(f.id for f in able), ways, unlimited, hardware, bare, footing))
    if laid.count <= placement.max_modules and not laid.over_share:
        return laid, []
    ranked, rule = rank_faces(able, placement.rank_by, site.latitude_deg)
    again = lay(Job(faces, tuple(f.id for f in ranked), ways, placement, hardware, bare, footing))
    text = f"Order of faces {', '.join(f.id for f in ranked)}, by {rule}."
    if again.count < laid.count:
        text += f" {again.count} of {laid.count} modules that would fit are placed (max_modules = {placement.max_modules})."
    return again, [finding("faces-ranked", "roof", text, float(again.count), float(laid.count))]


def _agreed(faces: tuple[Face, ...], placement: PlacementConfig, module: ModuleConfig) -> tuple[Laid, list[Finding]]:
    usable = {
        f.id: usable_area(f, placement, edge_setbacks(f, placement, False, None), escape_areas(f, placement)) for f in faces
    }
    named = tuple(lie for name, lie in lies(module).items() if placement.orientation in ("best", name))
    fills, findings = agreed(usable, named, placement)
    return Laid(usable, fills), findings


def _about_outlines(faces: tuple[Face, ...], placement: PlacementConfig) -> list[Finding]:
    found = []
    for face in faces:
        trouble = outline_trouble(face)
        if trouble:
            found.append(finding("outline-repaired", f"face {face.id}", trouble))
        stray = float(stray_outline(face).length)
        if stray > 0:
            text = (
                f"Face {face.id}: {stray / 1000:.2f} m of the outline belong to no edge; the widest setback, "
                f"{widest_setback_mm(face, placement):g} mm, is kept there."
            )
            found.append(finding("outline-repaired", f"face {face.id}", text, stray, 0.0, "mm"))
    if faces and placement.preset is None and placement.setback_mm == SetbackConfig():
        text = "Setbacks are the assumed defaults: 300 mm from every edge, 200 mm from obstacles."
        found.append(finding("setbacks-assumed", "roof", text))
    return found


def _about_empty(
    faces: tuple[Face, ...],
    wanted: Mapping[str, str],
    laid: Laid,
    ways: tuple[Lie, ...],
    placement: PlacementConfig,
    hardware: HardwareConfig,
) -> list[Finding]:
    found = []
    for face in faces:
        filled = laid.fills.get(face.id)
        if filled is not None and filled.count:
            continue
        reason = wanted[face.id]
        if not reason and filled is not None and filled.blocks and any(b.groups for b in filled.blocks):
            reason = "better faces came first (max_modules or the roof's share)"
        if not reason:
            kept = edge_setbacks(face, placement, laid.wide_ridge, None)
            reason = why_empty(face, laid.usable[face.id], ways, kept, placement, hardware)
        found.append(finding("face-not-used", f"face {face.id}", f"Face {face.id} gets no modules: {reason}."))
    return found


def _about_counts(
    faces: tuple[Face, ...], fills: Mapping[str, Fill], would_carry: Mapping[str, Sequence[str]], placement: PlacementConfig
) -> list[Finding]:
    found = []
    for face in faces:
        filled = fills.get(face.id)
        if filled is None or not filled.count or placement.fixed:
            continue
        proved = sum(b.bound for b in filled.blocks)
        rows = "an aligned grid" if placement.rows == "aligned" else "rows each for itself"
        text = (
            f"Face {face.id}: {filled.count} modules; no offset of {rows} holds more than {proved}, "
            f"the area alone would allow at most {filled.area_bound}."
        )
        found.append(finding("layout-count", f"face {face.id}", text, float(filled.count), float(proved)))
        if filled.fits > filled.laid:
            text = (
                f"Face {face.id}: there is room for {filled.fits} modules, but on its rafters and in its pans rails that keep "
                f"their limits carry {filled.laid}; these are laid. "
            )
            cured = would_carry.get(face.id, ())
            none = "No change of one or several of these limits would carry all."
            text += f"It would take {'; or '.join(cured)} to carry all." if cured else none
            found.append(finding("modules-not-carried", f"face {face.id}", text, float(filled.laid), float(filled.fits)))
        lone = sum(b.left_over for b in filled.blocks)
        if lone:
            text = f"Face {face.id}: {lone} modules left out that would stand in groups of fewer than {placement.min_modules}."
            found.append(finding("modules-dropped", f"face {face.id}", text, float(lone), float(placement.min_modules)))
    return found


def _no_layout(faces: tuple[Face, ...], findings: Sequence[Finding]) -> Finding:
    if not faces:
        return finding("no-layout", "roof", "There is no face to lay modules on.")
    refused = [f.text for f in findings if f.code in ("orientation-refused", "wish-not-met")]
    reasons = [f.text for f in findings if f.code == "face-not-used"]
    text = " ".join(["No module is placed on any face.", *refused, *reasons[:3]])
    if len(reasons) > 3:
        text += f" {len(reasons) - 3} more faces are empty too."
    return finding("no-layout", "roof", text, 0.0, 1.0)


def _arrays(face: Face, filled: Fill, placement: PlacementConfig) -> list[ModuleArray]:
    """Arrays of a face, numbered from the front left; what its proof allows beyond its modules goes to the first of a grid."""
    found = []
    for block in filled.blocks:
        group = groups_of(block.rects_mm, placement.gap_mm, placement.gap_mm + placement.expansion_allow_mm)
        spare = block.bound - len(block.rects_mm)
        for k in range(group.max(initial=-1) + 1):
            rects = block.rects_mm[group == k]
            found.append((block.lie, rects, len(rects) + (spare if k == 0 else 0)))
    found.sort(key=lambda f: (f[1][:, 1].min(), f[1][:, 0].min()))
    return [
        module_array(
            f"{face.id}{n}", face.id, lie.orientation, (lie.along_u_mm, lie.along_v_mm), placement.gap_mm, rects, bound
        )
        for n, (lie, rects, bound) in enumerate(found, 1)
    ]
