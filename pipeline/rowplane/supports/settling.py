"""How far the roof itself sinks under the array: rafters as beams between eave and ridge, so that nobody takes it for an error."""

from __future__ import annotations

import math

import numpy as np

from rowplane.config import ModuleConfig, RafterConfig
from rowplane.findings import finding
from rowplane.frames import pitch_deg
from rowplane.model import Finding, ModuleArray, Surface

GRAVITY = 9.81
RACK_KG_M2 = 3.0
"""Assumed: rails, hooks and feet, per square metre of modules."""


def beam_sag_mm(load_N_mm: float, span_mm: float, width_mm: float, depth_mm: float, elasticity_N_mm2: float) -> float:
    """Mid-span sag of a simply supported beam of rectangular section under an even load: 5 w L⁴ / (384 E I), mm."""
    inertia = width_mm * depth_mm**3 / 12
    return 5 * load_N_mm * span_mm**4 / (384 * elasticity_N_mm2 * inertia)


def settling(array: ModuleArray, surface: Surface, section: RafterConfig | None, module: ModuleConfig) -> Finding:
    """What the array's weight adds to the sag of the rafters under it, or that it is not predicted.

    The whole slope counts as covered and, where no clear span is given, as span: the true figure is smaller. Square to the
    slope only the cosine of the pitch acts.
    """
    subject = f"array {array.id}"
    if section is None:
        text = f"How far the roof sinks under array {array.id} is not predicted: its rafters are not known."
        return finding("roof-settling", subject, text)
    _, low, _, high = surface.face.outline.bounds
    span = section.clear_span_mm or high - low
    spacing = section.spacing_mm or (float(np.median(np.diff(np.sort(section.positions_mm)))) if len(section.positions_mm) > 1 else 0)
    if not spacing:
        return finding("roof-settling", subject, f"How far the roof sinks under array {array.id} is not predicted: one rafter is known.")
    mass = module.mass_kg / (module.width_mm * module.height_mm / 1e6) + RACK_KG_M2
    load = mass * GRAVITY * math.cos(math.radians(pitch_deg(surface.face.frame))) * spacing / 1e6
    sag = beam_sag_mm(load, span, section.width_mm, section.depth_mm, section.elasticity_N_mm2)
    known = "" if section.clear_span_mm else ", the whole slope taken as clear span (assumed)"
    text = (
        f"Under array {array.id} ({mass:.0f} kg/m²) rafters of {section.width_mm:.0f} × {section.depth_mm:.0f} mm, {spacing:.0f} mm "
        f"apart, sink up to {sag:.1f} mm more at mid-slope over {span / 1000:.1f} m{known}; it is not in the heights of the feet."
    )
    return finding("roof-settling", subject, text, sag, None, "mm")
