"""Mass, metal and plastic of a kit, through the estimate's formulas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from patternprep.data.alloy_book import Alloy
from patternprep.formulas.cautions import DEFERENCE, cautions_for, core_cautions
from patternprep.formulas.estimate import Estimate, estimate_metal
from patternprep.kit.job import Job
from patternprep.units import parse_fraction, parse_mass

__all__ = ["MetalFigures", "metal_figures", "quick_metal"]


ACTIVITIES = (
    "melting and pouring",
    "moulding",
    "fettling and machining",
    "printing the pattern",
)
"""What any pattern leads to, and what its cautions are given for; cores have their own."""


@dataclass(frozen=True)
class MetalFigures:
    """The sections of the figures that speak of metal."""

    alloy: dict[str, Any]
    casting_kg: float | None
    pour: dict[str, Any]
    charge: dict[str, Any]
    pattern: dict[str, Any]
    steps: list[dict[str, Any]]
    missing: list[str]
    cautions: list[str]

    def sections(self, casting_mm3: float) -> dict[str, Any]:
        """These figures under the keys of figures.json; the casting's volume in mm3, cold."""
        return {
            "alloy": self.alloy,
            "casting": {"volume_mm3": casting_mm3, "mass_kg": self.casting_kg},
            "pour": self.pour,
            "charge": self.charge,
            "pattern": self.pattern,
            "estimate_steps": self.steps,
            "cautions": self.cautions,
        }


def metal_figures(
    job: Job, alloy: Alloy, casting_mm3: float, pattern_mm3: float, *, cored: bool = False
) -> MetalFigures:
    """Sections for a casting (mm3, cold) and its pattern (mm3, pattern size, all pieces)."""
    asked = job.estimate
    infill = 100.0 * parse_fraction(job.printer.infill)
    made = estimate_metal(
        alloy,
        casting_mm3,
        castings=asked.castings_per_mould,
        yield_percent=_percent(asked.yield_share),
        loss_percent=_percent(asked.loss),
        pour_off_kg=parse_mass(asked.pour_off),
        heel_kg=parse_mass(asked.heel),
        pattern_volume_mm3=pattern_mm3,
        plastic=job.printer.plastic,
        infill_percent=infill,
    )
    return MetalFigures(
        alloy={
            "name": alloy.id,
            "plain_name": alloy.name,
            "designations": list(alloy.designations),
            "family": alloy.family.name,
            "density_g_cm3": made.density_g_cm3,
        },
        casting_kg=made.casting_kg,
        pour={
            "poured_kg": made.poured_kg,
            "yield_percent": made.yield_percent,
            "castings_per_mould": made.castings,
            "pouring_c": _range(alloy),
        },
        charge={
            "mass_kg": made.charge_kg,
            "low_kg": made.charge_low_kg,
            "high_kg": made.charge_high_kg,
            "loss_percent": made.loss_percent,
            "pour_off_kg": parse_mass(asked.pour_off),
            "heel_kg": parse_mass(asked.heel),
        },
        pattern={
            "plastic_kg": made.plastic_kg,
            "plastic": job.printer.plastic,
            "infill_percent": infill,
            "volume_mm3": pattern_mm3,
        },
        steps=_steps(made),
        missing=list(made.missing),
        cautions=[
            DEFERENCE,
            *(c.text for c in cautions_for(alloy, ACTIVITIES)),
            *(c.text for c in (core_cautions(job.cores.binder) if cored else ())),
        ],
    )


def quick_metal(alloy: Alloy, volume_mm3: float) -> dict[str, Any]:
    """Casting and charge in kg for a volume, with the tables' usual yield and loss."""
    made = estimate_metal(alloy, volume_mm3)
    return {
        "casting_kg": made.casting_kg,
        "poured_kg": made.poured_kg,
        "charge_kg": made.charge_kg,
        "charge_low_kg": made.charge_low_kg,
        "charge_high_kg": made.charge_high_kg,
    }


def _percent(text: str) -> float | None:
    return None if text == "book" else 100.0 * parse_fraction(text)


def _range(alloy: Alloy) -> dict[str, float] | None:
    value = alloy.pouring
    return None if value is None else {"low": value.low, "high": value.high}


def _steps(made: Estimate) -> list[dict[str, Any]]:
    return [
        {
            "label": step.label,
            "expression": step.expression,
            "value": step.value,
            "unit": step.unit,
            "source": step.source,
            "text": step.text(),
        }
        for step in made.steps
    ]
