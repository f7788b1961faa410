"""Every setting of the job: one frozen section per table of lead.toml, with default, bounds, unit and meaning.

This is the only source of a setting: the schema, `rowplane config init` and the reference are made from it. Values of
presets are files in configs/; a lead's own values win over its preset's, a preset's over the defaults below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from rowplane.model import Finding


class Section(BaseModel):
    """A table of lead.toml: frozen, unknown keys are errors, numbers must be finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def greatest(section: type[Section], setting: str) -> float:
    """The greatest value that a setting may have; inf where nothing bounds it."""
    rules = section.model_fields[setting].metadata
    return min((float(rule.le) for rule in rules if hasattr(rule, "le")), default=math.inf)


class IngestConfig(Section):
    """How the scan is read."""

    unit: Literal["auto", "m", "mm", "cm", "ft", "us-ft", "in"] = Field(
        "auto", description="unit of the scan's coordinates; auto takes the file's CRS, else the size of what they show"
    )
    crs: str | None = Field(None, description="coordinate system, as EPSG:code or WKT; overrides the file's")
    up: Literal["auto", "z", "y"] = Field("auto", description="axis that points up; auto recognises Y-up meshes")
    footprint: tuple[tuple[float, float], ...] | str | None = Field(
        None, description="plan polygon of the roof in the scan's coordinates (u, v for a level survey), or a GeoJSON file"
    )
    at: tuple[float, float] | None = Field(None, description="a point on the building to work on, in the scan's coordinates")
    azimuth_deg: float | None = Field(
        None, ge=0, lt=360, description="compass direction the face of a level survey looks to, clockwise from grid north"
    )
    pitch_deg: float | None = Field(
        None, ge=0, lt=80, description="pitch of a level survey's face; by default it comes from the readings"
    )
    max_points: int = Field(
        200_000_000, ge=1000, le=2_000_000_000, description="points a file may hold; more are refused before memory is taken"
    )


class PlanesConfig(Section):
    """How roof faces are found."""

    min_face_m2: float = Field(2.0, ge=0.5, le=100, description="smallest face that is listed, m² on the slope")
    min_pitch_deg: float = Field(5.0, ge=0, le=30, description="flattest pitch that counts as a tile roof, degrees")
    max_pitch_deg: float = Field(65.0, ge=30, le=85, description="steepest pitch that counts as a roof, degrees")
    min_angle_deg: float = Field(4.0, ge=1, le=20, description="faces whose normals differ by less are one, degrees")


class SurfaceConfig(Section):
    """How tile relief and substrate are told apart."""

    preset: str | None = Field(None, description="name of a file in configs/tiles")

    gauge_mm: float | None = Field(None, gt=50, lt=1000, description="hint: distance from course to course, mm")
    cover_width_mm: float | None = Field(None, gt=50, lt=1000, description="hint: distance from tile column to column, mm")
    seating_sd_mm: float = Field(2.0, ge=0, le=20, description="scatter of single tiles on their battens, sd, mm (assumed)")
    reading_sd_mm: float = Field(1.5, gt=0, le=20, description="reading error of a level survey, sd, mm (assumed)")
    smooth_error_sd_mm: float | None = Field(
        None,
        ge=0,
        le=200,
        description="smooth survey error over metres, sd, mm; default: 0.5 for a level, 1.5 for a scan (assumed)",
    )
    smooth_error_length_mm: float = Field(
        3000, ge=500, le=50_000, description="length over which smooth survey error stays alike, mm (assumed)"
    )
    raster_step_mm: float = Field(100, ge=20, le=1000, description="cell of the deviation raster, mm")


class SetbackConfig(Section):
    """Distance from each kind of edge to the first module, on the slope."""

    eave: float = Field(300, ge=0, le=5000, description="from the eave, mm (assumed)")
    ridge: float = Field(300, ge=0, le=5000, description="from the ridge, mm (assumed)")
    hip: float = Field(300, ge=0, le=5000, description="from a hip, mm (assumed)")
    valley: float = Field(300, ge=0, le=5000, description="from a valley, mm (assumed)")
    verge: float = Field(300, ge=0, le=5000, description="from a verge, mm (assumed)")
    step: float = Field(300, ge=0, le=5000, description="from a step or wall, mm (assumed)")
    obstacle: float = Field(200, ge=0, le=5000, description="from an obstacle or hole, mm (assumed)")


