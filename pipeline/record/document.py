"""The document of a record, `roll.json`: made of one, and read."""

import json
import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.problem import ScanProblem, reason_of
from pipeline.record.record import SCHEMA, RollRecord, StripRecord
from pipeline.small_file import read_small

RECORD_NAME = "roll.json"
# Far more than the record of a thousand scans.
_MOST_BYTES = 64 << 20
_ONLY_WHERE_TOLD = (
    "corrected", "found_as", "exposure_stops", "balance", "colour_temperature_k", "duv",
)  # fmt: skip
# What the promised file calls otherwise than the code.
_PROMISED = {"slopes": "gamma", "d_max": "dmax"}


def plain(value: Any) -> Any:
    """Return a value ready for JSON: six decimals, null for what is not finite, dates as text."""
    if isinstance(value, Mapping):
        return {plain(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (np.generic, np.ndarray)):
        return plain(value.tolist())
    if isinstance(value, float):
        # Adding zero turns -0.0 into 0.0.
        return round(value, 6) + 0.0 if math.isfinite(value) else None
    if isinstance(value, str):
        # File names that are no Unicode come as lone surrogates, which UTF-8 can't hold.
        return value.encode("utf-8", "replace").decode("utf-8")
    if value is None or isinstance(value, (int, bool)):
        return value
    if hasattr(value, "isoformat"):
        return value.isoformat()
    return plain(str(value))


def _told(frame: dict[str, Any]) -> dict[str, Any]:
    """Return a frame without what only corrected or trimmed ones have to tell."""
    return {
        name: value
        for name, value in frame.items()
        if not (name in _ONLY_WHERE_TOLD and value in (False, None, 0.0))
    }


def _filled(table: dict[str, Any], always: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return a table without entries that say nothing, down through tables inside it.

    Names are those of the promised file.
    """
    return {
        _PROMISED.get(name, name): _filled(value) if isinstance(value, dict) else value
        for name, value in table.items()
        if name in always or value not in (None, [], {})
    }


def strips_of(document: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the strips of a roll's document; what is no table is passed over."""
    return _tables(document.get("strips"))


def _tables(values: Any) -> list[Mapping[str, Any]]:
    return (
        [each for each in values if isinstance(each, Mapping)] if isinstance(values, list) else []
    )


def base_of(strip: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the film base of a strip's document, empty where it has none."""
    base = strip.get("base")
    return base if isinstance(base, Mapping) else {}


def edge_films(document: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the films of the codes on a roll's edge, the one read oftenest first.

    A film's code is what stands before the frame's number; what is no code is passed over.
    """
    codes = [
        code["text"].split("/")[0]
        for strip in strips_of(document)
        for code in _tables(strip.get("edge_codes"))
        if isinstance(code.get("text"), str)
    ]
    return tuple(film for film, _ in Counter(codes).most_common())


def to_document(record: RollRecord) -> dict[str, Any]:
    """Return the record as a JSON-ready document.

    Numbers are rounded to six decimals, non-finite ones become null, dates ISO 8601 text. A frame
    has `corrected`, `found_as` and what is of its own in colour, the colour a `reference`, a
    base `status_m` and densities all that is not always told only where they say something.
    """
    body = _without_strips(record)
    body["strips"] = [_strip_document(strip) for strip in record.strips]
    return body


def _without_strips(record: RollRecord) -> dict[str, Any]:
    body: dict[str, Any] = plain(asdict(replace(record, strips=())))
    colour = {n: body["colour"][n] for n in ("balance", "slopes", "how", "reference")}
    body["colour"] = _filled(colour)
    body["densities"] = _filled(body["densities"], ("base", "range", "contrast", "edge_print"))
    # What is a note and what a problem is for people; programs get the sentence.
    body["problems"] = [
        {name: trouble[name] for name in ("scan", "message")} for trouble in body["problems"]
    ]
    return body


def _strip_document(told: StripRecord) -> dict[str, Any]:
    strip: dict[str, Any] = plain(asdict(told))
    strip["frames"] = [_told(frame) for frame in strip["frames"]]
    strip["base"] = _filled(strip["base"], ("area_mm2",))
    strip["densities"] = _filled(strip["densities"] or {})
    return {
        name: value for name, value in strip.items() if value or name not in ("densities", "device")
    }


def to_json(record: RollRecord) -> str:
    """Return the text of `roll.json`, ending in a newline; same record, same bytes.

    It is put together strip by strip: the document of a long roll takes a hundred megabytes.
    """
    # In strings, line breaks are escaped: what follows one is the document's own.
    empty = '\n "strips": []'
    head, _, tail = _text(_without_strips(record)).partition(empty)
    parts = [head, empty[:-1]]
    for place, strip in enumerate(record.strips):
        parts += (",\n  " if place else "\n  ", _text(_strip_document(strip)).replace("\n", "\n  "))
    return "".join((*parts, "\n ]" if record.strips else "]", tail, "\n"))


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def read_document(path: Path) -> dict[str, Any]:
    """Return the document in a `roll.json`.

    Raises ScanProblem if the file is missing, is no JSON, or has another schema number.
    """
    try:
        document = json.loads(read_small(path, _MOST_BYTES).decode("utf-8"))
    except FileNotFoundError as error:
        raise ScanProblem(path, "is not there", "name the roll.json of a finished run") from error
    except (OSError, ValueError, RecursionError) as error:
        raise ScanProblem(
            path,
            f"can't be read as a roll record ({reason_of(error)})",
            "name the roll.json of a finished run",
        ) from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise ScanProblem(
            path,
            f"is not a roll record of schema {SCHEMA}",
            "convert the roll again with this version",
        )
    return document
