"""Films by the code on their edge: which profile a roll gets where the user names none."""

import re
import tomllib
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.film import film_names, profiles_folder
from pipeline.problem import SettingsProblem

TABLE_FILE = "edge_films.toml"
_CODE = re.compile(r"([1-9][0-9]{0,2})-(0|[1-9][0-9]?)")
# The code has seven bits for the product and four for its generation.
_LAST_PRODUCT, _LAST_GENERATION = 127, 15
_HIGHEST_SPEED = 100000
_KEYS = ("profile", "speed", "source")


@dataclass(frozen=True)
class FilmEntry:
    """A film that the table knows: its code, profile, nominal ISO speed or None, and source."""

    code: str
    profile: str
    speed: int | None
    source: str


@dataclass(frozen=True)
class FilmTable:
    """Films by code, and the profile for all others."""

    films: tuple[FilmEntry, ...]
    unknown: str


def load_film_table(path: Path | None = None) -> FilmTable:
    """Return the table of film codes, by default the one that comes with evenroll.

    Raises
    ------
    SettingsProblem
        If it can't be read or an entry makes no sense; the message names file, key and reason.
    """
    path = profiles_folder() / TABLE_FILE if path is None else path
    try:
        document = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        raise SettingsProblem(
            path, f"can't be read as a table of film codes ({error})", "restore it"
        ) from error
    for key in document:
        if key not in ("unknown", "film"):
            raise _wrong(path, key, "is not known")
    entries = document.get("film", {})
    if not isinstance(entries, dict):
        raise _wrong(path, "film", "is not a table")
    return FilmTable(
        films=tuple(_entry(path, code, entry) for code, entry in entries.items()),
        unknown=_profile(path, "unknown", document.get("unknown")),
    )


def film_of_code(code: str, path: Path | None = None) -> FilmEntry | None:
    """Return what the table knows of a film code such as 115-10, or None.

    Raises
    ------
    SettingsProblem
        As `load_film_table`.
    """
    return next((entry for entry in load_film_table(path).films if entry.code == code), None)


def profile_of_codes(codes: Iterable[str | None], path: Path | None = None) -> str:
    """Return the film profile for a roll by the codes of its strips, the most frequent one.

    Codes that the table doesn't know, and rolls without any, get the profile for unknown films.
    """
    counts = Counter(code for code in codes if code is not None)
    if counts:
        entry = film_of_code(counts.most_common(1)[0][0], path)
        if entry is not None:
            return entry.profile
    return load_film_table(path).unknown


def _entry(path: Path, code: str, entry: Any) -> FilmEntry:
    key = f"film.{code}"
    match = _CODE.fullmatch(code)
    if (
        match is None
        or int(match.group(1)) > _LAST_PRODUCT
        or int(match.group(2)) > _LAST_GENERATION
    ):
        raise _wrong(
            path, key, f"is no film code, 1 to {_LAST_PRODUCT}, a dash, 0 to {_LAST_GENERATION}"
        )
    if not isinstance(entry, dict):
        raise _wrong(path, key, "is not a table")
    for name in entry:
        if name not in _KEYS:
            raise _wrong(path, f"{key}.{name}", "is not known")
    source = entry.get("source")
    if not isinstance(source, str) or not source.strip():
        raise _wrong(path, f"{key}.source", "is not a text")
    speed = entry.get("speed")
    if speed is not None and (type(speed) is not int or not 1 <= speed <= _HIGHEST_SPEED):
        raise _wrong(
            path, f"{key}.speed", f"is {speed!r}, not a whole number from 1 to {_HIGHEST_SPEED}"
        )
    return FilmEntry(code, _profile(path, f"{key}.profile", entry.get("profile")), speed, source)


def _profile(path: Path, key: str, value: Any) -> str:
    if value not in film_names():
        raise _wrong(path, key, f"is {value!r}, not one of {', '.join(film_names())}")
    return str(value)


def _wrong(path: Path, key: str, reason: str) -> SettingsProblem:
    return SettingsProblem(path, f"key '{key}' {reason}", "correct the table of film codes")
