"""Volumes and masses: the causes add up to what the files hold."""

from __future__ import annotations

import math

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.asked import largest_angle
from patternprep.proof.causes import stock_of
from patternprep.proof.core_files import PrintTold
from patternprep.proof.core_told import metal_volume
from patternprep.proof.files import Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene

__all__ = ["volume_lines"]

SHARE_LIMIT = 1e-5
_CAUSES = (
    "part",
    "stock",
    "left_solid",
    "undercut_filled",
    "draft",
    "parting_match",
    "box_draft",
    "rounding",
)
_ALWAYS = ("part", "stock", "undercut_filled", "draft", "parting_match")


def volume_lines(scene: Scene) -> list[ProofLine]:
    """Causes against the casting, the casting against the files, the mass against the density."""
    kit = scene.kit
    figures = kit.figures
    lines = []
    for piece in kit.pieces:
        told = piece.stated.number("volume_mm3")
        name = f"volume of the {piece.name} as told"
        lines.append(at_most(name, _off(piece.mesh.volume, told), SHARE_LIMIT, "of volume"))
    part = kit.part.volume
    both = (figures.number("part.volume_mm3"), figures.number("volumes_mm3.part"))
    off = max(_off(part, value) for value in both)
    lines.append(at_most("part volume as told", off, SHARE_LIMIT, "of volume"))
    casting = _casting_volume(kit)
    whole = figures.number("casting.volume_mm3")
    lines.append(
        at_most(
            "casting volume from the halves and cores",
            _off(casting, whole),
            SHARE_LIMIT,
            "of volume",
        )
    )
    causes = [
        figures.number(f"volumes_mm3.{key}", None if key in _ALWAYS else 0.0) for key in _CAUSES
    ]
    lines.append(
        at_most(
            "casting volume from its causes", _off(sum(causes), casting), SHARE_LIMIT, "of volume"
        )
    )
    negative = -min(0.0, *causes[:-1]) / max(abs(casting), 1e-300)
    lines.append(at_most("no cause takes metal away", negative, SHARE_LIMIT, "of volume"))
    rounding = abs(causes[-1]) / max(abs(casting), 1e-300)
    lines.append(at_most("nothing left over beside rounding", rounding, SHARE_LIMIT, "of volume"))
    return lines + _core_lines(scene) + _mass_lines(kit, casting)


def _casting_volume(kit: Kit) -> float:
    """Volume of the casting, mm3: the pattern less the cores and the gaps at their prints.

    That the cores lie within the pattern is proved elsewhere; then their volumes may be taken off.
    """
    pattern = sum(piece.mesh.volume for piece in kit.pieces)
    cores = sum(core.mesh.volume for core in kit.cores)
    clearance = kit.figures.number("volumes_mm3.print_clearance", 0.0)
    return (pattern - cores) / _size_factor(kit) - clearance


def _size_factor(kit: Kit) -> float:
    """Volume at pattern size over volume at casting size."""
    return max(abs(float(np.linalg.det(kit.frame[:3, :3]))), 1e-300)


def _core_lines(scene: Scene) -> list[ProofLine]:
    """What the prints, their gaps and the cores hold, and what was left solid, as told."""
    kit = scene.kit
    if not kit.cores and not scene.closed[0]:
        return []
    tell = kit.figures.number
    factor = _size_factor(kit)
    cores = sum(core.mesh.volume for core in kit.cores) / factor
    told = tell("volumes_mm3.cores_in_metal") + tell("volumes_mm3.prints")
    told -= tell("volumes_mm3.print_clearance")
    lines = []
    if kit.cores:
        off = _off(cores, told)
        lines.append(at_most("cores in the metal and in the prints", off, SHARE_LIMIT, "of volume"))
        least = -min(tell("volumes_mm3.print_clearance"), 0.0)
        lines.append(at_most("gaps at the prints take nothing away", least, 0.0, "mm3"))
        lines += _print_volume_lines(scene, factor)
    solid = 0.0
    for hole in scene.closed[0]:
        if not hole.core:
            solid += _volume(hole.body(scene.stocked_level)) / factor
    whole = max(tell("casting.volume_mm3"), 1e-300)
    off = abs(solid - tell("volumes_mm3.left_solid", 0.0)) / whole
    lines.append(at_most("holes left solid as told", off, SHARE_LIMIT, "of volume"))
    return lines


