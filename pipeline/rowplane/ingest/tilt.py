"""Does the whole survey stand tilted: ridges that are not level, opposite slopes that differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowplane.frames import azimuth_deg, pitch_deg
from rowplane.model import Array, Face, Roof

OPPOSITE_DEG = 12.0
"""Faces are opposite when their azimuths differ by half a turn within this: a tilt turns contours, too."""

ALIKE_DEG = 8.0
"""Opposite slopes that differ more were not meant to be equal: a tilt of half of that would show at the ridge too."""

RIDGE_SD, PITCH_SD = 0.002, 0.01
"""How well a ridge is built level, and opposite pitches equal, as slopes (assumed)."""


@dataclass(frozen=True)
class Tilt:
    """Suspected tilt, degrees, and what it rests on, in words."""

    tilt_deg: float
    text: str


def suspected_tilt(roof: Roof) -> Tilt | None:
    """The tilt that would explain unlevel ridges and unequal opposite slopes at once; None where there is no such pair.

    With a survey tilt t `(2,)` (rise per length east and north) a level ridge along d rises by t·d, and square to it two
    opposite slopes that were built equal lean by t together. Least squares with the sd of each as built.
    """
    rows: list[Array] = []
    values: list[float] = []
    worst_ridge = worst_pair = 0.0
    for a, b in _pairs(roof.faces):
        ga, gb = _gradient(a), _gradient(b)
        along = _ridge_direction(ga, gb)
        if along is None:
            continue
        rise = float(ga @ along)
        weight = float(np.sqrt(min(a.area_m2, b.area_m2)))
        rows.append(along * weight / RIDGE_SD)
        values.append(rise * weight / RIDGE_SD)
        worst_ridge = max(worst_ridge, abs(float(np.degrees(np.arctan(rise)))))
        differ = abs(pitch_deg(a.frame) - pitch_deg(b.frame))
        if differ < ALIKE_DEG:
            square = np.array([-along[1], along[0]])
            rows.append(square * weight / PITCH_SD)
            # A turn adds to angles, not to gradients: 30° becomes 32° and 28°.
            lean = float(np.arctan(ga @ square) + np.arctan(gb @ square)) / 2
            values.append(float(np.tan(lean)) * weight / PITCH_SD)
            worst_pair = max(worst_pair, differ)
    if not rows:
        return None
    # A weak wish for no tilt keeps the direction in check that no pair speaks of.
    design, wanted = np.vstack([*rows, np.eye(2)]), np.array([*values, 0.0, 0.0])
    tilt = np.linalg.lstsq(design, wanted, rcond=None)[0]
    text = f"ridges rise by up to {worst_ridge:.1f}°, opposite slopes differ by up to {worst_pair:.1f}°"
    return Tilt(float(np.degrees(np.arctan(np.hypot(*tilt)))), text)


def _pairs(faces: tuple[Face, ...]) -> list[tuple[Face, Face]]:
    """Faces that share a ridge, or whatever it was named, and look to opposite sides."""
    by_id = {face.id: face for face in faces}
    pairs = []
    for face in faces:
        for other in sorted({e.neighbour for e in face.edges if e.neighbour and e.kind in ("ridge", "hip", "step")}):
            beyond = by_id.get(other)
            if beyond is None or face.id >= beyond.id:
                continue
            turn = (azimuth_deg(face.frame) - azimuth_deg(beyond.frame)) % 360
            if abs(turn - 180) < OPPOSITE_DEG:
                pairs.append((face, beyond))
    return pairs


def _gradient(face: Face) -> Array:
    """Rise per length east and north of a face's plane `(2,)`."""
    w = face.frame.axes[2]
    return np.asarray(-w[:2] / w[2])


def _ridge_direction(ga: Array, gb: Array) -> Array | None:
    """Plan direction `(2,)` of the line in which two planes meet; None where they hardly do."""
    across = ga - gb
    length = float(np.hypot(*across))
    return None if length < 0.05 else np.array([-across[1], across[0]]) / length
