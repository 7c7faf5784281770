"""The frame turns and grows and does nothing else, by just what the figures tell."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from patternprep.errors import PatternprepError
from patternprep.mesh.mesh import FloatArray
from patternprep.proof.files import Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.units import parse_fraction

__all__ = ["frame_lines"]

_LEVEL = 1e-9


def frame_lines(scene: Scene) -> list[ProofLine]:
    """Turn and growth of part_to_mould against the contraction of figures.json and job.toml."""
    kit = scene.kit
    frame = kit.frame
    linear = frame[:3, :3] / _rapping(kit)[:, None]
    row = float(np.abs(frame[3] - np.array([0.0, 0.0, 0.0, 1.0])).max())
    det = float(np.linalg.det(linear))
    found = np.asarray(np.linalg.svd(linear, compute_uv=False), dtype=np.float64)
    told = _told_factors(kit, scene)
    off = _nearest(found, told)
    lines = [
        at_most("frame is right-handed and plain", row if det > 0.0 else 1.0, _LEVEL, "of unity"),
        at_most("frame grows by the contraction", off * 100.0, 1e-4, "% off"),
        at_most("frame turns square", _skew(linear, scene.kit), _LEVEL * 100.0, "of unity"),
    ]
    asked = _asked_percent(kit)
    if asked is not None:
        off = abs(asked - kit.figures.number("contraction.percent"))
        lines.append(at_most("contraction as the job asks", off, 1e-6, "% off"))
    return lines


def _factor(percent: float, basis: str) -> float:
    if basis == "pattern" and percent < 100.0:
        return 1.0 / (1.0 - percent / 100.0)
    return 1.0 + percent / 100.0


def _told_factors(kit: Kit, scene: Scene) -> FloatArray:
    """Growth along the three axes as told: contraction, and a metal master's own."""
    figures = kit.figures
    common = _factor(figures.number("contraction.percent"), figures.text("contraction.basis"))
    factors = np.full(3, common)
    if figures.look("contraction.per_axis_percent", None) is not None:
        basis = figures.text("contraction.per_axis_basis", "part")
        own = figures.array("contraction.per_axis_percent", (3,))
        factors = np.array([_factor(float(p), basis) for p in own])
    if figures.look("contraction.master", None) is not None:
        factors = factors * _factor(
            figures.number("contraction.master.percent"),
            figures.text("contraction.master.basis", "part"),
        )
    return factors


def _rapping(kit: Kit) -> FloatArray:
    """Factors along the mould's axes by which the pattern is smaller for rapping, (3,)."""
    if kit.figures.look("rapping.factors", None) is None:
        return np.ones(3)
    return kit.figures.array("rapping.factors", (3,))


def _nearest(found: FloatArray, told: FloatArray) -> float:
    """Largest relative difference of three growths, in whichever order fits best."""
    return min(
        float(np.abs(found / np.maximum(told[list(order)], 1e-12) - 1.0).max())
        for order in permutations(range(3))
    )


def _skew(linear: FloatArray, kit: Kit) -> float:
    """How far the growth is from being along the axes of the part or of the mould."""
    inward, outward = linear.T @ linear, linear @ linear.T
    skews = [float(np.abs(m - np.diag(np.diag(m))).max()) for m in (inward, outward)]
    return min(skews)


def _asked_percent(kit: Kit) -> float | None:
    """The contraction that the job gives, referred to the part; None where it follows the book."""
    value = kit.job.look("contraction.value", None)
    if not isinstance(value, str):
        return None
    try:
        fraction = parse_fraction(value)
        basis = kit.job.look("contraction.basis", "part")
        return (fraction / (1.0 - fraction) if basis == "pattern" else fraction) * 100.0
    except PatternprepError:
        return None
