"""One invented house with its truth and its scan, from a shape, a seed and options."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import Polygon

from scenes import clutter as clutter_points
from scenes.clutter import Cloud, ClutterOptions, Tree
from scenes.faces import Face, make_face
from scenes.labels import TREE
from scenes.plan import SHAPES, Plan, Size, make_plan
from scenes.relief import TileOptions, draw_pattern
from scenes.scan import PERFECT, ScanFields, ScanOptions, draw_fields, face_blocks, with_errors
from scenes.substrate import SubstrateOptions

Array = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
INVENTED_ORIGIN_M = (3_412.0, 7_208.0, 96.0)


@dataclass(frozen=True)
class Scene:
    """A house: faces with truth, and its scan made on demand. World coordinates in metres; see `faces` for the frames."""

    shape: str
    seed: int
    plan: Plan
    faces: tuple[Face, ...]
    outline: Polygon  # of all roofs together, world X, Y
    turn_deg: float
    origin_m: Array  # world point of the house's origin, at ground level
    eave_z_m: float
    substrate: SubstrateOptions
    tiles: TileOptions
    scan: ScanOptions
    clutter: ClutterOptions
    trees: tuple[Tree, ...] = field(default=())

    @cached_property
    def fields(self) -> ScanFields:
        x0, y0, x1, y1 = self.outline.bounds
        low, high = np.array([x0 - 0.5, y0 - 0.5]), np.array([x1 + 0.5, y1 + 0.5])
        return draw_fields(low, high, self.scan, self._rng(2))

    def blocks(self) -> Iterator[Cloud]:
        """The scan in blocks of at most a million candidates: points (n, 3) float64 metres, labels (n,) int16."""
        for face in self.faces:
            seed = np.random.SeedSequence(self.seed, spawn_key=(3, face.index))
            noise = self._rng(4, face.index)
            for block in face_blocks(face, self.scan, self.fields, list(self.trees), self.tiles.caps, seed):
                yield with_errors(block, face.normal, self.scan, self.fields, noise)
        for n, cloud in enumerate(self._clutter()):
            yield with_errors(cloud, UP, self.scan, self.fields, self._rng(5, n))

    @cached_property
    def cloud(self) -> Cloud:
        """All points and labels of the scan, face by face, then the clutter."""
        blocks = list(self.blocks())
        return np.vstack([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])

    @property
    def points(self) -> Array:
        """World points (n, 3) float64 in metres."""
        return self.cloud[0]

    @property
    def labels(self) -> NDArray[np.int16]:
        """Face index, or a negative code of `scenes.labels`, for each point."""
        return self.cloud[1]

    def locate(self, xyz_m: Array, margin_m: float = 0.05, reach_mm: float = 600.0) -> NDArray[np.int64]:
        """Index of the face each point lies on (the nearest in w where outlines meet), -1 for none."""
        best, found = np.full(len(xyz_m), reach_mm), np.full(len(xyz_m), -1)
        for face in self.faces:
            u, v, w = face.to_face(xyz_m)
            here = face.inside(u, v, margin_m) & (np.abs(w) < best)
            best[here], found[here] = np.abs(w)[here], face.index
        return found

    def _rng(self, *key: int) -> np.random.Generator:
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=key))

    def _clutter(self) -> Iterator[Cloud]:
        options, density, faces, outline = self.clutter, self.scan.density, list(self.faces), self.outline
        ground = float(self.origin_m[2])
        rng = self._rng(6)
        clouds: list[Cloud] = []
        for face in faces:
            clouds += clutter_points.obstacle_points(face, density, rng)
            clouds += clutter_points.gutter_points(face, density, rng) if options.gutter else []
        if options.aerial:
            clouds += clutter_points.aerial_points(faces, density, rng)
        if options.walls:
            clouds += clutter_points.wall_points(outline, faces, ground, options, density, rng)
        if options.ground:
            clouds += clutter_points.ground_points(outline, ground, options.margin_m, density, rng)
        if options.hedge:
            clouds += clutter_points.hedge_points(outline, ground, density, rng)
        if options.neighbour:
            turn = np.column_stack([*_turn(self.turn_deg)])
            clouds += clutter_points.neighbour_points(outline, self.eave_z_m, ground, turn, density, rng)
        for tree in self.trees:
            leaves = tree.points(density, rng)
            clouds.append((leaves, np.full(len(leaves), TREE, dtype=np.int16)))
        yield from clouds


def _turn(angle_deg: float) -> tuple[Array, Array, Array]:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([c, s, 0.0]), np.array([-s, c, 0.0]), UP


def _draw_size(shape: str, pitch_deg: float | None, pitch_b_deg: float | None, rng: np.random.Generator) -> Size:
    """A plausible house; a pitch that is not given is drawn from 20-42 degrees, the second one within 8 degrees."""
    draw_a, draw_b = rng.uniform(20, 42), rng.uniform(-8, 8)
    pitch = draw_a if pitch_deg is None else pitch_deg
    second = float(np.clip(pitch + (abs(draw_b) if shape == "half_hip" else draw_b), 10, 50))
    length, width = rng.uniform(10.5, 14.0), rng.uniform(7.0, 9.0)
    if shape == "monopitch":
        length, width = rng.uniform(7.0, 11.0), rng.uniform(4.0, 6.5)
    wing = rng.uniform(5.5, 6.8)
    return Size(
        length, width, pitch, second if pitch_b_deg is None else pitch_b_deg, wing, rng.uniform(4.0, 6.0), rng.uniform(2.8, 5.2)
    )


def make_scene(
    shape: str = "gable",
    seed: int = 1,
    *,
    pitch_deg: float | None = None,
    pitch_b_deg: float | None = None,
    turn_deg: float | None = None,
    origin_m: Sequence[float] = INVENTED_ORIGIN_M,
    size: Size | None = None,
    substrate: SubstrateOptions | None = None,
    tiles: TileOptions | None = None,
    scan: ScanOptions | None = None,
    clutter: ClutterOptions | None = None,
) -> Scene:
    """An invented house: `shape` is one of scenes.SHAPES; the same arguments give the same house and the same points.

    pitch_deg of the main slopes and pitch_b_deg of hipped ends or of the second wing (10-50), turn_deg about Z (the ridge
    runs along X at 0), and `size` are drawn from the seed where not given. Truth does not depend on the scan options, nor
    the scan's error fields on its density. Raises ValueError for an unknown shape.
    """
    if shape not in SHAPES:
        raise ValueError(f"shape {shape!r} is not one of {', '.join(SHAPES)}")
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(0,)))
    draws = rng.spawn(4)
    size = size or _draw_size(shape, pitch_deg, pitch_b_deg, draws[0])
    turn = float(draws[1].uniform(0, 360)) if turn_deg is None else turn_deg
    tiles = tiles or TileOptions(slipped=0.003, moss_patches=1)
    tile = draw_pattern(tiles, draws[1])
    surroundings = clutter or ClutterOptions()
    origin = np.array(origin_m, dtype=float)
    plan = make_plan(shape, size)
    streams = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1,))).spawn(len(plan.faces))
    substrate = substrate or SubstrateOptions()
    faces = [make_face(k, plan, turn, origin, substrate, tiles, tile, streams[k]) for k in range(len(plan.faces))]
    faces = clutter_points.place_obstacles(faces, surroundings, draws[2])
    outline = affinity.translate(affinity.rotate(plan.outline, turn, origin=(0, 0)), origin[0], origin[1])
    eave_z = float(origin[2] + size.eave_height_m)
    trees = clutter_points.draw_trees(outline, eave_z, surroundings.trees, draws[3])
    return Scene(
        shape,
        seed,
        plan,
        tuple(faces),
        outline,
        turn,
        origin,
        eave_z,
        substrate,
        tiles,
        scan or ScanOptions(),
        surroundings,
        tuple(trees),
    )


def exact(options: ScanOptions | None = None) -> ScanOptions:
    """Scan options without any error, at the density of the given ones."""
    return ScanOptions(**{**vars(PERFECT), "density": (options or ScanOptions()).density})
