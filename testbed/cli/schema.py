"""`testbed schema KIND`: the JSON Schema of a kind of file, for editors that complete and check YAML."""

import importlib
import json
from enum import StrEnum
from typing import Annotated

import typer


class Kind(StrEnum):
    """The kinds of file that a person writes."""

    plan = "plan"
    vehicle = "vehicle"
    table = "table"
    cabin = "cabin"
    beacons = "beacons"
    noise = "noise"


def schema(kind: Annotated[Kind, typer.Argument(help="Which kind of file.", show_default=False)]) -> None:
    """Print the JSON Schema of a kind of file."""
    module = "testbed.plan.schema" if kind is Kind.plan else f"testbed.description.{kind}"
    described = getattr(importlib.import_module(module), kind.capitalize())
    content = {"$schema": "https://json-schema.org/draft/2020-12/schema", **described.model_json_schema()}
    print(json.dumps(content, indent=2, ensure_ascii=False))
