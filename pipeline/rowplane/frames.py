"""Between the three frames: the scan's own coordinates, the survey frame, and a face's u, v, w.

The survey frame is right-handed, X east, Y north, Z up, ground millimetres from a local origin. A face frame is
right-handed too: u along the eave, left to right for someone on the ground who faces the roof, v up the slope, w
outward.
"""

from __future__ import annotations

import numpy as np

from rowplane.model import Array, FaceFrame, SurveyFrame


def scan_to_survey(frame: SurveyFrame, xyz: Array) -> Array:
    """Scan coordinates `(n, 3)` in the scan's unit → survey frame `(n, 3)`, mm. NaN stays NaN; empty stays empty."""
    turned = (np.asarray(xyz, dtype=float) - frame.origin) @ frame.axes.T
    return np.asarray(turned * _mm(frame))


def survey_to_scan(frame: SurveyFrame, xyz_mm: Array) -> Array:
    """Survey frame `(n, 3)`, mm → scan coordinates `(n, 3)` in the scan's own unit and axes."""
    return np.asarray((np.asarray(xyz_mm, dtype=float) / _mm(frame)) @ frame.axes + frame.origin)


def _mm(frame: SurveyFrame) -> Array:
    # Grid distances are longer than ground distances by the point scale factor; heights are not on the grid.
    across = frame.unit_mm / frame.grid_scale
    return np.array([across, across, frame.unit_z_mm])


def survey_to_face(frame: FaceFrame, xyz_mm: Array) -> Array:
    """Survey frame `(n, 3)`, mm → u, v, w `(n, 3)`, mm."""
    return np.asarray((np.asarray(xyz_mm, dtype=float) - frame.origin_mm) @ frame.axes.T)


def face_to_survey(frame: FaceFrame, uvw_mm: Array) -> Array:
    """u, v, w `(n, 3)`, mm → survey frame `(n, 3)`, mm."""
    return np.asarray(np.asarray(uvw_mm, dtype=float) @ frame.axes + frame.origin_mm)


def face_frame(origin_mm: Array, normal: Array) -> FaceFrame:
    """Frame of the plane through `origin_mm` `(3,)` with `normal` `(3,)`, any length, either sign.

    A level plane has no eave; u is then east and v north. Raises ValueError on a vertical or zero normal.
    """
    up = np.asarray(normal, dtype=float)
    length = float(np.linalg.norm(up))
    if not length > 0 or abs(up[2]) < 1e-9 * length:
        raise ValueError("the normal of a roof face must have a vertical part")
    w = up / length * np.sign(up[2])
    downhill = float(np.hypot(w[0], w[1]))
    # The horizontal part of the outward normal points down the slope; facing the roof means looking the other way.
    uphill = np.array([0.0, 1.0]) if downhill < 1e-12 else -w[:2] / downhill
    u = np.array([uphill[1], -uphill[0], 0.0])
    v = np.cross(w, u)
    return FaceFrame(np.asarray(origin_mm, dtype=float), np.array([u, v, w]))


def pitch_deg(frame: FaceFrame) -> float:
    """Slope of the face from horizontal, degrees, 0 to 90."""
    w = frame.axes[2]
    return float(np.degrees(np.arctan2(np.hypot(w[0], w[1]), w[2])))


def azimuth_deg(frame: FaceFrame) -> float:
    """Compass direction of the downslope, clockwise from grid north, 0 ≤ a < 360; 0 for a level face.

    atan2(n_x, n_y) of the upward normal, the same convention as pvlib (surface_azimuth).
    """
    w = frame.axes[2]
    if np.hypot(w[0], w[1]) < 1e-9:
        return 0.0
    angle = float(np.degrees(np.arctan2(w[0], w[1]))) % 360.0
    return 0.0 if angle >= 360.0 else angle


def move_origin(frame: FaceFrame, u_mm: float, v_mm: float) -> FaceFrame:
    """The same plane and directions with the origin moved to `(u, v)` of the old frame."""
    return FaceFrame(frame.origin_mm + u_mm * frame.axes[0] + v_mm * frame.axes[1], frame.axes)
