"""Volumes and masses: the causes add up to what the files hold."""

from __future__ import annotations

from patternprep.proof.files import Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene

__all__ = ["volume_lines"]

SHARE_LIMIT = 1e-5
_CAUSES = (
    "part",
    "stock",
    "undercut_filled",
    "draft",
    "parting_match",
    "prints",
    "print_clearance",
    "cores_in_metal",
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
        at_most("casting volume from the halves", _off(casting, whole), SHARE_LIMIT, "of volume")
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
    return lines + _mass_lines(kit, casting)


def _casting_volume(kit: Kit) -> float:
    """Volume of both halves at casting size, mm3."""
    import numpy as np

    factor = abs(float(np.linalg.det(kit.frame[:3, :3])))
    return sum(piece.mesh.volume for piece in kit.pieces) / max(factor, 1e-300)


def _mass_lines(kit: Kit, casting_mm3: float) -> list[ProofLine]:
    if kit.figures.look("alloy.density_g_cm3", None) is None:
        return []
    density = kit.figures.number("alloy.density_g_cm3")
    mass = casting_mm3 * density * 1e-6
    off = _off(mass, kit.figures.number("casting.mass_kg"))
    return [at_most("casting mass from volume and density", off, SHARE_LIMIT, "of mass")]


def _off(found: float, told: float) -> float:
    return abs(found - told) / max(abs(told), 1e-300)