def _print_volume_lines(scene: Scene, factor: float) -> list[ProofLine]:
    """Box draft, core prints in draft wedges, and the gaps, by the holes and the rings told.

    Upright prints stand clear of the draft: there the cores in the metal are those in the holes,
    and the gaps are seat less core. Draft at the mouth and at the end of a level print takes or
    gives a wedge, as high as the halves and as wide as the print.
    """
    tell = scene.kit.figures.number
    whole = max(tell("casting.volume_mm3"), 1e-300) * factor
    wedge = spare = 0.0
    slope = math.tan(math.radians(largest_angle(scene.kit)))
    for one in (one for core in scene.kit.cores for one in core.prints):
        seat = _hull_volume(np.concatenate(one.seat_rings))
        spare += seat
        wedge += slope * _wedge(scene, one)
    metal = sum(metal_volume(core) for core in scene.kit.cores)
    spare -= sum(core.mesh.volume for core in scene.kit.cores) - metal
    through = tell("volumes_mm3.cores_in_metal") * factor - metal
    off = max(-through, through - wedge, 0.0) / whole
    gaps = abs(tell("volumes_mm3.print_clearance") * factor - spare)
    gaps = max(0.0, gaps - wedge) / whole
    lines = [
        at_most("cores in the metal by their holes", off, SHARE_LIMIT, "of volume"),
        at_most("gaps at the prints by their rings", gaps, SHARE_LIMIT, "of volume"),
    ]
    if all(face.known for face in scene.faces):
        holes = [hole for hole in scene.closed[0] if hole.core]
        hollow = sum(_volume(hole.body(scene.stocked_level)) for hole in holes)
        doubt = stock_of(scene)[1] / max(tell("casting.volume_mm3"), 1e-300)
        off = abs(hollow - metal - tell("volumes_mm3.box_draft", 0.0) * factor) / whole
        name = "box draft by the holes and the cores"
        lines.append(at_most(name, off, SHARE_LIMIT + doubt, "of volume"))
    told = sum(core.stated.number("box_draft.volume_mm3") for core in scene.kit.cores)
    off = abs(told - tell("volumes_mm3.box_draft", 0.0) * factor) / whole
    lines.append(at_most("box draft core by core", off, SHARE_LIMIT, "of volume"))
    return lines


def _wedge(scene: Scene, one: PrintTold) -> float:
    """Area of a level print's section times the height of what draws there, for both its ends."""
    if one.side != "horizontal":
        return 0.0
    ring = one.seat_rings[0]
    high = max(float(half.mesh.bounds[1, 2]) for half in scene.halves)
    wide = float(np.ptp(ring @ np.cross(one.normal, [0.0, 0.0, 1.0])))
    return 2.0 * wide * float(np.ptp(ring[:, 2])) * high


def _hull_volume(points: FloatArray) -> float:
    from scipy.spatial import ConvexHull, QhullError

    try:
        return float(ConvexHull(points).volume)
    except QhullError:
        return 0.0


def _volume(triangles: FloatArray) -> float:
    """Signed volume inside closed facets (k, 3, 3), mm3."""
    a, b, c = (triangles[:, i] - triangles[0, 0] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6.0


def _mass_lines(kit: Kit, casting_mm3: float) -> list[ProofLine]:
    if kit.figures.look("alloy.density_g_cm3", None) is None:
        return []
    density = kit.figures.number("alloy.density_g_cm3")
    mass = casting_mm3 * density * 1e-6
    off = _off(mass, kit.figures.number("casting.mass_kg"))
    return [at_most("casting mass from volume and density", off, SHARE_LIMIT, "of mass")]


def _off(found: float, told: float) -> float:
    return abs(found - told) / max(abs(told), 1e-300)
