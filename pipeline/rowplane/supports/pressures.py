"""Which pressures act on the feet of a rail: those of the lead, or those of one family of standards."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from shapely.geometry import LineString, Point

from rowplane.config import SiteConfig
from rowplane.frames import pitch_deg
from rowplane.model import Array, Face
from rowplane.supports.feet import Spot
from rowplane.supports.grid import Grid
from rowplane.supports.loads import Case, snow_parts
from rowplane.supports.standards import asce_7_16, asce_7_22, asce_7_snow, en_1991_1_3, en_1991_1_4

PA_PER_PSF = 47.880259
M2_PER_FT2 = 0.09290304
M_PER_FT = 0.3048
MPH_PER_M_S = 3600.0 / 1609.344

ZONES_16 = {("eave",): "2e", ("ridge",): "2r", ("verge",): "2n", ("eave", "verge"): "3e", ("ridge", "verge"): "3r"}
"""ASCE 7-16 zone by the kinds of edge nearer than a; where eave and ridge are both near, the more severe of the two."""


@dataclass(frozen=True)
class FaceLoads:
    """How a face is loaded: `cases(spots, areas m², influence)` per rail, the rules in words, and what they leave out."""

    cases: Callable[[Sequence[Spot], Array, Array], tuple[Case, ...]]
    words: str
    left_out: tuple[str, ...]


def face_loads(site: SiteConfig, face: Face, grid: Grid) -> FaceLoads:
    """Loads of one array's face. Pressures of the lead come first; else wind and snow of one family; else none."""
    if site.pressure_up_Pa is not None or site.pressure_down_Pa is not None:
        return FaceLoads(lambda spots, _areas, _influence: _direct(site, len(spots)), "pressures given with the lead", ())
    makers: list[Callable[[Sequence[Spot], Array, Array], list[Case]]] = []
    words, left_out = [], []
    if site.wind_rule is not None:
        wind, said, unsaid = _wind(site, face, grid)
        left_out += unsaid
        if wind is not None:
            makers.append(wind)
            words.append(said)
    if site.snow_rule is not None:
        snow, said, missing = _snow(site, pitch_deg(face.frame))
        makers.append(lambda spots, _areas, _influence: [_flat(snow, len(spots))])
        left_out.append(missing)
        words.append(said)

    def cases(spots: Sequence[Spot], areas: Array, influence: Array) -> tuple[Case, ...]:
        return tuple(case for make in makers for case in make(spots, areas, influence))

    return FaceLoads(cases, " and ".join(words), tuple(left_out))


def module_pressure_Pa(loads: FaceLoads, grid: Grid) -> tuple[float, str]:
    """Greatest pressure square to any module, either way, and that module's id; (0, '') where nothing was screened.

    By the standards a module is a loaded area of its own: its corners say in which roof zone it lies and how exposed it is.
    The weight of the modules is not in it: data sheets give what acts from outside.
    """
    area = grid.array.along_u_mm * grid.array.along_v_mm / 1e6
    found = [(0.0, "")]
    for module in grid.array.modules:
        left, front, right, top = module.rect_mm
        corners = [(module.row - 1, front), (module.row, top)]
        spots = [Spot(line, 0, u, v) for line, v in corners for u in (left, right)]
        cases = loads.cases(spots, np.full(4, area / 4), np.ones((4, 1)))
        found.append((max((float(np.abs(c.normal_Pa).max()) for c in cases), default=0.0), module.id))
    return max(found, key=lambda f: f[0])


def _direct(site: SiteConfig, feet: int) -> tuple[Case, ...]:
    """The modules' weight is added to what presses; it is no relief to what pulls."""
    cases = []
    if site.pressure_up_Pa is not None:
        cases.append(Case(True, np.full(feet, -site.pressure_up_Pa), 0.0, 0.0))
    if site.pressure_down_Pa is not None:
        cases.append(Case(False, np.full(feet, site.pressure_down_Pa), site.pressure_downslope_Pa, 1.0))
    return tuple(cases)


def _flat(load: tuple[float, float, float], feet: int) -> Case:
    square, along, dead = load
    return Case(False, np.full(feet, square), along, dead)


def _snow(site: SiteConfig, pitch: float) -> tuple[tuple[float, float, float], str, str]:
    """(square to the slope, along it, factor on the weight), the rule in words, what it leaves out."""
    ground = float(site.ground_snow_Pa or 0.0)
    if site.snow_rule == "asce_7":
        # D + S, allowable stress.
        on_plan = asce_7_snow.flat_roof_psf(ground, site.snow_exposure, site.snow_thermal, site.snow_importance)
        on_plan *= asce_7_snow.slope_factor(pitch, site.snow_thermal, site.snow_slippery)
        return (*snow_parts(on_plan, pitch), 1.0), "snow by ASCE 7 (D + S)", asce_7_snow.LEFT_OUT
    mu = max(en_1991_1_3.shape_1(pitch), 0.8 if site.snow_held else 0.0)
    on_plan = site.gamma_Q * en_1991_1_3.roof_load(mu, site.snow_exposure, site.snow_thermal, ground)
    words = f"snow by EN 1991-1-3 ({site.gamma_G:g} G + {site.gamma_Q:g} S)"
    return (*snow_parts(on_plan, pitch), site.gamma_G), words, en_1991_1_3.LEFT_OUT


