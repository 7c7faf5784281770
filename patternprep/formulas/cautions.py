"""Usual cautions for the metal and the work; local codes and licensed practice come first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from patternprep.data.alloy_book import Alloy
from patternprep.data.core_sands import find_binder
from patternprep.data.sources import find_source
from patternprep.data.tomlfile import read_packaged
from patternprep.data.values import Source
from patternprep.errors import UsageFault

__all__ = [
    "DEFERENCE",
    "Caution",
    "activities",
    "all_cautions",
    "cautions_for",
    "cautions_text",
    "core_cautions",
]

#: Binder system that `cautions_for` speaks of when none is told.
_USUAL_BINDER = "silicate"

#: Stands above every list of cautions.
DEFERENCE = (
    "Usual cautions only: local codes, the makers' instructions and licensed practice come first."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: the activity it belongs to, the text, and where its facts are from.

    ``about`` holds caution words of alloys; empty when it applies to every metal. ``binders`` holds
    binder systems of cores; empty when it applies to every one.
    """

    id: str
    activity: str
    text: str
    about: tuple[str, ...]
    sources: tuple[Source, ...]
    binders: tuple[str, ...] = ()


@cache
def all_cautions() -> tuple[Caution, ...]:
    """Every caution, in the order of the table."""
    table, place = read_packaged("cautions.toml")
    return tuple(
        Caution(
            row["id"],
            row["activity"],
            row["text"],
            tuple(row.get("about", ())),
            tuple(find_source(name, place.at("caution", index)) for name in row["sources"]),
            tuple(row.get("binders", ())),
        )
        for index, row in enumerate(table["caution"])
    )


def activities() -> tuple[str, ...]:
    """Activities that have cautions, in the order of the table."""
    return tuple(dict.fromkeys(caution.activity for caution in all_cautions()))


def _speaks_of(caution: Caution, binder: str) -> bool:
    return not caution.binders or binder in caution.binders


def core_cautions(binder: str) -> tuple[Caution, ...]:
    """Cautions of core making with that binder system, those of the binder first.

    >>> [caution.id for caution in core_cautions("CO2")]
    ['carbon-dioxide', 'silicate', 'core-dust', 'hot-core']
    """
    name = find_binder(binder).id
    hits = [c for c in all_cautions() if c.activity == "core making" and _speaks_of(c, name)]
    return (*(c for c in hits if c.binders), *(c for c in hits if not c.binders))


def cautions_for(alloy: Alloy, chosen: Iterable[str] | None = None) -> tuple[Caution, ...]:
    """Cautions for that alloy and those activities (all when None), the metal's own first.

    >>> from patternprep.data.alloy_book import load_alloys
    >>> bronze = load_alloys().find("C95400")
    >>> [caution.id for caution in cautions_for(bronze, ["melting and pouring"])][:2]
    ['aluminium-bronze', 'beryllium']
    """
    wanted = activities() if chosen is None else tuple(chosen)
    for activity in wanted:
        if activity not in activities():
            raise UsageFault(
                f"'{activity}' is no activity with cautions; give one of {', '.join(activities())}."
            )
    hits = [c for c in all_cautions() if c.activity in wanted and _speaks_of(c, _USUAL_BINDER)]
    own = [c for c in hits if set(c.about) & set(alloy.cautions)]
    return (*own, *(c for c in hits if not c.about))


def cautions_text(alloy: Alloy, chosen: Iterable[str] | None = None) -> str:
    """The cautions as lines of text, headed by the deference to codes and practice."""
    return "\n".join([DEFERENCE, *(f"- {c.text}" for c in cautions_for(alloy, chosen))])
