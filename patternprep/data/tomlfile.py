"""Reading of TOML tables, the project's own and a shop's, with the line in every complaint."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

from patternprep.errors import DataFault, FileFault
from patternprep.units import MM_PER_INCH

__all__ = ["Place", "nearest", "read_packaged", "read_shop_file", "shown", "up_to_mm"]

_LARGEST_BYTES = 2_000_000
_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*(\]\]?)\s*(?:#.*)?$")
_NAME = r'(?:"[^"]*"|\'[^\']*\'|[A-Za-z0-9_\-]+)'
_KEY = re.compile(rf"^\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_STRING = re.compile(r'"(?:\\.|[^"\\])*"|\'[^\']*\'')


def nearest(word: str, allowed: Iterable[str], count: int = 1) -> list[str]:
    """Names that look most like ``word``, best first; empty when none is near."""
    names = sorted(set(allowed))
    folded = {name.casefold(): name for name in reversed(names)}
    hits = difflib.get_close_matches(word.casefold(), list(folded), n=count, cutoff=0.5)
    return [folded[hit] for hit in hits]


def shown(value: object) -> str:
    """A value as it would be written in TOML, for a complaint about it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table { ... }"
    if isinstance(value, list):
        return "a list [ ... ]"
    text = f"'{value}'" if isinstance(value, str) else f"{value}"
    return text if len(text) <= 60 else text[:57] + "..."


def _or(words: Iterable[str]) -> str:
    return " or ".join(f"'{word}'" for word in words)


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a TOML file: its keys from the top, the line they stand on, a name for people.

    ``named`` is how many of the keys the name stands for.
    """

    file: str
    lines: Mapping[tuple[str | int, ...], int]
    path: tuple[str | int, ...] = ()
    name: str = ""
    named: int = 0

    def at(self, *keys: str | int, name: str = "") -> Place:
        """Place of a key below this one; a name stands for the keys so far."""
        path = (*self.path, *keys)
        if name:
            return replace(self, path=path, name=name, named=len(path))
        return replace(self, path=path)

    def line(self) -> int | None:
        """Line of the key, or of the nearest table around it."""
        for end in range(len(self.path), 0, -1):
            if self.path[:end] in self.lines:
                return self.lines[self.path[:end]]
        return None

    def fault(self, message: str) -> DataFault:
        """One sentence with file, line, the alloy or table, the key and the rule."""
        line = self.line()
        where = self.file if line is None else f"{self.file}, line {line}"
        keys = [key for key in self.path[self.named :] if isinstance(key, str)]
        owner = f", {self.name}" if self.name else ""
        key = f", key {' of '.join(repr(key) for key in reversed(keys))}" if keys else ""
        return DataFault(f"{where}{owner}{key}: {message}.")

    def table(self, value: object) -> dict[str, Any]:
        """``value`` when it is a table, else a fault."""
        if not isinstance(value, dict):
            raise self.fault(f"{shown(value)} is not a table; write it as {{ key = value }}")
        return value

    def check_keys(self, table: Mapping[str, object], allowed: Iterable[str]) -> None:
        """Refuse a key that is not in ``allowed``, naming the nearest."""
        known = sorted(allowed)
        for key in table:
            if key not in known:
                begun = [name for name in known if name.startswith(f"{key.casefold()}_")]
                near = begun or nearest(key, known)
                hint = f"did you mean {_or(near)}" if near else "leave it out"
                raise self.at(key).fault(f"unknown key; {hint} (allowed: {', '.join(known)})")

    def text(self, value: object) -> str:
        """A string that is not empty, or a fault."""
        if not isinstance(value, str) or not value.strip():
            rule = "is not a text; write it between quotes"
            if isinstance(value, str):
                rule = "is empty; write a text between the quotes, or leave the key out"
            raise self.fault(f"{shown(value)} {rule}")
        return value.strip()

    def texts(self, value: object) -> tuple[str, ...]:
        """A list of strings, or a fault."""
        if not isinstance(value, list):
            raise self.fault(f'{shown(value)} is not a list; write it like ["first", "second"]')
        return tuple(self.text(item) for item in value)

    def choice(self, value: object, allowed: Iterable[str]) -> str:
        """One of the allowed words, or a fault that names the nearest."""
        known = sorted(allowed)
        word = self.text(value)
        if word not in known:
            near = nearest(word, known)
            hint = f"; did you mean '{near[0]}'" if near else ""
            raise self.fault(f"'{word}' is not allowed{hint} (allowed: {', '.join(known)})")
        return word

    def number(
        self,
        value: object,
        low: float = -math.inf,
        high: float = math.inf,
        *,
        unit: str = "",
        form: str = "write it without quotes or unit",
    ) -> float:
        """A finite number within low..high (in ``unit``), or a fault that tells the ``form``."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fault(f"{shown(value)} is not a number; {form}")
        if value != value or math.inf in (value, -value) or not low <= value <= high:
            limits = f"{low:g} to {high:g} {unit}".rstrip()
            raise self.fault(f"{value!r:.40} lies outside the allowed {limits}")
        return float(value)


