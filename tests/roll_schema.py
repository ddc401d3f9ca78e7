"""The schema of roll.json, and what a document breaks of it."""

import json
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

SCHEMA = json.loads((Path(__file__).parent / "data" / "roll.schema.json").read_text("utf-8"))
DEFINED = SCHEMA["$defs"]
FINDING_CODES = set(DEFINED["finding"]["properties"]["code"]["enum"])
SEVERITIES = tuple(DEFINED["finding"]["properties"]["severity"]["enum"])


def broken(document: Any) -> list[str]:
    """Return a sentence for each rule of the schema that a document breaks, with its place."""
    errors = Draft202012Validator(SCHEMA).iter_errors(document)
    return [f"{error.json_path}: {error.message}" for error in errors]