class FixedModule(Section):
    """One module of an agreed layout: face and the lower left corner on it, from the datum."""

    face: str = Field(description="face id")
    u_mm: float = Field(ge=-200_000, le=200_000, description="left edge, mm from the datum")
    v_mm: float = Field(ge=-200_000, le=200_000, description="front edge, mm from the datum")


class EscapeOpening(Section):
    """A window or hatch on a face through which people may have to leave or enter."""

    face: str = Field(description="face id")
    u_from_mm: float = Field(ge=-200_000, le=200_000, description="left edge, mm from the datum")
    u_to_mm: float = Field(ge=-200_000, le=200_000, description="right edge, mm from the datum")
    v_mm: float = Field(ge=-200_000, le=200_000, description="its lower edge, mm from the datum")


class PlacementConfig(Section):
    """Where modules may lie."""

    preset: str | None = Field(None, description="name of a file in configs/codes")
    orientation: Literal["portrait", "landscape", "best"] = Field("best", description="how modules lie; best: what fits more")
    gap_mm: float = Field(12, ge=2, le=100, description="gap between modules (common practice)")
    setback_mm: SetbackConfig = Field(default_factory=SetbackConfig, description="distance kept per kind of edge")
    min_modules: int = Field(2, ge=1, le=1000, description="smallest array that is worth its rails")
    max_modules: int = Field(10_000, ge=1, le=100_000, description="stop after this many modules per lead, best faces first")
    azimuth_from_deg: float = Field(0, ge=0, le=360, description="faces that look to a direction in this sector get modules")
    azimuth_to_deg: float = Field(360, ge=0, le=360, description="end of that sector, clockwise")
    rank_by: Literal["auto", "noon", "clear-sky"] = Field(
        "auto",
        description="order of faces: yearly clear-sky irradiation (pvlib), or the noon sun of an equinox; auto: what is there",
    )
    rows: Literal["aligned", "shifted"] = Field("aligned", description="seams aligned up the slope, or each row for itself")
    obstacle_height_factor: float = Field(
        0, ge=0, le=10, description="distance from an obstacle is at least this times its height (shade)"
    )
    expansion_per_K: float = Field(23e-6, ge=0, le=1e-4, description="growth of the joined frames per kelvin (aluminium)")
    temperature_range_K: float = Field(80, ge=0, le=200, description="coldest to hottest frame (assumed)")
    expansion_allow_mm: float = Field(
        30, gt=0, le=200, description="growth a row or rail may collect before it is parted by a gap wider by as much (assumed)"
    )
    ridge_wide_mm: float | None = Field(
        None,
        ge=0,
        le=5000,
        description="from the ridge where modules take more than ridge_share_percent; none: setback_mm.ridge",
    )
    ridge_share_percent: float = Field(
        33, gt=0, le=100, description="share of the roof's plan area that modules may take before"
    )
    hip_valley_if_both: bool = Field(False, description="setbacks from hips and valleys only where both faces carry modules")
    path_mm: float = Field(
        0, ge=0, le=5000, description="width of a clear way from the lowest edge to the ridge; 0: none asked for"
    )
    paths_least: int = Field(2, ge=0, le=20, description="least number of faces with such a way")
    path_beside: bool = Field(True, description="a way on a neighbouring face serves a face with modules")
    rules_above_pitch_deg: float = Field(
        0, ge=0, le=45, description="faces as flat as this or flatter need no ridge setback or way"
    )
    escapes: tuple[EscapeOpening, ...] = Field((), description="escape openings: no module below them, and a way to them")
    fixed: tuple[FixedModule, ...] = Field((), description="an agreed layout: kept and checked, nothing is moved")


