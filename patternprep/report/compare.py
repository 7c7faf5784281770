"""All alloys for one part as a table."""

from __future__ import annotations

from typing import Any

from patternprep.report.layout import sentence, size_text
from patternprep.units import LB_PER_KG

__all__ = ["compare_text"]


def compare_text(table: dict[str, Any]) -> str:
    """A table of at most 80 columns; a value that no source gives is "not known"."""
    rows = [
        sentence(
            f"{table['part']}: {size_text(table['part_size_mm'])}, "
            f"{table['part_volume_mm3'] / 1000.0:.2f} cm3; {table['counted']}.",
            0,
        ),
        "",
        f"{'alloy':<21}{'contr.':>7}{'pattern size':>22}{'casting':>10}"
        f"{'charge':>10}{'charge':>10}",
        f"{'':<21}{'%':>7}{'mm':>22}{'kg':>10}{'kg':>10}{'lb':>10}",
    ]
    for row in table["alloys"]:
        percent = row["contraction_percent"]
        size = row["pattern_size_mm"]
        rows.append(
            f"{row['alloy']:<21.21}"
            f"{'?' if percent is None else f'{percent:.2f}':>7}"
            f"{'not known' if size is None else ' x '.join(f'{s:.1f}' for s in size):>22}"
            f"{_kg(row['casting_kg']):>10}{_kg(row['charge_kg']):>10}"
            f"{_kg(row['charge_kg'], LB_PER_KG):>10}"
        )
    return "\n".join(row.rstrip() for row in rows)


def _kg(value: float | None, factor: float = 1.0) -> str:
    return "not known" if value is None else f"{value * factor:.3f}"
