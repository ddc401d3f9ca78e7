"""Kinds of cameras in cameras.toml, and strips of the pictures that they take."""

import tomllib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from .film_format import load_format
from .roll import Camera

Range = tuple[float, float]


@dataclass(frozen=True)
class CameraKind:
    """One kind of camera: its format, and the lowest and highest of what its makers chose.

    Lengths are millimetres: gate along and across the film, bar between two pictures, its
    deviation on one roll, softness of the gate's shadow and radius of its corners.
    """

    name: str
    split: str
    format: str
    along_mm: Range
    across_mm: Range
    bar_mm: Range
    jitter_mm: Range
    softness_mm: Range = (0.07, 0.07)
    corner_mm: Range | None = None
    vignetting_stops: Range = (0.0, 0.4)

    def drawn(self, rng: np.random.Generator) -> Camera:
        """Return one camera of the kind, its pitch so that the bar comes out as drawn."""
        form = load_format(self.format)
        along, across, bar, jitter, soft, dim = (
            float(rng.uniform(*one))
            for one in (
                self.along_mm,
                self.across_mm,
                self.bar_mm,
                self.jitter_mm,
                self.softness_mm,
                self.vignetting_stops,
            )
        )
        camera = Camera(
            pitch_error_mm=along + bar - form.pitch_mm,
            gap_jitter_mm=jitter,
            gate_shift_mm=float(rng.normal(0, 0.15)),
            gate_softness_mm=soft,
            gate_size_error_mm=(along - form.image_mm[0], across - form.image_mm[1]),
            flare=float(rng.uniform(0, 0.006)),
            vignetting_stops=dim,
        )
        if self.corner_mm is None:
            return camera
        return replace(camera, gate_corner_mm=float(rng.uniform(*self.corner_mm)))


@lru_cache(maxsize=1)
def camera_kinds() -> tuple[CameraKind, ...]:
    """Return all kinds of cameras."""
    path = Path(__file__).parent / "cameras.toml"
    rows = tomllib.loads(path.read_text(encoding="utf-8"))["cameras"]
    return tuple(_kind(name, row) for name, row in rows.items())


def _kind(name: str, row: dict) -> CameraKind:
    fields = {key: tuple(value) if isinstance(value, list) else value for key, value in row.items()}
    fields.pop("note", None)
    return CameraKind(name=name, **fields)


def cameras_of(split: str) -> list[CameraKind]:
    """Return the kinds of a split, 'used' or 'left-out'."""
    return [kind for kind in camera_kinds() if kind.split == split]