class ModuleConfig(Section):
    """The module's data sheet. The defaults are invented; a real data sheet prevails."""

    preset: str | None = Field(None, description="name of a file in configs/modules")
    name: str = Field("invented 1722 × 1134", description="what the parts list calls it")
    width_mm: float = Field(1134, gt=100, le=3000, description="short side")
    height_mm: float = Field(1722, gt=100, le=4000, description="long side")
    thickness_mm: float = Field(30, gt=5, le=100, description="frame height")
    mass_kg: float = Field(21.5, gt=0, le=100, description="weight of one")
    power_w: float = Field(430, gt=0, le=2000, description="rated power of one")
    held_long: bool = Field(True, description="the data sheet allows holding at the long edges (landscape on up-slope rails)")
    held_short: bool = Field(True, description="the data sheet allows holding at the short edges (portrait on up-slope rails)")
    zone_long_mm: tuple[float, float] = Field(
        (0, 861), description="where along a long edge it may be held: from, to, mm from the nearer corner"
    )
    zone_short_mm: tuple[float, float] = Field(
        (0, 567), description="where along a short edge it may be held: from, to, mm from the nearer corner"
    )
    max_pressure_long_Pa: float = Field(2400, gt=0, le=20_000, description="greatest design pressure when held at long edges")
    max_pressure_short_Pa: float = Field(1600, gt=0, le=20_000, description="greatest design pressure when held at short edges")
    feet_per_module: int = Field(4, ge=2, le=12, description="least feet that touch one module")
    max_twist_mm: float = Field(6, gt=0, le=50, description="how far a corner may leave the plane of the other three")

    @model_validator(mode="after")
    def _long_is_long(self) -> ModuleConfig:
        if self.width_mm > self.height_mm:
            raise ValueError("width_mm is the short side and must not exceed height_mm")
        for name, (start, end) in (("zone_long_mm", self.zone_long_mm), ("zone_short_mm", self.zone_short_mm)):
            if not 0 <= start < end:
                raise ValueError(f"{name} must run from 0 or more to something greater")
        return self


class HardwareConfig(Section):
    """Hooks, rails and feet. The defaults are invented; the supplier's data prevail."""

    preset: str | None = Field(None, description="name of a file in configs/hardware")
    name: str = Field("invented hook, rail and foot", description="what the parts list calls it")
    lift_min_mm: float = Field(20, ge=0, le=500, description="lift with the foot fully down")
    lift_max_mm: float = Field(70, gt=0, le=600, description="lift with the foot fully up")
    thread_pitch_mm: float = Field(2.0, gt=0.1, le=10, description="lift per turn")
    packers_mm: tuple[float, ...] = Field((3, 5, 10), description="stock thicknesses of packers; two may be stacked")
    max_foot_spacing_mm: float = Field(1300, gt=100, le=5000, description="greatest distance between feet along a line")
    max_row_overhang_mm: float = Field(450, ge=0, le=3000, description="greatest free module length past the outer foot")
    max_hook_span_mm: float = Field(1250, gt=100, le=5000, description="greatest hook distance along a rail")
    max_rail_overhang_mm: float = Field(400, ge=0, le=3000, description="greatest free rail length past the outer hook")
    rail_end_mm: float = Field(25, ge=0, le=500, description="from the rail's end to the lowest foot (common practice)")
    rail_past_mm: float = Field(40, ge=0, le=500, description="how far a rail reaches past the last line")
    rail_EI_Nm2: float = Field(6900, gt=10, le=1e6, description="bending stiffness of the rail")
    rail_mass_kg_m: float = Field(1.1, gt=0, le=20, description="weight of a metre of rail")
    stock_length_mm: tuple[float, ...] = Field((4200,), description="lengths a rail is sold in")
    saw_mm: float = Field(4, ge=0, le=20, description="lost per cut")
    splice_clear_mm: float = Field(100, ge=0, le=500, description="least distance from a splice to a foot or hook (assumed)")
    build_up_mm: float = Field(110, gt=0, le=500, description="rail top over the substrate at a hook without packer")
    hook_reach_mm: float = Field(
        120, ge=0, le=500, description="how far a hook's arm may stand beside its rafter's middle (assumed)"
    )
    arm_width_mm: float = Field(40, gt=0, le=200, description="width of the hook's arm, which must find room in the pan")
    hook_seat_sd_mm: float = Field(1.5, ge=0, le=20, description="scatter of a hook's seat: bending, plate, screws (assumed)")
    hook_stiffness_N_mm: float | None = Field(None, gt=0, description="springiness of a hook; without it hooks are stiff")
    hook_mass_kg: float = Field(0.9, gt=0, le=20, description="weight of a hook")
    foot_mass_kg: float = Field(0.25, gt=0, le=20, description="weight of a foot")
    foot_width_mm: float = Field(
        60, gt=0, le=300, description="width of a foot along its line; where it meets a seam it is a joiner foot"
    )
    screw_diameter_mm: float = Field(8, gt=2, le=20, description="lag screw diameter")
    screws_per_hook: int = Field(2, ge=1, le=8, description="lag screws per hook")
    screw_thread_mm: float = Field(60, gt=10, le=400, description="thread in the rafter, tip not counted")
    screw_edge_mm: float = Field(12, ge=0, le=100, description="least distance from a screw's axis to the rafter's face")
    pilot_hole_mm: float = Field(5.5, gt=0, le=20, description="pilot hole")
    hook_capacity_up_N: float | None = Field(None, gt=0, description="data sheet: uplift a hook may take")
    hook_capacity_down_N: float | None = Field(None, gt=0, description="data sheet: load towards the roof a hook may take")
    hook_capacity_slope_N: float | None = Field(None, gt=0, description="data sheet: load down the slope a hook may take")
    rail_moment_Nm: float | None = Field(None, gt=0, description="data sheet: bending moment a rail may take")
    rail_span_over_sag: float | None = Field(
        None, gt=1, le=5000, description="data sheet: least span over sag of a loaded rail, as 200 for l/200; an overhang counts twice"
    )
    arm_lever_mm: float = Field(
        120, ge=0, le=500, description="from the screws down the slope to the rail on the arm (assumed)"
    )
    plate_lever_mm: float = Field(60, gt=0, le=300, description="from the screws to the plate's upper or lower edge (assumed)")
    arm_clear_mm: float = Field(5, ge=0, le=50, description="arm over the tile below when fitted (common practice)")
    spare_percent: float = Field(5, ge=0, le=100, description="spares of small parts in the parts list (assumed)")
    spare_tile_percent: float = Field(10, ge=0, le=200, description="spare tiles in percent of hooks (assumed)")
    trip_kg: float = Field(25, gt=1, le=200, description="what one person carries up the ladder at once (assumed)")

    @model_validator(mode="after")
    def _travel(self) -> HardwareConfig:
        if self.lift_max_mm <= self.lift_min_mm:
            raise ValueError("lift_max_mm must be greater than lift_min_mm")
        if not self.stock_length_mm or min(self.stock_length_mm) <= 0:
            raise ValueError("stock_length_mm must hold at least one positive length")
        if any(p <= 0 for p in self.packers_mm):
            raise ValueError("packers_mm must be positive")
        return self

    @property
    def mid_lift_mm(self) -> float:
        """Mid-travel lift, the zero of every adjustment."""
        return 0.5 * (self.lift_min_mm + self.lift_max_mm)


