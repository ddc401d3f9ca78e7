"""A film's characteristic curve in words and figures, for the page, tables and programs."""

from typing import Any

import numpy as np

from pipeline.densities.characteristic import CurvePoint
from pipeline.densities.roll_curve import BRIGHTEST, LUX_SECONDS, FilmCurve, film_curve
from pipeline.kinds import Float64

_FROM = {
    "wedge": "a step wedge on frame {}",
    "bracket": "a bracketed grey card on frames {}",
    "chart": "the grey row of the chart on frame {}",
    "readings": "steps read with a densitometer",
}


def curve_of_wedge(log_exposure: Float64, density: Float64, lux_seconds: bool) -> FilmCurve | None:
    """Return the curve of a wedge read with a densitometer; None where its steps are too few.

    Parameters
    ----------
    log_exposure
        (n,) log10 exposures.
    density
        (n, 3) densities of the steps, not finite where one was not read.
    lux_seconds
        Whether exposures are in lx s, not relative.
    """
    known = np.isfinite(density).all(axis=1)
    scale = LUX_SECONDS if lux_seconds else BRIGHTEST
    shift = 0.0 if lux_seconds else float(log_exposure.max())
    return film_curve(log_exposure[known] - shift, density[known], scale=scale)


def curve_lines(curve: FilmCurve) -> tuple[str, ...]:
    """Return what a curve says, a sentence a line, each with its figures and method."""
    where = _FROM[curve.how].format(", ".join(curve.frames))
    figures = " / ".join(
        f"{value:.3f} \N{PLUS-MINUS SIGN} {error:.3f}"
        for value, error in zip(curve.contrast, curve.contrast_error, strict=True)
    )
    lines = [
        f"Contrast from {where}: {figures} (R / G / B), the steepest mean slope over 0.9 log "
        "exposure."
    ]
    if not curve.straight:
        lines.append("The curve is still getting steeper at the last step: expect more contrast.")
    if curve.status_m is not None:
        told = " / ".join(f"{value:.3f}" for value in curve.status_m)
        lines.append(f"In Status M: {told}.")
    lines += [
        f"{name} at log exposure {points} (R / G / B), where the slope falls under 0.8 of that."
        for name, points in (
            ("The toe ends", _points([each.toe for each in curve.channels])),
            ("The shoulder begins", _points([each.shoulder for each in curve.channels])),
        )
        if points is not None
    ]
    if curve.speed.told is not None:
        lines.append(
            f"Speed ISO {curve.speed.told}/{curve.speed.degrees}\N{DEGREE SIGN}, worked out after "
            "ISO 5800 from densities 0.15 above D-min."
        )
    elif curve.stops_faster is not None:
        lines.append(
            f"The film is {_faster(curve.stops_faster)} its profile, as exposed; an absolute speed "
            "asks for exposures in lx s."
        )
    return tuple(lines)


def _faster(stops: float) -> str:
    if round(abs(stops), 1) == 0.0:
        return "as fast as"
    return f"{abs(stops):.1f} stops {'faster' if stops > 0 else 'slower'} than"


def _points(points: list[CurvePoint | None]) -> str | None:
    if all(point is None for point in points):
        return None
    return " / ".join("-" if p is None else f"{p.log_exposure:+z.2f}" for p in points)


def curve_document(curve: FilmCurve) -> dict[str, Any]:
    """Return a curve as a JSON-ready document: steps, contrast with its error, toe, speed."""
    return {
        "how": curve.how,
        "said": list(curve_lines(curve)),
        "frames": list(curve.frames),
        "scale": curve.scale,
        "log_exposure": list(curve.log_exposure),
        "density": [list(row) for row in curve.density],
        "contrast": list(curve.contrast),
        "contrast_error": list(curve.contrast_error),
        "contrast_status_m": None if curve.status_m is None else list(curve.status_m),
        "straight": curve.straight,
        "toe": [_point(each.toe) for each in curve.channels],
        "shoulder": [_point(each.shoulder) for each in curve.channels],
        "speed_log_exposure": list(curve.speed.log_exposure),
        "iso": curve.speed.told,
        "stops_faster": curve.stops_faster,
    }


def _point(point: CurvePoint | None) -> list[float] | None:
    return None if point is None else [point.log_exposure, point.density]
