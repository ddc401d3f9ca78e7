"""Film profiles: what is known beforehand of a film, read from TOML and validated."""

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.problem import SettingsProblem

Triple = tuple[float, float, float]
Matrix = tuple[Triple, Triple, Triple]
Floats = NDArray[np.float64]

LAYERS = ("red", "green", "blue")


@dataclass(frozen=True)
class LayerCurve:
    """Characteristic curve of one layer: straight line with a smooth toe.

    ``D = slope / p * log10(1 + (E / E0) ** p)``: for exposures well above `toe_exposure` (E0)
    the curve is a line of the given `slope` (density per decade); below, it runs into the base.
    `toe_power` (p) is the sharpness of the toe. The form is the soft-plus, the smallest smooth
    function with these two limits; exposures are relative to 1.0 = a perfect white, so that
    a grey card is 0.18.
    """

    slope: float
    toe_exposure: float
    toe_power: float

    def density(self, exposure: NDArray[np.floating]) -> Floats:
        """Return density above base for linear exposures >= 0."""
        ratio = np.maximum(np.asarray(exposure, float), 0.0) / self.toe_exposure
        above: Floats = self.slope / self.toe_power * np.log10(1.0 + ratio**self.toe_power)
        return above

    def exposure(self, density: NDArray[np.floating]) -> Floats:
        """Return linear exposure for densities above base, monotone over all real densities.

        Near the base the curve's own slope is infinite for a sharp toe, which would turn grain
        into speckle: below `knee` the tangent carries on, so that densities under the base give
        small negative exposures and noise keeps its mean.
        """
        knee = 0.04 * self.slope
        value = np.asarray(density, float)
        above = self._inverse(np.maximum(value, knee))
        step = 1e-4
        tangent = (self._inverse(np.array(knee + step)) - self._inverse(np.array(knee))) / step
        return above + tangent * np.minimum(value - knee, 0.0)

    def _inverse(self, density: Floats) -> Floats:
        grown = np.expm1(density * (self.toe_power * math.log(10.0) / self.slope))
        root: Floats = self.toe_exposure * grown ** (1.0 / self.toe_power)
        return root


@dataclass(frozen=True)
class FilmProfile:
    """What is known of a film before its roll is seen.

    `unmask` takes scanner density above base to per-layer density; `scene` takes the three
    layers' exposures to linear ACEScg; `base_status_m` is the usual D-min, with its range.
    `slope_spread` and `speed_spread_log_e` say how far one film of the kind strays from another
    (relative slope, log10 exposure, one standard deviation between layers).
    """

    name: str
    source: str
    base_status_m: Triple
    base_low: Triple
    base_high: Triple
    unmask: Matrix
    curves: tuple[LayerCurve, LayerCurve, LayerCurve]
    scene: Matrix
    slope_spread: float
    speed_spread_log_e: float

    def gamma(self) -> Triple:
        """Return the slopes of the three curves."""
        red, green, blue = (curve.slope for curve in self.curves)
        return (red, green, blue)


def profiles_folder() -> Path:
    """Return the folder of the profiles: inside the installed package, else beside it."""
    inside = Path(__file__).parent / "profiles"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "profiles"


def film_names() -> tuple[str, ...]:
    """Return the names of the film profiles that come with evenroll."""
    return tuple(sorted(path.stem for path in (profiles_folder() / "films").glob("*.toml")))


class _Reader:
    """Reads checked values out of a parsed profile; errors name file, key and reason."""

    def __init__(self, path: Path, document: dict[str, Any]) -> None:
        self.path = path
        self.document = document

    def fail(self, key: str, reason: str) -> SettingsProblem:
        return SettingsProblem(self.path, f"key '{key}' {reason}", "correct the film profile")

    def value(self, key: str) -> Any:
        found: Any = self.document
        for part in key.split("."):
            if not isinstance(found, dict) or part not in found:
                raise self.fail(key, "is missing")
            found = found[part]
        return found

    def number(self, key: str, low: float, high: float) -> float:
        return self._in_range(key, self.value(key), low, high)

    def _in_range(self, key: str, value: Any, low: float, high: float) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not low <= value <= high
        ):
            raise self.fail(key, f"is {value!r}, not a number from {low:g} to {high:g}")
        return float(value)

    def text(self, key: str) -> str:
        value = self.value(key)
        if not isinstance(value, str) or not value.strip():
            raise self.fail(key, "is not a text")
        return value

    def triple(self, key: str, low: float, high: float) -> Triple:
        value = self.value(key)
        if not isinstance(value, list) or len(value) != 3:
            raise self.fail(key, "is not a list of three numbers")
        red, green, blue = (self._in_range(key, item, low, high) for item in value)
        return (red, green, blue)

    def matrix(self, key: str) -> Matrix:
        rows = self.value(key)
        if not isinstance(rows, list) or len(rows) != 3:
            raise self.fail(key, "is not three rows")
        for row in rows:
            if not isinstance(row, list) or len(row) != 3:
                raise self.fail(key, "has a row that is not three numbers")
        checked = [[self._in_range(key, item, -10.0, 10.0) for item in row] for row in rows]
        if abs(float(np.linalg.det(np.array(checked)))) < 1e-3:
            raise self.fail(key, "can't be inverted")
        red, green, blue = ((row[0], row[1], row[2]) for row in checked)
        return (red, green, blue)

    def curve(self, layer: str) -> LayerCurve:
        key = f"layers.{layer}"
        return LayerCurve(
            slope=self.number(f"{key}.slope", 0.2, 3.0),
            toe_exposure=10.0 ** self.number(f"{key}.toe_log_exposure", -5.0, 0.5),
            toe_power=self.number(f"{key}.toe_power", 0.5, 4.0),
        )


def read_film(path: Path) -> FilmProfile:
    """Return the film profile in a TOML file.

    Raises
    ------
    SettingsProblem
        If the file can't be read or a key is missing or out of range.
    """
    try:
        document = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        raise SettingsProblem(
            path,
            f"can't be read as a film profile ({error})",
            "give a TOML file as profiles/films holds them",
        ) from error
    reader = _Reader(path, document)
    red, green, blue = (reader.curve(layer) for layer in LAYERS)
    return FilmProfile(
        name=path.stem,
        source=reader.text("source"),
        base_status_m=reader.triple("base.status_m", 0.0, 3.0),
        base_low=reader.triple("base.lowest", 0.0, 3.0),
        base_high=reader.triple("base.highest", 0.0, 3.0),
        unmask=reader.matrix("unmask.matrix"),
        curves=(red, green, blue),
        scene=reader.matrix("scene.matrix"),
        slope_spread=reader.number("spread.slope", 0.0, 1.0),
        speed_spread_log_e=reader.number("spread.speed_log_e", 0.0, 1.0),
    )


def find_film(name: str) -> FilmProfile:
    """Return the film profile of that name, or of that path if it ends in .toml.

    Raises
    ------
    SettingsProblem
        If there is none; the message lists those there are.
    """
    if name.endswith(".toml"):
        return read_film(Path(name))
    if name not in film_names():
        raise SettingsProblem(
            None,
            f"there is no film profile '{name}'",
            f"choose one of {', '.join(film_names())}, or give a .toml file",
        )
    return read_film(profiles_folder() / "films" / f"{name}.toml")
