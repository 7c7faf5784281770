"""Rules and figures of cores as a section of docs/cores.md, every figure with its source."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from patternprep.data.core_practice import (
    SIDES,
    PrintRow,
    box_practice,
    chaplet_rows,
    core_practices,
    drilling_rows,
    gap_rows,
    mould_sands,
    pocket_draft,
    print_practice,
    print_rows,
    print_tapers,
)
from patternprep.data.core_sands import Binder, binders
from patternprep.data.values import Source, Value, format_figure
from patternprep.formulas.cautions import DEFERENCE, all_cautions
from patternprep.formulas.core_prints import print_gaps

__all__ = ["BEGIN", "END", "core_rules_section", "with_section"]

#: The lines of the page between which the section stands.
BEGIN = "<!-- rules and figures: python -m patternprep.report.core_rules docs/cores.md -->"
END = "<!-- end of rules and figures -->"


class _Refs:
    """Numbers of the sources in the order in which they are first named."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}
        self._sources: list[Source] = []

    def mark(self, sources: Iterable[Source]) -> str:
        """'[1, 4]' for those sources."""
        numbers = []
        for source in sources:
            if source.id not in self._numbers:
                self._sources.append(source)
                self._numbers[source.id] = len(self._sources)
            if self._numbers[source.id] not in numbers:
                numbers.append(self._numbers[source.id])
        return f"[{', '.join(str(number) for number in numbers)}]"

    def value(self, value: Value) -> str:
        """Chosen figure, range and sources: '1 (1 to 1.5) [3]'."""
        return f"{value.text()} {self.mark(value.sources)}"

    def readings(self, value: Value) -> str:
        """Every reading with its source and note."""
        return "; ".join(
            f"{r.range_text(value.unit)}{f', {r.note}' if r.note else ''} {self.mark([r.source])}"
            for r in value.readings
        )

    def lines(self) -> list[str]:
        """The sources as a numbered list."""
        return [f"{number}. {source.text()}" for number, source in enumerate(self._sources, 1)]


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    body = [f"| {' | '.join(row)} |" for row in rows]
    return [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}", *body, ""]


def _up_to(limit: float) -> str:
    return "above" if math.isinf(limit) else f"to {format_figure(limit)} mm"


def _holes(refs: _Refs) -> list[str]:
    draft = pocket_draft()
    sands = (
        (
            sand.name,
            *(refs.value(v) for v in (sand.pocket_drag, sand.pocket_cope)),
            *(refs.value(v) for v in (sand.least_drag, sand.least_cope)),
        )
        for sand in mould_sands().values()
    )
    return [
        "### Holes that the mould's own sand stands in",
        "",
        "The sand stands in a hole or pocket along the pull when its depth is not above this",
        "multiple of its least width, and the width not below the least.",
        "",
        *_table(
            ("mould sand", "depth, drag", "depth, cope", "least width, drag", "least width, cope"),
            sands,
        ),
        f"Draft that a foundry asks of such pockets: drag {refs.value(draft['drag'])}, cope "
        f"{refs.value(draft['cope'])}.",
        "",
        "### Holes left solid for drilling",
        "",
        *_table(
            ("metal", "drilled up to"),
            ((", ".join(r.families) or "all others", refs.value(r.up_to)) for r in drilling_rows()),
        ),
    ]


def _print_rule(row: PrintRow, refs: _Refs) -> str:
    parts = []
    if row.mm is not None:
        parts.append(refs.readings(row.mm))
    if row.per_diameter is not None:
        times = f"times the diameter: {refs.readings(row.per_diameter)}"
        parts.append(f"(others: {times})" if parts else times)
    return " ".join(parts)


def _prints(refs: _Refs) -> list[str]:
    practice, tapers = print_practice(), print_tapers()
    lengths = [
        (side, _up_to(row.up_to_mm), _print_rule(row, refs))
        for side in SIDES
        for row in print_rows(side)
    ]
    lengths.append(
        ("cope", "any", f"times the drag print: {refs.readings(practice.cope_per_drag)}")
    )
    return [
        "### Core prints",
        "",
        *_table(("print", "core", "length"), lengths),
        "The first figure is taken, and a print never shortens as cores grow. At least: horizontal",
        f"{refs.value(practice.least_horizontal)}, drag {refs.value(practice.least_drag)}, cope "
        f"{refs.value(practice.least_cope)}; horizontal and drag",
        f"prints also {refs.value(practice.per_core_length)} times the core's length.",
        "",
        "Taper: " + ", ".join(f"{side} {refs.value(tapers[side])}" for side in SIDES) + ".",
        "",
        *_gaps(refs),
        "A core held at one end: its print is long enough that its weight holds the overhang down",
        "(safety x m c = q L^2 / 2), that its seat bears the lift with a pressure linear along the",
        "print (p b L^2 - 4 F L - 6 F c = 0, F with the safety), and no shorter than",
        f"{refs.value(practice.balanced_per_overhang)} times the overhang; the longest governs. "
        f"Safety {refs.value(practice.balance_safety)}.",
        "",
    ]


