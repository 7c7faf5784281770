"""Needles in tall walls keep their lean when coordinates are rounded to 32 bits."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.check import require_sound
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.write import settle
from patternprep.pattern.draft import draft_half, keep_lean

ANGLE = 2.0


def wall_with_needles(count: int) -> Mesh:
    """A tall wedge with one wall at 2 degrees, cut by needles 230 mm long and 0.004 mm high.

    The wall stands at y = 395 and runs along x; the points along its ends follow the wall exactly.
    """
    top, foot, length = 262.0, 395.1, 230.7
    out = np.tan(np.radians(ANGLE))
    heights = np.concatenate([[0.0], top - 0.004 * np.arange(count, 0, -1.0), [top]])
    rows = []
    for x in (-length / 2, length / 2):
        bent = 0.03 * heights / top  # ends that are not quite upright
        rows.append(
            np.column_stack([np.full(len(heights), x) + bent, foot - heights * out, heights])
        )
    n = len(heights)
    back = np.array([[-length / 2, 300.0, 0.0], [length / 2, 300.0, 0.0]])
    points: FloatArray = np.concatenate([*rows, back])
    left, right, a, b = np.arange(n), n + np.arange(n), 2 * n, 2 * n + 1
    faces = []
    for i in range(n - 1):
        faces += [(left[i], left[i + 1], right[i]), (right[i], left[i + 1], right[i + 1])]
        faces += [(a, left[i + 1], left[i]), (b, right[i], right[i + 1])]
    faces += [(a, left[0], b), (left[0], right[0], b)]
    faces += [(left[-1], a, right[-1]), (right[-1], a, b)]
    return Mesh(points, np.array(faces))


def short_area(mesh: Mesh) -> float:
    """Area of the wall that leans under its angle less 0.2 degrees, mm2."""
    lean = np.degrees(np.arcsin(np.clip(mesh.normals[:, 2], -1.0, 1.0)))
    wall = mesh.normals[:, 1] > 0.9
    return float(mesh.areas[wall & (lean < ANGLE - 0.2)].sum())


def test_needles_tilted_by_rounding_are_turned_back() -> None:
    exact = wall_with_needles(3)
    require_sound(exact, "the wedge")
    assert short_area(exact) == 0.0
    settled = settle(exact)
    before = short_area(settled)
    assert before > 0.05
    kept = keep_lean(settled, ANGLE, 1.0)
    require_sound(kept, "the wedge with its needles turned back")
    assert short_area(kept) < 0.5 * before
    assert np.abs(kept.vertices - settled.vertices).max() < 0.001
    assert (kept.vertices == kept.vertices.astype(np.float32)).all()
    assert (kept.vertices[:, 2] == settled.vertices[:, 2]).all()


def test_a_half_that_leans_as_asked_is_left_alone() -> None:
    half = draft_half(Solid.box((0, 0, 0), (80, 50, 60)), ANGLE).solid
    settled = settle(half.to_mesh())
    assert keep_lean(settled, ANGLE, 1.0) is settled
