"""The regions of a vertical cut through a kit: part, cores, and by cause what was added."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from patternprep.errors import FileFault, GeometryFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl

if TYPE_CHECKING:
    from patternprep.kit.plan import Plan
    from patternprep.mesh.kernel import Solid

__all__ = ["Across", "Cut", "cut_kit", "rings_of"]

Across = Literal["x", "y"]

OFF_MIDDLE = 2e-6
"""The cut stands off the middle by this share of the width, clear of faces lying in the middle."""

THIN_MM = 0.006
"""Slivers thinner than this are rounding and are not shown."""

SAME_FRAME = 1e-9

ALONG = 0.5
"""A mouth is cut along its axis when its normal has less than this share across the plane."""


@dataclass(frozen=True)
class Cut:
    """Regions in the cutting plane, (along, up) in mm of the mould frame, parting at up = 0."""

    across: Across
    """The axis that the cutting plane is square to."""
    place_mm: float
    """Where the plane stands on that axis."""
    part: Any
    """The finished part at pattern size, a shapely region; so are the others."""
    stock: Any
    filled: Any
    draft: Any
    halves: tuple[Any, ...]
    """The pattern's halves as in the files: cope when there is one, then drag."""
    cores: tuple[tuple[str, Any], ...] = ()
    """Name and region of each core as in its file, at its nominal seat."""
    left_solid: Any = None
    """Holes left solid for the drill; this and the next two are None in a kit without cores."""
    box_draft: Any = None
    """Metal where the core is less than the hole, for its box to draw."""
    gaps: Any = None
    """What is open between cores and their seats, outside the casting."""


def cut_kit(kit_folder: Path, figures: dict[str, Any], across: Across | None = None) -> Cut:
    """Cut a kit along its pattern's longer side, through its first core or else its middle.

    ``across`` names the axis that the plane is square to. Stock and what was filled are found by
    making them anew as the kit's job says. Raises GeometryFault where the plane meets no metal,
    FileFault where the job does not lead to the kit's own frame.
    """
    names = [n for n in ("cope", "drag") if (kit_folder / "assembly" / f"{n}.stl").is_file()]
    pieces = [read_stl(kit_folder / "assembly" / f"{n}.stl") for n in names]
    square_to, place = _plane(pieces, figures, across)
    plan = _plan_of(kit_folder, figures)
    part, stocked = _before_draft(kit_folder, figures, plan)
    halves = tuple(_section(piece, square_to, place) for piece in pieces)
    of_part = _section(part, square_to, place)
    if of_part.is_empty:
        raise GeometryFault(
            f"The plane {square_to} = {place:.3f} mm through the pattern in {kit_folder} meets no "
            "metal; cut it square to the other axis."
        )
    with_stock = of_part if stocked is part else _section(stocked, square_to, place)
    stock = _without_slivers(with_stock.difference(of_part))
    if plan is not None and plan.cores is not None and figures["holes"]:
        cores = tuple(
            (row["name"], _section(read_stl(kit_folder / row["file"]), square_to, place))
            for row in figures["cores"]
        )
        return _cored(plan, square_to, place, of_part, stock, halves, cores)
    drawable = _down_to_parting(with_stock)
    return Cut(
        square_to,
        place,
        of_part,
        stock,
        _without_slivers(drawable.difference(with_stock)),
        _without_slivers(_union(halves).difference(drawable)),
        halves,
    )


def _plane(
    pieces: list[Mesh], figures: dict[str, Any], across: Across | None
) -> tuple[Across, float]:
    """The axis that the cut is square to, and where on it: at a core's mouth or in the middle."""
    low = np.min([p.bounds[0] for p in pieces], axis=0)
    high = np.max([p.bounds[1] for p in pieces], axis=0)
    size = high - low
    square_to: Across = across or ("y" if size[0] >= size[1] else "x")
    axis = 0 if square_to == "x" else 1
    place = float(0.5 * (low[axis] + high[axis]))
    mouths = [one for core in figures["cores"] for one in core["prints"]]
    if mouths:
        along = [one for one in mouths if abs(one["opening_normal"][axis]) < ALONG]
        place = float((along or mouths)[0]["opening_point_mm"][axis])
    return square_to, place + OFF_MIDDLE * float(size[axis])


def _cored(
    plan: Plan,
    across: Across,
    place: float,
    part: Any,
    stock: Any,
    halves: tuple[Any, ...],
    cores: tuple[tuple[str, Any], ...],
) -> Cut:
    """The cut of a kit with holes closed: what fills them is told apart from the draft."""
    import shapely

    from patternprep.kit.halves import make_halves

    assert plan.cores is not None
    stocked = part.union(stock)
    closed = stocked
    if plan.cores.filled is not None:
        closed = _section(plan.cores.filled, across, place)
    drafted = make_halves(plan).drafted
    metal = _union([_section(h, across, place) for h in (drafted.cope, drafted.drag) if h])
    left = _union([_section(solid, across, place) for solid in plan.cores.solids])
    core = _union([region for _, region in cores])
    drawable = _down_to_parting(closed)
    space = closed.difference(shapely.union_all([stocked, left, core]))
    return Cut(
        across,
        place,
        part,
        stock,
        _without_slivers(drawable.difference(closed).difference(core)),
        _without_slivers(metal.difference(drawable).difference(core)),
        halves,
        cores,
        _without_slivers(left.difference(stocked)),
        _without_slivers(space),
        _without_slivers(_union(halves).difference(metal).difference(core)),
    )


