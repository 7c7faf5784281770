"""From the surface as read to one sound solid, every step told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import KernelFault, MeshFault
from patternprep.mesh.check import MeshReport, check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mend.close import Work, close_surface, flip_flat
from patternprep.mesh.mend.lines import LineCount, count_all_ways, count_along_lines
from patternprep.mesh.mend.report import Mending
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.settle import settle_report
from patternprep.mesh.topology import edge_table, unique_rows
from patternprep.progress import Progress, silent
from patternprep.units import format_point

__all__ = ["Mended", "mend_part"]

_UNION_AGREES = 1e-4
_CROSSING_TOLD, _CROSSING_REFUSED = 1e-7, 1e-4
"""Share of the volume enclosed twice or inside out that is mended or told, and (where it cannot
be mended) refused."""


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
    result = _finished(work, mesh, what)
    progress("Looking for walls that cross")
    worst = max(count_all_ways(result), key=lambda c: c.faulty_mm3)
    if worst.faulty_mm3 > _CROSSING_TOLD * result.volume:
        result, bodies = _unite_walls(work, result, worst, what)
        worst = max(count_all_ways(result), key=lambda c: c.faulty_mm3)
    _accept(result, what)
    return Mended(result, bodies, tuple(work.done), (*work.warnings, *_told(worst, result)))


def _finished(work: Work, mesh: Mesh, what: str) -> Mesh:
    """The mended mesh once it passes the strict check; the given one where nothing was done."""
    if not work.done:
        return mesh
    flip_flat(work)
    _part_coincident(work)
    result = work.mesh
    after = check_mesh(result)
    if after.fault is not None:
        raise _refusal(what, after, "after mending ")
    return result


def _unite_walls(work: Work, mesh: Mesh, worst: LineCount, what: str) -> tuple[Mesh, int]:
    """Unite walls that run through each other, or refuse: (mesh, bodies)."""
    from patternprep.mesh.mend.crossing import unite_crossing_walls

    united = unite_crossing_walls(mesh, count_all_ways(mesh), _CROSSING_TOLD * mesh.volume)
    share = worst.faulty_mm3 / mesh.volume
    if united is None:
        if share <= _CROSSING_REFUSED:
            return mesh, check_mesh(mesh).shells
        place = "" if worst.where is None else f" at {format_point(list(worst.where))}"
        raise MeshFault(
            f"{what} has walls that cross each other{place} ({share:.2%} of its volume is "
            f"enclosed twice or inside out, over the limit of {_CROSSING_REFUSED:.2%}); unite its "
            f"bodies where it was drawn and export it again.",
            where=worst.where,
        )
    at = None if worst.where is None else np.array(worst.where)
    work.points, work.faces = united.mesh.vertices, united.mesh.faces
    change = united.mesh.volume - united.filled_mm3 - mesh.volume
    work.tell(
        "shells whose walls ran through each other made one",
        1,
        0.0 if united.slits else united.moved_mm,
        change,
        at,
    )
    work.tell(
        "slits between walls that lie on each other filled",
        united.slits,
        united.moved_mm,
        united.filled_mm3,
        at if united.slits_at is None else np.array(united.slits_at),
    )
    result = _finished(work, mesh, what)
    return result, check_mesh(result).shells


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
    facet, corner = divmod(int(table.half[table.start[int(np.argmax(~table.simple))]]), 3)
    at = work.points[work.faces[facet, [corner, (corner + 1) % 3]]].mean(axis=0)
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
    shells, parent = turn_outward(work, what)
    if len(shells) == 1:
        return 1
    progress(f"Joining {len(shells)} shells")
    before = work.mesh
    bodies = unite_bodies(work, shells, parent, what)
    after = work.mesh
    if after.facets != before.facets:
        _same_material(before, after, what)
    return bodies


def _same_material(before: Mesh, after: Mesh, what: str) -> None:
    """Lines must meet the same material in a union as in the bodies it was made from."""
    for axis in range(3):
        old, new = count_along_lines(before, axis), count_along_lines(after, axis)
        if abs(old.volume_mm3 - new.volume_mm3) > _UNION_AGREES * old.volume_mm3:
            raise MeshFault(
                f"{what} holds bodies whose union is uncertain ({new.volume_mm3:.6g} mm3 met by "
                f"lines, {old.volume_mm3:.6g} before); unite them where they were drawn and export "
                f"the part again."
            )


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


def _told(worst: LineCount, mesh: Mesh) -> tuple[str, ...]:
    """A warning where lines still meet a little material twice."""
    share = worst.faulty_mm3 / mesh.volume
    if share <= _CROSSING_TOLD or worst.where is None:
        return ()
    return (
        f"Walls cross each other slightly, about {worst.faulty_mm3:.3g} mm3 enclosed twice "
        f"({share * 1e6:.2g} parts per million of the volume), first at "
        f"{format_point(list(worst.where))}.",
    )


def _refusal(what: str, report: MeshReport, when: str, work: Work | None = None) -> MeshFault:
    """The fault that the strict check found, with what mending left of it."""
    place = "" if report.where is None else f" at {format_point(list(report.where))}"
    left = ""
    if work is not None:
        now = check_mesh(work.mesh)
        if now.bad_edges == report.bad_edges and now.where == report.where:
            left = f" (mending up to {work.tried:.2g} mm does not close it)"
        elif now.bad_edges:
            edges = "1 edge stays" if now.bad_edges == 1 else f"{now.bad_edges} edges stay"
            left = (
                f" ({edges} unsound after mending up to {work.tried:.2g} mm"
                f"{'' if now.where is None else ', the first at ' + format_point(list(now.where))})"
            )
    return MeshFault(
        f"{what} {when}{report.fault}{place}{left}; every edge must be shared by two facets, so "
        f"repair it where it was drawn and export it again as a solid body.",
        where=report.where,
    )
