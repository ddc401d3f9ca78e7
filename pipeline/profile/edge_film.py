"""Which film profile a code on the edge means."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pipeline.check import Closed, Text, Wrong, read, read_profile, spelt
from pipeline.profile.film import film_names
from pipeline.profile.folder import profiles_folder

TABLE_FILE = "edge_films.toml"
# The code has seven bits for the product and four for its generation.
_CODE = r"^([1-9][0-9]?|1[01][0-9]|12[0-7])-([0-9]|1[0-5])$"
_CODES = "a film code, 1 to 127, a dash, 0 to 15"


def _film(name: Any) -> Any:
    if name not in film_names():
        raise Wrong(f"is {name!r}, not one of {', '.join(film_names())}")
    return name


_FilmName = Annotated[str, read(_film)]


@dataclass(frozen=True)
class FilmEntry(Closed):
    """A film that the table knows: its profile and source."""

    profile: _FilmName
    source: Text


@dataclass(frozen=True)
class FilmTable(Closed):
    """Films by code, and the profile for all others."""

    unknown: _FilmName
    film: dict[Annotated[str, spelt(_CODE, _CODES)], FilmEntry] = field(default_factory=dict)


def load_film_table(path: Path | None = None) -> FilmTable:
    """Return the table of film codes, by default the one that comes with evenroll.

    Raises SettingsProblem if it can't be read or an entry makes no sense; the message names file,
    key and reason.
    """
    path = profiles_folder() / TABLE_FILE if path is None else path
    return read_profile(FilmTable, path, "table of film codes")


def profile_of_codes(codes: Iterable[str | None], path: Path | None = None) -> str:
    """Return the film profile for a roll by the codes of its strips, the most frequent one.

    Codes that the table doesn't know, and rolls without any, get the profile for unknown films.
    """
    table = load_film_table(path)
    common = Counter(code for code in codes if code is not None).most_common(1)
    known = [table.film[code].profile for code, _ in common if code in table.film]
    return known[0] if known else table.unknown
