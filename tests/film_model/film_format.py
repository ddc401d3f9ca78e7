"""Film formats: widths, images, perforations, edge print rows, all in millimetres."""

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path


@dataclass(frozen=True)
class Perforation:
    """A row of holes along each edge of the film."""

    pitch_mm: float
    along_mm: float
    across_mm: float
    from_edge_mm: float
    corner_mm: float


@dataclass(frozen=True)
class EdgeRows:
    """Where edge print lies; code fields are None for film that carries no bar codes."""

    number_pitch_mm: float
    text_height_mm: float
    text_from_edge_mm: float
    code_module_mm: float | None = None
    code_rows_mm: tuple[float, float, float] | None = None
    code_after_number_mm: float = 0.0


@dataclass(frozen=True)
class FilmFormat:
    """One format: film width, image gate along x across, usual pitch, gate corner radius."""

    name: str
    width_mm: float
    image_mm: tuple[float, float]
    pitch_mm: float
    corner_mm: float
    film: str
    perforation: Perforation | None
    edge: EdgeRows


@lru_cache(maxsize=1)
def _tables() -> dict:
    return tomllib.loads((Path(__file__).parent / "formats.toml").read_text(encoding="utf-8"))


def format_names() -> list[str]:
    """Return the names of all formats."""
    return list(_tables()["formats"])


@lru_cache(maxsize=16)
def load_format(name: str) -> FilmFormat:
    """Return a format by name; KeyError if there is none."""
    tables = _tables()
    row = tables["formats"][name]
    rows = dict(tables["edge_print"][row["film"]])
    if "code_rows_mm" in rows:
        rows["code_rows_mm"] = tuple(rows["code_rows_mm"])
    holes = Perforation(**tables["perforation"]) if row["film"] == "135" else None
    return FilmFormat(
        name,
        row["width_mm"],
        tuple(row["image_mm"]),
        row["pitch_mm"],
        row["corner_mm"],
        row["film"],
        holes,
        EdgeRows(**rows),
    )