class RafterConfig(Section):
    """Where rafters lie on the faces that look to `azimuth_deg` (or on all); u from the datum."""

    azimuth_deg: float | None = Field(None, ge=0, lt=360, description="faces within 20° of this direction; without it all")
    spacing_mm: float | None = Field(None, gt=100, le=3000, description="from middle to middle")
    first_mm: float = Field(0, ge=-3000, le=3000, description="middle of the first rafter from the datum")
    positions_mm: tuple[float, ...] = Field((), description="middles of all rafters from the datum, instead of spacing")
    width_mm: float = Field(45, gt=10, le=300, description="width of a rafter")
    depth_mm: float = Field(145, gt=20, le=600, description="depth of a rafter")
    tolerance_mm: float = Field(20, ge=0, le=200, description="how well positions are known (common practice: 15–20)")
    clear_span_mm: float | None = Field(None, gt=200, le=20_000, description="clear span up the slope; default: the whole slope")
    elasticity_N_mm2: float = Field(
        11_000, ge=3000, le=20_000, description="modulus of elasticity along the grain (C24, EN 338, from memory)"
    )

    @model_validator(mode="after")
    def _one_way(self) -> RafterConfig:
        if (self.spacing_mm is None) == (not self.positions_mm):
            raise ValueError("give either spacing_mm or positions_mm")
        return self


