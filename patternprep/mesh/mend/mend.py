"""From the surface as read to one sound solid, every step told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import KernelFault, MeshFault
from patternprep.mesh.check import MeshReport, check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mend.close import Work, close_surface, flip_flat
from patternprep.mesh.mend.lines import LineCount, count_along_lines
from patternprep.mesh.mend.report import Mending
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.settle import settle_report
from patternprep.mesh.topology import edge_table, unique_rows
from patternprep.progress import Progress, silent
from patternprep.units import format_point

__all__ = ["Mended", "mend_part"]

_CROSSING_TOLD = 1e-7
_CROSSING_REFUSED = 1e-4
"""Share of the volume counted twice (or negative) that is told, and that is refused."""


@dataclass(frozen=True)
class Mended:
    """A sound mesh, its number of bodies, and what was done to get there."""

    mesh: Mesh
    bodies: int
    mendings: tuple[Mending, ...]
    warnings: tuple[str, ...]


def mend_part(mesh: Mesh, what: str, progress: Progress = silent) -> Mended:
    """A sound solid from a welded mesh in mm; MeshFault where that cannot be done honestly.

    ``what`` names the part in messages. A sound single shell passes untouched.
    """
    progress("Checking the surface")
    report = check_mesh(mesh)
    work = Work(mesh.vertices, mesh.faces, float(np.linalg.norm(mesh.size)))
    if report.fault is not None and not _only_volume(report):
        progress("Mending the surface")
        _make_closed(work, report, what)
    bodies = _make_solid(work, report, what, progress)
    if work.done:
        flip_flat(work)
        _part_coincident(work)
    result = mesh if not work.done else work.mesh
    if work.done:
        after = check_mesh(result)
        if after.fault is not None:
            raise _refusal(what, after, "after mending ")
    _accept(result, what)
    warnings = (*work.warnings, *_crossings(result, what, progress))
    return Mended(result, bodies, tuple(work.done), warnings)


def _only_volume(report: MeshReport) -> bool:
    """True when the surface is a closed oriented manifold and only faces the wrong way."""
    return report.bad_edges == 0 and report.degenerate_facets == 0 and report.facets > 0


def _make_closed(work: Work, report: MeshReport, what: str) -> None:
    """Close the surface and make windings agree; afterwards every edge has its two facets."""
    from patternprep.mesh.mend.holes import fill_small_holes
    from patternprep.mesh.mend.orient import agree_windings

    close_surface(work)
    if len(work.faces) == 0:
        raise MeshFault(
            f"{what} has no thickness anywhere ({report.facets} facets, all without area or back "
            f"to back); a part needs solid walls, so export the solid body."
        )
    table = edge_table(work.faces)
    still_open = int(np.count_nonzero(table.count == 1))
    try:
        agree_windings(work, what)
    except MeshFault:
        if still_open:
            raise _refusal(what, report, "", work) from None
        raise
    fill_small_holes(work)
    table = edge_table(work.faces)
    if not table.balanced.all():
        raise _refusal(what, report, "", work)
    if not table.simple.all():
        _part_pinches(work)


def _part_pinches(work: Work) -> None:
    """Where four and more facets share an edge, part the walls by a few roundings."""
    table = edge_table(work.faces)
    first = table.half[table.start[int(np.argmax(~table.simple))]]
    at = work.points[work.faces[first // 3]].mean(axis=0)
    settled = settle_report(work.mesh)
    change = settled.mesh.volume - work.mesh.volume
    work.points, work.faces = settled.mesh.vertices, settled.mesh.faces
    work.tell("edges where walls touch parted", settled.parted_edges, settled.moved_mm, change, at)


def _part_coincident(work: Work) -> None:
    """Part walls whose separate corners stand on the same spot (a union leaves such)."""
    if len(unique_rows(work.points)[0]) == len(work.points):
        return
    settled = settle_report(work.mesh)
    work.points, work.faces = settled.mesh.vertices, settled.mesh.faces
    work.tell("touching walls parted", settled.parted_edges, settled.moved_mm)


def _make_solid(work: Work, report: MeshReport, what: str, progress: Progress) -> int:
    """Turn shells outward, drop strays, unite bodies: the number of bodies."""
    if not work.done and report.sound and report.shells == 1 and report.voids == 0:
        return 1
    from patternprep.mesh.mend.shells import drop_strays, turn_outward, unite_bodies

    drop_strays(work, what)
    shells, parent = turn_outward(work)
    if len(shells) > 1:
        progress(f"Joining {len(shells)} shells")
    return unite_bodies(work, shells, parent, what)


def _accept(mesh: Mesh, what: str) -> None:
    """The kernel must take the mesh and find the same volume."""
    try:
        volume = Solid.from_mesh(mesh).volume
    except KernelFault as error:
        raise MeshFault(f"{what} is not accepted as a solid ({error}).") from None
    if abs(volume - mesh.volume) > 1e-6 * abs(mesh.volume):
        raise MeshFault(
            f"{what} has no certain volume ({mesh.volume:.6g} or {volume:.6g} mm3); repair it "
            f"where it was drawn and export it again."
        )


def _crossings(mesh: Mesh, what: str, progress: Progress) -> tuple[str, ...]:
    """Lines through the solid must count its material once; told above 1e-7, refused above 1e-4."""
    progress("Looking for walls that cross")
    counts = [count_along_lines(mesh, axis) for axis in range(3)]
    worst = max(counts, key=_faulty)
    share = _faulty(worst) / mesh.volume
    if share <= _CROSSING_TOLD or worst.where is None:
        return ()
    place = format_point(list(worst.where))
    if share > _CROSSING_REFUSED:
        raise MeshFault(
            f"{what} has walls that cross each other at {place} ({share:.2%} of its volume is "
            f"enclosed twice or inside out, over the limit of {_CROSSING_REFUSED:.2%}); unite its "
            f"bodies where it was drawn and export it again.",
            where=worst.where,
        )
    return (
        f"Walls cross each other slightly, about {_faulty(worst):.3g} mm3 enclosed twice "
        f"({share * 1e6:.2g} parts per million of the volume), first at {place}.",
    )


def _faulty(count: LineCount) -> float:
    return count.twice_mm3 + count.inverted_mm3


def _refusal(what: str, report: MeshReport, when: str, work: Work | None = None) -> MeshFault:
    """The fault that the strict check found, with what mending left of it."""
    place = "" if report.where is None else f" at {format_point(list(report.where))}"
    left = ""
    if work is not None:
        now = check_mesh(work.mesh)
        if now.bad_edges:
            left = (
                f" ({now.bad_edges} edges stay unsound after mending up to {work.tried:.2g} mm"
                f"{'' if now.where is None else ', the first at ' + format_point(list(now.where))})"
            )
    return MeshFault(
        f"{what} {when}{report.fault}{place}{left}; every edge must be shared by two facets, so "
        f"repair it where it was drawn and export it again as a solid body.",
        where=report.where,
    )
