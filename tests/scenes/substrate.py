"""What the tiles lie on: height of the battens over a face's nominal plane.

S(u, v) = sag that all rafters share + bow of the ridge + long waves + each rafter's own offset, in millimetres along the
outward normal; u, v in metres in the face's frame. Battens span straight from rafter to rafter, so the rafters' own
offsets are joined by straight lines across the slope, and each runs on up the slope with a slow change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SubstrateOptions:
    """How crooked a roof is; a zero switches that part off."""

    sag_mm: float = 35.0  # greatest sag at mid-slope; a face draws 50-100 % of it, at most length / 120
    ridge_bow_mm: float = 12.0  # drop of the ridge at mid-length
    wave_mm: float = 4.0  # amplitude of the long waves together
    wave_min_m: float = 3.0  # shortest wavelength of these
    rafter_sd_mm: float = 2.5  # rafter to rafter
    rafter_change: float = 0.3  # slow change of a rafter's offset up the slope, as a share of rafter_sd_mm
    rafter_spacing_mm: float | None = None  # None: drawn from 500-800
    rafter_jitter_mm: float = 8.0  # sd of a rafter about the even spacing


FLAT = SubstrateOptions(sag_mm=0, ridge_bow_mm=0, wave_mm=0, rafter_sd_mm=0)


@dataclass(frozen=True)
class Substrate:
    """A drawn substrate; every array is fixed, `height_mm` is a pure function of u, v."""

    width_m: float
    length_m: float
    sag_mm: float
    sag_fullness: float  # 0: sag vanishes at both verges, 1: the same along the whole eave
    ridge_bow_mm: float
    wave_k: Array  # (m, 2) rad/m
    wave_phase: Array  # (m,)
    wave_mm: Array  # (m,)
    rafter_u_m: Array  # (r,) sorted
    rafter_mm: Array  # (r,) offset of each rafter
    change_mm: Array  # (r,) amplitude of its slow change
    change_k: Array  # (r,) rad/m up the slope
    change_phase: Array  # (r,)

    def height_mm(self, u_m: Array, v_m: Array) -> Array:
        """Height over the nominal plane at u, v (arrays of one shape), also outside the face (held or smooth on)."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        return self._shared_mm(u, v) + self._rafters_mm(u, v)

    def _shared_mm(self, u: Array, v: Array) -> Array:
        across = np.sin(np.pi * np.clip(u / self.width_m, 0, 1))
        up = np.clip(v / self.length_m, 0, 1)
        height = -self.ridge_bow_mm * up * across
        height -= self.sag_mm * np.sin(np.pi * up) * (self.sag_fullness + (1 - self.sag_fullness) * across)
        for k, phase, size in zip(self.wave_k, self.wave_phase, self.wave_mm, strict=True):
            height += size * np.sin(k[0] * u + k[1] * v + phase)
        return height

    def _rafters_mm(self, u: Array, v: Array) -> Array:
        if len(self.rafter_u_m) < 2:
            return np.zeros(u.shape)
        left = np.clip(np.searchsorted(self.rafter_u_m, u) - 1, 0, len(self.rafter_u_m) - 2)
        u0, u1 = self.rafter_u_m[left], self.rafter_u_m[left + 1]
        share = np.clip((u - u0) / (u1 - u0), 0, 1)
        return (1 - share) * self._one_rafter_mm(left, v) + share * self._one_rafter_mm(left + 1, v)

    def _one_rafter_mm(self, k: NDArray[np.int64], v: Array) -> Array:
        return self.rafter_mm[k] + self.change_mm[k] * np.sin(self.change_k[k] * v + self.change_phase[k])


def draw_rafters_m(width_m: float, options: SubstrateOptions, rng: np.random.Generator) -> Array:
    """Rafter middles along the eave in metres from u = 0, the first within half a spacing of the left end."""
    spacing = options.rafter_spacing_mm or rng.uniform(500, 800)
    first = rng.uniform(0.1, 0.5) * spacing
    even = np.arange(first, width_m * 1000 - 40, spacing)
    jittered = even + rng.normal(0, options.rafter_jitter_mm, len(even))
    return np.sort(np.round(jittered)) / 1000


def draw_substrate(width_m: float, length_m: float, options: SubstrateOptions, rng: np.random.Generator) -> Substrate:
    """One face's substrate from its extent along u and v."""
    rafters = draw_rafters_m(width_m, options, rng)
    count, waves = len(rafters), 4
    wavelength = rng.uniform(options.wave_min_m, 2.5 * options.wave_min_m, waves)
    heading = rng.uniform(0, 2 * np.pi, waves)
    k = 2 * np.pi / wavelength[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    size = rng.uniform(0.5, 1, waves)
    sag = min(options.sag_mm, 1000 * length_m / 120) * rng.uniform(0.5, 1)
    return Substrate(
        width_m,
        length_m,
        sag,
        rng.uniform(0.4, 0.8),
        min(options.ridge_bow_mm, 1000 * width_m / 300) * rng.uniform(0.3, 1),
        k,
        rng.uniform(0, 2 * np.pi, waves),
        options.wave_mm * size / size.sum(),
        rafters,
        rng.normal(0, 1, count) * options.rafter_sd_mm,
        rng.normal(0, 1, count) * options.rafter_sd_mm * options.rafter_change,
        2 * np.pi / rng.uniform(4, 9, count),
        rng.uniform(0, 2 * np.pi, count),
    )