class SiteConfig(Section):
    """What the place asks for. Without pressures or wind and snow, loads are not screened."""

    latitude_deg: float | None = Field(None, ge=-90, le=90, description="north positive; ranks faces by sun")
    pressure_up_Pa: float | None = Field(None, ge=0, le=20_000, description="design uplift on modules, square to the roof")
    pressure_down_Pa: float | None = Field(None, ge=0, le=20_000, description="design load towards the roof")
    pressure_downslope_Pa: float = Field(0, ge=0, le=20_000, description="design load down the slope (snow), per module area")
    wind_rule: Literal["asce_7_16", "asce_7_22", "en_1991_1_4"] | None = Field(
        None, description="wind by this standard, where no pressures are given; needs wind_speed_m_s, terrain and height_m"
    )
    wind_speed_m_s: float | None = Field(None, gt=0, le=150, description="basic wind speed as the standard defines it")
    terrain: Literal["B", "C", "D", "0", "II", "III", "IV"] | None = Field(
        None, description="exposure B, C, D (ASCE 7) or terrain category 0, II, III, IV (EN 1991-1-4)"
    )
    height_m: float | None = Field(None, gt=0, le=18, description="mean roof height (ASCE 7) or reference height (EN 1991-1-4)")
    least_width_m: float | None = Field(
        None, gt=0, le=500, description="least plan dimension of the building (ASCE 7 roof zones)"
    )
    topography_factor: float = Field(1.0, ge=1, le=5, description="K_zt (ASCE 7)")
    ground_factor: float = Field(1.0, gt=0, le=1.2, description="K_e (ASCE 7)")
    snow_rule: Literal["asce_7", "en_1991_1_3"] | None = Field(
        None, description="snow by this standard, where no pressures are given; needs ground_snow_Pa"
    )
    ground_snow_Pa: float | None = Field(None, ge=0, le=50_000, description="ground snow load p_g or s_k")
    snow_exposure: float = Field(1.0, gt=0, le=2, description="C_e")
    snow_thermal: float = Field(1.0, gt=0, le=1.5, description="C_t")
    snow_importance: float = Field(1.0, gt=0, le=1.5, description="I_s (ASCE 7-16)")
    snow_slippery: bool = Field(False, description="the modules count as a slippery surface (ASCE 7)")
    snow_held: bool = Field(
        True, description="snow guard or array edge holds the snow: μ₁ not under 0.8 (EN 1991-1-3 5.3.2(3), from memory)"
    )
    timber_rule: Literal["auto", "nds_2018", "en_1995_1_1"] = Field(
        "auto", description="screw withdrawal by this standard; auto: NDS with ASCE 7, else EN 1995-1-1"
    )
    timber_gravity: float = Field(0.42, gt=0.2, le=0.9, description="specific gravity of the rafters (NDS) (assumed)")
    timber_density_kg_m3: float = Field(
        350, gt=200, le=900, description="characteristic density of the rafters (EN 1995) (assumed)"
    )
    k_mod: float = Field(0.9, gt=0, le=1.1, description="k_mod of wind and snow (EN 1995-1-1, from memory) (assumed)")
    gamma_M: float = Field(1.3, ge=1, le=2, description="γ_M of connections (EN 1995-1-1, from memory)")
    gamma_Q: float = Field(1.5, ge=1, le=2, description="partial factor of wind and snow (EN 1990, from memory)")
    gamma_G: float = Field(1.35, ge=1, le=2, description="partial factor of weight that adds to a load (EN 1990, from memory)")
    gamma_G_relief: float = Field(
        0.9, ge=0, le=1, description="partial factor of weight that relieves uplift (EN 1990, from memory)"
    )

    @model_validator(mode="after")
    def _whole_rules(self) -> SiteConfig:
        american = self.wind_rule is not None and self.wind_rule.startswith("asce")
        if self.wind_rule is not None:
            if self.wind_speed_m_s is None or self.terrain is None or self.height_m is None:
                raise ValueError("wind_rule needs wind_speed_m_s, terrain and height_m")
            if (self.terrain in ("B", "C", "D")) != american:
                raise ValueError(f"terrain {self.terrain} does not belong to {self.wind_rule}")
            if american and self.least_width_m is None:
                raise ValueError("wind by ASCE 7 needs least_width_m, the least plan dimension of the building")
        if self.snow_rule is not None and self.ground_snow_Pa is None:
            raise ValueError("snow_rule needs ground_snow_Pa")
        if self.wind_rule is not None and self.snow_rule is not None and american != (self.snow_rule == "asce_7"):
            raise ValueError("wind_rule and snow_rule must belong to one family of standards")
        return self


class SupportsConfig(Section):
    """How rails, hooks and feet are chosen."""

    assumed_rafter_spacing_mm: float = Field(
        600, gt=200, le=1500, description="rafter spacing for planning where none is known (assumed)"
    )
    hook_behind_nose_mm: float = Field(
        0, ge=-200, le=400, description="where the rail sits on the hook, up the slope from the nose it comes out under"
    )
    stagger: bool = Field(
        False, description="hooks of neighbouring rails in different courses, as far as that takes no more of them"
    )


