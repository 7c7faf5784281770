"""Room for a coating: the core smaller by its thickness where metal will lie against it."""

from __future__ import annotations

from patternprep.mesh.kernel import Solid, union_all

__all__ = ["coat_off", "coat_on"]

_SEGMENTS = 16
_ROOM_MM = 1.0


def coat_off(core: Solid, free: Solid | None, coating_mm: float) -> Solid:
    """The core less a coating of that thickness; prints (``free``) are not coated."""
    low, high = core.bounds
    room = _ROOM_MM + 2.0 * coating_mm
    around = Solid.box((low - room).tolist(), (high + room).tolist()) - core
    bare = core - around.minkowski_sum(Solid.sphere(coating_mm, _SEGMENTS))
    return bare if free is None else union_all([bare, core & free])


def coat_on(bare: Solid, free: Solid | None, coating_mm: float, within: Solid) -> Solid:
    """The core as made with its coating on, never beyond ``within``."""
    coated = bare.minkowski_sum(Solid.sphere(coating_mm, _SEGMENTS)) & within
    if free is not None:
        coated = coated - free
    return union_all([bare, coated])
