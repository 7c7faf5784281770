"""The draft hull of one half: the least solid around it that leaves the sand at the asked angle.

Layer by layer the hull is the union of all sections above, each grown by the height between times
the tangent of the angle. It is built as the half itself, prisms that fill what is undercut, and a
leaning wall under every source (see ``sources``), all united by the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.draft.angles import AngleRule, as_rule
from patternprep.pattern.draft.bodies import pack
from patternprep.pattern.draft.filled import Filled, fill_undercuts
from patternprep.pattern.draft.leaning import Lean, judge
from patternprep.pattern.draft.skirts import SkirtRules, lay_skirts
from patternprep.pattern.draft.sources import find_sources
from patternprep.pattern.draft.spare import spared
from patternprep.pattern.draft.topology import half_edges
from patternprep.pattern.draft.walls import WallRecord, asked_of_facets
from patternprep.progress import Progress, silent

__all__ = ["SIMPLIFY_MM", "Corner", "DraftedHalf", "draft_half", "finished", "repaired"]

Corner = Literal["mitred", "round"]

SIMPLIFY_FIRST_MM = 0.0005
"""The same, before anything else."""
SIMPLIFY_MM = 0.001
"""How far the surface may move when facets are spared."""


_CRUMB_MM3 = 1e-6
_ONTO_BASE_MM = 2.0 * SIMPLIFY_MM
_ONTO_BASE_SHARE = 2e-5
_REPAIRS = 2
_REPAIR_SPARE_MM = 1e-5
_METHODS = (
    ("strips", (SIMPLIFY_MM, 0.2 * SIMPLIFY_MM), False),
    ("strips, no facets spared", (0.0,), False),
    ("single sources", (0.0,), True),
)


@dataclass(frozen=True, eq=False)
class DraftedHalf:
    """One half with its draft, standing on z = 0."""

    solid: Solid
    """The draft hull."""
    filled: Solid
    """The half with its undercuts filled, before any draft."""
    walls: tuple[WallRecord, ...]
    """Where the angle varies: places on walls and the angle asked of each."""
    min_angle: float
    """Smallest angle asked, degrees."""
    method: str
    """How the walls were built: 'strips', or one of the slower ways."""
    half: Solid = field(repr=False)
    """The half as taken in, facets that say nothing spared."""
    facets: Filled = field(repr=False)
    """The facets whose draft was made."""
    lean_deg: FloatArray = field(repr=False)
    """The angle asked of each of the facets."""


def draft_half(
    half: Solid,
    angles: AngleRule | float,
    *,
    corner: Corner = "mitred",
    chord_mm: float = 0.01,
    progress: Progress = silent,
) -> DraftedHalf:
    """Draft hull of a half in z >= 0 with its parting on z = 0, drawn along +z.

    Raises GeometryFault where no way gives walls that lean as asked.
    """
    rule = as_rule(angles)
    if half.is_empty:
        raise GeometryFault("The half pattern holds no material to draft.")
    if half.bounds[0, 2] < -SIMPLIFY_FIRST_MM:
        points = half.to_mesh().vertices
        raise GeometryFault(
            f"The half pattern reaches {-half.bounds[0, 2]:g} mm below the parting; cut it at "
            "z = 0 first.",
            where=points[points[:, 2].argmin()].tolist(),
        )
    half = _on_base(spared(half, SIMPLIFY_FIRST_MM))
    mesh = half_edges(half.to_mesh())
    progress("filling undercuts")
    filled = fill_undercuts(half, mesh)
    mesh = filled.mesh
    asked = asked_of_facets(mesh, rule)
    fault: KernelFault | None = None
    best: tuple[Solid, Lean, str] | None = None
    for method, spares, single in _METHODS:
        progress("building the walls of draft")
        rules = SkirtRules(corner == "round", chord_mm, single)
        try:
            grown = _united(filled, asked.lean_deg, rules)
            for spare_mm in spares:
                solid = finished(grown, spare_mm)
                lean = judge(solid.to_mesh(), asked.least_deg)
                if lean.clean:
                    break
            else:
                solid, lean = repaired(solid, asked.least_deg, rules)
        except KernelFault as caught:
            fault = caught
            continue
        if lean.sound:
            return DraftedHalf(
                solid,
                filled.solid,
                asked.walls,
                asked.least_deg,
                method,
                half,
                filled,
                asked.lean_deg,
            )
        if best is None or lean.far_under_mm2 < best[1].far_under_mm2:
            best = (solid, lean, method)
    if best is None:
        assert fault is not None
        raise fault
    raise GeometryFault(
        f"A wall leans {best[1].worst_deg:.2f} degrees where {asked.least_deg:g} are asked and no "
        "way of drafting mends it; simplify or mend the part there.",
        where=best[1].where,
    )


def _united(filled: Filled, lean: FloatArray, rules: SkirtRules) -> Solid:
    sources = find_sources(filled.mesh, lean, filled.hidden)
    skirts = pack(lay_skirts(filled.mesh.points, sources, rules))
    return union_all([filled.solid, *skirts])


def repaired(solid: Solid, least_deg: float, rules: SkirtRules) -> tuple[Solid, Lean]:
    """The hull filled and drafted once more where facets lean too little, and its lean.

    Sparing facets may tilt small ones, and where the part folds over itself a crumb of an undercut
    may be left; a hull's own hull differs from it only there.
    """
    lean = judge(solid.to_mesh(), least_deg)
    for _ in range(_REPAIRS):
        if lean.clean:
            break
        filled = fill_undercuts(solid, half_edges(solid.to_mesh()))
        whole = Filled(
            filled.solid,
            half_edges(filled.solid.to_mesh()),
            np.zeros(filled.solid.facets, dtype=bool),
        )
        grown = _united(whole, np.full(whole.solid.facets, least_deg), rules)
        grown = finished(grown, _REPAIR_SPARE_MM)
        found = judge(grown.to_mesh(), least_deg)
        if (found.far_under_mm2, found.under_mm2) >= (lean.far_under_mm2, lean.under_mm2):
            break
        solid, lean = grown, found
    return solid, lean


def finished(solid: Solid, spare_mm: float = SIMPLIFY_MM) -> Solid:
    """Needless facets spared, the base exactly on z = 0, without inner voids and crumbs."""
    settled = _on_base(spared(solid, spare_mm))
    bodies = settled.bodies()
    if len(bodies) <= 1:
        return settled
    return union_all([b for b in bodies if b.volume > _CRUMB_MM3])


def _on_base(solid: Solid) -> Solid:
    """With vertices that all but lie on z = 0 set onto it."""
    mesh = solid.to_mesh()
    z = mesh.vertices[:, 2]
    near = z < min(_ONTO_BASE_MM, _ONTO_BASE_SHARE * float(mesh.size.max()))
    if (z[near] == 0.0).all():
        return solid
    points = np.array(mesh.vertices)
    points[near, 2] = 0.0
    return Solid.from_mesh(Mesh(points, mesh.faces), "setting the base on the parting")
