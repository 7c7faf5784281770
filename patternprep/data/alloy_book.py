"""The casting alloys: designation, names and every figure with its sources, and the shop's own."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from patternprep.data.properties import PROPERTIES, parse_composition, parse_value
from patternprep.data.sources import parse_sources
from patternprep.data.tomlfile import Place, nearest, read_packaged, read_shop_file
from patternprep.data.values import Composition, Source, Value
from patternprep.errors import DataFault

__all__ = ["Alloy", "AlloyBook", "Family", "load_alloys"]

_FILES = (
    "alloys/iron_steel.toml",
    "alloys/aluminium.toml",
    "alloys/copper.toml",
    "alloys/zinc_magnesium.toml",
    "alloys/soft_and_precious.toml",
)
#: Metals whose contraction is tabulated by size (contraction_by_size.toml).
CONTRACTION_TABLES = ("aluminium", "cast steel", "grey iron", "magnesium", "none")
_FAMILY_KEYS = (
    "base",
    "cautions",
    "contraction_table",
    "finish",
    "iso_group",
    "melt_loss",
    "notes",
    "yield",
)
_ALLOY_KEYS = (
    "aliases", "cautions", "composition", "contraction_table", "designations", "family", "id",
    "name", "notes",
)  # fmt: skip
SHOP_VERSION = 1


@dataclass(frozen=True, slots=True)
class Family:
    """A family of alloys and the rows of the other tables that cover it ("" where none does)."""

    name: str
    base: str
    contraction_table: str = ""
    finish: str = ""
    iso_group: str = ""
    yield_metal: str = ""
    loss_metal: str = ""
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alloy:
    """One casting alloy. A property that no source gives is None: not known.

    Contraction in percent referred to the part, densities in g/cm3, temperatures in degC,
    shrinkage in freezing in volume percent, section in mm, composition in mass percent.
    """

    id: str
    name: str
    family: Family
    designations: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    contraction: Value | None = None
    density_solid: Value | None = None
    density_liquid: Value | None = None
    liquidus: Value | None = None
    solidus: Value | None = None
    pouring: Value | None = None
    solidification_shrinkage: Value | None = None
    smallest_section: Value | None = None
    compositions: tuple[Composition, ...] = ()
    contraction_table: str = ""
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    origin: str = "built in"

    def value(self, key: str) -> Value | None:
        """Value of a property by its TOML key, such as 'liquidus_c'."""
        found: Value | None = getattr(self, PROPERTIES[key].field)
        return found

    def names(self) -> tuple[str, ...]:
        """Every name the alloy answers to, the short name first, without repeats."""
        return tuple(dict.fromkeys((self.id, *self.designations, self.name, *self.aliases)))

    def sources(self) -> tuple[Source, ...]:
        """Every source cited for this alloy, without repeats, in the order of the properties."""
        found: dict[str, Source] = {}
        for key in PROPERTIES:
            value = self.value(key)
            for source in value.sources if value is not None else ():
                found.setdefault(source.id, source)
        for composition in self.compositions:
            found.setdefault(composition.source.id, composition.source)
        return tuple(found.values())


def _fold(name: str) -> str:
    """Lower case, without spaces, dashes and brackets, British spelling."""
    folded = re.sub(r"[\s\-_–—/,()]+", "", name.casefold())
    return folded.replace("aluminum", "aluminium").replace("gray", "grey")


class AlloyBook:
    """All alloys at hand, found by designation, plain name or alias."""

    def __init__(self, alloys: tuple[Alloy, ...], families: Mapping[str, Family]) -> None:
        self._alloys = alloys
        self.families = dict(families)

    def all(self) -> tuple[Alloy, ...]:
        """Every alloy, in the order of the tables, the shop's own last."""
        return self._alloys

    def __iter__(self) -> Iterator[Alloy]:
        return iter(self._alloys)

    def __len__(self) -> int:
        return len(self._alloys)

    def find(self, name: str) -> Alloy:
        """The alloy of that name; case, spaces and dashes do not count.

        `DataFault` with the nearest names when there is none, with the list when several fit.
        """
        key = _fold(name)
        for alloy in self._alloys:
            if _fold(alloy.id) == key:
                return alloy
        hits = [a for a in self._alloys if key in {_fold(n) for n in a.names()}]
        if not hits:
            hits = [a for a in self._alloys if _fold(a.family.name) == key]
        if len(hits) == 1:
            return hits[0]
        if hits:
            several = ", ".join(f"'{alloy.id}' ({alloy.name})" for alloy in hits)
            raise DataFault(f"'{name}' names several alloys: {several}; give one of them.")
        near = nearest(name, self._all_names(), count=4)
        hint = f"; the nearest names are {', '.join(repr(n) for n in near)}" if near else ""
        raise DataFault(
            f"no alloy is named '{name}'{hint}; 'patternprep alloys' lists all {len(self)} of them."
        )

    def taken_for(self, name: str) -> str:
        """What to tell of a name that fits a whole family of metals; empty for one alloy's own.

        An alloy's id and its designations mean that alloy alone; of its other names those are
        broad that families bear, whole or as their last word, or as their first and base metal.
        """
        key = _fold(name)
        alloy = self.find(name)
        if key in {_fold(own) for own in (alloy.id, *alloy.designations)}:
            return ""
        broad = {key, *(f.name for f in self.families.values() if key == f.base)}
        members = [
            other
            for other in self._alloys
            if broad & {_fold(other.family.name), _fold(other.family.name.split()[-1])}
            or other.family.name in broad
        ]
        if len(members) < 2:
            return ""
        return (
            f"'{name}' fits {len(members)} alloys; {alloy.id}, {alloy.name}, was taken. Name "
            "another one if that is poured ('patternprep alloys' lists them)."
        )

    def _all_names(self) -> list[str]:
        return [n for alloy in self._alloys for n in alloy.names()] + list(self.families)


