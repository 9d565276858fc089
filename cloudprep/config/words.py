"""Says in plain words, with the unit, what a value must be and what was wrong with the one given."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from cloudprep.config.yaml_text import NUMBER, ValuePath, shortened
from cloudprep.stages.registry import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pydantic import BaseModel, ValidationError
    from pydantic_core import ErrorDetails

__all__ = ["bounds_text", "field_schema", "problems_in", "shown_value", "wanted_text"]

Schema = dict[str, Any]

_BOUND_SIGNS = (("exclusiveMinimum", ">"), ("minimum", ">="), ("exclusiveMaximum", "<"), ("maximum", "<="))
_BOUND_ERRORS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")
_TYPE_WORDS = {
    "number": "a number",
    "integer": "a whole number",
    "string": "text",
    "boolean": "true or false",
    "object": "a mapping",
    "null": "nothing",
}
_PLURALS = {"number": "numbers", "integer": "whole numbers", "string": "texts"}
_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_GROUPED = re.compile(r"[-+]?[0-9]{1,3}([_' ][0-9]{3})+")
_WITH_UNIT = re.compile(r"[-+]?[0-9.]+\s*[A-Za-z°%]+[23]?")


def problems_in(
    error: ValidationError, model: type[BaseModel], thing: str
) -> Iterator[tuple[ValuePath, str]]:
    """Translate a validation error, field by field.

    Parameters
    ----------
    error : ValidationError
        What pydantic found.
    model : type of BaseModel
        The model that was validated.
    thing : str
        What a key of the model is called: ``parameter`` or ``key``.

    Yields
    ------
    tuple of path and str
        The path within the model's values and one sentence.
    """
    schema = model.model_json_schema(mode="validation")
    seen: set[ValuePath] = set()
    for detail in error.errors(include_url=False):
        path = _value_path(detail["loc"], schema)
        if path in seen and path:  # the branches of a union complain one by one about the same value
            continue
        seen.add(path)
        yield path, _sentence(detail, path, schema, thing)


def _value_path(location: ValuePath, schema: Schema) -> ValuePath:
    """Return the keys and indices of a location without pydantic's names of union branches."""
    path: ValuePath = ()
    for step in location:
        if path and isinstance(step, str) and step not in _properties(field_schema(schema, path)):
            break
        path = (*path, step)
    return path


def _sentence(detail: ErrorDetails, path: ValuePath, schema: Schema, thing: str) -> str:
    kind, value = detail["type"], detail["input"]
    name = _shown_path(path)
    if kind == "value_error":
        own_words = str(detail.get("ctx", {}).get("error", detail["msg"]))
        return f"'{name}' {own_words}" if path else own_words
    if kind == "extra_forbidden":
        known = sorted(_properties(field_schema(schema, path[:-1])))
        return f"there is no {thing} '{shortened(str(path[-1]))}'{did_you_mean(str(path[-1]), known)}"
    if kind == "missing":
        return f"'{name}' is missing"
    field = field_schema(schema, path)
    unit = str(field_schema(schema, path[:1]).get("unit", ""))
    if kind == "finite_number":
        return f"'{name}' must be a finite number, got {shown_value(value)}"
    limits = bounds_text(field)
    if kind in _BOUND_ERRORS and limits:
        return f"'{name}' must be {limits}{f' {unit}' if unit else ''}, got {shown_value(value)}"
    wanted = wanted_text(field, unit)
    return f"'{name}' must be {wanted}, got {shown_value(value)}{_hint(value, field, unit)}"


def _shown_path(path: ValuePath) -> str:
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f"{'.' if text else ''}{step}"
    return text


