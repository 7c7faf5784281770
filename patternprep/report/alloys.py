"""The alloys as text, as data for JSON, and as the page docs/alloys.md.

``python -m patternprep.report.alloys > docs/alloys.md`` writes the page.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable
from typing import Any

from patternprep.data.alloy_book import Alloy, AlloyBook, load_alloys
from patternprep.data.properties import PROPERTIES
from patternprep.data.tables import melt_losses, yields
from patternprep.data.values import MARKS, Composition, Reading, Value, format_figure
from patternprep.formulas.cautions import cautions_for, cautions_text
from patternprep.formulas.contraction import contraction_for

__all__ = ["alloy_json", "alloy_list_text", "alloy_text", "alloys_json", "alloys_page"]

WIDTH = 80
NOT_KNOWN = "not known"
SMALL_MM = 100.0
"""Largest size of the part for which the list tells the contraction, mm."""


def _wrap(text: str, indent: int = 0, hang: int | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent if hang is None else hang),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _short(value: Value | None, digits: int) -> str:
    return "-" if value is None else f"{value.usual:.{digits}f}"


def alloy_list_text(book: AlloyBook) -> str:
    """All alloys by family, a line each: contraction, density, pouring; 80 columns."""
    lines = [
        f"{len(book)} casting alloys, usual values ('-' is not known, '*' is the shop's own);",
        f"contraction as make takes it for a part of {SMALL_MM:g} mm ('t': by the table of sizes)",
        "",
        f"  {'name':<21} {'plain name':<29} {'contr. %':>8} {'g/cm3':>6} {'pour degC':>10}",
    ]
    for family in dict.fromkeys(alloy.family.name for alloy in book):
        lines.append(family)
        lines += [_list_line(alloy) for alloy in book if alloy.family.name == family]
    lines += [
        "",
        "In metals marked 't' another size or cored work can contract otherwise:",
        "patternprep alloys --for PART tells what make takes for a part.",
        "One alloy with every range and source: patternprep alloys NAME",
    ]
    return "\n".join(lines)


def _list_line(alloy: Alloy) -> str:
    pour = "-"
    if alloy.pouring is not None:
        first = alloy.pouring.readings[0]
        low, high = format_figure(first.low), format_figure(first.high)
        pour = low if low == high else f"{low}-{high}"
    mark = "*" if alloy.origin != "built in" else ""
    plain = textwrap.shorten(alloy.name, 29, placeholder=" ..")
    return (
        f"  {alloy.id + mark:<21} {plain:<29} {_small_contraction(alloy):>8} "
        f"{_short(alloy.density_solid, 2):>6} {pour:>10}"
    )


def _small_contraction(alloy: Alloy) -> str:
    """Contraction in percent that make takes for a small part, marked where a table gives it."""
    if alloy.contraction is None and not alloy.contraction_table:
        return "-"
    mark = "t" if alloy.contraction_table else " "
    return f"{contraction_for(alloy, SMALL_MM).percent:.2f}{mark}"


def _reading_text(reading: Reading, unit: str) -> str:
    parts = [reading.range_text(unit)]
    if reading.printed:
        parts.append(f"printed '{reading.printed}'")
    if reading.scope == "family":
        parts.append("for the family")
    if reading.basis == "not stated":
        parts.append("basis not stated, taken as the part's")
    elif reading.basis:
        parts.append(f"referred to the {reading.basis}")
    if reading.note:
        parts.append(reading.note)
    return f"{'; '.join(parts)}. {reading.source.text()}"


def _value_lines(label: str, value: Value | None) -> list[str]:
    if value is None:
        return [f"{label}: {NOT_KNOWN}"]
    lines = [f"{label}: {value.text()}"]
    for reading in value.readings:
        lines += _wrap(f"- {_reading_text(reading, value.unit)}", 4, 6)
    return lines


def _composition_lines(compositions: tuple[Composition, ...]) -> list[str]:
    if not compositions:
        return [f"composition, mass %: {NOT_KNOWN}"]
    lines = ["composition, mass %:"]
    for composition in compositions:
        note = f" ({composition.note})" if composition.note else ""
        lines += _wrap(f"- {composition.text()}{note}. {composition.source.text()}", 4, 6)
    return lines


def _share_lines(label: str, value: Value | None) -> list[str]:
    """One line for a percentage that belongs to the metal's row of another table."""
    if value is None:
        return [f"{label}: {NOT_KNOWN}"]
    return _wrap(f"{label}: {value.text()}. {value.sources[0].text()}", 0, 4)


def alloy_text(alloy: Alloy) -> str:
    """Everything known of one alloy: every figure with range, source and mark; 80 columns."""
    lines = [f"{alloy.id}: {alloy.name}", f"family: {alloy.family.name}"]
    others = [name for name in alloy.names() if name not in (alloy.id, alloy.name)]
    if others:
        lines += _wrap(f"also: {'; '.join(others)}", 0, 4)
    if alloy.origin != "built in":
        lines += _wrap(f"from: {alloy.origin}", 0, 4)
    lines.append("")
    for key, prop in PROPERTIES.items():
        lines += _value_lines(prop.label, alloy.value(key))
        if key == "contraction_percent" and alloy.contraction_table:
            lines += _wrap(f"the table by size for {alloy.contraction_table} goes first", 4)
    lines += _composition_lines(alloy.compositions)
    for label, table, metal in (
        ("casting yield", yields(), alloy.family.yield_metal),
        ("melting loss, crucible", melt_losses(), alloy.family.loss_metal),
    ):
        lines += _share_lines(label, table[metal].value if metal in table else None)
    if alloy.notes:
        lines.append("")
        for note in alloy.notes:
            lines += _wrap(f"note: {note}", 0, 4)
    lines.append("")
    for line in cautions_text(alloy, ["melting and pouring"]).splitlines():
        lines += _wrap(line, 0, 2)
    return "\n".join(lines)


