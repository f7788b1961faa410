"""The report of `rowplane inspect`: one dictionary, and the same in lines for a person."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.model import Roof, ScanQuality, Surfaces, Survey


def inspection(survey: Survey, roof: Roof, surfaces: Surfaces, quality: ScanQuality) -> dict[str, Any]:
    """All that was seen: files, unit, buildings, faces, quality, findings."""
    refined = {s.face.id: s for s in surfaces.surfaces}
    faces = []
    for face in roof.faces:
        seen = refined.get(face.id)
        best = seen.face if seen else face
        pattern = seen.pattern if seen else None
        faces.append(
            {
                "face": face.id,
                "pitch_deg": round(pitch_deg(best.frame), 2),
                "azimuth_deg": round(azimuth_deg(best.frame), 2),
                "area_m2": round(best.area_m2, 2),
                "points": face.points,
                "gauge_mm": round(pattern.gauge_mm, 1) if pattern else None,
                "cover_width_mm": round(pattern.cover_width_mm, 1) if pattern and pattern.has_pans else None,
                "used": face.used,
                "note": face.note,
            }
        )
    findings = dict.fromkeys(
        (*survey.findings, *roof.findings, *surfaces.findings, *(f for s in surfaces.surfaces for f in s.findings))
    )
    findings |= dict.fromkeys(quality.findings)
    return {
        "files": [asdict(source) for source in survey.sources],
        "unit": survey.frame.unit,
        "unit_known_by": survey.frame.unit_source,
        "epsg": survey.frame.epsg,
        "buildings": [{"area_m2": round(b.area_m2, 1), "chosen": b.chosen} for b in roof.buildings],
        "faces": faces,
        "quality": {k: v for k, v in asdict(quality).items() if k != "findings"},
        "dropped": dict(survey.dropped),
        "findings": [asdict(f) for f in findings],
    }


def inspection_lines(report: dict[str, Any]) -> str:
    """The same for a person: verdict first, then reasons, faces, and what was assumed."""
    quality = report["quality"]
    lines = [f"verdict for foot heights: {quality['verdict']}", *(f"  - {reason}" for reason in quality["reasons"])]
    for source in report["files"]:
        lines.append(f"file: {source['name']}, {source['format']}, {source['points']:,} points")
    lines.append(f"unit: {report['unit']} ({report['unit_known_by']}); CRS: {report['epsg'] or 'none known'}")
    lines.append(
        f"on the roof: {quality['points_on_roof']:,} points, {quality['density_per_m2']:.0f} per m², "
        f"noise {quality['noise_mm']:.1f} mm, step {quality['step_mm']:.2f} mm, holes {quality['hole_share']:.1%}"
    )
    chosen = sum(b["chosen"] for b in report["buildings"])
    lines.append(f"buildings: {len(report['buildings'])} seen, {chosen} chosen")
    lines.append(f"{'face':<6}{'pitch °':>8}{'azimuth °':>11}{'area m²':>9}{'gauge':>7}{'cover':>7}{'points':>9}  note")
    for f in report["faces"]:
        gauge, cover = (f"{v:.0f}" if v else "-" for v in (f["gauge_mm"], f["cover_width_mm"]))
        lines.append(
            f"{f['face']:<6}{f['pitch_deg']:>8.2f}{f['azimuth_deg']:>11.2f}{f['area_m2']:>9.1f}{gauge:>7}{cover:>7}"
            f"{f['points']:>9}  {f['note']}"
        )
    lines += [f"{f['severity']}: {f['subject']}: {f['text']}  [{f['code']}]" for f in report["findings"]]
    return "\n".join(lines)
