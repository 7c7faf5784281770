"""A line of pull with the part measured along it: what every plane across it shares."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.columns import Columns, make_columns, plan_frame
from patternprep.pattern.parting.directions import Axis, plan_direction
from patternprep.pattern.parting.survey import SurfaceSample, Survey, along, turned

__all__ = ["Line", "make_line"]


@dataclass(frozen=True, eq=False)
class Line:
    """An axis, the columns along it and the surface points in its frame.

    Heights ``z`` are along the axis as given; a pull in the other sense has them negated.
    """

    survey: Survey
    axis: Axis
    columns: Columns
    sample: SurfaceSample

    @property
    def direction(self) -> FloatArray:
        """Unit direction (3,) of the axis."""
        return self.axis.direction

    @cached_property
    def z(self) -> FloatArray:
        """Height of every vertex, mm."""
        return along(self.direction, self.survey.xyz)

    @cached_property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest point of the part, mm."""
        return float(self.z.min()), float(self.z.max())

    @cached_property
    def spot(self) -> FloatArray:
        """Surface points in the columns' frame, rows u, v, z (3, k) mm."""
        return turned(self.columns.frame, self.sample.points)

    @cached_property
    def tilt(self) -> FloatArray:
        """Surface normals in the columns' frame, rows (3, k)."""
        return turned(self.columns.frame, self.sample.normals)

    @cached_property
    def heavy_height(self) -> float:
        """Height where the thick metal lies: the mean weighted by chord squared, mm."""
        chord = self.columns.high - self.columns.low
        middle = 0.5 * (self.columns.high + self.columns.low)
        weight = chord * chord
        return float((weight * middle).sum() / max(float(weight.sum()), 1e-300))

    @cached_property
    def openings(self) -> tuple[tuple[float, float, float, float], ...]:
        """Holes right through along the axis: (width mm, area mm2, lower, upper rim mm) each."""
        from scipy import ndimage

        columns = self.columns
        shape = (columns.rows, columns.width)
        metal = np.zeros(columns.rows * columns.width, dtype=bool)
        metal[columns.column] = True
        label, count = ndimage.label(~np.pad(metal.reshape(shape), 1))
        if count < 2:
            return ()
        found = []
        apart = ndimage.distance_transform_edt(label > 0)
        inner = np.arange(1, count + 1)
        half_width = ndimage.maximum(apart, label, inner)
        top = np.pad(columns.top.reshape(shape), 1, constant_values=-np.inf)
        bottom = np.pad(columns.bottom.reshape(shape), 1, constant_values=np.inf)
        places = ndimage.find_objects(label)
        for k in inner:
            if k == label[0, 0]:
                continue
            box = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in places[k - 1])
            own = label[box] == k
            rim = ndimage.binary_dilation(own) & (label[box] == 0)
            low, high = float(np.median(bottom[box][rim])), float(np.median(top[box][rim]))
            # a slot's width from its widest spot, a round hole's better from its area
            widest = (2.0 * float(half_width[k - 1]) - 0.5) * columns.cell
            area = float(own.sum()) * columns.cell**2
            disc = float(np.sqrt(4.0 * area / np.pi))
            found.append((disc if disc < 1.3 * widest else widest, area, low, high))
        return tuple(found)

    def standing_sand(self, height: float) -> list[tuple[float, float]]:
        """(volume mm3, height over width of the taller half's sand) of each opening."""
        return [
            (area * (high - low), max(high - height, height - low) / width)
            for width, area, low, high in self.openings
        ]

    def flat_share(self, height: float, sense: float) -> float:
        """Share of the footprint that lies flat at the height, facing along the sense."""
        close = 1e-4 * self.survey.size
        back = (self.tilt[2] * sense > 0.99985) & (np.abs(self.spot[2] - height) < close)
        return float(back.sum()) * self.sample.weight / self.columns.footprint


def make_line(survey: Survey, axis: Axis, count: int, sample: SurfaceSample) -> Line:
    """Measure the part along an axis in about that many columns."""
    frame = plan_frame(axis.direction, plan_direction(survey, axis.direction))
    columns = make_columns(survey, frame, count)
    if len(columns.column) == 0:
        raise GeometryFault(
            "No column along the pull meets closed metal, so no parting can be judged; "
            "check that the mesh is closed and its normals point outward."
        )
    return Line(survey, axis, columns, sample)