def _value_json(value: Value | None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {
        "usual": value.usual,
        "low": value.low,
        "high": value.high,
        "unit": value.unit,
        "readings": [
            {
                "low": reading.low,
                "high": reading.high,
                "usual": reading.usual,
                "printed": reading.printed,
                "scope": reading.scope,
                "basis": reading.basis,
                "note": reading.note,
                "source": reading.source.citation,
                "mark": reading.source.mark,
            }
            for reading in value.readings
        ],
    }


def alloy_json(alloy: Alloy) -> dict[str, Any]:
    """Everything known of one alloy, ready for json.dumps; null is not known."""
    return {
        "id": alloy.id,
        "name": alloy.name,
        "names": list(alloy.names()),
        "family": alloy.family.name,
        "origin": alloy.origin,
        "contraction_table": alloy.contraction_table or None,
        **{key: _value_json(alloy.value(key)) for key in PROPERTIES},
        "composition_percent": [
            {
                "limits": {
                    limit.element: {"low": limit.low, "high": limit.high}
                    for limit in composition.limits
                },
                "remainder": composition.remainder or None,
                "note": composition.note,
                "source": composition.source.citation,
                "mark": composition.source.mark,
            }
            for composition in alloy.compositions
        ],
        "notes": list(alloy.notes),
        "cautions": [caution.text for caution in cautions_for(alloy)],
    }


def alloys_json(book: AlloyBook) -> dict[str, Any]:
    """All alloys, ready for json.dumps."""
    return {"version": 1, "alloys": [alloy_json(alloy) for alloy in book]}


def _page_cell(value: Value | None) -> str:
    if value is None:
        return NOT_KNOWN
    usual = format_figure(value.usual)
    spread = f"{format_figure(value.low)}-{format_figure(value.high)}"
    text = usual if value.low == value.high else f"{usual} ({spread})"
    return text + (" f" if value.scope == "family" else "")


def _page_table(alloys: Iterable[Alloy]) -> list[str]:
    keys = list(PROPERTIES)
    labels = [f"{PROPERTIES[key].label}, {PROPERTIES[key].unit}" for key in keys]
    lines = [
        "| alloy | plain name | " + " | ".join(labels) + " |",
        "|" + "---|" * (len(keys) + 2),
    ]
    for alloy in alloys:
        cells = [_page_cell(alloy.value(key)) for key in keys]
        if alloy.contraction_table:
            at = keys.index("contraction_percent")
            cells[at] += f"; table {_small_contraction(alloy).rstrip('t')}"
        lines.append(f"| {alloy.id} | {alloy.name} | " + " | ".join(cells) + " |")
    return lines


def _page_readings(alloy: Alloy) -> list[str]:
    lines = [f"### {alloy.id}", "", f"{alloy.name}. Names: {'; '.join(alloy.names())}.", ""]
    for key, prop in PROPERTIES.items():
        value = alloy.value(key)
        if value is None:
            continue
        lines.append(f"- {prop.label}:")
        lines += [f"  - {_reading_text(reading, value.unit)}" for reading in value.readings]
    for composition in alloy.compositions:
        note = f" ({composition.note})" if composition.note else ""
        lines.append(
            f"- composition, mass %: {composition.text()}{note}. {composition.source.text()}"
        )
    lines += [f"- note: {note}" for note in alloy.notes]
    return [*lines, ""]


def alloys_page(book: AlloyBook) -> str:
    """The page docs/alloys.md: the tables by family, then every reading of every alloy."""
    lines = [
        "# Casting alloys",
        "",
        "Written by `python -m patternprep.report.alloys`; do not edit by hand.",
        "",
        "The usual value comes first and the range of all sources after it. `f`: the figure is the",
        "family's, not this alloy's own. Contraction is referred to the part: pattern = part x",
        "(1 + contraction). Where a table by size covers the metal (grey iron, cast steel,",
        "aluminium, magnesium), it goes first: `table` is what it gives for a part of",
        f"{SMALL_MM:g} mm, and what make then takes. A figure that no source gives is not known.",
        "",
        "Marks of the sources:",
        "",
        *(f"- `{mark}`: {meaning}" for mark, meaning in MARKS.items()),
        "",
    ]
    families = list(dict.fromkeys(alloy.family.name for alloy in book))
    for family in families:
        members = [alloy for alloy in book if alloy.family.name == family]
        lines += [f"## {family}", "", *_page_table(members), ""]
    lines += ["## Every figure with its source", ""]
    for alloy in book:
        lines += _page_readings(alloy)
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    sys.stdout.write(alloys_page(load_alloys()))
