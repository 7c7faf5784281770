"""Adding machining stock to chosen faces of a part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from patternprep.errors import GeometryFault, KernelFault, UsageFault
from patternprep.mesh.faces import Face, FaceSet, find_faces
from patternprep.mesh.faces.topology import position_noise
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.between import Round, edge_bars, round_fill, rounds_between
from patternprep.pattern.stock.corners import solve_corners
from patternprep.pattern.stock.hull import convex_body
from patternprep.pattern.stock.model import FaceCheck, StockResult
from patternprep.pattern.stock.plane_net import renewed_plane
from patternprep.pattern.stock.prism import RIM_SHARE, prism_body, united
from patternprep.pattern.stock.rim import rim_bodies
from patternprep.pattern.stock.sweep import refuse_overlap, require_clear, solid_of, swept_mesh
from patternprep.pattern.stock.together import facet_bodies, may_go_together, read_back
from patternprep.pattern.stock.verify import flipped_facets, measure_along, neighbour_error
from patternprep.pattern.stock.weave import Woven, weave
from patternprep.progress import Progress, silent
from patternprep.units import format_mm, format_point

__all__ = ["ERROR_MM", "add_stock"]

_FEW_FACETS = 20
_FOLDS_SHARE = 0.1
"""The same share for free-form faces, which may dip into their own hollow folds."""
BoolArray = npt.NDArray[np.bool_]

_SUM_SHARE = 0.05
"""Chords of round neighbours may make the gain differ so much from what faces sweep over."""
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
    rounds = rounds_between(faces, amounts)
    moved = _with_rounds(faces, amounts, rounds)
    together = None if moved is not None else _together(faces, amounts)
    if together is not None:
        result, checks, corners = together
    elif moved is not None:
        result, solved = moved
        checks = {i: solved[i] for i in amounts}
        corners = sum(c.volume_mm3 for i, c in solved.items() if i not in amounts)
    else:
        result, checks, corners = _stepped(faces, amounts, rounds)
    _require_closed(result)
    added = result.volume - mesh.volume
    _require_sum(added, checks, faces, corners)
    found = tuple(
        _measured(mesh, result, faces.faces[i], amounts[i], checks[i]) for i in sorted(amounts)
    )
    return StockResult(result, added, found)


def _with_rounds(
    faces: FaceSet, amounts: dict[int, float], rounds: list[Round]
) -> tuple[Mesh, dict[int, FaceCheck]] | None:
    """The part with the rounds between chosen faces moved along; None where that does not go."""
    if not rounds:
        return None
    if any(len({amounts[i] for i in r.sides}) > 1 for r in rounds):
        return None
    every = {**amounts, **{i: r.amount for r in rounds for i in r.faces}}
    try:
        moved, solved = _all_solved(faces, every)
    except GeometryFault:
        return None
    return (moved, solved) if len(solved) == len(every) else None


def _together(
    faces: FaceSet, amounts: dict[int, float]
) -> tuple[Mesh, dict[int, FaceCheck], float] | None:
    """(part, checks, overlap) by the union of what the faces sweep; None where that does not go.

    For faces that shrink to nothing between others that move by the same amount.
    """
    corners = solve_corners(faces, amounts)
    woven, folded = _renewed(faces, weave(faces, corners), np.unique(corners.vertex))
    limit = ERROR_MM / 4.0 + 8.0 * position_noise(faces.mesh)
    loose = np.zeros(len(faces.mesh.vertices), dtype=bool)
    loose[corners.vertex[corners.residual > limit]] = True
    bad = set(faces.face_of_facet[folded].tolist()) | set(corners.face[loose[corners.vertex]])
    bad &= set(amounts)
    if not bad or not may_go_together(faces, amounts, bad):
        return None
    bodies: dict[int, Solid] = {}
    swept: set[int] = set()
    for index, amount in sorted(amounts.items()):
        facets = faces.faces[index].facets
        whole = index not in bad and not _small_plane(faces, index, amounts)
        body = solid_of(_sweep(faces, woven, index)) if whole else None
        if body is None:
            place = woven.positions[woven.copy_of[facets]].copy()
            place[loose[faces.mesh.faces[facets]] | np.isin(facets, folded)[:, None]] = np.nan
            body = facet_bodies(faces, index, amount, place)
            swept.add(index)
        bodies[index] = body
    _require_apart(faces, amounts, bodies)
    result = read_back(faces.mesh, list(bodies.values()))
    if result is None:
        return None
    errors = neighbour_error(faces, corners, amounts)
    checks = {}
    for i, a in sorted(amounts.items()):
        method, miss = ("swept", (0.0, 0.0)) if i in swept else ("solved", errors[i])
        checks[i] = FaceCheck(faces.faces[i].name, a, method, *miss, 0, 0.0, bodies[i].volume)
    total = sum(c.volume_mm3 for c in checks.values())
    return result, checks, result.volume - faces.mesh.volume - total


def _small_plane(faces: FaceSet, index: int, amounts: dict[int, float]) -> bool:
    """A plane of few facets, as in a blend, between faces that all move as far as it does."""
    face = faces.faces[index]
    small = face.kind == "plane" and len(face.facets) <= _FEW_FACETS
    return small and may_go_together(faces, amounts, {index})


def _require_apart(faces: FaceSet, amounts: dict[int, float], bodies: dict[int, Solid]) -> None:
    """Refuse stock that runs into metal further off than along the face's own hollow edges."""
    whole = Solid.from_mesh(faces.mesh, "building the part")
    for index, body in bodies.items():
        face = faces.faces[index]
        common = whole & body
        most = (_FOLDS_SHARE if face.kind == "free" else RIM_SHARE) * body.volume
        if common.volume > most:
            _, dips = rim_bodies(faces, face, amounts[index])
            common = common if dips is None else common - dips
            refuse_overlap(face, amounts[index], common, most, "metal")


