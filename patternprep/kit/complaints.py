"""What is wrong with a job, in one sentence: the key or option, the value, the rule."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from patternprep.kit.amounts import Unit

__all__ = ["first_complaint"]

_WANTED = {
    "string": "text",
    "int": "a whole number",
    "bool": "true or false",
    "tuple": "a list",
    "model": "a table",
    "dict": "a table",
}


def first_complaint(
    model: type[BaseModel], error: ValidationError, source: str, options: Mapping[str, str]
) -> str:
    """One sentence on the first fault; unknown keys come before all others.

    ``options`` names the command's option for a key, without the numbers of a list's rows.
    """
    complaints = error.errors()
    unknown = [c for c in complaints if c["type"] == "extra_forbidden"]
    first = (unknown or complaints)[0]
    loc, kind, given = first["loc"], first["type"], first["input"]
    key = ".".join(str(p) for p in loc)
    plain = ".".join(p for p in loc if isinstance(p, str))
    key = options.get(plain, key)
    if kind == "extra_forbidden":
        known = sorted(_section(model, loc).model_fields)
        near = difflib.get_close_matches(str(loc[-1]), known, n=1)
        hint = f"did you mean '{near[0]}'" if near else f"known here: {', '.join(known)}"
        return f"{source}: the key '{key}' is not known; {hint}."
    if kind == "missing":
        return f"{source}: the key '{key}' is missing; add it."
    if kind == "literal_error":
        return f"{source}: '{key}' is '{given}' but must be {first['ctx']['expected']}."
    if kind == "greater_than_equal":
        return f"{source}: '{key}' is {given} but must be {first['ctx']['ge']} or more."
    if kind == "greater_than":
        return f"{source}: '{key}' is {given} but must be above {first['ctx']['gt']}."
    if kind == "string_type":
        return f"{source}: '{key}' is {given!r} but must be {_as_text(model, loc, given)}."
    wanted = _WANTED.get(kind.partition("_")[0])
    if wanted is not None:
        return f"{source}: '{key}' is {given!r} but must be {wanted}."
    message = first["msg"].removeprefix("Value error, ").rstrip(".")
    return f"{source}: '{key}': {message}."


def _as_text(model: type[BaseModel], loc: tuple[int | str, ...], given: Any) -> str:
    """'text in quotes with its unit, like "2 deg"', from the number that was given."""
    if isinstance(given, bool) or not isinstance(given, (int, float)):
        return "text in quotes"
    field = _field(model, loc)
    unit = next((m.name for m in field.metadata if isinstance(m, Unit)), "") if field else ""
    if not unit:
        return f'text in quotes: "{given}"'
    return f'text in quotes with its unit: "{given} {unit}"'


def _field(model: type[BaseModel], loc: tuple[int | str, ...]) -> FieldInfo | None:
    name = next((p for p in reversed(loc) if isinstance(p, str)), "")
    return _section(model, loc).model_fields.get(name)


def _section(model: type[BaseModel], location: tuple[int | str, ...]) -> type[BaseModel]:
    """The model whose key the location ends at."""
    names = [part for part in location if isinstance(part, str)]
    for name in names[:-1]:
        annotation: Any = model.model_fields[name].annotation
        inner = getattr(annotation, "__args__", (annotation,))[0]
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            model = inner
    return model
