"""Cores with their prints, put together and held against the part and each other.

All in the mould frame at pattern size, mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.model import Opening, Void, place_words
from patternprep.pattern.cores.prints import Print, PrintSize, Side, make_print, side_of
from patternprep.pattern.cores.turning import wrong_turn
from patternprep.pattern.cores.voids import fill_voids, plan_basis

__all__ = [
    "CoreBody",
    "SizeRule",
    "build_core",
    "check_clear",
    "check_prints",
    "close_voids",
]

SizeRule = Callable[[Opening, Side], PrintSize]
"""The rules for one print."""

TOUCH_MM3 = 1e-2
"""Bodies that share less than this do not run into each other."""

FILM_MM3 = 1e-6
"""Shells of less than this between bodies that touch are rounding."""

TENON_IN, TENON_MM = 0.2, 0.3
"""How far a tenon keeps from the rim, as a share of the mouth's width, and how far it reaches."""

UNEQUAL = 1.3
"""By how much longer one print is made where equal ones would let the core go in turned over."""


@dataclass(frozen=True, eq=False)
class CoreBody:
    """A core as designed: the void that it fills, and its prints."""

    name: str
    void: Void
    hollow: Solid = field(repr=False)
    """The void as a solid."""
    prints: tuple[Print, ...]
    solid: Solid = field(repr=False)
    """Void and prints in one."""
    seats: Solid = field(repr=False)
    """All seats before draft, to be added to the pattern."""
    keyed: str
    """What makes it go in one way only, in words; empty where its turn does not matter."""


def close_voids(
    part: Solid, voids: Sequence[Void], mesh: Mesh | None = None
) -> tuple[Solid, list[Solid], tuple[Void, str] | None]:
    """The part with its voids closed, the voids as solids, and the first that cannot be closed.

    A void whose mouth is not clear, so that a flat lid would run through metal, is returned with
    the reason; the first two are then of no use. ``mesh`` is the part's mesh that the voids were
    found on: with it the closed part keeps the part's own facets, free of the slivers that a union
    of bodies which touch all over leaves where corners are rounded.
    """
    solids = []
    for void in voids:
        try:
            solids.append(Solid.from_mesh(void.mesh, f"closing {void.name}"))
        except KernelFault:
            return part, solids, (void, _NOT_CLEAR.format(place_words(void.point)))
    filled = union_all([part, *solids])
    if _adds_up(filled, [part, *solids]):
        return _on_own_facets(filled, voids, mesh), solids, None
    for void, solid in zip(voids, solids, strict=True):
        if not _adds_up(part + solid, [part, solid]):
            return filled, solids, (void, _NOT_CLEAR.format(place_words(void.point)))
    return filled, solids, (voids[0], _NOT_CLEAR.format(place_words(voids[0].point)))


def _on_own_facets(filled: Solid, voids: Sequence[Void], mesh: Mesh | None) -> Solid:
    """The closed part with the part's own facets where that is a solid, else as it is.

    Lids of two mouths that share an edge close the same gap twice: they have no facets of their
    own, but the union of the bodies is sound.
    """
    if mesh is None:
        return filled
    try:
        own = Solid.from_mesh(fill_voids(mesh, voids), "closing all holes")
    except KernelFault:
        return filled
    return own if _adds_up(own, [filled]) else filled


_NOT_CLEAR = (
    "The hole that opens at {} in the mould cannot be closed with a flat "
    "lid, for metal stands in its mouth; leave it without a core."
)


def _adds_up(whole: Solid, solids: Sequence[Solid]) -> bool:
    """True when the union holds as much as the bodies do: they touch, but none overlaps."""
    told = sum(solid.volume for solid in solids)
    return abs(whole.volume - told) <= TOUCH_MM3 + 1e-7 * told


def build_core(name: str, void: Void, hollow: Solid, rule: SizeRule) -> CoreBody:
    """The core of one void with a print at each mouth in a flat face.

    At a mouth in a curved face the core ends against the mould's sand.

    Where a print's turn matters and its section does not settle it, the first print is made longer
    than its like, or gets a flat, or loses a corner. Raises GeometryFault where a print cannot be
    made.
    """
    mouths = [o for o in void.openings if o.flat]
    if not mouths:
        raise GeometryFault(
            f"The hole at {place_words(void.point)} in the mould opens through curved faces only, "
            "on which no core print stands; leave it solid and drill it, or leave it without a "
            "core."
        )
    plain = [make_print(o, rule(o, side_of(o))) for o in mouths]
    found = wrong_turn(hollow, plain)
    if found is None:
        return _assembled(name, void, hollow, plain, "")
    for prints, words in _keyed(plain):
        if wrong_turn(hollow, prints) is None:
            return _assembled(name, void, hollow, prints, words)
    raise GeometryFault(
        f"The core at {place_words(void.point)} can be set turned, and neither a flat on its "
        "print nor unequal prints prevent it; choose another pull, or leave it without a core."
    )


