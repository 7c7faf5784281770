"""Adding machining stock to chosen faces of a part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from patternprep.errors import GeometryFault, KernelFault, UsageFault
from patternprep.mesh.faces import Face, FaceSet, find_faces
from patternprep.mesh.faces.topology import position_noise
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.pattern.stock.corners import Corners, solve_corners
from patternprep.pattern.stock.model import FaceCheck, StockResult
from patternprep.pattern.stock.plane_net import renewed_plane
from patternprep.pattern.stock.prism import stand_on_prism
from patternprep.pattern.stock.sweep import require_clear, swept_mesh
from patternprep.pattern.stock.verify import flipped_facets, measure_along, neighbour_error
from patternprep.pattern.stock.weave import Woven, weave
from patternprep.progress import Progress, silent
from patternprep.units import format_mm, format_point

__all__ = ["ERROR_MM", "add_stock"]

ERROR_MM = 0.001
"""A face that misses its asked offset by more fails (or by 1e-6 of the part's diagonal)."""


def add_stock(
    mesh: Mesh, requests: Sequence[tuple[Face, float]], progress: Progress = silent
) -> StockResult:
    """Move each face out of the material by its amount (mm) along its own normal.

    Every point of a chosen face moves by exactly the amount: bores shrink in radius by it, bosses
    grow, axes stay. Neighbours stay in their planes and surfaces and are lengthened or trimmed;
    sharp edges stay sharp. Where a chosen face runs smoothly into an unmoved one (a fillet), or
    where no corner meets all its planes, the moved face stands on a straight step.

    ``requests``: faces of ``find_faces(mesh)``. Raises UsageFault for an amount that is not
    positive, for a face asked for twice and for a face of another part; GeometryFault, with the
    place, where the stock would close a bore, run into metal, fold over itself, or could not be
    proved to be right.
    """
    faces = find_faces(mesh)
    amounts = _amounts(faces, requests)
    if not amounts:
        return StockResult(mesh, 0.0, ())
    progress("adding machining stock")
    corners, woven, prisms = _solved(faces, amounts)
    solved = {i: a for i, a in amounts.items() if i not in prisms}
    swept = [(faces.faces[i], a, _sweep(faces, woven, i)) for i, a in sorted(solved.items())]
    if swept:
        require_clear(mesh, swept)
    result = woven.mesh()
    volumes = {
        i: body.volume for (i, _), (_, _, body) in zip(sorted(solved.items()), swept, strict=True)
    }
    for index in sorted(prisms):
        result, volumes[index] = stand_on_prism(
            result, faces.faces[index], amounts[index], woven.facets_of(index), woven.positions
        )
    if not prisms:
        _require_closed(result)
    errors = neighbour_error(faces, corners, solved)
    checks = tuple(
        _check(mesh, result, faces.faces[i], amounts[i], i in prisms, errors.get(i), volumes[i])
        for i in sorted(amounts)
    )
    return StockResult(result, result.volume - mesh.volume, checks)


def _amounts(faces: FaceSet, requests: Sequence[tuple[Face, float]]) -> dict[int, float]:
    """Amounts by index of the face, checked."""
    amounts: dict[int, float] = {}
    names = {f.name: i for i, f in enumerate(faces)}
    for face, amount in requests:
        index = names.get(face.name, -1)
        if index < 0 or not np.array_equal(faces.faces[index].facets, face.facets):
            raise UsageFault(
                f"'{face.name}' at {format_point(list(face.point))} is not a face of this part; "
                "find its faces anew."
            )
        if not (np.isfinite(amount) and amount > 0.0):
            raise UsageFault(
                f"Stock of {amount:g} mm on '{face.name}' is not more than nothing; "
                "give an amount such as '2 mm', or leave the face out."
            )
        if index in amounts:
            raise UsageFault(
                f"Stock on '{face.name}' is asked for twice ({amounts[index]:g} mm and "
                f"{amount:g} mm); give one amount."
            )
        _require_room(face, amount)
        amounts[index] = float(amount)
    return amounts


def _require_room(face: Face, amount: float) -> None:
    """A hollow round face must not close on itself."""
    if face.outward or face.surface is None or face.kind == "cone":
        return
    radius = face.surface.curvature_radius
    if amount >= radius - 1e-6:
        raise GeometryFault(
            f"Stock of {format_mm(amount)} on '{face.name}' at {format_point(list(face.point))} "
            f"would close it, its radius being {format_mm(radius)}; "
            "leave the hole solid and drill it, or make it with a core.",
            where=face.point,
        )


def _solved(faces: FaceSet, amounts: dict[int, float]) -> tuple[Corners, Woven, set[int]]:
    """Solve all corners; faces whose corners fold or do not close go onto prisms instead."""
    prisms: set[int] = set()
    limit = ERROR_MM / 4.0 + 8.0 * position_noise(faces.mesh)
    while True:
        active = {i: a for i, a in amounts.items() if i not in prisms}
        corners = solve_corners(faces, active) if active else _nothing()
        woven = weave(faces, corners)
        if not active:
            return corners, woven, prisms
        bad = set(corners.vertex[corners.residual > limit].tolist())
        touched = np.flatnonzero(np.isin(faces.mesh.faces, np.unique(corners.vertex)).any(axis=1))
        woven, folded = _renewed(faces, woven, touched)
        bad.update(faces.mesh.faces[folded].ravel().tolist())
        guilty = corners.face[np.isin(corners.vertex, sorted(bad))]
        failed = set(guilty.tolist()) & set(active)
        if not failed:
            return corners, woven, prisms
        prisms |= failed


def _renewed(faces: FaceSet, woven: Woven, touched: IntArray) -> tuple[Woven, IntArray]:
    """(with new nets for planes whose old net folds, facets that fold all the same)."""
    after = Mesh(woven.positions, woven.copy_of)
    folded = flipped_facets(faces, after, touched)
    renewed = {}
    for index in np.unique(faces.face_of_facet[folded]):
        net = renewed_plane(faces, int(index), woven.facets_of(int(index)), woven.positions)
        if net is not None:
            renewed[int(index)] = net
    still = folded[~np.isin(faces.face_of_facet[folded], sorted(renewed))]
    return replace(woven, renewed=renewed), still


def _nothing() -> Corners:
    empty = np.zeros(0, dtype=np.int64)
    return Corners(empty, empty, np.zeros((0, 3)), np.zeros(0))


def _sweep(faces: FaceSet, woven: Woven, index: int) -> Mesh:
    facets = faces.faces[index].facets
    mesh = faces.mesh
    moved = woven.copy_of[facets]
    top = woven.renewed.get(index)
    return swept_mesh(mesh.faces[facets], mesh.vertices, moved, woven.positions, top)


def _require_closed(mesh: Mesh) -> None:
    try:
        Solid.from_mesh(mesh, "building the part with its stock")
    except KernelFault as fault:
        raise GeometryFault(f"The part with its stock is not a closed solid: {fault}") from fault


def _check(
    part: Mesh,
    result: Mesh,
    face: Face,
    amount: float,
    prism: bool,
    errors: tuple[float, float] | None,
    volume: float,
) -> FaceCheck:
    """Measure one moved face; raise where it is not where it was asked to be."""
    sampled, deviation = measure_along(face, part, result, amount)
    own, others = errors if errors is not None else (max(deviation, 0.0), 0.0)
    limit = max(ERROR_MM, 1e-6 * float(np.linalg.norm(part.size))) + 8.0 * position_noise(part)
    loose = limit if face.kind != "free" else max(limit, 0.1 * amount)
    worst = max(own, deviation, others)
    if worst > loose or sampled == 0:
        raise GeometryFault(
            f"Stock of {format_mm(amount)} on '{face.name}' at {format_point(list(face.point))} "
            + (
                "cannot be found again on the new part"
                if sampled == 0
                else f"comes out {worst:.4f} mm off"
            )
            + "; give less stock there, or model it in the part.",
            where=face.point,
        )
    return FaceCheck(
        face=face.name,
        amount_mm=amount,
        method="prism" if prism else "solved",
        error_mm=own,
        neighbours_error_mm=others,
        sampled=sampled,
        sample_error_mm=max(deviation, 0.0),
        volume_mm3=volume,
    )
