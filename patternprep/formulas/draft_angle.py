"""Draft angle by the height of the wall, from tables; one height or an array of heights.

Heights in mm, angles in degrees from the pull. numpy is only imported when an array is handed in.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, overload

from patternprep.data.allowances import DraftTable, draft_tables, flat_tapers, taper_rows
from patternprep.data.tomlfile import nearest
from patternprep.data.values import Source
from patternprep.errors import DataFault, UsageFault

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Heights = Sequence[float] | NDArray[np.float64]

__all__ = [
    "angle_by_taper",
    "angle_from_table",
    "draft_materials",
    "draft_rule",
    "draft_source",
    "flat_taper_angle",
    "flat_taper_names",
    "pattern_material",
]

_PLASTIC_WORDS = ("metal", "plastic", "metal/plastic", "print", "printed", "resin")


def draft_materials() -> tuple[str, ...]:
    """Pattern materials of the table by height."""
    return tuple(table.material for table in draft_tables())


def pattern_material(name: str) -> str:
    """The table's word for a pattern material: 'plastic' -> 'metal or plastic'."""
    word = name.strip().casefold()
    if word in _PLASTIC_WORDS:
        return "metal or plastic"
    materials = draft_materials()
    if word not in materials:
        near = nearest(word, (*materials, *_PLASTIC_WORDS))
        hint = f"; did you mean '{near[0]}'" if near else ""
        raise UsageFault(
            f"'{name}' is no pattern material of the draft table{hint}; give wood or plastic."
        )
    return word


def _table(material: str) -> DraftTable:
    word = pattern_material(material)
    return next(table for table in draft_tables() if table.material == word)


def draft_source(material: str) -> Source:
    """Source of the table by height for that pattern material."""
    return _table(material).source


def _fault(height: float, limit: float) -> DataFault | UsageFault:
    if not math.isfinite(height) or height < 0.0:
        return UsageFault(
            f"a wall height is {height:g} mm, but must be 0 or more; give such heights."
        )
    return DataFault(
        f"a wall is {height:g} mm high, but the draft table ends at {limit:g} mm; give one angle."
    )


def _one(height: float, limits: Sequence[float], angles: Sequence[float]) -> float:
    """Angle of the first row whose limit is not below the height."""
    if not 0.0 <= height <= limits[-1]:
        raise _fault(height, limits[-1])
    return angles[bisect_left(limits, height)]


def _rows_of(heights: Heights, limits: Sequence[float]) -> NDArray[np.intp]:
    """Index of the first row whose limit is not below each height."""
    import numpy as np

    values = np.asarray(heights, dtype=np.float64)
    good = (values >= 0.0) & (values <= limits[-1])
    if not good.all():
        raise _fault(float(values[~good].flat[0]), limits[-1])
    return np.searchsorted(np.asarray(limits), values, side="left")


@overload
def angle_from_table(heights: float, inside: bool, material: str) -> float: ...
@overload
def angle_from_table(
    heights: Heights, inside: bool | NDArray[np.bool_], material: str
) -> NDArray[np.float64]: ...
def angle_from_table(
    heights: float | Heights, inside: bool | NDArray[np.bool_], material: str
) -> float | NDArray[np.float64]:
    """Draft in degrees for wall heights in mm: outside or inside walls, wood or metal/plastic.

    Table of NPTEL and P. N. Rao (from memory). A height on a limit belongs to the lower row.
    Limits: 0 to 32 in (812.8 mm); beyond it `DataFault`. An array of heights gives an array of its
    shape, and ``inside`` may then be an array too.

    >>> angle_from_table(40.0, inside=False, material="plastic")
    1.0
    >>> angle_from_table(40.0, inside=True, material="wood")
    2.5
    """
    rows = _table(material).rows
    limits = [row.up_to_mm for row in rows]
    if isinstance(heights, int | float):
        angles = [row.inside_deg if inside else row.outside_deg for row in rows]
        return _one(float(heights), limits, angles)
    import numpy as np

    index = _rows_of(heights, limits)
    within = np.array([row.inside_deg for row in rows])[index]
    without = np.array([row.outside_deg for row in rows])[index]
    return np.where(np.asarray(inside, dtype=bool), within, without)


def _taper_one(height: float) -> float:
    rows = taper_rows()
    if not 0.0 <= height <= rows[-1].up_to_mm:
        raise _fault(height, rows[-1].up_to_mm)
    row = rows[bisect_left([r.up_to_mm for r in rows], height)]
    if row.angle_deg is not None:
        return row.angle_deg
    assert row.taper_mm is not None
    return math.degrees(math.atan(row.taper_mm / height))


@overload
def angle_by_taper(heights: float) -> float: ...
@overload
def angle_by_taper(heights: Heights) -> NDArray[np.float64]: ...
def angle_by_taper(heights: float | Heights) -> float | NDArray[np.float64]:
    """Draft in degrees by the taper table of DIN 1511 (from memory), the same inside and out.

    Low walls have an angle; above 180 mm the table gives a taper in mm, so tan(angle) = taper /
    height. Limits: 0 to 1000 mm.

    >>> angle_by_taper(25.0)
    1.5
    >>> round(angle_by_taper(200.0), 4)
    0.4297
    """
    if isinstance(heights, int | float):
        return _taper_one(float(heights))
    import numpy as np

    rows = taper_rows()
    values = np.asarray(heights, dtype=np.float64)
    index = _rows_of(values, [row.up_to_mm for row in rows])
    angles = np.array([row.angle_deg or 0.0 for row in rows])[index]
    tapers = np.array([row.taper_mm or 0.0 for row in rows])[index]
    return np.where(tapers > 0.0, np.degrees(np.arctan2(tapers, values)), angles)


def draft_rule(name: str) -> Callable[[Heights, NDArray[np.bool_]], NDArray[np.float64]]:
    """Rule (heights in mm, inside or not) -> angles in degrees of a table or a named taper.

    ``name``: a pattern material ("wood", "plastic"), "taper" for the table of DIN 1511, or a
    named taper for all heights ("shop rule").

    >>> rule = draft_rule("taper")
    >>> [float(angle) for angle in rule([5.0, 60.0], [False, True])]
    [3.0, 0.75]
    """
    word = name.strip().casefold()
    if word == "taper":
        return lambda heights, inside: angle_by_taper(heights)
    if word in flat_taper_names():
        import numpy as np

        angle = flat_taper_angle(word)
        return lambda heights, inside: np.full(np.shape(heights), angle)
    material = pattern_material(word)
    return lambda heights, inside: angle_from_table(heights, inside, material)


def flat_taper_names() -> tuple[str, ...]:
    """Names of the tapers that hold for any height."""
    return tuple(taper.name for taper in flat_tapers())


def flat_taper_angle(name: str) -> float:
    """Angle in degrees of a named taper for walls of any height: atan(taper).

    >>> round(flat_taper_angle("shop rule"), 3)
    0.597
    """
    for taper in flat_tapers():
        if taper.name == name:
            return math.degrees(math.atan(taper.fraction))
    raise UsageFault(
        f"'{name}' is no named taper; give one of {', '.join(flat_taper_names())}, or an angle."
    )
