"""The stage: which faces, in which order, by which rules; then arrays with names and lines."""

from __future__ import annotations

from collections.abc import Sequence

from shapely.geometry.base import BaseGeometry

from rowplane.config import HardwareConfig, ModuleConfig, PlacementConfig, SiteConfig
from rowplane.findings import finding
from rowplane.frames import azimuth_deg
from rowplane.model import Edge, Face, Finding, Layout, ModuleArray, Surfaces, Wish
from rowplane.placement.arrays import groups_of, module_array
from rowplane.placement.filling import Fill, Lie, fill, lies
from rowplane.placement.usable import usable_area


def place_modules(
    surfaces: Surfaces,
    placement: PlacementConfig,
    module: ModuleConfig,
    hardware: HardwareConfig,
    site: SiteConfig,
    wishes: Sequence[Wish] = (),
) -> Layout:
    """The most modules that aligned rows can hold on the faces of `surfaces`.

    Every face is filled by the best of all grid offsets (packing.py). No faces, or none with room, gives a layout without
    arrays and findings that say why. `wishes` of levelling are carried out on the finished layout, in their order.
    """
    ways, findings = allowed_ways(placement, module, site)
    faces = tuple(s.face for s in surfaces.surfaces)
    usable: dict[str, BaseGeometry] = {}
    fills: dict[str, Fill] = {}
    for face in faces:
        usable[face.id] = usable_area(face, placement, edge_setbacks(face, placement))
        reason = not_wanted(face, placement)
        if reason:
            findings.append(finding("face-not-used", f"face {face.id}", f"Face {face.id} gets no modules: {reason}."))
            continue
        fills[face.id] = fill(usable[face.id], ways, placement, hardware)
    arrays = tuple(a for face in faces if face.id in fills for a in _arrays(face, fills[face.id], placement))
    if not arrays:
        findings.append(finding("no-layout", "roof", "No module fits on any face."))
    return Layout(arrays, tuple((f.id, usable[f.id]) for f in faces), tuple(findings))


def allowed_ways(placement: PlacementConfig, module: ModuleConfig, site: SiteConfig) -> tuple[tuple[Lie, ...], list[Finding]]:
    """Ways the data sheet allows for the site's pressure on rails that run up the slope, and why others are refused."""
    ways, findings = [], []
    pressures = [p for p in (site.pressure_up_Pa, site.pressure_down_Pa) if p is not None]
    held = {
        "landscape": ("long", module.held_long, module.max_pressure_long_Pa),
        "portrait": ("short", module.held_short, module.max_pressure_short_Pa),
    }
    for name, lie in lies(module).items():
        if placement.orientation not in ("best", name):
            continue
        edge, allowed, limit = held[name]
        text = f"On rails up the slope a {name} module is held at its {edge} edges"
        if not allowed:
            findings.append(
                finding("orientation-refused", "module", f"{text}, which the data sheet of {module.name} does not allow.")
            )
        elif pressures and max(pressures) > limit:
            findings.append(
                finding(
                    "orientation-refused", "module",
                    f"{text}, allowed up to {limit:g} Pa; the site asks for {max(pressures):g} Pa.", max(pressures), limit, "Pa",
                )
            )
        else:
            ways.append(lie)
    return tuple(ways), findings


def edge_setbacks(face: Face, placement: PlacementConfig) -> dict[Edge, float]:
    """Distance to keep from each edge of `face`, mm."""
    return {edge: float(getattr(placement.setback_mm, edge.kind)) for edge in face.edges}


def not_wanted(face: Face, placement: PlacementConfig) -> str:
    """Why a face gets no modules whatever its room, or ''."""
    if not face.used:
        return face.note or "it is not a face to build on"
    looks, start, end = azimuth_deg(face.frame), placement.azimuth_from_deg, placement.azimuth_to_deg
    inside = start <= looks <= end if start <= end else looks >= start or looks <= end
    if not inside:
        return f"it looks to {looks:.0f}°, outside the sector {start:g}° to {end:g}°"
    return ""


def _arrays(face: Face, filled: Fill, placement: PlacementConfig) -> list[ModuleArray]:
    """Arrays of a face, numbered from the front left; what its proof allows beyond its modules goes to the first of a grid."""
    found = []
    for block in filled.blocks:
        group = groups_of(block.rects_mm, placement.gap_mm, placement.gap_mm + placement.expansion_allow_mm)
        spare = block.bound - len(block.rects_mm)
        for k in range(group.max(initial=-1) + 1):
            found.append((block, block.rects_mm[group == k], int((group == k).sum()) + (spare if k == 0 else 0)))
    found.sort(key=lambda f: (f[1][:, 1].min(), f[1][:, 0].min()))
    return [
        module_array(
            f"{face.id}{n}", face.id, block.lie.orientation, (block.lie.along_u_mm, block.lie.along_v_mm),
            placement.gap_mm, rects, bound,
        )
        for n, (block, rects, bound) in enumerate(found, 1)
    ]
