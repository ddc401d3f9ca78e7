"""Film profiles as TOML files, as `film.read_film` reads them."""

from collections.abc import Sequence

import numpy as np

from pipeline.film import LAYERS, FilmProfile
from pipeline.film_curve import Curve, LayerCurve, PointCurve

Lines = list[str]


def profile_text(profile: FilmProfile, notes: Sequence[str] = ()) -> str:
    """Return a film profile as the text of a TOML file.

    Parameters
    ----------
    profile
        The profile; reading the text gives it back, to the seven digits that are written.
    notes
        Lines for people, put on top as comments.

    Raises
    ------
    TypeError
        If a curve is of a kind that has no form in the file.
    """
    lines = [f"# {_plain(note)}".rstrip() for note in notes]
    lines += [f"name = {_quoted(profile.name)}", f"source = {_quoted(profile.source)}"]
    if profile.fixed:
        lines.append("fixed = true")
    if profile.iso is not None:
        lines += ["", "[speed]", f"iso = {profile.iso}"]
    lines += [
        *_section(profile, "base"),
        f"status_m = {_list(profile.base_status_m)}",
        f"lowest = {_list(profile.base_low)}",
        f"highest = {_list(profile.base_high)}",
        *_section(profile, "unmask"),
        *_rows("matrix", profile.unmask),
        *(_rows("status_m", profile.unmask_status_m) if profile.unmask_status_m else ()),
        *_section(profile, "layers"),
    ]
    for layer, curve in zip(LAYERS, profile.curves, strict=True):
        lines += _curve(layer, curve)
    lines += [
        *_section(profile, "scene"),
        *_rows("matrix", profile.scene),
        *_section(profile, "spread"),
        f"slope = {_number(profile.slope_spread)}",
        f"speed_log_e = {_number(profile.speed_spread_log_e)}",
    ]
    return "\n".join(lines) + "\n"


def _section(profile: FilmProfile, part: str) -> Lines:
    return ["", f"[{part}]", f"source = {_quoted(profile.sources[part])}"]


def _curve(layer: str, curve: Curve) -> Lines:
    lines = ["", f"[layers.{layer}]"]
    if isinstance(curve, PointCurve):
        points = list(zip(curve.densities, curve.log_exposures, strict=True))
        return [*lines, *_rows("points", points)]
    if not isinstance(curve, LayerCurve):
        raise TypeError(f"no form for a curve of kind {type(curve).__name__}")
    lines += [
        f"slope = {_number(curve.slope)}",
        f"toe_log_exposure = {_number(float(np.log10(curve.toe_exposure)))}",
        f"toe_power = {_number(curve.toe_power)}",
    ]
    if curve.shoulder is not None:
        lines += [
            "",
            f"[layers.{layer}.shoulder]",
            f"density = {_number(curve.shoulder.density)}",
            f"softness = {_number(curve.shoulder.softness)}",
            f"slope = {_number(curve.shoulder.slope)}",
        ]
    return lines


def _rows(key: str, rows: Sequence[Sequence[float]]) -> Lines:
    return [f"{key} = [", *(f"  {_list(row)}," for row in rows), "]"]


def _list(values: Sequence[float]) -> str:
    return f"[{', '.join(_number(value) for value in values)}]"


def _number(value: float) -> str:
    """Return a TOML float, rounded to seven digits."""
    return repr(float(f"{value:.7g}"))


def _plain(text: str) -> str:
    """Return a text in one line, without what TOML allows in no comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _quoted(text: str) -> str:
    """Return a TOML basic string."""
    plain = _plain(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{plain}"'
