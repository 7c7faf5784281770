"""The frame turns and grows and does nothing else, by just what the figures tell."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from patternprep.errors import FileFault, PatternprepError
from patternprep.mesh.mesh import FloatArray
from patternprep.proof.files import Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.units import parse_fraction, parse_length

__all__ = ["frame_lines"]

_LEVEL = 1e-9
_SKEW = 1e-7
_GROWTH_LIMIT = 1e-4
_RAPPED_LIMIT = 0.01


def frame_lines(scene: Scene) -> list[ProofLine]:
    """Turn and growth of part_to_mould against the contraction of figures.json and job.toml."""
    kit = scene.kit
    frame = kit.frame
    linear = frame[:3, :3]
    row = float(np.abs(frame[3] - np.array([0.0, 0.0, 0.0, 1.0])).max())
    det = float(np.linalg.det(linear))
    rapping = _rapping(kit, scene)
    plain = np.diag(1.0 / rapping) @ linear
    found = np.asarray(np.linalg.svd(plain, compute_uv=False), dtype=np.float64)
    off = _nearest(found, _told_factors(kit))
    limit = _GROWTH_LIMIT if (rapping == 1.0).all() else _RAPPED_LIMIT
    lines = [
        at_most("frame is right-handed and plain", row if det > 0.0 else 1.0, _LEVEL, "of unity"),
        at_most("frame grows by the contraction", off * 100.0, limit, "% off"),
        at_most("frame turns square", _skew(plain), _SKEW, "of unity"),
    ]
    asked = _asked_factor(kit)
    if asked is not None:
        common = _factor(
            kit.figures.number("contraction.percent"), kit.figures.text("contraction.basis")
        )
        off = abs(asked / common - 1.0) * 100.0
        lines.append(at_most("contraction as the job asks", off, 1e-6, "% off"))
    return lines


def _factor(percent: float, basis: str) -> float:
    """Pattern over casting for a contraction referred to the part or to the pattern."""
    if basis == "pattern" and percent < 100.0:
        return 1.0 / (1.0 - percent / 100.0)
    return 1.0 + percent / 100.0


def _told_factors(kit: Kit) -> FloatArray:
    """Growth along the three axes as told: contraction and a metal master's own."""
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


def _rapping(kit: Kit, scene: Scene) -> FloatArray:
    """Factors along the mould's axes by which rapping made the stocked pattern smaller."""
    text = kit.figures.look("rapping.per_side", "0")
    if text == "rule":
        return kit.figures.array("rapping.factors", (3,))
    try:
        side = parse_length(text) if isinstance(text, str) else float(text)
    except (PatternprepError, TypeError, ValueError):
        raise FileFault(
            f"{kit.figures.file}: 'rapping.per_side' is '{text}' but must be a length such as "
            "'0.2 mm'; make the kit again."
        ) from None
    if side == 0.0:
        return np.ones(3)
    plan = scene.stocked_level.size[:2]
    return np.append(plan / np.maximum(plan + 2.0 * side, 1e-9), 1.0)


def _nearest(found: FloatArray, told: FloatArray) -> float:
    """Largest relative difference of three growths, in whichever order fits best."""
    return min(
        float(np.abs(found / np.maximum(told[list(order)], 1e-12) - 1.0).max())
        for order in permutations(range(3))
    )


def _skew(linear: FloatArray) -> float:
    """How far the growth is from being along the axes of the part or of the mould."""
    inward, outward = linear.T @ linear, linear @ linear.T
    skews = [float(np.abs(m - np.diag(np.diag(m))).max()) for m in (inward, outward)]
    return min(skews)


def _asked_factor(kit: Kit) -> float | None:
    """Growth by the contraction that the job gives as a figure; None where it follows the book."""
    value = kit.job.look("contraction.value", None)
    if not isinstance(value, str):
        return None
    try:
        fraction = parse_fraction(value)
    except PatternprepError:
        return None
    return _factor(fraction * 100.0, str(kit.job.look("contraction.basis", "part")))