def _stepped(
    faces: FaceSet, amounts: dict[int, float], rounds: list[Round]
) -> tuple[Mesh, dict[int, FaceCheck], float]:
    """(part, checks, volume in the corners) with faces on steps where they cannot be solved.

    Faces across a hollow round that is tighter than the stock run into each other's stock.
    """
    across: dict[int, set[int]] = {}
    for one in rounds:
        if not one.convex:
            for index in one.sides:
                across.setdefault(index, set()).update(one.sides)
    result, solved = _all_solved(faces, {i: a for i, a in amounts.items() if i not in across})
    checks = dict(solved)
    bodies: dict[int, Solid] = {}
    for index in sorted(set(amounts) - set(solved)):
        shared: Solid | None = None
        if index in across:
            shared = union_all([bodies[i] for i in sorted(across[index]) if i in bodies])
        result, checks[index], body = _one_by_one(faces, index, amounts, result, shared)
        if body is not None:
            bodies[index] = body
    fills = [round_fill(faces, one) for one in rounds]
    fills += edge_bars(faces, {i: a for i, a in amounts.items() if checks[i].method == "prism"})
    if not fills:
        return result, checks, 0.0
    face = faces.faces[max(bodies or amounts, key=lambda i: faces.faces[i].area_mm2)]
    fill = union_all(fills)
    result, volume = united(result, fill, face, max(amounts.values()), fill)
    return result, checks, volume


def _require_sum(
    added: float, checks: dict[int, FaceCheck], faces: FaceSet, corners: float
) -> None:
    """What the part gained must be what its faces swept over, or something else has moved."""
    total = sum(c.volume_mm3 for c in checks.values()) + corners
    if abs(added - total) > _SUM_SHARE * total + 1e-3:
        face = faces.faces[max(checks, key=lambda i: checks[i].volume_mm3)]
        raise GeometryFault(
            f"The stock on '{face.name}' and others adds {added:.3f} mm3 where the moved faces "
            f"sweep over {total:.3f} mm3: something else would move; choose fewer faces at once.",
            where=face.point,
        )


