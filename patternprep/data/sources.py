"""The sources that the tables cite, by their short names."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

from patternprep.data.tomlfile import Place, nearest, read_packaged
from patternprep.data.values import MARKS, Source

__all__ = ["find_source", "load_sources", "parse_sources"]

_FILES = ("sources.toml", "core_sources.toml")


def parse_sources(
    table: dict[str, Any], place: Place, default_mark: str | None
) -> dict[str, Source]:
    """Sources from a ``[source.NAME]`` table; ``default_mark`` None makes the mark a must."""
    found: dict[str, Source] = {}
    for name, entry in table.items():
        here = place.at(name, name=f"source '{name}'")
        fields = here.table(entry)
        here.check_keys(fields, ("citation", "mark"))
        if "citation" not in fields:
            raise here.fault('has no citation; add citation = "where the figure comes from"')
        mark = fields.get("mark", default_mark)
        found[name] = Source(
            name,
            here.at("citation").text(fields["citation"]),
            here.at("mark").choice(mark, MARKS),
        )
    return found


@cache
def load_sources() -> Mapping[str, Source]:
    """All sources of the project's own tables."""
    found: dict[str, Source] = {}
    for file in _FILES:
        table, place = read_packaged(file)
        place.check_keys(table, ("source",))
        for name, source in parse_sources(table["source"], place.at("source"), None).items():
            if name in found:
                raise place.at("source", name).fault("stands in two files; give it one name each")
            found[name] = source
    return MappingProxyType(found)


def find_source(name: object, place: Place, more: Mapping[str, Source] | None = None) -> Source:
    """Source of that short name; a fault with the nearest name when there is none."""
    word = place.text(name)
    found = (more or {}).get(word) or load_sources().get(word)
    if found is None:
        near = nearest(word, [*load_sources(), *(more or {})])
        hint = f"did you mean '{near[0]}', or " if near else ""
        raise place.fault(f"no source is named '{word}'; {hint}add [source.{word}] with a citation")
    return found
