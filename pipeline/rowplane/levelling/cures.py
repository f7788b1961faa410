"""When no plane works: the feet that break it, by how much, and what would cure it, cheapest first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rowplane.findings import finding
from rowplane.levelling.program import reachable
from rowplane.levelling.setting import Solved, task_of
from rowplane.levelling.sigma import Z95, doubtful, seat_sigma
from rowplane.model import Finding, RecheckBasis, Wish

MOST_CURES = 3
"""As many cures as a person wants to choose from; they are tried from the cheapest on."""

EDGE_MM = 60.0
"""A foot within this of a module's edge carries it: feet stand in the gap between rows, a few centimetres from both edges."""


@dataclass(frozen=True)
class _Cure:
    """One tried cure: what it costs in modules lost and feet added, in words, and the layout it wants."""

    modules: int
    more_feet: int
    text: str
    wish: Wish


def cures_of(solved: tuple[Solved, ...]) -> tuple[tuple[Wish, ...], tuple[Finding, ...]]:
    """Wishes and findings for the arrays that no plane fits within travel and packers; nothing for those that one fits.

    A wish is asked for only where packers cannot cure and the other layout was solved and found to work; of those, the one
    that loses the fewest modules, then the one that adds the fewest feet. A survey that is not fit for foot heights takes no
    module off the roof: its own error looks like a roof out of reach.
    """
    wishes: list[Wish] = []
    findings: list[Finding] = []
    for one in solved:
        if (way := one.goal("clearance and height given way")) > 0:
            excess = 2 * way
            text = f"Crowns and greatest height exclude each other by {excess:.1f} mm; both gave way by half of it."
            findings.append(finding("plane-limits", f"array {one.basis.array}", text, excess, 0.0, "mm"))
        broken = np.flatnonzero(one.shortfall_mm > 0)
        if not len(broken):
            continue
        doubtful_survey = _survey_doubtful(one.basis)
        findings += [_many_out_of_reach(one, broken)] if doubtful_survey else [_out_of_reach(one, int(i)) for i in broken]
        findings += _own_plane(solved, one)
        cures = sorted(_cures(one, broken), key=lambda cure: (cure.modules, cure.more_feet))
        findings += [
            finding("levelling-cure", f"array {one.basis.array}", f"Cure {n + 1}: {cure.text}.", cure.modules, None, "modules")
            for n, cure in enumerate(cures)
        ]
        if cures and doubtful_survey:
            text = "No cure is carried out: the survey supports fewer than half of the feet. Measure the rail tops first."
            findings.append(finding("levelling-cure", f"array {one.basis.array}", text))
        elif cures:
            wishes.append(cures[0].wish)
        else:
            text = "Neither dropping modules nor splitting the array cures it: check the survey there, or raise the hooks."
            findings.append(finding("levelling-cure", f"array {one.basis.array}", text))
    return tuple(wishes), tuple(findings)


def _survey_doubtful(basis: RecheckBasis) -> bool:
    return bool(np.mean(doubtful(basis, seat_sigma(basis))) > 0.5)


def _own_plane(solved: tuple[Solved, ...], one: Solved) -> list[Finding]:
    """Where arrays were held to one plane: whether this one has a plane of its own. Nobody but the person who asked gives it up."""
    basis = one.basis
    together = [other for other in solved if other.basis.face == basis.face]
    if not basis.limits.one_plane_per_face or len(together) < 2 or not reachable(task_of(basis)):
        return []
    text = f"Array {basis.array} has a plane of its own within reach: levelling.one_plane_per_face = false."
    return [finding("levelling-cure", f"array {basis.array}", text, 0, None, "modules")]


def _out_of_reach(one: Solved, i: int) -> Finding:
    short, basis = float(one.shortfall_mm[i]), one.basis
    where = "above" if one.off_mm[i] > 0 else "below"
    text = f"Foot {basis.foot_ids[i]} ends {short:.1f} mm {where} the best plane, packers and whole travel used."
    return finding("foot-out-of-reach", f"foot {basis.foot_ids[i]}", text, short, 0.0, "mm")


def _many_out_of_reach(one: Solved, broken: NDArray[np.int64]) -> Finding:
    basis, sigma = one.basis, seat_sigma(one.basis)
    worst = int(broken[np.argmax(one.shortfall_mm[broken])])
    short = float(one.shortfall_mm[worst])
    text = (
        f"{len(broken)} of {len(sigma)} feet end off the best plane, packers and whole travel used, the worst, {basis.foot_ids[worst]}, "
        f"by {short:.1f} mm; but the survey knows feet no better than ± {Z95 * float(np.median(sigma)):.0f} mm here."
    )
    return finding("foot-out-of-reach", f"array {basis.array}", text, short, 0.0, "mm")


def _cures(one: Solved, broken: NDArray[np.int64]) -> list[_Cure]:
    """Cures that work, tried from the cheapest kind on: splits lose no module, then what is left out, fewest first."""
    basis = one.basis
    found = [cure for row in np.unique(basis.module_rows)[1:].tolist() if (cure := _split(basis, row)) is not None]
    for modules, words in sorted(_to_drop(basis, broken), key=lambda out: int(np.count_nonzero(out[0]))):
        if len(found) >= MOST_CURES:
            break
        if (cure := _drop(basis, modules, words)) is not None:
            found.append(cure)
    return found


