"""Film profiles: what is known beforehand of a film, read from TOML and validated."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.colour_science import colour_science
from pipeline.film_curve import Curve, LayerCurve, PointCurve, Shoulder
from pipeline.problem import SettingsProblem
from pipeline.profile_reader import Matrix, ProfileReader, Triple

__all__ = [
    "LAYERS",
    "Curve",
    "FilmProfile",
    "LayerCurve",
    "Matrix",
    "Triple",
    "film_names",
    "find_film",
    "profiles_folder",
    "read_film",
]

LAYERS = ("red", "green", "blue")
SECTIONS = ("base", "unmask", "layers", "scene", "spread")
_WORKING = "acescg"
# Scene spaces a profile may name, by their names in colour-science.
_SCENE_SPACES = {_WORKING: "ACEScg", "aces2065-1": "ACES2065-1"}


@dataclass(frozen=True)
class FilmProfile:
    """What is known of a film before its roll is seen.

    `unmask` takes scanner density above base to per-layer density; `scene` takes the three
    layers' exposures to linear ACEScg; `base_status_m` is the usual D-min, with its range.
    `slope_spread` and `speed_spread_log_e` say how far one film of the kind strays from another
    (relative slope, log10 exposure, one standard deviation between layers). `fixed` profiles are
    a chain of their own: slopes, balance and exposure are not for a roll to change. `iso` is the
    film's speed where it is one film; `sources` says for each part where it comes from.
    `unmask_status_m` takes the place of `unmask` where densities are Status M.
    """

    name: str
    source: str
    base_status_m: Triple
    base_low: Triple
    base_high: Triple
    unmask: Matrix
    curves: tuple[Curve, Curve, Curve]
    scene: Matrix
    slope_spread: float
    speed_spread_log_e: float
    fixed: bool
    iso: int | None
    sources: Mapping[str, str]
    unmask_status_m: Matrix | None = None

    def gamma(self) -> Triple:
        """Return the slopes of the three curves."""
        red, green, blue = (curve.slope for curve in self.curves)
        return (red, green, blue)


def fittable_curves(profile: FilmProfile) -> tuple[LayerCurve, LayerCurve, LayerCurve]:
    """Return a profile's curves where a fit may change them.

    Raises
    ------
    SettingsProblem
        If the profile is fixed or gives its curves by points.
    """
    curves = [curve for curve in profile.curves if isinstance(curve, LayerCurve)]
    if profile.fixed or len(curves) != len(LAYERS):
        raise SettingsProblem(
            None,
            f"the film profile '{profile.name}' is a chain of its own, which no fit may change",
            "start from another one, such as generic",
        )
    red, green, blue = curves
    return (red, green, blue)


def profiles_folder() -> Path:
    """Return the folder of the profiles: inside the installed package, else beside it."""
    inside = Path(__file__).parent / "profiles"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "profiles"


@cache
def shipped(name: str) -> dict[str, Any]:
    """Return what a TOML file of the profiles folder holds, read once; nobody may change it."""
    return tomllib.loads((profiles_folder() / name).read_text("utf-8"))


def film_names() -> tuple[str, ...]:
    """Return the names of the film profiles that come with evenroll."""
    return tuple(sorted(path.stem for path in (profiles_folder() / "films").glob("*.toml")))


class _FilmReader(ProfileReader):
    """Reads the parts of a film profile."""

    def curve(self, layer: str) -> Curve:
        key = f"layers.{layer}"
        if "points" in self.table(key):
            return self._points(f"{key}.points")
        slope = self.number(f"{key}.slope", 0.2, 3.0)
        return LayerCurve(
            slope=slope,
            toe_exposure=10.0 ** self.number(f"{key}.toe_log_exposure", -5.0, 0.5),
            toe_power=self.number(f"{key}.toe_power", 0.5, 4.0),
            shoulder=self._shoulder(f"{key}.shoulder", slope)
            if "shoulder" in self.table(key)
            else None,
        )

    def _shoulder(self, key: str, slope: float) -> Shoulder:
        return Shoulder(
            density=self.number(f"{key}.density", 0.5, 4.0),
            softness=self.number(f"{key}.softness", 0.02, 1.0),
            slope=self.number(f"{key}.slope", 0.02, slope),
        )

    def _points(self, key: str) -> PointCurve:
        rows = self.value(key)
        if not isinstance(rows, list) or len(rows) < 2:
            raise self.fail(key, "is not a list of two points or more")
        points = []
        for row in rows:
            if not isinstance(row, list) or len(row) != 2:
                raise self.fail(key, "has a point that is not density and log10 exposure")
            points.append([self.in_range(key, item, -20.0, 20.0) for item in row])
        table = np.array(points)
        if (np.diff(table[:, 0]) <= 0).any() or (np.diff(table[:, 1]) < 0).any():
            raise self.fail(key, "has points that do not rise")
        return PointCurve(tuple(table[:, 0].tolist()), tuple(table[:, 1].tolist()))

    def base(self) -> tuple[Triple, Triple, Triple]:
        """Return D-min: usual, lowest, highest."""
        aim, low, high = (
            self.triple(f"base.{name}", 0.0, 3.0) for name in ("status_m", "lowest", "highest")
        )
        if not all(a <= b <= c for a, b, c in zip(low, aim, high, strict=True)):
            raise self.fail("base.status_m", "is not between 'base.lowest' and 'base.highest'")
        return aim, low, high

    def scene(self) -> Matrix:
        """Return the matrix from layer exposures to linear ACEScg, whatever space it is in."""
        matrix = self.matrix("scene.matrix")
        space = self.document["scene"].get("space", _WORKING)
        if not isinstance(space, str) or space not in _SCENE_SPACES:
            raise self.fail("scene.space", f"is {space!r}, not one of {', '.join(_SCENE_SPACES)}")
        if space == _WORKING:
            return matrix
        red, green, blue = (
            (float(row[0]), float(row[1]), float(row[2]))
            for row in np.asarray(_into_working(space)) @ np.asarray(matrix)
        )
        return (red, green, blue)

    def unmask_status_m(self) -> Matrix | None:
        known = "status_m" in self.table("unmask")
        return self.matrix("unmask.status_m") if known else None

    def iso(self) -> int | None:
        return round(self.number("speed.iso", 1, 25600)) if "speed" in self.document else None


@cache
def _into_working(space: str) -> Matrix:
    """Return the matrix from a linear scene space to ACEScg (colour-science; same white)."""
    colour = colour_science()
    spaces = colour.RGB_COLOURSPACES
    matrix = colour.matrix_RGB_to_RGB(spaces[_SCENE_SPACES[space]], spaces[_SCENE_SPACES[_WORKING]])
    red, green, blue = ((float(a), float(b), float(c)) for a, b, c in matrix)
    return (red, green, blue)


def read_film(path: Path) -> FilmProfile:
    """Return the film profile in a TOML file.

    Raises
    ------
    SettingsProblem
        If the file can't be read or a key is missing or out of range.
    """
    reader = _FilmReader(path, "film profile")
    red, green, blue = (reader.curve(layer) for layer in LAYERS)
    aim, low, high = reader.base()
    return FilmProfile(
        name=reader.text("name") if "name" in reader.document else path.stem,
        source=reader.text("source"),
        base_status_m=aim,
        base_low=low,
        base_high=high,
        unmask=reader.matrix("unmask.matrix"),
        curves=(red, green, blue),
        scene=reader.scene(),
        slope_spread=reader.number("spread.slope", 0.0, 1.0),
        speed_spread_log_e=reader.number("spread.speed_log_e", 0.0, 1.0),
        fixed=reader.flag("fixed"),
        iso=reader.iso(),
        unmask_status_m=reader.unmask_status_m(),
        sources={part: reader.text(f"{part}.source") for part in SECTIONS},
    )


def find_film(name: str) -> FilmProfile:
    """Return the film profile of that name, or of that path if it ends in .toml.

    Raises
    ------
    SettingsProblem
        If there is none; the message lists those there are.
    """
    return read_film(profile_path(name, "film", film_names()))


def profile_path(name: str, kind: str, names: Sequence[str]) -> Path:
    """Return the file of a profile of a kind ('film', 'scanner'), by name or by its own path.

    Raises
    ------
    SettingsProblem
        If it is neither one of `names` nor ends in .toml.
    """
    if name.endswith(".toml"):
        return Path(name)
    if name not in names:
        raise SettingsProblem(
            None,
            f"there is no {kind} profile '{name}'",
            f"choose one of {', '.join(names)}, or give a .toml file",
        )
    return profiles_folder() / f"{kind}s" / f"{name}.toml"