def _parse_values(
    table: Mapping[str, Any],
    place: Place,
    scope: str,
    sources: Mapping[str, Source],
    own: Source | None,
) -> dict[str, Value]:
    return {
        key: parse_value(key, table[key], place.at(key), scope=scope, sources=sources, own=own)
        for key in PROPERTIES
        if key in table
    }


def _parse_family(name: str, entry: object, place: Place) -> Family:
    table = place.table(entry)
    place.check_keys(table, (*_FAMILY_KEYS, *PROPERTIES))

    def word(key: str) -> str:
        return place.at(key).text(table[key]) if key in table else ""

    return Family(
        name=name,
        base=place.at("base").text(table.get("base")),
        contraction_table=word("contraction_table"),
        finish=word("finish"),
        iso_group=word("iso_group"),
        yield_metal=word("yield"),
        loss_metal=word("melt_loss"),
        cautions=place.at("cautions").texts(table.get("cautions", [])),
        notes=place.at("notes").texts(table.get("notes", [])),
        values=_parse_values(table, place, "family", {}, None),
    )


def _with_family_values(own: Mapping[str, Value], family: Family) -> dict[str, Value]:
    """Own values first; the family adds contraction readings and fills the gaps elsewhere."""
    merged = {**family.values, **own}
    if "contraction_percent" in own and "contraction_percent" in family.values:
        readings = own["contraction_percent"].readings
        readings += family.values["contraction_percent"].readings
        merged["contraction_percent"] = replace(own["contraction_percent"], readings=readings)
    return merged


def _check_alloy(alloy: Alloy, place: Place) -> Alloy:
    """Refuse temperatures that contradict each other."""
    if alloy.solidus is not None and alloy.liquidus is not None:
        solidus, liquidus = alloy.solidus.usual, alloy.liquidus.usual
        if solidus > liquidus:
            raise place.at("solidus_c").fault(
                f"solidus {solidus:g} degC is above the liquidus {liquidus:g} degC; correct either"
            )
    if alloy.pouring is not None and alloy.liquidus is not None:
        pouring, liquidus = alloy.pouring.usual, alloy.liquidus.usual
        if pouring <= liquidus:
            raise place.at("pouring_c").fault(
                f"pouring at {pouring:g} degC is not above the liquidus {liquidus:g} degC; correct "
                "either"
            )
    return alloy


def _contraction_table(table: Mapping[str, Any], place: Place, default: str) -> str:
    if "contraction_table" not in table:
        return default
    word = place.at("contraction_table").choice(table["contraction_table"], CONTRACTION_TABLES)
    return "" if word == "none" else word


def _parse_alloy(
    table: Mapping[str, Any],
    place: Place,
    families: Mapping[str, Family],
    sources: Mapping[str, Source],
    own: Source | None,
) -> Alloy:
    """A new alloy from its table; ``own`` is the shop's source, None for the built-in tables."""
    for key in ("id", "name", "family"):
        if key not in table:
            form = "a text between quotes"
            if key == "family":
                form = f"one of the families there are: {', '.join(sorted(families))}"
            raise place.fault(f"a new alloy needs '{key}'; add {key} = {form}")
    family = families[place.at("family").choice(table["family"], families)]
    values = _parse_values(table, place, "alloy", sources, own)
    by_size = family.contraction_table
    if own is None:
        merged = _with_family_values(values, family)
    else:
        merged = {**family.values, **values}
        by_size = "" if "contraction_percent" in values else by_size
    composition: tuple[Composition, ...] = ()
    if "composition" in table:
        composition = parse_composition(
            table["composition"], place.at("composition"), sources=sources, own=own
        )
    alloy = Alloy(
        id=place.at("id").text(table["id"]),
        name=place.at("name").text(table["name"]),
        family=family,
        designations=place.at("designations").texts(table.get("designations", [])),
        aliases=place.at("aliases").texts(table.get("aliases", [])),
        compositions=composition,
        contraction_table=_contraction_table(table, place, by_size),
        cautions=family.cautions + place.at("cautions").texts(table.get("cautions", [])),
        notes=family.notes + place.at("notes").texts(table.get("notes", [])),
        origin="built in" if own is None else own.citation,
    )
    known: dict[str, Any] = {PROPERTIES[key].field: value for key, value in merged.items()}
    return _check_alloy(replace(alloy, **known), place)