def shown_value(value: object) -> str:
    """Return a value as a message quotes it.

    >>> shown_value("12:30"), shown_value(True), shown_value(2.0), shown_value(None)
    ("the text '12:30'", 'true', '2', 'nothing')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text '{shortened(value)}'"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, dict):
        return "a mapping"
    return f"{value:g}" if isinstance(value, float) and value.is_integer() else shortened(str(value))


def _hint(value: object, field: Schema, unit: str) -> str:
    """Return what to do about a text that is nearly right."""
    if not isinstance(value, str):
        return ""
    text = value.strip()
    if _is_number(field):
        if NUMBER.fullmatch(text):
            return " (take the quotes off)"
        if _COMMA.fullmatch(text):
            return " (write a decimal point, not a comma)"
        if _GROUPED.fullmatch(text):
            return " (write the digits without separators)"
        if _WITH_UNIT.fullmatch(text):
            return " (write the number alone" + (f"; its unit is {unit})" if unit else ")")
    suggestion = did_you_mean(text, [str(c) for c in _choices(field)])
    return suggestion if "did you mean" in suggestion else ""


# -- what a field's JSON Schema says ------------------------------------------------------------------------


def bounds_text(field: Mapping[str, Any]) -> str:
    """Return the limits of a number; empty where there are none.

    >>> bounds_text({"type": "number", "exclusiveMinimum": 0, "maximum": 90})
    '> 0 and <= 90'
    >>> bounds_text({"type": "integer", "minimum": 1, "maximum": 500})
    'from 1 to 500'
    """
    limits = {key: f"{field[key]:g}" for key, _ in _BOUND_SIGNS if key in field}
    if limits.keys() == {"minimum", "maximum"}:
        return f"from {limits['minimum']} to {limits['maximum']}"
    return " and ".join(f"{sign} {limits[key]}" for key, sign in _BOUND_SIGNS if key in limits)


def wanted_text(field: Mapping[str, Any], unit: str = "") -> str:
    """Return what a value must be, in words.

    Parameters
    ----------
    field : mapping
        JSON Schema of the value.
    unit : str
        Unit of numbers.

    Examples
    --------
    >>> wanted_text({"type": "number", "exclusiveMinimum": 0}, "m")
    'a number > 0 m'
    >>> wanted_text({"enum": ["linear", "nearest", "none"]})
    'linear, nearest or none'
    """
    options = [o for o in field.get("anyOf", ()) if o.get("type") != "null"]
    if options:
        return " or ".join(dict.fromkeys(wanted_text(o, unit) for o in options))
    choices = list(dict.fromkeys(str(c) for c in _choices(field)))
    if choices:
        return " or ".join([", ".join(choices[:-1]), choices[-1]] if len(choices) > 1 else choices)
    kind = field.get("type")
    limits = bounds_text(field)
    if kind == "array":
        items: Schema = field.get("items") or next(iter(field.get("prefixItems", [])), {})
        many = _PLURALS.get(str(items.get("type")), "values")
        limits, text = bounds_text(items), f"a list of {many}"
    else:
        text = _TYPE_WORDS.get(str(kind), "a value of another kind")
    return " ".join(part for part in (text, limits, unit if limits else "") if part)


def _choices(field: Mapping[str, Any]) -> list[Any]:
    if "const" in field:
        return [field["const"]]
    if "enum" in field:
        return list(field["enum"])
    return [c for option in field.get("anyOf", ()) for c in _choices(option)]


def _is_number(field: Mapping[str, Any]) -> bool:
    return field.get("type") in ("number", "integer") or any(_is_number(o) for o in field.get("anyOf", ()))


def field_schema(schema: Schema, path: ValuePath) -> Schema:
    """Return the JSON Schema of the value at a path, definitions filled in; empty if there is none."""
    here = _resolved(schema, schema)
    for step in path:
        if isinstance(step, int):
            prefix = here.get("prefixItems", [])
            here = prefix[step] if step < len(prefix) else here.get("items", {})
        else:
            here = here.get("properties", {}).get(step, {})
        here = _resolved(here, schema)
    return here


def _resolved(here: Schema, schema: Schema) -> Schema:
    """Return a schema without "or null" and with the definition that it refers to filled in."""
    options = [o for o in here.get("anyOf", ()) if o.get("type") != "null"]
    plain = dict(here)
    if options:
        plain["anyOf"] = [_resolved(o, schema) for o in options]
    if len(options) == 1:
        del plain["anyOf"]
        plain = {**_resolved(options[0], schema), **plain}
    reference = plain.pop("$ref", None)
    if reference:
        target = schema.get("$defs", {}).get(str(reference).rsplit("/", 1)[-1], {})
        return _resolved({**target, **plain}, schema)
    return plain


def _properties(schema: Schema) -> Schema:
    found: Schema = schema.get("properties", {})
    return found
