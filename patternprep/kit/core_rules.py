"""The trade's rules for holes and prints, as the job has them, for the geometry of cores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.data.alloy_book import Alloy
from patternprep.errors import DataFault
from patternprep.formulas.core_forces import core_lift
from patternprep.formulas.core_prints import (
    BalancedPrint,
    balanced_print_length,
    print_gaps,
    print_length,
    print_taper,
)
from patternprep.formulas.core_sand import core_mass
from patternprep.formulas.cores import leave_for_drilling, sand_stands
from patternprep.kit.job import CoresChoice, MouldChoice
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.assemble import SizeRule
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.prints import PrintSize, Side
from patternprep.units import parse_length

__all__ = ["CoreRules", "liquid_density"]


@dataclass(frozen=True)
class CoreRules:
    """Rules of holes and prints for one job; without an alloy only holes can be judged."""

    cores: CoresChoice
    mould: MouldChoice
    alloy: Alloy | None

    def stands(self, diameter_mm: float, depth_mm: float, hanging: bool) -> tuple[bool, str]:
        """Does the mould's sand hold together in a hole of this diameter and depth?"""
        found = sand_stands(diameter_mm, depth_mm, self.mould.sand, hanging)
        return found.ok, found.text

    def drilled(self, diameter_mm: float) -> tuple[bool, str]:
        """Is a hole of this diameter left solid for the drill?"""
        given = self.cores.drilled_up_to
        if given != "book":
            limit = parse_length(given)
            return diameter_mm <= limit, f"holes up to {given} are left solid, as the job says"
        found = leave_for_drilling(
            diameter_mm, None if self.alloy is None else self.alloy.family.name
        )
        return found.ok, found.text

    def print_rule(self, void: Void) -> SizeRule:
        """Sizes of the prints of one void's core."""
        long = float(np.max(void.bounds[1] - void.bounds[0]))
        alone = len(void.openings) == 1

        def size(opening: Opening, side: Side) -> PrintSize:
            return self._size(void, opening, side, long, alone)

        return size

    def _size(
        self, void: Void, opening: Opening, side: Side, long: float, alone: bool
    ) -> PrintSize:
        width = opening.diameter_mm
        length = print_length(width, side, long)
        mm, words = length.value, length.text
        if alone and side == "horizontal":
            balanced = self._balanced(void, opening)
            if balanced.length_mm > mm:
                mm, words = balanced.length_mm, balanced.text
        if self.cores.print_length != "book":
            mm, words = (
                parse_length(self.cores.print_length),
                f"length as given, {self.cores.print_length}",
            )
        gaps = print_gaps(side, long, self.mould.sand)
        side_mm, gap_words = gaps.side_mm, gaps.text
        if self.cores.print_gap != "book":
            side_mm, gap_words = (
                parse_length(self.cores.print_gap),
                f"gap as given, {self.cores.print_gap}",
            )
        taper = print_taper(side)
        return PrintSize(
            length_mm=mm,
            taper_deg=taper.value,
            gap_side_mm=side_mm,
            gap_end_mm=gaps.end_mm,
            rule="; ".join((words, taper.text, gap_words)),
        )

    def _balanced(self, void: Void, opening: Opening) -> BalancedPrint:
        """The print of a core held at one end only."""
        assert self.alloy is not None
        centre = _centroid(void)
        mass = core_mass(void.volume_mm3, self.cores.binder)
        width = opening.diameter_mm
        return balanced_print_length(
            mass,
            max(0.0, float((opening.point - centre) @ opening.normal)),
            core_mass(opening.area_mm2, self.cores.binder),
            width,
            core_lift(void.volume_mm3, liquid_density(self.alloy), 1.0, "gross").newton,
            self.mould.sand,
            overhang_mm=float(((opening.point - void.mesh.vertices) @ opening.normal).max()),
        )


def liquid_density(alloy: Alloy) -> float:
    """Density of the melt in g/cm3; where only that of the solid is known, that, being heavier.

    Raises DataFault where neither is known.
    """
    value = alloy.density_liquid or alloy.density_solid
    if value is None:
        raise DataFault(
            f"The density of {alloy.id} is not known, so the lift on cores is not; give it in a "
            "file of the shop's own alloys with --shop-alloys."
        )
    return value.usual


def _centroid(void: Void) -> FloatArray:
    corners = void.mesh.triangles - void.point
    volumes = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0
    weighted = (corners.sum(axis=1) / 4.0 * volumes[:, None]).sum(axis=0)
    return np.asarray(void.point + weighted / volumes.sum())