def _wind(
    site: SiteConfig, face: Face, grid: Grid
) -> tuple[Callable[[Sequence[Spot], Array, Array], list[Case]] | None, str, list[str]]:
    """Maker of wind cases (None where the standard's part for this roof is not carried), words, what is left out."""
    pitch, rule = pitch_deg(face.frame), str(site.wind_rule)
    if any(e.kind == "hip" for e in face.edges):
        return None, "", [f"wind on face {face.id}: pressures of hip roofs are not carried"]
    if rule == "en_1991_1_4":
        return _wind_en(site, face, pitch)
    standard: ModuleType = asce_7_16 if rule == "asce_7_16" else asce_7_22
    if standard.slope_range(pitch) is None:
        return None, "", [f"wind on face {face.id}: a pitch of {pitch:.1f}° is not carried ({standard.LEFT_OUT})"]
    name = "ASCE 7-16" if standard is asce_7_16 else "ASCE 7-22"

    def make(spots: Sequence[Spot], areas: Array, influence: Array) -> list[Case]:
        return _wind_asce(site, face, grid, standard, pitch, spots, areas, influence)

    return make, f"wind by {name} (0.6 D + 0.6 W, D + 0.6 W)", [standard.LEFT_OUT]


def _wind_en(
    site: SiteConfig, face: Face, pitch: float
) -> tuple[Callable[[Sequence[Spot], Array, Array], list[Case]] | None, str, list[str]]:
    try:
        pull, push = en_1991_1_4.worst(pitch)
    except ValueError:
        return None, "", [f"wind on face {face.id}: a pitch of {pitch:.1f}° is not carried ({en_1991_1_4.LEFT_OUT})"]
    q = site.gamma_Q * en_1991_1_4.peak_pressure_Pa(
        float(site.wind_speed_m_s or 0), float(site.height_m or 0), str(site.terrain)
    )

    def make(spots: Sequence[Spot], _areas: Array, _influence: Array) -> list[Case]:
        feet = len(spots)
        return [
            Case(True, np.full(feet, q * pull), 0.0, site.gamma_G_relief),
            Case(False, np.full(feet, q * push), 0.0, site.gamma_G),
        ]

    words = f"wind by EN 1991-1-4, c_pe,10 of the worst zone ({site.gamma_G_relief:g} G + {site.gamma_Q:g} W)"
    return make, words, [en_1991_1_4.LEFT_OUT]


def _wind_asce(
    site: SiteConfig,
    face: Face,
    grid: Grid,
    standard: ModuleType,
    pitch: float,
    spots: Sequence[Spot],
    areas: Array,
    influence: Array,
) -> list[Case]:
    """Every foot by its roof zone and exposure, every hook by the area it carries."""
    height_ft = float(site.height_m or 0) / M_PER_FT
    K_z = standard.exposure_coefficient(height_ft, str(site.terrain))
    q = standard.velocity_pressure_psf(
        float(site.wind_speed_m_s or 0) * MPH_PER_M_S, K_z, K_zt=site.topography_factor, K_e=site.ground_factor
    )
    wide_mm = standard.zone_width_ft(float(site.least_width_m or 0) / M_PER_FT, height_ft) * M_PER_FT * 1000.0
    zones = [_zone(face, standard, pitch, s, wide_mm) for s in spots]
    exposed = [_exposed(grid, s) for s in spots]
    hook_ft2 = np.maximum(np.abs(influence).T @ areas, 1e-3) / M2_PER_FT2
    pull, push = np.zeros(influence.shape), np.zeros(influence.shape)
    for h, area in enumerate(hook_ft2):
        gamma_a, press = standard.equalization(float(area)), standard.pressing(pitch, float(area))
        for f, (zone, edge) in enumerate(zip(zones, exposed, strict=True)):
            gamma_E = standard.edge_factor(edge)
            suction = standard.suction(pitch, zone, float(area))
            pull[f, h] = 0.6 * standard.panel_pressure_psf(q, suction, gamma_E, gamma_a) * PA_PER_PSF
            push[f, h] = 0.6 * standard.panel_pressure_psf(q, press or 0.0, gamma_E, gamma_a) * PA_PER_PSF
    return [Case(True, pull, 0.0, 0.6), Case(False, push, 0.0, 1.0)]


def _zone(face: Face, standard: ModuleType, pitch: float, spot: Spot, wide_mm: float) -> str:
    """Roof zone of a foot; a valley or step counts as no edge of the roof, a second kind of edge makes it a corner."""
    point = Point(spot.u_mm, spot.v_mm)
    near = {e.kind for e in face.edges if LineString([e.start_uv, e.end_uv]).distance(point) < wide_mm}
    near &= {"eave", "ridge", "verge"}
    if standard is asce_7_22:
        return "1" if not near else ("3" if len(near) > 1 else "2")
    possible = [zone for kinds, zone in ZONES_16.items() if set(kinds) <= near]
    return min(possible, key=lambda zone: standard.suction(pitch, zone, 10.0), default="1")


def _exposed(grid: Grid, spot: Spot) -> bool:
    """Within 1.5 module lengths up the slope of a row's end, or of the array's front or top edge."""
    reach = 1.5 * grid.array.along_v_mm
    lines = [line.v_mm for line in grid.array.lines]
    if min(spot.v_mm - min(lines), max(lines) - spot.v_mm) < reach:
        return True
    rows = [c for c in grid.chains if c.row in (spot.line, spot.line + 1) and c.start_mm <= spot.u_mm <= c.end_mm]
    return any(min(spot.u_mm - c.start_mm, c.end_mm - spot.u_mm) < reach for c in rows)