def _keyed(plain: Sequence[Print]) -> Iterator[tuple[list[Print], str]]:
    """The prints with something that tells one way from another, the plainest first."""
    first, rest = plain[0], plain[1:]
    longer = replace(first.size, length_mm=UNEQUAL * first.size.length_mm)
    if rest:
        yield [make_print(first.opening, longer), *rest], "prints of unequal length"
    for flat, words in ((_flat_side(first), "a flat on"), (_corner(first), "a corner cut off")):
        yield [make_print(first.opening, first.size, flat), *rest], f"{words} its first print"
        if rest:
            both = make_print(first.opening, longer, flat)
            yield [both, *rest], f"{words} its first, longer print"


def _flat_side(one: Print) -> FloatArray:
    """Where a flat goes: on top of a level print, on the +x side of an upright one."""
    return np.array([0.0, 0.0, 1.0] if one.side == "horizontal" else [1.0, 0.0, 0.0])


def _corner(one: Print) -> FloatArray:
    """Direction of the corner of its section that is farthest out, towards the flat's side."""
    away = one.core_rings[0] - one.opening.point
    reach = np.round(np.linalg.norm(away, axis=1), 6) + 1e-3 * (away @ _flat_side(one))
    corner = away[np.argmax(reach)]
    return np.asarray(corner / np.linalg.norm(corner))


def _assembled(
    name: str, void: Void, hollow: Solid, prints: Sequence[Print], keyed: str
) -> CoreBody:
    return CoreBody(
        name=name,
        void=void,
        hollow=hollow,
        prints=tuple(prints),
        solid=_without_films(
            union_all([hollow, *(p.core for p in prints), *_tenons(hollow, prints)])
        ),
        seats=union_all([p.seat for p in prints]),
        keyed=keyed,
    )


def _tenons(hollow: Solid, prints: Sequence[Print]) -> list[Solid]:
    """Small bodies across the lid between hole and print, within both.

    Two bodies that only touch there may stay apart by less than a file can tell, with a slit
    between them; a body across the lid makes them one.
    """
    found = []
    for one in prints:
        basis = plan_basis(one.axis)
        mouth = shapely.Polygon((one.opening.ring - one.opening.point) @ basis.T)
        inner = mouth.buffer(-TENON_IN * math.sqrt(mouth.area))
        if inner.is_empty or not mouth.contains(inner.convex_hull):
            continue
        plan = np.asarray(inner.convex_hull.exterior.coords)[:-1] @ basis + one.opening.point
        deep = min(TENON_MM, 0.1 * one.size.length_mm)
        body = hull_of_points(np.concatenate([plan - deep * one.axis, plan + deep * one.axis]))
        behind, _ = body.split_by_plane(
            [-float(c) for c in one.axis], -float(one.axis @ one.opening.point)
        )
        if abs((behind & hollow).volume - behind.volume) <= 1e-6 * behind.volume:
            found.append(body)
    return found


def _without_films(solid: Solid) -> Solid:
    """Without the empty films that stay where lid and print meet in corners that are rounded."""
    bodies = solid.bodies()
    kept = [body for body in bodies if abs(body.volume) > FILM_MM3]
    return solid if len(kept) == len(bodies) else union_all(kept)


def check_clear(filled: Solid, core: CoreBody) -> None:
    """Raise GeometryFault where a print of the core runs into the part."""
    for one in core.prints:
        _check_clear(filled, core, one)


def check_prints(core: CoreBody, others: Sequence[CoreBody]) -> None:
    """Raise GeometryFault where the seats of a core run into those of others."""
    low, high = core.seats.bounds
    for other in others:
        other_low, other_high = other.seats.bounds
        if (low > other_high).any() or (other_low > high).any():
            continue
        shared = core.seats & other.seats
        if shared.volume > TOUCH_MM3:
            middle = place_words(shared.bounds.mean(axis=0))
            raise GeometryFault(
                f"The prints of {core.name} and {other.name} run into each other at {middle} "
                "in the mould; shorten them with --print-length, or "
                "leave one of the holes without a core."
            )


def _check_clear(filled: Solid, core: CoreBody, one: Print) -> None:
    offset = float(one.opening.normal @ one.opening.point) + 1e-3
    outside = one.seat.trim_by_plane([float(c) for c in one.opening.normal], offset)
    shared = outside & filled
    if shared.volume > TOUCH_MM3:
        middle = place_words(shared.bounds.mean(axis=0))
        raise GeometryFault(
            f"The {one.side} print of {core.name} runs into the part at {middle} "
            f"in the mould ({shared.volume:.1f} mm3); shorten it with --print-length, "
            "or leave that hole without a core."
        )