class LevellingConfig(Section):
    """How the array plane and the feet are set."""

    max_tilt_mm: float = Field(10, ge=0, le=200, description="tilt of the array against its face, across the array (assumed)")
    min_clearance_mm: float = Field(20, ge=0, le=500, description="module underside over the highest tile crown (assumed)")
    max_height_mm: float = Field(250, gt=20, le=1000, description="module top over the face plane (assumed)")
    tolerance_mm: float = Field(5, gt=0, le=50, description="how far a seat may end off the array plane (assumed)")
    setting_sd_mm: float = Field(0.5, ge=0, le=10, description="how well a foot is set to its number, sd (assumed)")
    max_step_mm: float = Field(3, gt=0, le=50, description="step at a seam that the eye accepts (assumed)")
    max_relayouts: int = Field(3, ge=0, le=20, description="how often another layout may be asked for")
    string_mass_g_m: float = Field(1.5, gt=0, le=50, description="string line's mass per metre (assumed)")
    string_pull_N: float = Field(50, gt=1, le=1000, description="string line's pull (assumed)")
    hold_parallel: bool = Field(False, description="keep the array plane parallel to the face")
    one_plane_per_face: bool = Field(False, description="arrays of one face share one plane")
    max_fold_mm: float = Field(
        0, ge=0, le=50, description="fold between two rows, off the chord over both, where one plane cannot work; 0: never"
    )
    front_height_mm: float | None = Field(
        None, ge=0, le=1000, description="module underside over the face plane at the array's front edge; free by default"
    )
    max_kink_mm: float = Field(3, gt=0, le=50, description="kink of a row at a seam, off its neighbours' chord (assumed)")
    rafter_tolerance_mm: float = Field(20, ge=0, le=200, description="sideways miss of a known rafter (common practice: 15–20)")
    unknown_rafter_mm: float = Field(150, ge=0, le=1000, description="sideways miss where rafters are not known (assumed)")
    string_pull_share: float = Field(0.2, ge=0, le=1, description="how well the string's pull is known, share, sd (assumed)")
    string_error_mm: float = Field(1, gt=0, le=20, description="uncertainty of the sag up to which a string is used (assumed)")
    reading_sd_mm: float = Field(1, gt=0, le=20, description="how well a gap or height is read on the roof, sd (assumed)")
    mark_sd_mm: float = Field(2, ge=0, le=50, description="how well a foot's place along the slope is marked, sd (assumed)")
    draws: int = Field(4000, ge=100, le=1_000_000, description="draws of the simulation")
    seed: int = Field(1, ge=0, description="seed of the simulation")


Deliverable = Literal[
    "tables.xlsx", "crew-sheet.pdf", "crew-sheet.html", "layout.dxf", "layout.svg", "layout.geojson", "deviation.png",
    "deviation.tif", "model.glb", "model.html",
]  # fmt: skip


class DeliverablesConfig(Section):
    """What is written and how it is shown."""

    files: tuple[Deliverable, ...] = Field(
        get_args(Deliverable), description="what is written beside the tables in CSV, result.json, posterior.npz and record.json"
    )
    units: Literal["mm", "in"] = Field("mm", description="lengths on the sheets; tables stay in mm")
    paper: Literal["a4", "letter"] = Field("a4", description="paper of the crew sheet")


class BatchConfig(Section):
    """How a night's leads are run and sorted in the morning."""

    time_limit_s: float = Field(600, gt=0, le=86_400, description="a lead that takes longer is stopped, s")
    min_modules: int = Field(4, ge=1, le=10_000, description="fewer modules than this are not suitable")
    max_measure_share: float = Field(0.5, ge=0, le=1, description="share of feet to measure up to which a lead is ready")
    rafters_needed: bool = Field(True, description="without rafter positions a lead needs a site check")


class Config(Section):
    """All sections of one lead."""

    ingest: IngestConfig = Field(default_factory=IngestConfig)
    site: SiteConfig = Field(default_factory=SiteConfig)
    planes: PlanesConfig = Field(default_factory=PlanesConfig)
    surface: SurfaceConfig = Field(default_factory=SurfaceConfig)
    rafters: tuple[RafterConfig, ...] = Field(())
    module: ModuleConfig = Field(default_factory=ModuleConfig)
    hardware: HardwareConfig = Field(default_factory=HardwareConfig)
    placement: PlacementConfig = Field(default_factory=PlacementConfig)
    supports: SupportsConfig = Field(default_factory=SupportsConfig)
    levelling: LevellingConfig = Field(default_factory=LevellingConfig)
    deliverables: DeliverablesConfig = Field(default_factory=DeliverablesConfig)
    batch: BatchConfig = Field(default_factory=BatchConfig)


@dataclass(frozen=True)
class Lead:
    """One roof to be assessed. `origins` tells where each value that is not a default came from (`section.key` → file)."""

    name: str
    scan: tuple[Path, ...]
    survey_date: date | None
    folder: Path
    config: Config
    origins: dict[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