def _header_keys(text: str) -> list[str]:
    """Keys of a table header: alloy."LM 25".x -> ['alloy', 'LM 25', 'x']."""
    parts = re.findall(r'"([^"]*)"|\'([^\']*)\'|([A-Za-z0-9_\-]+)', text)
    return [next(piece for piece in part if piece or part == ("", "", "")) for part in parts]


def _key_lines(text: str) -> dict[tuple[str | int, ...], int]:
    """Line number of every table, key and item of a list of inline tables."""
    found: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str, ...], int] = {}
    base: tuple[str | int, ...] = ()
    key: tuple[str | int, ...] = ()
    depth = item = 0
    for number, raw in enumerate(text.splitlines(), start=1):
        bare = _STRING.sub('""', raw).split("#", 1)[0]
        if depth == 0:
            header, entry = _HEADER.match(raw), _KEY.match(raw)
            if header is not None and entry is None:
                names = tuple(_header_keys(header.group(2)))
                base = names
                if header.group(1) == "[[":
                    counts[names] = counts.get(names, -1) + 1
                    base = (*names, counts[names])
                elif names[:1] in counts:
                    base = (names[0], counts[names[:1]], *names[1:])
                found.setdefault(base, number)
                continue
            if entry is None:
                continue
            names = tuple(_header_keys(entry.group(1)))
            key, item = (*base, *names), 0
            for end in range(1, len(names) + 1):
                found.setdefault((*base, *names[:end]), number)
            bare = bare.split("=", 1)[1]
        for letter in bare:
            if letter == "{" and depth == 1:
                found.setdefault((*key, item), number)
                item += 1
            depth += (letter in "[{") - (letter in "]}")
    return found


def _parse(text: str, file: str) -> tuple[dict[str, Any], Place]:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        why = str(fault).replace("Cannot overwrite a value", "a key stands twice in one table")
        raise DataFault(f"{file}: not valid TOML: {why}; correct that line.") from fault
    except (RecursionError, ValueError) as fault:
        raise DataFault(f"{file}: a value is nested too deeply or too long; shorten it.") from fault
    return table, Place(file, _key_lines(text))


def read_packaged(name: str) -> tuple[dict[str, Any], Place]:
    """One of the project's own tables, such as 'yields.toml' or 'alloys/copper.toml'."""
    path = resources.files("patternprep.data").joinpath(*name.split("/"))
    return _parse(path.read_text(encoding="utf-8"), f"patternprep/data/{name}")


def read_shop_file(path: Path) -> tuple[dict[str, Any], Place]:
    """A shop's own file; `FileFault` when it cannot be read, `DataFault` when it is not TOML."""
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise FileFault(f"{path} is larger than {_LARGEST_BYTES} bytes; give an alloy file.")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as fault:
        reason = fault.strerror or "it cannot be read"
        raise FileFault(f"{path}: {reason}; give the path of the shop's alloy file.") from fault
    except UnicodeDecodeError as fault:
        raise FileFault(f"{path} is not a UTF-8 text; save it as plain text.") from fault
    return _parse(text, str(path))


def up_to_mm(row: Mapping[str, Any], place: Place) -> float:
    """Upper end of a row in mm, from up_to_mm or up_to_in; inf when the row has none."""
    if "up_to_mm" in row:
        return place.at("up_to_mm").number(row["up_to_mm"], 0.0)
    if "up_to_in" in row:
        return place.at("up_to_in").number(row["up_to_in"], 0.0) * MM_PER_INCH
    return math.inf
