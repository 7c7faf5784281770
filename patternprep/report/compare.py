"""All alloys for one part as a table."""

from __future__ import annotations

from typing import Any

from patternprep.report.layout import size_text
from patternprep.units import LB_PER_KG

__all__ = ["compare_text"]


def compare_text(table: dict[str, Any]) -> str:
    """A table of at most 80 columns; a value that no source gives is "not known"."""
    rows = [
        f"{table['part']}: {size_text(table['part_size_mm'])}, "
        f"{table['part_volume_mm3'] / 1000.0:.2f} cm3; {table['counted']}",
        "",
        f"{'alloy':<16}{'contr. %':>9}{'pattern size, mm':>25}{'casting':>10}{'charge':>10}"
        f"{'charge':>9}",
        f"{'':<16}{'':>9}{'':>25}{'kg':>10}{'kg':>10}{'lb':>9}",
    ]
    for row in table["alloys"]:
        percent = row["contraction_percent"]
        size = row["pattern_size_mm"]
        rows.append(
            f"{row['alloy']:<16.16}"
            f"{'not known' if percent is None else f'{percent:.2f}':>9}"
            f"{'not known' if size is None else ' x '.join(f'{s:.1f}' for s in size):>25}"
            f"{_kg(row['casting_kg']):>10}{_kg(row['charge_kg']):>10}"
            f"{_kg(row['charge_kg'], LB_PER_KG):>9}"
        )
    return "\n".join(row.rstrip() for row in rows)


def _kg(value: float | None, factor: float = 1.0) -> str:
    return "not known" if value is None else f"{value * factor:.3f}"