def _all_solved(faces: FaceSet, amounts: dict[int, float]) -> tuple[Mesh, dict[int, FaceCheck]]:
    """(the part with every face moved that can be solved with all others, checks of those)."""
    active = dict(amounts)
    limit = ERROR_MM / 4.0 + 8.0 * position_noise(faces.mesh)
    while active:
        corners = solve_corners(faces, active)
        woven, folded = _renewed(faces, weave(faces, corners), np.unique(corners.vertex))
        bad = np.union1d(corners.vertex[corners.residual > limit], faces.mesh.faces[folded].ravel())
        failed = set(corners.face[np.isin(corners.vertex, bad)].tolist()) & set(active)
        if not failed:
            break
        active = {i: a for i, a in active.items() if i not in failed}
    if not active:
        return faces.mesh, {}
    swept = [(faces.faces[i], a, _sweep(faces, woven, i)) for i, a in sorted(active.items())]
    require_clear(faces.mesh, swept)
    errors = neighbour_error(faces, corners, active)
    checks = {
        i: FaceCheck(face.name, a, "solved", *errors[i], 0, 0.0, body.volume)
        for (i, a), (face, _, body) in zip(sorted(active.items()), swept, strict=True)
    }
    return woven.mesh(), checks


def _one_by_one(
    faces: FaceSet, index: int, amounts: dict[int, float], part: Mesh, shared: Solid | None
) -> tuple[Mesh, FaceCheck, Solid | None]:
    """Move one face of the part as it has become: solved, between half-spaces, or on a prism.

    ``shared``: given for a face that is to stand on a step, the stock that it may run into.
    The body is None where the face was solved.
    """
    asked, amount = faces.faces[index], amounts[index]
    there = find_faces(part)
    place = _found_again(there, asked)
    if place is None:
        return _swallowed(faces, index, amounts, part)
    there = _renamed(there, place, asked.name)
    face = there.faces[place]
    if shared is None:
        result, checks = _all_solved(there, {place: amount})
        if checks:
            return result, checks[place], None
    body, method = convex_body(there, face, amount), "half-spaces"
    if body is None:
        body, dips = _straight(there, place, amount)
        method = "prism"
        if dips is not None:
            shared = dips if shared is None else shared + dips
    result, volume = united(part, body, face, amount, shared)
    return result, FaceCheck(asked.name, amount, method, 0.0, 0.0, 0, 0.0, volume), body


def _straight(
    faces: FaceSet, index: int, amount: float, unmoved: BoolArray | None = None
) -> tuple[Solid, Solid | None]:
    """(the straight body over a face, trimmed by its neighbours; where it may dip into metal).

    A plane stands on a whole step: its neighbours may trim it to nothing on the way.
    """
    face = faces.faces[index]
    body = prism_body(faces.mesh, face, amount)
    trim, dips = rim_bodies(faces, face, amount, unmoved)
    if trim is None or face.kind == "plane":
        return body, dips
    return body - trim, dips


def _swallowed(
    faces: FaceSet, index: int, amounts: dict[int, float], part: Mesh
) -> tuple[Mesh, FaceCheck, Solid]:
    """Stock over a face that the stock of its neighbours has covered: as it lay on the part."""
    face, amount = faces.faces[index], amounts[index]
    unmoved = np.ones(len(faces), dtype=bool)
    unmoved[list(amounts)] = False
    body, dips = _straight(faces, index, amount, unmoved)
    common = Solid.from_mesh(faces.mesh, "building the part") & body
    if dips is not None:
        common = common - dips
    refuse_overlap(face, amount, common, RIM_SHARE * body.volume, "metal")
    result, volume = united(part, body, face, amount, body)
    return result, FaceCheck(face.name, amount, "prism", 0.0, 0.0, 0, 0.0, volume), body


