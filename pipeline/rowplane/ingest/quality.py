"""Is this scan good enough for foot heights, and if not, why and what would cure it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from rowplane.findings import finding
from rowplane.frames import survey_to_face
from rowplane.ingest.tilt import suspected_tilt
from rowplane.model import Array, Face, Finding, Roof, ScanQuality, Surface, Surfaces, Survey, Verdict

SAMPLE = 400_000
"""Points of a face that the figures rest on; more change nothing."""

HOLE_POINTS = 10.0
"""A cell that would hold this many points at the usual density and holds none is a hole."""

SPARSE_PER_M2 = 30.0
"""Below this a curved tile gets two points or fewer, and its relief cannot be told from the substrate (assumed)."""

UNEVEN = 8.0
NOISY_MM = 30.0
"""Short-range scatter at which single points say nothing about a tile any more (assumed)."""

BUBBLE_CAUTION_MM, BUBBLE_LIMIT_MM = 8.0, 15.0
"""Amplitude, once bow and sag are taken off, that a timber roof does not have within a face (assumed)."""

TILT_DEG = 0.7
"""A ridge is built level far better than this (assumed)."""

HOLES, MANY_HOLES = 0.1, 0.3
SURE_PITCH_DEG = 1.0
ALL_THE_SAME = "It is good enough for faces, their areas and the number of modules."
STEP_SHARE = 2.0
"""A step of this many tolerances shows in every height."""

SURE_SHARE, SOME_SHARE = 0.9, 0.3
"""Share of the area known within tolerance (two standard deviations) for 'good', and for 'measure some feet'."""


@dataclass(frozen=True)
class FaceFigures:
    """Of one face: points per m² by cell, share of its area without points, short-range scatter."""

    density_per_m2: Array
    hole_share: float
    scatter_mm: float
    area_m2: float


@dataclass(frozen=True)
class Reason:
    """One thing that is wrong, with its cure; `fatal` where no foot height can rest on the scan."""

    text: str
    fatal: bool = False


def judge_scan(survey: Survey, roof: Roof, surfaces: Surfaces, tolerance_mm: float) -> ScanQuality:
    """Verdict for foot heights to `tolerance_mm`, with every reason in words. Works without faces and on level surveys."""
    figures = [f for f in (_figures(survey, roof, i, face) for i, face in enumerate(roof.faces)) if f is not None]
    on_roof = int(np.count_nonzero(roof.labels >= 0))
    density, ratio = _density(figures)
    holes = _weighted([(f.hole_share, f.area_m2) for f in figures])
    noise = _noise(figures, surfaces)
    bubble = max((_bubble_mm(s) for s in surfaces.surfaces), default=0.0)
    tilt = suspected_tilt(roof) if survey.kind == "cloud" else None
    tilt_deg = tilt.tilt_deg if tilt is not None else 0.0
    known = _share_known(surfaces, tolerance_mm)
    reasons = _no_roof(roof) or [
        *_of_points(survey, density, ratio, noise, holes, tolerance_mm),
        *_of_shape(bubble if survey.kind == "cloud" else 0.0, tilt_deg, tilt.text if tilt is not None else ""),
        *_of_certainty(surfaces, known, tolerance_mm),
    ]
    verdict: Verdict = "good" if not reasons else "not fit" if any(r.fatal for r in reasons) else "measure some feet"
    good = f"{known:.0%} of the area is known within {tolerance_mm:g} mm, noise {noise:.1f} mm, {density:.0f} points/m²."
    texts = (*(r.text for r in reasons), *_all_the_same(roof, holes)) if reasons else (good,)
    return ScanQuality(
        verdict,
        texts,
        len(survey.points_mm),
        on_roof,
        density,
        ratio,
        noise,
        survey.step_mm,
        holes,
        tilt_deg,
        bubble,
        _findings(verdict, texts, known),
    )


def _figures(survey: Survey, roof: Roof, index: int, face: Face) -> FaceFigures | None:
    mine = np.flatnonzero(roof.labels == index)
    if len(mine) < 4 or face.outline.is_empty:
        return None
    stride = max(1, len(mine) // SAMPLE)
    uvw = survey_to_face(face.frame, survey.points_mm[mine[::stride]])
    mean = len(mine) / face.area_m2
    cell_mm = float(np.clip(1000 * np.sqrt(9 / mean), 500, 3000))
    count = _counts(uvw, face, cell_mm) * stride / (cell_mm / 1000) ** 2
    hole_mm = 1000 * float(np.sqrt(HOLE_POINTS * stride / mean))
    holes = _counts(uvw, face, hole_mm)
    share = float(np.mean(holes == 0)) if len(holes) else 0.0
    scatter = _scatter_mm(uvw, 1000 * float(np.sqrt(2 * stride / mean)))
    return FaceFigures(count if len(count) else np.array([mean]), share, scatter, face.area_m2)


def _counts(uvw: Array, face: Face, cell_mm: float) -> NDArray[np.int64]:
    """Points in each square cell that lies on the face as a whole, obstacles left out."""
    area = face.outline
    for obstacle in face.obstacles:
        area = area.difference(obstacle.outline)
    west, south, east, north = area.bounds
    nu, nv = int((east - west) / cell_mm) + 1, int((north - south) / cell_mm) + 1
    i, j = ((uvw[:, 0] - west) / cell_mm).astype(int), ((uvw[:, 1] - south) / cell_mm).astype(int)
    inside = (i >= 0) & (i < nu) & (j >= 0) & (j < nv) & (uvw[:, 0] >= west) & (uvw[:, 1] >= south)
    count = np.bincount(j[inside] * nu + i[inside], minlength=nu * nv)
    middle_u, middle_v = np.meshgrid(west + (np.arange(nu) + 0.5) * cell_mm, south + (np.arange(nv) + 0.5) * cell_mm)
    core = area.buffer(-0.75 * cell_mm)
    return np.asarray(count[shapely.contains_xy(core, middle_u.ravel(), middle_v.ravel())])


def _scatter_mm(uvw: Array, cell_mm: float) -> float:
    """Robust scatter of w between points of one small cell: tile slopes are in it, so it errs upwards on tiles."""
    order = np.lexsort((np.floor(uvw[:, 0] / cell_mm), np.floor(uvw[:, 1] / cell_mm)))
    cells = np.floor(uvw[order, :2] / cell_mm)
    same = (cells[1:] == cells[:-1]).all(axis=1)
    step = np.diff(uvw[order, 2])[same]
    if len(step) < 10:
        return float("nan")
    # 1.4826 × median of absolute values estimates a normal sd; a difference of two has √2 times it.
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(2))


def _density(figures: list[FaceFigures]) -> tuple[float, float]:
    if not figures:
        return 0.0, 1.0
    cells = np.concatenate([f.density_per_m2 for f in figures])
    # Cells without any point are holes, and told as such.
    seen = cells[cells > 0]
    if not len(seen):
        return 0.0, 1.0
    low, middle, high = np.percentile(seen, [10, 50, 90])
    return float(middle), float(high / low)


def _noise(figures: list[FaceFigures], surfaces: Surfaces) -> float:
    told = [(s.noise_mm, s.face.area_m2) for s in surfaces.surfaces if np.isfinite(s.noise_mm)]
    return _weighted(told or [(f.scatter_mm, f.area_m2) for f in figures if np.isfinite(f.scatter_mm)])


def _weighted(pairs: list[tuple[float, float]]) -> float:
    weight = sum(w for _, w in pairs)
    return sum(v * w for v, w in pairs) / weight if weight > 0 else 0.0


def _bubble_mm(surface: Surface) -> float:
    """Amplitude of what is left of the substrate once a second-order surface (bow and sag) is taken off."""
    nv, nu = surface.own_mm.shape
    known = np.isfinite(surface.own_mm)
    if known.sum() < 20:
        return 0.0
    u, v = np.meshgrid(np.linspace(-1, 1, nu), np.linspace(-1, 1, nv))
    design = np.column_stack([np.ones(known.sum()), *(t[known] for t in (u, v, u * u, u * v, v * v))])
    height = surface.own_mm[known]
    left = height - design @ np.linalg.lstsq(design, height, rcond=None)[0]
    # The amplitude of a wave is √2 times its standard deviation.
    return float(np.sqrt(2) * 1.4826 * np.median(np.abs(left - np.median(left))))


def _share_known(surfaces: Surfaces, tolerance_mm: float) -> float:
    sds = [s.sd_mm[np.isfinite(s.own_mm) & np.isfinite(s.sd_mm)] for s in surfaces.surfaces]
    sd = np.concatenate(sds) if sds else np.zeros(0)
    return float(np.mean(2 * sd <= tolerance_mm)) if len(sd) else 0.0


def _no_roof(roof: Roof) -> list[Reason]:
    return [] if roof.faces else [Reason("No roof face was found, so there is nothing to judge.", True)]


def _of_points(survey: Survey, density: float, ratio: float, noise: float, holes: float, tolerance_mm: float) -> list[Reason]:
    if survey.kind == "level":
        return []
    kinds = {source.format.split()[0] for source in survey.sources}
    checks = (
        (
            density < SPARSE_PER_M2,
            f"{density:.0f} points/m² cannot show tiles ({SPARSE_PER_M2:.0f} are needed): fly lower or scan from closer.",
            True,
        ),
        (
            noise > NOISY_MM,
            f"Points scatter by {noise:.0f} mm ({NOISY_MM:.0f} is the limit): fly lower, slower, in better light.",
            True,
        ),
        (
            survey.step_mm > STEP_SHARE * tolerance_mm,
            f"Coordinates come in steps of {survey.step_mm:.3g} mm: export with 1 mm steps.",
            False,
        ),
        (ratio > UNEVEN, f"Density differs {ratio:.0f}-fold over the roof: add images or stations where it is thin.", False),
        (holes > HOLES, f"{holes:.0%} of the roof has no points: add images or stations that see it.", False),
        ("mesh" in kinds, "A mesh is smoothed, and how much its points scattered is not known: give the point cloud.", False),
        ("height" in kinds, "A height raster is smoothed and has one height per cell: give the point cloud.", False),
    )
    return [Reason(text, fatal) for bad, text, fatal in checks if bad]


def _all_the_same(roof: Roof, holes: float) -> tuple[str, ...]:
    """What the scan is good for in spite of all reasons: outlines and pitches need far less than foot heights."""
    if not roof.faces or holes > MANY_HOLES:
        return ()
    sd_deg = max(float(np.degrees(np.sqrt(np.abs(np.diag(face.covariance)[:2]).max()))) for face in roof.faces)
    return (ALL_THE_SAME,) if sd_deg < SURE_PITCH_DEG else ()


def _of_shape(bubble: float, tilt_deg: float, tilt_text: str) -> list[Reason]:
    reasons = []
    if bubble > BUBBLE_LIMIT_MM:
        text = (
            f"The surface swells and sinks by {bubble:.0f} mm over a few metres, which a roof does not do ({BUBBLE_LIMIT_MM:.0f} is "
            "the limit): the survey erred, image matching most likely. Fly lower with more overlap, oblique images and even light."
        )
        reasons.append(Reason(text, True))
    elif bubble > BUBBLE_CAUTION_MM:
        text = (
            f"The surface swells and sinks by {bubble:.0f} mm over a few metres ({BUBBLE_CAUTION_MM:.0f} is usual, beyond "
            f"{BUBBLE_LIMIT_MM:.0f} no height is believed): check some feet against the survey."
        )
        reasons.append(Reason(text))
    if tilt_deg > TILT_DEG:
        reasons.append(
            Reason(
                f"The whole survey seems tilted by {tilt_deg:.1f}° ({tilt_text}): level it with ground control, or take pitches as "
                "unsure by as much."
            )
        )
    return reasons


def _of_certainty(surfaces: Surfaces, known: float, tolerance_mm: float) -> list[Reason]:
    if not surfaces.surfaces:
        return [Reason("No substrate was mapped on any face, so no height is known: measure the rail tops.", True)]
    if known >= SURE_SHARE:
        return []
    return [
        Reason(
            f"{known:.0%} of the area is known within {tolerance_mm:g} mm ({SURE_SHARE:.0%} are needed): measure the rail tops at the "
            "feet marked 'measure'.",
            known < SOME_SHARE,
        )
    ]


def _findings(verdict: Verdict, texts: tuple[str, ...], known: float) -> tuple[Finding, ...]:
    if verdict == "good":
        return ()
    code = "scan-not-fit" if verdict == "not fit" else "scan-quality"
    return (finding(code, "survey", " ".join(texts), known, SURE_SHARE),)
