"""Random solids for the matching of halves, each told by a number and the steps left out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.kernel import Solid, hull_of_points
from patternprep.mesh.mesh import FloatArray
from patternprep.mesh.write import settle
from patternprep.pattern.draft.hull import Corner

ANGLES = [0.5, 1.0, 2.0, 3.0, 5.0]
ON_ITS_SIDE = np.array([[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Trial:
    """A solid of one body around the parting, and the draft asked of it."""

    solid: Solid
    angle_deg: float
    corner: Corner


def random_trial(seed: int, without: Collection[int] = ()) -> Trial | None:
    """Two to six boxes, cylinders, spheres and hulls, united or cut; None where nothing is left."""
    rng = np.random.default_rng(seed)
    steps, tilted = int(rng.integers(1, 6)), rng.random() < 0.6
    solid = _primitive(rng, tilted)
    for step in range(steps):
        more, united = _primitive(rng, tilted), rng.random() < 0.65
        if step not in without:
            solid = solid + more if united else solid - more
    angle = float(rng.choice(ANGLES))
    corner: Corner = "mitred" if str(rng.choice(["mitred", "round"])) == "mitred" else "round"
    if solid.is_empty:
        return None
    largest = max(solid.bodies(), key=lambda body: body.volume)
    return Trial(Solid.from_mesh(settle(largest.to_mesh())), angle, corner)


def _primitive(rng: np.random.Generator, tilted: bool) -> Solid:
    kind, size = rng.integers(0, 4), rng.uniform(6, 30, 3)
    if kind == 0:
        body = Solid.box((-size / 2).tolist(), (size / 2).tolist())
    elif kind == 1:
        low, high = size[0] / 2, size[0] / 2 * rng.uniform(0.5, 1)
        body = Solid.cylinder(size[2], low, high, segments=int(rng.integers(6, 40)))
        body = body.translate((0.0, 0.0, -size[2] / 2))
    elif kind == 2:
        body = Solid.sphere(size[0] / 2, segments=int(rng.choice([8, 16, 24, 32])))
    else:
        count = int(rng.integers(5, 14))
        body = hull_of_points(rng.uniform(-0.5, 0.5, (count, 3)) * size)
    pose = rng.integers(0, 3)
    if tilted and pose == 2:
        body = body.transform(_any_turn(rng))
    elif pose >= 1:
        body = body.transform(_turn_about_z(rng))
    if pose == 1 and rng.random() < 0.3:
        body = body.transform(ON_ITS_SIDE)
    return body.translate((rng.uniform(-15, 15, 3) * [1.0, 1.0, 0.6]).tolist())


def _any_turn(rng: np.random.Generator) -> FloatArray:
    w, x, y, z = _unit(rng.normal(size=4))
    matrix = np.eye(4)
    matrix[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return matrix


def _turn_about_z(rng: np.random.Generator) -> FloatArray:
    angle = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(angle), np.sin(angle)
    matrix = np.eye(4)
    matrix[:2, :2] = [[c, -s], [s, c]]
    return matrix


def _unit(values: FloatArray) -> FloatArray:
    return values / np.linalg.norm(values)
