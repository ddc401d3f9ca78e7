"""Sizes of film and pictures, read from the profiles."""

from dataclasses import dataclass
from functools import cache
from typing import Any

from pipeline.profile.folder import shipped


@dataclass(frozen=True)
class FilmSize:
    """A kind of roll film, in millimetres; no perforations where the pitch is None.

    `seldom` is the natural logarithm of how much rarer it is than the usual film.
    """

    name: str
    width_mm: float
    image_across_mm: float
    least_visible_mm: float
    perforation_pitch_mm: float | None = None
    perforation_from_edge_mm: float | None = None
    perforation_across_mm: float | None = None
    perforation_along_mm: float | None = None
    seldom: float = 0.0

    @property
    def margin_mm(self) -> float:
        """Return the width of film on either side of the image."""
        return (self.width_mm - self.image_across_mm) / 2.0

    @property
    def rebate_mm(self) -> float:
        """Return the width of bare film on either side: as far as the holes, else the image."""
        return self.perforation_from_edge_mm or self.margin_mm


@dataclass(frozen=True)
class FrameFormat:
    """A frame format: its film, the lengths of its image and gap along the film, how seldom it is.

    `gates_mm` are the shortest and the longest gate of its cameras, `gate_spread` a gate's standard
    deviation as a share of its size; image and usual gap together are the pitch, which a shorter
    gate keeps. `seldom` is the natural logarithm of how much more often the film's usual format
    is exposed. `recorded_as` is what the record calls it, None by its name.
    """

    name: str
    film: FilmSize
    image_along_mm: float
    gates_mm: tuple[float, float]
    gate_spread: float
    usual_gap_mm: float
    gap_spread_mm: float
    seldom: float
    recorded_as: str | None = None


@cache
def film_sizes() -> dict[str, FilmSize]:
    """Return the known kinds of film by name."""
    document = shipped("formats/film.toml")
    return {name: FilmSize(name=name, **sizes) for name, sizes in document["film"].items()}


@cache
def frame_formats() -> dict[str, FrameFormat]:
    """Return the known frame formats by name."""
    document = shipped("formats/film.toml")
    films = film_sizes()

    def read(name: str, entry: dict[str, Any]) -> FrameFormat:
        known = {"film": films[entry["film"]], "gates_mm": tuple(entry["gates_mm"])}
        return FrameFormat(name=name, **{**entry, **known})

    return {name: read(name, entry) for name, entry in document["format"].items()}


def formats_on(film: str) -> tuple[FrameFormat, ...]:
    """Return the formats that cameras expose on a kind of film ('135' or '120')."""
    return tuple(entry for entry in frame_formats().values() if entry.film.name == film)
