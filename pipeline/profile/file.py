"""Film profiles as TOML files, as `film.read_film` reads them."""

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.kinds import CHANNELS
from pipeline.profile.curve import Curve, LayerCurve, PointCurve
from pipeline.profile.film import FilmProfile
from pipeline.words import printable


def profile_text(profile: FilmProfile, notes: Sequence[str] = ()) -> str:
    """Return a film profile as the text of a TOML file.

    Reading the text gives the profile back, to the seven digits that are written; `notes` are lines
    for people, put on top as comments.

    Raises TypeError if a curve is of a kind that has no form in the file.
    """
    speed = {} if profile.iso is None else {"speed": {"iso": profile.iso}}
    status_m = {"status_m": profile.unmask_status_m} if profile.unmask_status_m else {}
    strays = {"strays": profile.unmask_strays} if profile.unmask_strays else {}
    curves = dict(zip(CHANNELS, map(_curve, profile.curves), strict=True))
    document = {
        "name": profile.name,
        "source": profile.source,
        **({"film_codes": profile.film_codes} if profile.film_codes else {}),
        **({"fixed": True} if profile.fixed else {}),
        **speed,
        "base": {
            "source": profile.sources["base"],
            "status_m": profile.base_status_m,
            "lowest": profile.base_low,
            "highest": profile.base_high,
        },
        "unmask": {
            "source": profile.sources["unmask"],
            "matrix": profile.unmask,
            **status_m,
            **strays,
        },
        "layers": {"source": profile.sources["layers"], **curves},
        "scene": {"source": profile.sources["scene"], "matrix": profile.scene},
        "spread": {
            "source": profile.sources["spread"],
            "slope": profile.slope_spread,
            "speed_log_e": profile.speed_spread_log_e,
            "contrast": profile.contrast_spread,
            **({"drawn": True} if profile.drawn else {}),
        },
    }
    if profile.grey is not None:
        document["grey"] = {"source": profile.sources["grey"], **vars(profile.grey)}
    lines = [f"# {printable(note)}".rstrip() for note in notes]
    return "\n".join([*lines, *_table("", document)]) + "\n"


def _curve(curve: Curve) -> dict[str, Any]:
    if isinstance(curve, PointCurve):
        return {"points": list(zip(curve.densities, curve.log_exposures, strict=True))}
    if not isinstance(curve, LayerCurve):
        raise TypeError(f"no form for a curve of kind {type(curve).__name__}")
    return {
        "slope": curve.slope,
        "toe_log_exposure": math.log10(curve.toe_exposure),
        "toe_power": curve.toe_power,
        **({} if curve.shoulder is None else {"shoulder": vars(curve.shoulder)}),
    }


def _table(heading: str, table: Mapping[str, Any]) -> list[str]:
    """Return the lines of a table, those of the tables in it last."""
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    lines = ["", f"[{heading}]"] if heading else []
    lines += [f"{key} = {_value(value)}" for key, value in table.items() if key not in inner]
    for key, value in inner.items():
        lines += _table(f"{heading}.{key}".removeprefix("."), value)
    return lines


def _value(value: Any) -> str:
    """Return a value as TOML; numbers are rounded to seven digits, rows stand below each other."""
    if isinstance(value, str):
        # A basic string of printable characters is written in TOML as in JSON.
        return json.dumps(printable(value), ensure_ascii=False)
    if isinstance(value, int):
        return json.dumps(value)
    if isinstance(value, float):
        return repr(float(f"{value:.7g}"))
    if isinstance(value[0], tuple):
        return "\n".join(["[", *(f"  {_value(row)}," for row in value), "]"])
    return f"[{', '.join(map(_value, value))}]"