def _change_alloy(
    alloy: Alloy,
    table: Mapping[str, Any],
    place: Place,
    sources: Mapping[str, Source],
    own: Source,
) -> Alloy:
    """The alloy with the shop's values in place of the built-in ones."""
    values = _parse_values(table, place, "alloy", sources, own)
    changes: dict[str, Any] = {PROPERTIES[key].field: value for key, value in values.items()}
    by_size = "" if "contraction_percent" in values else alloy.contraction_table
    changes["contraction_table"] = _contraction_table(table, place, by_size)
    if "name" in table:
        changes["name"] = place.at("name").text(table["name"])
    if "family" in table and table["family"] != alloy.family.name:
        raise place.at("family").fault(
            f"{alloy.id} is of the family '{alloy.family.name}'; leave family out, or give the "
            "alloy an id of its own to add it as new"
        )
    for key in ("designations", "aliases", "notes", "cautions"):
        if key in table:
            changes[key] = getattr(alloy, key) + place.at(key).texts(table[key])
    if "composition" in table:
        changes["compositions"] = parse_composition(
            table["composition"], place.at("composition"), sources=sources, own=own
        )
    return _check_alloy(replace(alloy, **changes, origin=own.citation), place)


@cache
def _built_in() -> AlloyBook:
    families: dict[str, Family] = {}
    alloys: list[Alloy] = []
    for name in _FILES:
        table, place = read_packaged(name)
        place.check_keys(table, ("alloy", "family"))
        for family, entry in table["family"].items():
            here = place.at("family", family, name=f"family '{family}'")
            families[family] = _parse_family(family, entry, here)
        for index, entry in enumerate(table["alloy"]):
            here = place.at("alloy", index, name=f"alloy '{entry.get('id', index)}'")
            here.check_keys(entry, (*_ALLOY_KEYS, *PROPERTIES))
            alloys.append(_parse_alloy(entry, here, families, {}, None))
    return AlloyBook(tuple(alloys), families)


def load_alloys(shop_file: Path | None = None) -> AlloyBook:
    """The built-in alloys, changed and added to by a shop's TOML file (docs/shop-alloys.md).

    `FileFault` when the file cannot be read; `DataFault` with file, line, key, rule and the
    nearest allowed word when it is wrong.
    """
    book = _built_in()
    if shop_file is None:
        return book
    table, place = read_shop_file(Path(shop_file))
    place.check_keys(table, ("alloy", "source", "version"))
    if "version" not in table:
        raise place.fault(f"has no version; begin the file with version = {SHOP_VERSION}")
    if table["version"] != SHOP_VERSION or isinstance(table["version"], bool):
        raise place.at("version").fault(f"must be {SHOP_VERSION}; write version = {SHOP_VERSION}")
    own = Source("shop", f"the shop's own file {Path(shop_file).name}", "shop")
    named = place.at("source").table(table.get("source", {}))
    sources = parse_sources(named, place.at("source"), "shop")
    entries = table.get("alloy", [])
    if not isinstance(entries, list):
        raise place.at("alloy").fault(
            "is not a list; write every alloy under its own [[alloy]] with two brackets"
        )
    alloys = {_fold(alloy.id): alloy for alloy in book}
    caution_words = {word for alloy in book for word in alloy.cautions}
    seen: dict[str, int] = {}
    for index, entry in enumerate(entries):
        here = place.at("alloy", index, name=f"alloy number {index + 1}")
        if "id" not in here.table(entry):
            raise here.fault('has no id; add id = "C95400" or a name of the shop\'s own')
        name = here.at("id").text(entry["id"])
        here = here.at(name=f"alloy '{name}'")
        here.check_keys(entry, (*_ALLOY_KEYS, *PROPERTIES))
        for word in here.at("cautions").texts(entry.get("cautions", [])):
            here.at("cautions").choice(word, caution_words)
        key = _shop_key(name, book)
        if key in seen:
            first = place.at("alloy", seen[key]).line()
            raise here.fault(f"stands twice in this file, first in line {first}; join them")
        seen[key] = index
        if key in alloys:
            alloys[key] = _change_alloy(alloys[key], entry, here, sources, own)
        elif "family" not in entry and "name" not in entry:
            near = nearest(name, (alloy.id for alloy in book))
            hint = f"did you mean '{near[0]}'; " if near else ""
            raise here.at("id").fault(
                f"no alloy is named '{name}' to change; {hint}give name and family to add a new one"
            )
        else:
            alloys[key] = _parse_alloy(entry, here, book.families, sources, own)
    return AlloyBook(tuple(alloys.values()), book.families)


def _shop_key(name: str, book: AlloyBook) -> str:
    """Key of the built-in alloy that answers to that name alone, else the name's own key."""
    key = _fold(name)
    hits = [alloy for alloy in book if key in {_fold(other) for other in alloy.names()}]
    return _fold(hits[0].id) if len(hits) == 1 else key