def _renamed(faces: FaceSet, index: int, name: str) -> FaceSet:
    """The same faces with one of them under another name, so that messages name it as asked."""
    some = list(faces.faces)
    some[index] = replace(some[index], name=name)
    return FaceSet(faces.mesh, tuple(some), faces.face_of_facet)


def _found_again(there: FaceSet, asked: Face) -> int | None:
    """Index of the face that lies on the surface of the asked one and nearest its point."""
    if asked.surface is None:
        return None
    best, nearest = None, np.inf
    spot = np.array([asked.point])
    for index, face in enumerate(there):
        surface = face.surface
        if surface is None or surface.kind != asked.surface.kind or face.kind != asked.kind:
            continue
        if abs(surface.radius - asked.surface.radius) > 0.01:
            continue
        if abs(float(surface.distance(spot)[0] - asked.surface.distance(spot)[0])) > 0.01:
            continue
        same_side = float(surface.normal(spot)[0] @ asked.surface.normal(spot)[0])
        if same_side < 0.9999:
            continue
        corners = there.mesh.triangles[face.facets].reshape(-1, 3)
        gap = float(np.linalg.norm(corners - spot, axis=1).min())
        if gap < nearest:
            best, nearest = index, gap
    return best


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


def _renewed(faces: FaceSet, woven: Woven, vertices: IntArray) -> tuple[Woven, IntArray]:
    """(with new nets for planes whose old net folds, facets that fold all the same)."""
    touched = np.flatnonzero(np.isin(faces.mesh.faces, vertices).any(axis=1))
    after = Mesh(woven.positions, woven.copy_of)
    folded = flipped_facets(faces, after, touched)
    renewed = {}
    for index in np.unique(faces.face_of_facet[folded]):
        facets = faces.faces[int(index)].facets
        moved = woven.copy_of[facets]
        slid = _slid_sideways(faces, woven, facets, np.array(faces.faces[int(index)].normal))
        net = None
        if slid.any() and not slid.all():
            net = renewed_plane(faces, int(index), moved[slid], woven.positions)
            net = None if net is None else np.concatenate([moved[~slid], net])
        if net is None:
            net = renewed_plane(faces, int(index), moved, woven.positions)
        if net is not None:
            renewed[int(index)] = net
    still = folded[~np.isin(faces.face_of_facet[folded], sorted(renewed))]
    return replace(woven, renewed=renewed), still


def _slid_sideways(faces: FaceSet, woven: Woven, facets: IntArray, normal: FloatArray) -> BoolArray:
    """Which facets (k,) of a plane have a corner that moved within the plane."""
    mesh = faces.mesh
    step = woven.positions[woven.copy_of[facets]] - mesh.vertices[mesh.faces[facets]]
    across = step - (step @ normal)[..., None] * normal
    grain = 1e-9 * float(np.linalg.norm(mesh.size))
    return np.asarray((np.abs(across).max(axis=2) > grain).any(axis=1))


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


def _measured(part: Mesh, result: Mesh, face: Face, amount: float, check: FaceCheck) -> FaceCheck:
    """Measure one moved face on the new part; raise where it is not where it was asked to be."""
    if check.method == "swept":  # its own metal is in the union; others may stand over it
        return check
    sampled, deviation = measure_along(face, part, result, amount)
    limit = max(ERROR_MM, 1e-6 * float(np.linalg.norm(part.size))) + 8.0 * position_noise(part)
    if face.kind == "free":
        limit = max(limit, 0.1 * amount)
    worst = max(check.error_mm, check.neighbours_error_mm, deviation)
    found = sampled > 0 or check.method in ("solved", "half-spaces")
    if worst > limit or not found:
        told = f"comes out {worst:.4f} mm off" if sampled else "cannot be found on the new part"
        raise GeometryFault(
            f"Stock of {format_mm(amount)} on '{face.name}' at {format_point(list(face.point))} "
            f"{told}; give less stock there, or model it in the part.",
            where=face.point,
        )
    return replace(check, sampled=sampled, sample_error_mm=max(deviation, 0.0))