def _union(regions: Sequence[Any]) -> Any:
    """All regions in one; an empty one for none."""
    import shapely

    return shapely.union_all(list(regions)) if regions else shapely.Polygon()


def _plan_of(kit_folder: Path, figures: dict[str, Any]) -> Plan | None:
    """The plan that the kit's job leads to; None where the part alone tells all."""
    if not (figures["stock"]["faces"] or figures.get("camber") or figures["holes"]):
        return None
    from patternprep.kit.job import load_job
    from patternprep.kit.plan import make_plan

    plan = make_plan(load_job(kit_folder / "job.toml"))
    matrix = np.array(figures["frame"]["part_to_mould"], dtype=np.float64)
    off = float(np.abs(plan.frame.matrix - matrix).max())
    if off > SAME_FRAME * max(1.0, np.abs(matrix).max()):
        raise FileFault(
            f"{kit_folder / 'job.toml'} does not lead to the frame in figures.json; make the kit "
            "again before drawing it."
        )
    return plan


def _before_draft(
    kit_folder: Path, figures: dict[str, Any], plan: Plan | None
) -> tuple[Mesh, Mesh]:
    """The part, and the part with its stock, in the mould frame at pattern size."""
    matrix = np.array(figures["frame"]["part_to_mould"], dtype=np.float64)
    part = read_stl(kit_folder / "part.stl").transformed(matrix)
    if plan is None or not (figures["stock"]["faces"] or figures.get("camber")):
        return part, part
    from patternprep.pattern.camber import bow_mesh

    return (part if plan.bow is None else bow_mesh(part, plan.bow)), plan.in_mould


def _section(body: Mesh | Solid, across: Across, place: float) -> Any:
    """The region of a solid in the plane, (along, up)."""
    import shapely

    from patternprep.mesh.kernel import Solid

    solid = Solid.from_mesh(body, "a picture's section") if isinstance(body, Mesh) else body
    turn = np.zeros((4, 4))
    turn[3, 3] = 1.0
    along, ahead = (1, 1.0) if across == "x" else (0, -1.0)
    turn[0, along] = turn[1, 2] = 1.0
    turn[2, 1 - along] = ahead
    rings = solid.transform(turn).section(ahead * place)
    regions = [shapely.make_valid(shapely.Polygon(ring)) for ring in rings if len(ring) > 2]
    empty: Any = shapely.Polygon()
    return reduce(lambda a, b: a.symmetric_difference(b), regions, empty)


def _down_to_parting(region: Any) -> Any:
    """A region with all that lies between it and the parting line: what straight walls fill."""
    import shapely

    low, high = region.bounds[0] - 1.0, region.bounds[2] + 1.0
    reach = 1.0 + max(abs(region.bounds[1]), abs(region.bounds[3]))
    shades = [region]
    for side in (shapely.box(low, 0.0, high, reach), shapely.box(low, -reach, high, 0.0)):
        for ring in rings_of(region.intersection(side)):
            a, b = ring, np.roll(ring, -1, axis=0)
            foot_b = np.column_stack([b[:, 0], np.zeros(len(b))])
            foot_a = np.column_stack([a[:, 0], np.zeros(len(a))])
            quads = np.stack([a, b, foot_b, foot_a], axis=1)
            quads = quads[np.abs(a[:, 0] - b[:, 0]) > 1e-9]
            shades.extend(shapely.buffer(shapely.polygons(quads), 0.0).tolist())
    return shapely.union_all(shades)


def _without_slivers(region: Any) -> Any:
    """A region without what is thinner than THIN_MM."""
    half = 0.5 * THIN_MM
    kept = region.buffer(-half, join_style="mitre").buffer(half, join_style="mitre")
    return kept.intersection(region)


def rings_of(region: Any) -> list[FloatArray]:
    """All closed rings (k, 2) of a shapely region, the first point not repeated."""
    rings: list[FloatArray] = []
    for polygon in getattr(region, "geoms", [region]):
        if polygon.geom_type == "Polygon" and not polygon.is_empty:
            around = (polygon.exterior, *polygon.interiors)
            rings.extend(np.asarray(ring.coords, dtype=np.float64)[:-1, :2] for ring in around)
        elif polygon.geom_type.startswith(("Multi", "Geometry")):
            rings.extend(rings_of(polygon))
    return rings
