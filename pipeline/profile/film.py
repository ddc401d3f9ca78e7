"""Film profiles: base, mask, curves and scene matrix."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import numpy as np

from pipeline.check import (
    Flag,
    Text,
    Wrong,
    one_of,
    part,
    read,
    read_profile,
    then,
    within,
)
from pipeline.kinds import Matrix, Point, Triple, as_matrix, as_triple
from pipeline.problem import SettingsProblem
from pipeline.profile.curve import Curve, LayerCurve, PointCurve, Shoulder
from pipeline.profile.folder import profile_names, profile_path
from pipeline.profile.space import colour_science

MONOCHROME = "monochrome"
SECTIONS = ("base", "unmask", "layers", "scene", "spread")
_WORKING = "acescg"
_POINT = "points of density and log10 exposure from -20 to 20"
# Scene spaces a profile may name, by their names in colour-science.
_SCENE_SPACES = {_WORKING: "ACEScg", "aces2065-1": "ACES2065-1"}


@dataclass(frozen=True)
class GreyOnFilm:
    """Density above base of a grey card on a film.

    `spread_log_e` is how far red and blue of another roll stray from it against green (log10
    exposure, one standard deviation).
    """

    density: Triple
    spread_log_e: float


@dataclass(frozen=True)
class FilmProfile:
    """What is known of a film before its roll is seen.

    `unmask` takes scanner density above base to per-layer density; `scene` takes the three
    layers' exposures to linear ACEScg; `base_status_m` is the usual D-min, with its range.
    `slope_spread` and `speed_spread_log_e` say how far one film of the kind strays from another
    (relative slope, log10 exposure, one standard deviation between layers), `contrast_spread` how
    far the slope of all layers together does (relative). `fixed` profiles are a chain of their own:
    slopes, balance and exposure are not for a roll to change. `iso` is the film's speed where it is
    one film; `sources` says for each part where it comes from.
    `unmask_status_m` takes the place of `unmask` where densities are Status M. `unmask_strays` are
    the ways in which films and scanners differ in it, of one standard deviation each: the matrix is
    `unmask` after the exponential of their sum; their rows sum to 0. `drawn` tells that the rolls
    of rolls.toml were drawn about this profile, or one of which it is a kind. `grey` is what a card
    was on the film, by which its curves are set; `film_codes` are those on the edge of the film it
    was made from, such as 115-10.
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
    sources: Mapping[str, str] = field(hash=False)
    unmask_status_m: Matrix | None = None
    unmask_strays: tuple[Matrix, ...] = ()
    drawn: bool = False
    grey: GreyOnFilm | None = None
    contrast_spread: float = 0.0
    film_codes: tuple[str, ...] = ()

    def slopes(self) -> Triple:
        """Return the slopes of the three curves."""
        return as_triple(curve.slope for curve in self.curves)


def fittable_curves(profile: FilmProfile) -> tuple[LayerCurve, LayerCurve, LayerCurve]:
    """Return a profile's curves where a fit may change them.

    Raises SettingsProblem if the profile is fixed or gives its curves by points.
    """
    curves = [curve for curve in profile.curves if isinstance(curve, LayerCurve)]
    if profile.fixed or len(curves) != 3:
        raise SettingsProblem(
            None,
            f"the film profile '{profile.name}' is a chain of its own, which no fit may change",
            "start from another one, such as generic",
        )
    red, green, blue = curves
    return (red, green, blue)


def film_names() -> tuple[str, ...]:
    """Return the names of the film profiles that come with evenroll."""
    return profile_names("film")


def _invertible(matrix: Matrix) -> Matrix:
    if abs(float(np.linalg.det(np.array(matrix)))) < 1e-3:
        raise Wrong("can't be inverted")
    return matrix


def _curve(table: Any) -> Any:
    """Return a curve by its points, or by slope, toe and shoulder."""
    if not isinstance(table, dict):
        raise Wrong("is not a table")
    if "points" in table:
        levels, logs = zip(*part(_Points, table).points, strict=True)
        return PointCurve(levels, logs)
    line = part(_Line, table)
    if line.shoulder is not None and line.shoulder.slope > line.slope:
        slope = line.shoulder.slope
        raise Wrong(f"is {slope:g}, not a number from 0.02 to {line.slope:g}", key="shoulder.slope")
    return LayerCurve(line.slope, 10.0**line.toe_log_exposure, line.toe_power, line.shoulder)


def _rising(points: tuple[Point, ...]) -> tuple[Point, ...]:
    if len(points) < 2:
        raise Wrong("is not a list of two points or more")
    steps = np.diff(np.array(points), axis=0)
    if (steps[:, 0] <= 0).any() or (steps[:, 1] < 0).any():
        raise Wrong("has points that do not rise")
    return points


