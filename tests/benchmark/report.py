"""The benchmark's rows as lines and as the page docs/benchmark.md."""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

REMARKS = Path(__file__).with_name("remarks.md")

__all__ = ["cored_line", "dimension_line", "hull_line", "page", "speed_line"]

Row = dict[str, Any]

MOST_FLOORS = {
    ("valve body", 200_000): 25.0,
    ("valve body", 1_000_000): 15.0,
    ("spoked pulley", 200_000): 40.0,
    ("spoked pulley", 1_000_000): 30.0,
}
MOST_MB = 2_500.0
MOST_SMALL_S = 1.5
MOST_CORED = 2.0
HULL_MM = 0.01
DIMENSION_MM = 0.005
LIBRARIES = ("numpy", "scipy", "shapely", "manifold3d", "numpy-stl", "pydantic")
SMALLEST_SHARE = 0.02


def speed_line(row: Row) -> str:
    """One measured mesh on one line."""
    return (
        f"{row['name']}, {row['facets_in']} facets -> {row['facets_out']}: make {row['make_s']:.2f}"
        f" s = {row['ratio']:.1f} floors of {row['floor_s']:.3f} s, peak {row['peak_mb']:.0f} MB"
    )


def cored_line(row: Row) -> str:
    """One cored part on one line."""
    return (
        f"{row['name']}, {row['facets_in']} facets, {row['cores']} cores: {row['cored_s']:.2f} s, "
        f"{row['ratio']:.2f} times the {row['plain_s']:.2f} s without"
    )


def hull_line(row: Row) -> str:
    """One body of the hull comparison on one line."""
    return (
        f"draft hull of {row['body']}: {row['outward_mm']:.4f} mm outward, "
        f"{row['inward_mm']:.4f} mm inward of the reference"
    )


def dimension_line(row: Row) -> str:
    """One demo part's dimensions on one line."""
    if "refused" in row:
        return f"{row['part']} gives no kit: {row['refused']}"
    return (
        f"dimensions of {row['part']}: {row['planes']} planes within {_mm(row['plane_error_mm'])}, "
        f"{row['rims']} rims of bores and bosses within {_mm(row['rim_error_mm'])}"
    )


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.5f} mm"


def _remarks() -> str:
    """What was written by hand about misses, kept beside this file."""
    text = REMARKS.read_text(encoding="utf-8").strip() if REMARKS.exists() else ""
    return f"## Remarks\n\n{text}\n" if text else ""


def _busy(others: float) -> str:
    """A warning when other work shared the machine."""
    if others < 0.5:
        return ""
    return f"\n**Other work kept about {others:.1f} processes busy: the seconds are too long.**\n"


def _met(met: bool) -> str:
    return "met" if met else "**missed**"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    return "\n".join([*lines, *(f"| {' | '.join(cells)} |" for cells in rows)])


def _machine() -> str:
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    versions = ", ".join(f"{name} {metadata.version(name)}" for name in LIBRARIES)
    return (
        f"{os.cpu_count()} cores ({platform.machine()}), {memory:.0f} GB of memory, "
        f"{platform.system()}, Python {platform.python_version()}; {versions}."
    )


def _speed(rows: Sequence[Row]) -> str:
    cells = []
    for row in rows:
        most = MOST_FLOORS.get((row["name"], row["asked"]))
        small = row["asked"] <= 20_000
        aim = f"{most:.0f} floors" if most else f"{MOST_SMALL_S} s of work" if small else "-"
        met = row["ratio"] <= most if most else row["work_s"] <= MOST_SMALL_S
        cells.append(
            [
                row["name"],
                f"{row['facets_in']:,}",
                f"{row['facets_out']:,}",
                f"{row['floor_s']:.3f}",
                f"{row['make_s']:.2f}",
                f"{row['ratio']:.1f}",
                f"{row['work_s']:.2f}",
                aim,
                _met(met),
                f"{row['peak_mb']:,.0f}",
                _met(row["peak_mb"] <= MOST_MB),
            ]
        )
    head = (
        "mesh",
        "facets in",
        "facets out, both halves",
        "floor, s",
        "make, s",
        "floors",
        "all work besides starting Python, s",
        "target",
        "",
        "peak, MB",
        f"under {MOST_MB:,.0f} MB",
    )
    return _table(head, cells)


def _stage_name(label: str) -> str:
    """A stage without its figures, so that the same stage has the same name in every run."""
    return re.sub(r"\s*[:(].*$", "", re.sub(r"\d[\d.,]*", "n", label))


def _stages(row: Row) -> str:
    summed: dict[str, float] = {}
    for label, seconds in row["stages"]:
        name = _stage_name(label)
        summed[name] = summed.get(name, 0.0) + seconds
    total = sum(summed.values())
    shown = [(n, s) for n, s in summed.items() if s >= SMALLEST_SHARE * total]
    rest = total - sum(s for _, s in shown)
    cells = [[n, f"{s:.2f}", f"{100.0 * s / total:.0f} %"] for n, s in shown]
    cells.append(["everything else", f"{rest:.2f}", f"{100.0 * rest / total:.0f} %"])
    title = f"### {row['name']}, {row['facets_in']:,} facets"
    return f"{title}\n\n{_table(('stage', 's', 'share'), cells)}"