def _split(basis: RecheckBasis, row: int) -> _Cure | None:
    """Two arrays, the upper starting with `row`; the feet of the line between them are needed twice."""
    lower, upper = basis.module_rows < row, basis.module_rows >= row
    parts = [_part(basis, lower), _part(basis, upper)]
    if any(part is None or not reachable(task_of(part)) for part in parts):
        return None
    line = float(np.min(basis.modules_mm[upper, 1]))
    shared = int(np.count_nonzero(_carries(basis, lower) & _carries(basis, upper)))
    text = f"split the array below row {row} into two planes ({shared} more feet, a step between rows {row - 1} and {row})"
    return _Cure(0, shared, text, Wish("split", basis.face, (), line, f"array {basis.array}: {text}"))


def _drop(basis: RecheckBasis, modules: NDArray[np.bool_], words: str) -> _Cure | None:
    rest = _part(basis, ~modules)
    if rest is None or not reachable(task_of(rest)):
        return None
    rects = tuple(tuple(float(x) for x in rect) for rect in basis.modules_mm[modules])
    text = f"leave out {words}"
    wish = Wish("drop", basis.face, rects, float("nan"), f"array {basis.array}: {text}")  # type: ignore[arg-type]
    return _Cure(int(np.count_nonzero(modules)), 0, text, wish)


def _to_drop(basis: RecheckBasis, broken: NDArray[np.int64]) -> list[tuple[NDArray[np.bool_], str]]:
    """What could be left out: the modules that hang on broken feet, single ones first, and the first and the last row."""
    hanging = np.array([_touches(basis, i)[broken].any() for i in range(len(basis.module_ids))])
    tried = []
    for i in np.flatnonzero(hanging):
        one = np.arange(len(hanging)) == i
        tried.append((one, f"module {basis.module_ids[i]}"))
    if np.count_nonzero(hanging) > 1:
        tried.append((hanging, f"modules {', '.join(basis.module_ids[i] for i in np.flatnonzero(hanging))}"))
    for row in sorted({int(basis.module_rows.min()), int(basis.module_rows.max())}) if len(hanging) else ():
        tried.append((basis.module_rows == row, f"row {row}"))
    return [(modules, words) for modules, words in tried if not modules.all()]


def _touches(basis: RecheckBasis, module: int) -> NDArray[np.bool_]:
    left, front, right, top = basis.modules_mm[module]
    along = (basis.foot_u_mm >= left - EDGE_MM) & (basis.foot_u_mm <= right + EDGE_MM)
    edge = np.minimum(np.abs(basis.foot_v_mm - front), np.abs(basis.foot_v_mm - top)) <= EDGE_MM
    return np.asarray(along & edge)


def _carries(basis: RecheckBasis, modules: NDArray[np.bool_]) -> NDArray[np.bool_]:
    carried = np.zeros(len(basis.foot_ids), dtype=bool)
    for i in np.flatnonzero(modules):
        carried |= _touches(basis, int(i))
    return carried


def _part(basis: RecheckBasis, modules: NDArray[np.bool_]) -> RecheckBasis | None:
    """The basis with only these modules and the feet that carry them, hooks as before any packer; None without feet.

    An estimate of the other layout: its rails and hooks will be placed anew, but on the same roof.
    """
    feet = _carries(basis, modules)
    if not modules.any() or not feet.any():
        return None
    rects = basis.modules_mm[modules]
    u, v = basis.clear_uv_mm.T
    inside = np.zeros(len(u), dtype=bool)
    for left, front, right, top in rects:
        inside |= (u >= left) & (u <= right) & (v >= front) & (v <= top)
    pick = np.flatnonzero(feet)
    return replace(
        basis, mean_mm=basis.mean_mm - basis.hook_packer_mm, hook_packer_mm=0 * basis.hook_packer_mm, hooks_up=False,
        foot_ids=tuple(basis.foot_ids[i] for i in pick), foot_rails=tuple(basis.foot_rails[i] for i in pick),
        foot_lines=basis.foot_lines[feet], foot_runs=basis.foot_runs[feet], foot_u_mm=basis.foot_u_mm[feet],
        foot_v_mm=basis.foot_v_mm[feet], held=basis.held[feet], lift_mm=basis.lift_mm[feet],
        packer_mm=basis.packer_mm[feet], influence=basis.influence[feet], fold_v_mm=np.zeros(0), folds=np.zeros(0),
        module_ids=tuple(basis.module_ids[i] for i in np.flatnonzero(modules)), module_rows=basis.module_rows[modules],
        module_columns=basis.module_columns[modules], modules_mm=rects, clear_uv_mm=basis.clear_uv_mm[inside],
        crown_mm=basis.crown_mm[inside], crown_covariance_mm2=basis.crown_covariance_mm2[inside],
    )  # fmt: skip
