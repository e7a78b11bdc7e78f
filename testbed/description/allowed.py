"""What is allowed at a place of a file, in words, from pydantic's error and the JSON Schema of the description."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from testbed.description.own_parts import IMPORT_PATH

Schema = dict[str, Any]

PLAIN: dict[str, str] = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "a text",
    "finite_number": "a finite number",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a mapping of keys to values",
    "model_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
    "greater_than": "a number above {gt}",
    "greater_than_equal": "a number of at least {ge}",
    "less_than": "a number below {lt}",
    "less_than_equal": "a number of at most {le}",
    "literal_error": "{expected}",
    "enum": "{expected}",
    "union_tag_invalid": "one of {expected_tags}",
    "string_pattern_mismatch": "a text that matches {pattern}",
    "string_too_short": "a text of at least {min_length} characters",
    "string_too_long": "a text of at most {max_length} characters",
    "too_short": "{min_length} or more entries",
    "too_long": "at most {max_length} entries",
}

PATTERNS: dict[str, str] = {
    "^[a-z][a-z0-9_]*$": "a name of lower-case letters, digits and _, a letter first",
    "^[a-z0-9][a-z0-9_-]*$": "a name of lower-case letters, digits, _ and -",
    IMPORT_PATH: "package.module:Class, the import path of a class",
}
"""Patterns, in words."""


def allowed_by(details: dict[str, Any], schema: Schema) -> str:
    """Say what may stand at a place instead; `details` is one entry of pydantic's ValidationError.errors()."""
    kind, location, context = str(details["type"]), details["loc"], details.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind == "extra_forbidden":
        return f"no such key; known are {', '.join(sorted(_part(schema, location[:-1], schema).get('properties', {})))}"
    if kind == "string_pattern_mismatch" and context["pattern"] in PATTERNS:
        return PATTERNS[context["pattern"]]
    part = _part(schema, location, schema)
    if kind == "union_tag_not_found":
        return f"one of {', '.join(map(repr, part['discriminator']['mapping']))}"
    about = part.get("description", "")
    text = "a value" if kind == "missing" else PLAIN.get(kind, str(details["msg"])).format(**context)
    return f"{text} ({about})" if about and "\n" not in about else text


def _part(schema: Schema, location: Sequence[str | int], root: Schema) -> Schema:
    """Follow pydantic's location through a JSON Schema; an empty schema where it leads nowhere."""
    schema = _resolved(schema, root)
    for option in schema.get("anyOf", ()):  # the other option is null
        if option != {"type": "null"}:
            return _part({**option, **{key: schema[key] for key in ("description",) if key in schema}}, location, root)
    if not location:
        return schema
    step, rest = location[0], location[1:]
    inner: Any
    if "discriminator" in schema:  # here the step names the member of the union
        member = schema["discriminator"]["mapping"].get(step)
        inner = {"$ref": member} if member else None
    elif isinstance(step, int):
        prefix = schema.get("prefixItems", [])
        inner = prefix[step] if step < len(prefix) else schema.get("items")
    else:
        inner = schema.get("properties", {}).get(step, schema.get("additionalProperties"))
        for named in schema.get("patternProperties", {}).values():  # a mapping whose keys are names
            inner = named
    return _part(inner, rest, root) if isinstance(inner, dict) else {}


def _resolved(schema: Schema, root: Schema) -> Schema:
    if "$ref" not in schema:
        return schema
    target = root["$defs"][schema["$ref"].rpartition("/")[2]]
    # the field's own words count more than those of the model it holds
    return {**target, **{key: value for key, value in schema.items() if key != "$ref"}}