def _codes(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(code, str) for code in value):
        raise Wrong(f"is {value!r}, not a list of film codes, such as '115-10'")
    return tuple(value)


MatrixValue = Annotated[Matrix, within(-10.0, 10.0), then(_invertible)]
_Densities = Annotated[Triple, within(0.0, 3.0)]
_CurveValue = Annotated[Any, read(_curve)]


@dataclass(frozen=True)
class _Points:
    points: Annotated[tuple[Point, ...], within(-20.0, 20.0, words=_POINT), then(_rising)]


@dataclass(frozen=True)
class _Line:
    slope: Annotated[float, within(0.2, 3.0)]
    toe_log_exposure: Annotated[float, within(-5.0, 0.5)]
    toe_power: Annotated[float, within(0.5, 4.0)]
    shoulder: Shoulder | None = None


@dataclass(frozen=True)
class _Base:
    source: Text
    status_m: _Densities
    lowest: _Densities
    highest: _Densities


@dataclass(frozen=True)
class _Unmask:
    source: Text
    matrix: MatrixValue
    status_m: MatrixValue | None = None
    strays: Annotated[tuple[Matrix, ...], within(-2.0, 2.0)] = ()


@dataclass(frozen=True)
class _Layers:
    source: Text
    red: _CurveValue
    green: _CurveValue
    blue: _CurveValue


@dataclass(frozen=True)
class _Scene:
    source: Text
    matrix: MatrixValue
    space: Annotated[str, one_of(tuple(_SCENE_SPACES))] = _WORKING


@dataclass(frozen=True)
class _Spread:
    source: Text
    slope: Annotated[float, within(0.0, 1.0)]
    speed_log_e: Annotated[float, within(0.0, 1.0)]
    contrast: Annotated[float, within(0.0, 1.0)] = 0.0
    drawn: Flag = False


@dataclass(frozen=True)
class _Speed:
    iso: Annotated[int, within(1, 25600)]


def _in_range(base: _Base) -> _Base:
    known = zip(base.lowest, base.status_m, base.highest, strict=True)
    if not all(low <= usual <= high for low, usual, high in known):
        raise Wrong("is not between 'base.lowest' and 'base.highest'", key="status_m")
    return base


@dataclass(frozen=True)
class _Grey:
    source: Text
    density: _Densities
    spread_log_e: Annotated[float, within(0.0, 1.0)]


@dataclass(frozen=True)
class _Film:
    source: Text
    base: Annotated[_Base, then(_in_range)]
    unmask: _Unmask
    layers: _Layers
    scene: _Scene
    spread: _Spread
    name: Text | None = None
    film_codes: Annotated[tuple[str, ...], read(_codes)] = ()
    fixed: Flag = False
    speed: _Speed | None = None
    grey: _Grey | None = None


def read_film(path: Path) -> FilmProfile:
    """Return the film profile in a TOML file.

    Raises SettingsProblem if the file can't be read or a key is missing or out of range.
    """
    told = read_profile(_Film, path, "film profile")
    scene = np.array(told.scene.matrix)
    if told.scene.space != _WORKING:
        colour, spaces = colour_science(), colour_science().RGB_COLOURSPACES
        known, working = (spaces[_SCENE_SPACES[name]] for name in (told.scene.space, _WORKING))
        # Both have the same white.
        scene = colour.matrix_RGB_to_RGB(known, working) @ scene
    return FilmProfile(
        name=told.name or path.stem,
        source=told.source,
        base_status_m=told.base.status_m,
        base_low=told.base.lowest,
        base_high=told.base.highest,
        unmask=told.unmask.matrix,
        curves=(told.layers.red, told.layers.green, told.layers.blue),
        scene=as_matrix(scene),
        slope_spread=told.spread.slope,
        speed_spread_log_e=told.spread.speed_log_e,
        fixed=told.fixed,
        iso=None if told.speed is None else told.speed.iso,
        unmask_status_m=told.unmask.status_m,
        unmask_strays=told.unmask.strays,
        contrast_spread=told.spread.contrast,
        drawn=told.spread.drawn,
        film_codes=told.film_codes,
        grey=None if told.grey is None else GreyOnFilm(told.grey.density, told.grey.spread_log_e),
        sources={
            name: getattr(told, name).source
            for name in (*SECTIONS, *(["grey"] if told.grey is not None else []))
        },
    )


def find_film(name: str) -> FilmProfile:
    """Return the film profile of that name, or of that path if it ends in .toml.

    Raises SettingsProblem if there is none; the message lists those there are.
    """
    return read_film(profile_path(name, "film"))