def _walls(rows: Sequence[Row]) -> str:
    cells = []
    for row in rows:
        for line in row["proof"]:
            if line["unit"] in ("ppm", "parts per million") or "wall" in line["name"]:
                figure = f"{line['figure']:.4g} {line['unit']}"
                limit = f"{line['limit']:.4g} {line['unit']}"
                cells.append([row["name"], f"{row['facets_in']:,}", line["name"], figure, limit])
    return _table(("mesh", "facets in", "line of the proof", "figure", "limit"), cells)


def _hulls(hulls: Sequence[Row]) -> str:
    cells = [
        [
            row["body"],
            f"{row['facets_in']:,}",
            f"{row['facets_out']:,}",
            f"{row['outward_mm']:.4f}",
            f"{row['inward_mm']:.4f}",
            f"{row['reference_mm']:.4f}",
            _met(max(row["outward_mm"], row["inward_mm"]) <= HULL_MM),
        ]
        for row in hulls
    ]
    head = ("half", "facets in", "facets out", "outward, mm", "inward, mm")
    return _table((*head, "the reference's own error, mm", f"within {HULL_MM} mm"), cells)


def _facets(rows: Sequence[Row]) -> str:
    grown = [r for r in rows if r["asked"] >= 20_000 and r["facets_out"] > r["facets_in"]]
    if not grown:
        return "From 20,000 facets on no kit has more facets than its part: met."
    names = ", ".join(f"{r['name']} at {r['facets_in']:,}" for r in grown)
    return (
        f"From 20,000 facets on no kit should have more facets than its part: **missed** ({names})."
    )


def _dimensions(parts: Sequence[Row]) -> str:
    cells = []
    for row in parts:
        if "refused" in row:
            cells.append([row["part"], *["-"] * 4, f"**no kit**: {row['refused']}"])
            continue
        worst = max(
            (e for e in (row["plane_error_mm"], row["rim_error_mm"]) if e is not None), default=None
        )
        cells.append(
            [
                row["part"],
                str(row["planes"]),
                _mm(row["plane_error_mm"]),
                str(row["rims"]),
                _mm(row["rim_error_mm"]),
                "-" if worst is None else _met(worst <= DIMENSION_MM),
            ]
        )
    head = ("part", "planes", "largest error", "rims of bores and bosses", "largest error")
    return _table((*head, f"within {DIMENSION_MM} mm"), cells)


def _cored(rows: Sequence[Row]) -> str:
    cells = []
    for row in rows:
        aimed = row["asked"] == 200_000
        cells.append(
            [
                row["name"],
                f"{row['facets_in']:,}",
                str(row["cores"]),
                f"{row['core_facets']:,}",
                f"{row['plain_s']:.2f}",
                f"{row['cored_s']:.2f}",
                f"{row['ratio']:.2f}",
                _met(row["ratio"] <= MOST_CORED) if aimed else "-",
            ]
        )
    head = ("part", "facets in", "cores", "their facets", "without cores, s", "with cores, s")
    return _table((*head, "ratio", f"at most {MOST_CORED:g} at 200,000"), cells)


def page(
    rows: Sequence[Row],
    cored: Sequence[Row],
    hulls: Sequence[Row],
    parts: Sequence[Row],
    busy: float,
) -> str:
    """The whole page; ``busy`` is how many processes of others ran when the run began."""
    stages = "\n\n".join(_stages(row) for row in rows)
    return (
        f"""# Benchmark

Written by `python tests/benchmark/run.py --write`; do not edit by hand. Measured on {_machine()}
{_busy(busy)}

## Speed and memory

The whole `make` as a library call: reading, faces, choice of pull and parting, stock on two faces,
both halves drafted and matched, all files written, the proof; without cores. The *floor* is the
least that any program with this kernel must do: load and weld the file, build the solid, one union
with a small box, write it; the median of three, in the same process. The meshes are fine
tessellations of the same true shapes: a globe-valve body (three flanges, bolt holes, hollow) and a
spoked pulley whose rims end in common planes. Every row is a process of its own.

{_speed(rows)}

{_facets(rows)}

## Where the time goes

Stages as `make` tells them.

{stages}

## Cored parts

The same `make` without stock, with all cores that the rules ask for (prints, cores, boxes and their
proof) against the same without cores, in one process.

{_cored(cored)}

## Draft of the walls

From the proof in the same kits.

{_walls(rows)}

## The draft hull against an independent reference

Each half is drafted at 2 degrees with round corners and compared, at five heights and both ways,
with plan sections grown layer by layer in the plane by another library ([the geometry](geometry.md)
has the definition). The reference lies inside the truth by at most its own error.

{_hulls(hulls)}

## Dimensions of the demo parts

Planes square to the pull, and the outer ends of bores and bosses along it, in the written halves
against the part brought to pattern size by the kit's matrix. Faces that draft covers are left out.

{_dimensions(parts)}

{_remarks()}""".rstrip()
        + "\n"
    )
