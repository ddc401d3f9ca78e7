"""Films by the code on their edge: which profile a roll gets where the user names none."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pipeline.check import Closed, Text, Wrong, noun, read, read_profile, spelt
from pipeline.film import film_names, profiles_folder

TABLE_FILE = "edge_films.toml"
# The code has seven bits for the product and four for its generation.
_CODE = r"^([1-9][0-9]?|1[01][0-9]|12[0-7])-([0-9]|1[0-5])$"
_CODES = "a film code, 1 to 127, a dash, 0 to 15"
_SPEEDS = "a whole number from 1 to 100000"


def _film(name: Any) -> Any:
    if name not in film_names():
        raise Wrong(f"is {name!r}, not one of {', '.join(film_names())}")
    return name


_FilmName = Annotated[str, read(_film)]


@dataclass(frozen=True)
class FilmEntry(Closed):
    """A film that the table knows: its profile, source, and nominal ISO speed or None."""

    profile: _FilmName
    source: Text
    speed: Annotated[int, noun(_SPEEDS, ge=1, le=100000)] | None = None


@dataclass(frozen=True)
class FilmTable(Closed):
    """Films by code, and the profile for all others."""

    unknown: _FilmName
    film: dict[Annotated[str, spelt(_CODE, _CODES)], FilmEntry] = field(default_factory=dict)


def load_film_table(path: Path | None = None) -> FilmTable:
    """Return the table of film codes, by default the one that comes with evenroll.

    Raises
    ------
    SettingsProblem
        If it can't be read or an entry makes no sense; the message names file, key and reason.
    """
    path = profiles_folder() / TABLE_FILE if path is None else path
    return read_profile(FilmTable, path, "table of film codes")


def film_of_code(code: str, path: Path | None = None) -> FilmEntry | None:
    """Return what the table knows of a film code such as 115-10, or None.

    Raises
    ------
    SettingsProblem
        As `load_film_table`.
    """
    return load_film_table(path).film.get(code)


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
