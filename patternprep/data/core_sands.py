"""Core sands by binder system: density, shares to weigh, conditions of hardening."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from patternprep.data.readings import find_named, read_value
from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, read_packaged
from patternprep.data.values import Source, Value

__all__ = ["Addition", "Binder", "Condition", "Remark", "binders", "find_binder"]

_FILE = "core_sands.toml"
_KEYS = ("aliases", "binder_name", "binder_percent", "density_g_cm3", "name")


@dataclass(frozen=True, slots=True)
class Addition:
    """What is added beside the binder, in percent of the sand's or the binder's mass.

    ``mixed``: it stays in the rammed mix and is part of its mass; a gas is not.
    """

    name: str
    per: str
    mixed: bool
    percent: Value


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition of hardening, such as a pressure, a time or a temperature."""

    name: str
    value: Value


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark in words, with its source."""

    text: str
    source: Source


@dataclass(frozen=True, slots=True)
class Binder:
    """A binder system: density of the rammed core in g/cm3, binder in percent of the sand."""

    id: str
    name: str
    aliases: tuple[str, ...]
    binder_name: str
    density: Value
    percent: Value
    additions: tuple[Addition, ...]
    conditions: tuple[Condition, ...]
    remarks: tuple[Remark, ...]


def _rows(
    table: Mapping[str, Any], place: Place, key: str, keys: tuple[str, ...], binder: str
) -> list[tuple[dict[str, Any], Place]]:
    """Rows of a list that belong to the binder, each with its place."""
    found = []
    for index, row in enumerate(table[key]):
        here = place.at(key, index)
        here.check_keys(row, ("binder", *keys))
        if here.at("binder").choice(row["binder"], table["binder"]) == binder:
            found.append((row, here))
    return found


def _additions(table: Mapping[str, Any], place: Place, binder: str) -> tuple[Addition, ...]:
    keys = ("name", "per", "mixed", "percent")
    return tuple(
        Addition(
            row["name"],
            here.at("per").choice(row["per"], ("sand", "binder")),
            bool(row["mixed"]),
            read_value(row["percent"], here.at("percent"), "%"),
        )
        for row, here in _rows(table, place, "addition", keys, binder)
    )


def _conditions(table: Mapping[str, Any], place: Place, binder: str) -> tuple[Condition, ...]:
    return tuple(
        Condition(row["name"], read_value(row["value"], here.at("value"), row["unit"]))
        for row, here in _rows(table, place, "condition", ("name", "value", "unit"), binder)
    )


def _remarks(table: Mapping[str, Any], place: Place, binder: str) -> tuple[Remark, ...]:
    return tuple(
        Remark(here.at("text").text(row["text"]), find_source(row["source"], here.at("source")))
        for row, here in _rows(table, place, "remark", ("text", "source"), binder)
    )


@cache
def binders() -> Mapping[str, Binder]:
    """Binder systems by short name, the one hardened with carbon dioxide first."""
    table, place = read_packaged(_FILE)
    found = {}
    for name, row in table["binder"].items():
        here = place.at("binder", name, name=f"'{name}'")
        here.check_keys(row, _KEYS)
        found[name] = Binder(
            name,
            here.at("name").text(row["name"]),
            here.at("aliases").texts(row["aliases"]),
            here.at("binder_name").text(row["binder_name"]),
            read_value(row["density_g_cm3"], here.at("density_g_cm3"), "g/cm3"),
            read_value(row["binder_percent"], here.at("binder_percent"), "%", highest=50.0),
            _additions(table, place, name),
            _conditions(table, place, name),
            _remarks(table, place, name),
        )
    return MappingProxyType(found)


def find_binder(word: str) -> Binder:
    """The binder system of that name or alias; `UsageFault` with the nearest when there is none."""
    known = binders()
    return known[find_named(word, ((b.id, b.aliases) for b in known.values()), "binder system")]
