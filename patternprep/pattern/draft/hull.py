"""The draft hull of one half: the least solid around it that leaves the sand at the asked angle.

Layer by layer the hull is the union of all sections above, each grown by the height between times
the tangent of the angle. It is built as the half itself, prisms that fill what is undercut, and a
leaning wall under every source (see ``sources``), all united by the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.draft.angles import AngleRule, as_rule
from patternprep.pattern.draft.bodies import pack
from patternprep.pattern.draft.leaning import Lean, judge
from patternprep.pattern.draft.skirts import SkirtRules, lay_skirts
from patternprep.pattern.draft.sources import find_sources
from patternprep.pattern.draft.topology import HalfEdges, half_edges
from patternprep.pattern.draft.undercut import undercut_prisms
from patternprep.progress import Progress, silent

__all__ = ["SIMPLIFY_MM", "Corner", "DraftedHalf", "draft_half"]

Corner = Literal["mitred", "round"]

SIMPLIFY_MM = 0.001
"""How far the surface may move when facets are spared."""


@dataclass(frozen=True, eq=False)
class DraftedHalf:
    """One half with its draft, standing on z = 0."""

    solid: Solid
    """The draft hull."""
    filled: Solid
    """The half with its undercuts filled, before any draft."""
    min_angle: float
    """Smallest angle asked, degrees."""
    method: str
    """How the walls were built: 'strips', or the slower 'single' or 'unsimplified'."""


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
        return DraftedHalf(half, half, 0.0, "strips")
    mesh = half_edges(half.to_mesh())
    if mesh.points[:, 2].min() < -1e-6:
        raise GeometryFault(
            "The half pattern reaches below the parting plane; cut it at z = 0 first.",
            where=mesh.points[mesh.points[:, 2].argmin()].tolist(),
        )
    lean = rule(np.zeros(len(mesh.faces)), np.zeros(len(mesh.faces), dtype=bool))
    least = float(lean.min())
    progress("filling undercuts")
    prisms = undercut_prisms(mesh)
    filled = half if prisms is None else union_all([half, *pack(prisms)])
    fault: Exception | None = None
    for method in ("strips", "unsimplified", "single"):
        progress("building the walls of draft")
        try:
            solid = _build(filled, mesh, lean, SkirtRules(
                corner == "round", chord_mm, method == "single"
            ), method == "strips")
        except KernelFault as caught:
            fault = caught
            continue
        verdict = judge(solid.to_mesh(), least)
        if verdict.sound:
            return DraftedHalf(solid, filled, least, method)
    if fault is not None:
        raise fault
    raise GeometryFault(
        f"A wall leans {verdict.worst_deg:.2f} degrees where {least:g} are asked and no way of "
        "drafting mends it; simplify or mend the part there.",
        where=verdict.where,
    )


def _build(
    filled: Solid, mesh: HalfEdges, lean: FloatArray, rules: SkirtRules, spare: bool
) -> Solid:
    sources = find_sources(mesh, lean)
    skirts = pack(lay_skirts(mesh.points, sources, rules))
    solid = union_all([filled, *skirts])
    return _settled(solid.simplify(SIMPLIFY_MM) if spare else solid)


def _settled(solid: Solid) -> Solid:
    """Without inner voids and crumbs, and with the base exactly on z = 0."""
    mesh = solid.to_mesh()
    points = np.array(mesh.vertices)
    points[points[:, 2] < 2.0 * SIMPLIFY_MM, 2] = 0.0
    settled = Solid.from_mesh(Mesh(points, mesh.faces), "setting the base on the parting")
    bodies = settled.bodies()
    if len(bodies) <= 1:
        return settled
    kept = [b for b in bodies if b.volume > 1e-6]
    return union_all(kept)
