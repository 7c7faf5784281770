"""Figures of the tables that are no alloy's, from TOML; and the row that a word means."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, nearest
from patternprep.data.values import Reading, Value
from patternprep.errors import UsageFault

__all__ = ["find_named", "read_value"]

_KEYS = ("at", "high", "low", "note", "source", "usual")


def _reading(entry: object, place: Place, lowest: float, highest: float) -> Reading:
    fields: dict[str, Any] = place.table(entry)
    place.check_keys(fields, _KEYS)
    if ("at" in fields) == ("low" in fields) or ("low" in fields) != ("high" in fields):
        raise place.fault("needs either 'at' (one figure) or both 'low' and 'high' (a range)")
    if "source" not in fields:
        raise place.fault("has no source; every figure of the project's tables needs one")
    low, high = (
        place.at(key).number(fields[key if key in fields else "at"], lowest, highest)
        for key in ("low", "high")
    )
    usual = place.at("usual").number(fields.get("usual", 0.5 * (low + high)), lowest, highest)
    if not low <= usual <= high:
        raise place.fault(f"usual {usual:g} lies outside its range {low:g} to {high:g}")
    note = place.at("note").text(fields["note"]) if "note" in fields else ""
    source = find_source(fields["source"], place.at("source"))
    return Reading(low, high, usual, source, scope="", note=note)


def read_value(
    entry: object, place: Place, unit: str, *, lowest: float = 0.0, highest: float = math.inf
) -> Value:
    """Value from one reading or a list of readings, the preferred one first.

    A reading: {at} or {low, high[, usual]}, with {source[, note]}. `DataFault` when it is not, or
    when a figure lies outside ``lowest`` to ``highest``.
    """
    entries = entry if isinstance(entry, list) else [entry]
    if not entries:
        raise place.fault("is an empty list; leave the key out when nothing is known")
    return Value(
        unit, tuple(_reading(e, place.at(i), lowest, highest) for i, e in enumerate(entries))
    )


def find_named(word: str, known: Iterable[tuple[str, tuple[str, ...]]], what: str) -> str:
    """Name whose own word or alias is ``word``; `UsageFault` with the nearest when none is."""
    names = {alias.casefold(): name for name, aliases in known for alias in (name, *aliases)}
    key = " ".join(word.casefold().split())
    if key in names:
        return names[key]
    near = nearest(key, names)
    hint = f"; did you mean '{near[0]}'" if near else ""
    choice = ", ".join(dict.fromkeys(names.values()))
    raise UsageFault(f"'{word}' is no {what} of the tables{hint}; give one of {choice}.")
