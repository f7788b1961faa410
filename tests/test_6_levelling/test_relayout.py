"""A roof that no plane fits, through the whole job: what breaks it is measured, and the cheapest cure is carried out."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rowplane.config import Lead
from rowplane.leads import load_lead
from rowplane.levelling import level_feet
from rowplane.placement import place_modules
from rowplane.roof import survey_to_layout
from rowplane.supports import place_supports

LEAD = """name = "Hollow roof"
scan = "levels.csv"
survey_date = 2026-05-04
[surface]
gauge_mm = 340
cover_width_mm = 300
[hardware]
packers_mm = []
[[rafters]]
spacing_mm = 600
first_mm = 300
"""


def hollow_lead(folder: Path, sag_mm: float) -> Lead:
    """A sheet of levels on a roof of 25° whose rafters hang by `sag_mm` at mid-slope, 5.4 m long."""
    lines = ["u_m,v_m,height_mm,on"]
    for u in np.arange(0.2, 10.9, 0.7):
        for v in np.arange(0.17, 5.4, 0.68):
            height = 1000 * v * np.sin(np.radians(25)) - sag_mm * np.sin(np.pi * v / 5.4) * np.cos(np.radians(25))
            lines.append(f"{u:.3f},{v:.3f},{height:.2f},board")
    (folder / "levels.csv").write_text("\n".join(lines) + "\n")
    (folder / "lead.toml").write_text(LEAD)
    return load_lead(folder)


def test_a_roof_no_plane_fits_gets_the_cheapest_other_layout(tmp_path: Path) -> None:
    lead = hollow_lead(tmp_path, 140)
    result = survey_to_layout(lead)
    config = lead.config
    # The first layout, as it was before anything was left out: out of reach, with a cure asked for.
    layout = place_modules(
        result.surfaces, config.placement, config.rafters, config.module, config.hardware, config.site
    )
    plan = place_supports(
        layout, result.surfaces, config.supports, config.rafters, config.module, config.hardware, config.site
    )
    first = level_feet(layout, plan, result.surfaces, config.levelling, config.hardware, config.module)
    broken = [f for f in first.findings if f.code == "foot-out-of-reach"]
    assert {f.subject for f in broken} == {f"foot {f.foot}" for f in first.feet if f.reach == "out-of-reach"}
    assert all(f.value is not None and f.value > 0 for f in broken)
    cures = [f for f in first.findings if f.code == "levelling-cure"]
    lost = [f.value for f in cures]
    assert lost == sorted(lost, key=float)  # ranked by what they cost
    (wish,) = first.wishes
    # What came out is that other layout, carried through placement, supports and levelling.
    assert sum(c.stage == "level_feet" for c in result.costs) == 2
    assert {f.reach for f in result.levels.feet} == {"ok"}
    assert result.levels.wishes == ()
    modules = sum(len(a.modules) for a in layout.arrays)
    left = sum(len(a.modules) for a in result.layout.arrays)
    assert left == modules - (len(wish.rects_mm) if wish.kind == "drop" else 0)
    if wish.kind == "drop":
        assert lost[0] == modules - left
    assert any(wish.reason in f.text for f in result.findings), "the reason stands on the sheets"


def test_packers_cure_before_any_module_is_left_out(tmp_path: Path) -> None:
    lead = hollow_lead(tmp_path, 140)
    text = (tmp_path / "lead.toml").read_text().replace("packers_mm = []", "packers_mm = [10, 20]")
    (tmp_path / "lead.toml").write_text(text)
    with_packers, without = survey_to_layout(load_lead(tmp_path)), survey_to_layout(lead)
    assert {f.reach for f in with_packers.levels.feet} <= {"ok", "packer"}
    assert any(f.code == "packers-needed" for f in with_packers.levels.findings)
    assert sum(len(a.modules) for a in with_packers.layout.arrays) > sum(len(a.modules) for a in without.layout.arrays)