def _gaps(refs: _Refs) -> list[str]:
    head = ("mould sand", "print", *(f"core {_up_to(row.up_to_mm)}" for row in gap_rows()))
    sizes = [min(row.up_to_mm, 1000.0) for row in gap_rows()]
    body = []
    for sand in mould_sands():
        for side in SIDES:
            found = [print_gaps(side, size, sand) for size in sizes]
            cells = (f"{format_figure(g.side_mm)} / {format_figure(g.end_mm)}" for g in found)
            body.append((sand, side, *cells))
    places = next(iter(mould_sands().values())).gap_places.values()
    ranges = ", ".join(
        f"{_up_to(row.up_to_mm)} {row.mm.readings[0].range_text('mm')}" for row in gap_rows()
    )
    return [
        f"Gap per face between core print and seat, sides / end, mm. Ranges: {ranges} "
        f"{refs.mark(gap_rows()[0].mm.sources)};",
        f"where a gap lies in its range {refs.mark(s for p in places for s in p.sources)}.",
        "The drag seat locates.",
        "",
        *_table(head, body),
    ]


def _forces(refs: _Refs) -> list[str]:
    row = chaplet_rows()[0]
    return [
        "### Forces",
        "",
        "- Gross lift: V rho_melt g, the displaced melt's weight; the core's own is left out.",
        "- Net lift: V (rho_melt - rho_core) g.",
        "- Load that the prints do not bear: load - allowable x seat area, where that is positive.",
        f"- Chaplets, {', '.join(row.families)} only: {refs.readings(row.mm2_per_n)}. That presses",
        f"  the sand with {format_figure(1e3 / row.mm2_per_n.usual, 3)} kPa, as much as green sand "
        "bears: it is the area of the heads on the",
        "  sand and says nothing of the metal's strength. Other metals: not known.",
        "- Vent area that a core's gas needs: not known, no source at hand gives a rule.",
        "",
        *_table(
            ("seat in", "allowable bearing"),
            ((sand.name, refs.readings(sand.bearing)) for sand in mould_sands().values()),
        ),
    ]


def _binder(binder: Binder, refs: _Refs) -> list[str]:
    return [
        f"**{binder.name}** (`{binder.id}`)",
        "",
        f"- density of the rammed core: {refs.readings(binder.density)}",
        f"- {binder.binder_name}, of the sand's mass: {refs.readings(binder.percent)}",
        *(
            f"- {a.name}, of the {a.per}'s mass: {refs.readings(a.percent)}"
            for a in binder.additions
        ),
        *(f"- {c.name}: {refs.readings(c.value)}" for c in binder.conditions),
        *(f"- {r.text} {refs.mark([r.source])}" for r in binder.remarks),
        "",
    ]


def _boxes(refs: _Refs) -> list[str]:
    box = box_practice()
    return [
        "### Core boxes and practice",
        "",
        f"- walls: filament {refs.value(box.walls['filament'])}, resin "
        f"{refs.value(box.walls['resin'])}, and {refs.readings(box.wall_per_100)}",
        f"- draft: {refs.readings(box.draft)}",
        f"- metal left by box draft on a cored surface: {refs.readings(box.draft_metal)}",
        f"- core coating: {refs.readings(box.coating)}",
        f"- pegs: {refs.value(box.dowel)} and {refs.value(box.second_dowel)}, standing out "
        f"{refs.readings(box.dowel_out)}; {refs.readings(box.dowel_gap)}",
        f"- vent hole: {format_figure(box.vent_per_diameter.usual)} times the core's diameter, "
        f"{format_figure(box.least_vent.usual)} to {format_figure(box.most_vent.usual)} mm "
        f"{refs.mark(box.vent_per_diameter.sources)}",
        f"- wire or arbor: {refs.readings(box.slender)}",
        *(f"- {p.text} {refs.mark([p.source])}" for p in core_practices()),
        "",
    ]


def _cautions(refs: _Refs) -> list[str]:
    lines = ["### Cautions", "", DEFERENCE, ""]
    for caution in all_cautions():
        if caution.activity == "core making":
            names = ", ".join(f"`{name}`" for name in caution.binders)
            told = f"{names}: " if names else ""
            lines.append(f"- {told}{caution.text} {refs.mark(caution.sources)}")
    return [*lines, ""]


def core_rules_section() -> str:
    """The section as Markdown, from the tables alone."""
    refs = _Refs()
    lines = [
        "## Rules and figures",
        "",
        "The chosen figure comes first, the range of all sources after it, the source in brackets;",
        "what sources give differently stays a range. No figure here is a promise: what your own",
        "sand and shop have shown goes first.",
        "",
        *_holes(refs),
        *_prints(refs),
        *_forces(refs),
        "### Core sands",
        "",
        *(line for binder in binders().values() for line in _binder(binder, refs)),
        *_boxes(refs),
    ]
    lines += _cautions(refs)
    lines += ["### Sources of the figures", "", *refs.lines()]
    return "\n".join(lines) + "\n"


def with_section(page: str) -> str:
    """The page with its section written anew between the two marks."""
    before, rest = page.split(BEGIN + "\n")
    _, after = rest.split(END)
    return f"{before}{BEGIN}\n\n{core_rules_section()}\n{END}{after}"


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(with_section(path.read_text(encoding="utf-8")), encoding="utf-8")
