"""The light of clear film over a camera's picture: by a picture of it, or by rebate in view."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.channels import channel_mean, greatest
from pipeline.kinds import LOG_STOP, Float64, Light, Mask, Triple, as_triple
from pipeline.problem import ScanProblem
from pipeline.scan import CameraExposure, Scan, open_scan, reduce
from pipeline.strip import (
    FilmBase,
    StripView,
    as_terms,
    crowded_places,
    fit_lens_light,
    full_of,
    pixel_terms,
    surface_through,
    view_grid,
)

_LONG_SIDE = 400
_FLOOR = 1e-5
# How far clear film may lie off an even surface of light, in density, as it is fitted.
_TOLERANCES = (0.4, 0.12, 0.06)
_LEAST_SHARE = 0.4
# What is darker than the lightest of a picture of clear film by so much, in log10, is no fall-off
# of light, which is two stops at the most, but a carrier.
_LIGHTEST_PERCENT, _CARRIERS = 99.0, 1.0
_MOST_CLIPPED = 0.05
# Mean of x^2, and of y^2, along the border of a picture.
_SQUARE_AT_BORDER = 2.0 / 3.0
# Exposures nearer than this are the same, as cameras round them.
_SAME_STOPS = 0.1
# Of pictures that show their base, so many have to agree before others take it over.
_MOST_AGREE = 0.75


@dataclass(frozen=True)
class ClearFilm:
    """Log10 light of clear film over pictures of one camera: 3 x (1, x, x^2, y, y^2).

    x and y run from -1 to 1 over the picture as stored. `spread` is the deviation of density from
    it; `exposure` what it was taken with; `linear` whether its codes are light; `whole` whether
    it was measured all over, rather than beside pictures; `name` that of its file, `size` (w, h)
    its pixels. `steady` tells that pictures without base in view have its level too.
    """

    terms: tuple[tuple[float, ...], ...]
    spread: Triple
    exposure: CameraExposure
    linear: bool
    whole: bool
    name: str
    size: tuple[int, int] = (0, 0)
    steady: bool = True

    def level(self) -> Float64:
        """Return its log10 light (3), the mean over the picture."""
        terms = np.asarray(self.terms)
        mean: Float64 = terms[:, 0] + (terms[:, 2] + terms[:, 4]) / 3.0
        return mean

    def border(self) -> Float64:
        """Return its log10 light (3), the mean along the picture's border, where rebate lies."""
        return _at_border(np.asarray(self.terms))

    def full(self) -> Mask:
        """Return for each channel (3) whether it is at full scale somewhere, and tells nothing."""
        terms = np.asarray(self.terms)
        brightest = np.maximum(terms[:, 0], np.maximum(self.level(), self.border()))
        return full_of(np.asarray(10.0**brightest, np.float32))

    @staticmethod
    def beside(base: FilmBase, view: StripView, scan: Scan, shape: tuple[int, int]) -> "ClearFilm":
        """Return the clear film that a strip shows, over its scan as stored.

        `base` is that of its `view`, `shape` (h, w) that of the small picture this is from.
        """
        terms, stored = _both_places(view, shape)
        light = base.log_light(terms[:, 1], terms[:, 3]).astype(float)
        found = surface_through(stored, light)
        linear = scan.encoding.kind == "linear"
        return ClearFilm(as_terms(found), base.spread, scan.exposure, linear, False, scan.path.name)

    def over(self, view: StripView, shape: tuple[int, int]) -> Float64:
        """Return its terms (3, 5) over the view of a strip in a small picture of a shape (h, w)."""
        terms, stored = _both_places(view, shape)
        return surface_through(terms, stored @ np.asarray(self.terms).T)

    def under(self, scan: Scan) -> tuple["ClearFilm", str | None]:
        """Return it as it is under a scan's exposure, and what has to be told of that."""
        stops = scan.exposure.stops_over(self.exposure)
        if self.linear != (scan.encoding.kind == "linear"):
            return self, f"has another tone curve than {self.name}: its colour may be off"
        if stops is None or abs(stops) < _SAME_STOPS:
            return self, None
        told = f"was exposed {stops:+z.1f} stops against {self.name}"
        if not (self.linear and scan.encoding.kind == "linear"):
            return self, f"{told}, which its tone curve hides: its colour may be off"
        moved = tuple((row[0] + stops * LOG_STOP, *row[1:]) for row in self.terms)
        return replace(self, terms=moved), f"{told}: made even"

    def turned(self, matrix: Float64) -> Float64:
        """Return the terms (3, 5) over a view whose x and y are those of `matrix` (2, 2).

        The matrix turns places of the view into those of the picture as stored, by right angles.
        """
        terms = np.asarray(self.terms)
        return turned_terms(terms, matrix)


def turned_terms(terms: Float64, matrix: Float64) -> Float64:
    """Return terms (3, 5) over places that a matrix (2, 2) of 0, 1 and -1 turns into their own."""
    swapped = abs(matrix[0, 0]) < 0.5
    x_signs, y_signs = (matrix[axis].sum() for axis in (0, 1))
    of_x, of_y = terms[:, [1, 2]] * (x_signs, 1), terms[:, [3, 4]] * (y_signs, 1)
    first, second = (of_y, of_x) if swapped else (of_x, of_y)
    turned: Float64 = np.concatenate([terms[:, :1], first, second], axis=1)
    return turned


def read_clear_film(path: Path, gamma: float | None) -> ClearFilm:
    """Return the light of a picture of clear film.

    Parameters
    ----------
    gamma
        The user's exponent from codes to light, None as the file says.

    Raises
    ------
    ScanProblem
        It can't be read, is clipped, or shows no even film.
    """
    scan = open_scan(path, gamma=gamma)[0]
    proxy = reduce(scan, max(1, math.ceil(max(scan.width, scan.height) / _LONG_SIDE)))
    if float(proxy.clipped.max()) > _MOST_CLIPPED:
        raise ScanProblem(path, "is too bright for a base scan: it clips", "expose it less")
    logs = logs_of(proxy.light, (0.0, 0.0, 0.0))
    bright = channel_mean(logs)
    film = bright > np.percentile(bright, _LIGHTEST_PERCENT) - _CARRIERS
    places = crowded_places(logs[film])
    if places:
        level = max(places, key=lambda place: place[1])[0]
        fitted = fit_light(logs, film, level)
        if fitted is not None and fitted[2] > _LEAST_SHARE:
            terms, spread, _ = fitted
            linear = scan.encoding.kind == "linear"
            size = (scan.width, scan.height)
            return ClearFilm(as_terms(terms), spread, scan.exposure, linear, True, path.name, size)
    raise ScanProblem(
        path, "shows no even clear film", "photograph developed film without a picture"
    )


def logs_of(light: Light, dark: Triple) -> Light:
    """Return log10 of light (h, w, 3) less dark."""
    above = np.maximum(light - np.asarray(dark, np.float32), np.float32(_FLOOR))
    logs: Light = np.log10(above)
    return logs


def fit_light(
    logs: Light, where: Mask, level: Float64 | Triple
) -> tuple[Float64, Triple, float] | None:
    """Return a smooth surface through log10 light, or None where too little is even.

    Parameters
    ----------
    logs
        (h, w, 3) of a view.
    where
        (h, w) what may be clear film.
    level
        About its log10 light (3).

    Returns
    -------
    Terms (3, 5) of 1, x, x^2, y, y^2; the deviation from them (3); the share of `where` they hold.
    """
    rows, columns = np.nonzero(where)
    if len(rows) < 50:
        return None
    step = max(1, len(rows) // 100_000)
    rows, columns = rows[::step], columns[::step]
    every = pixel_terms((logs.shape[0], logs.shape[1]), rows, columns)
    found = logs[rows, columns].astype(float)
    terms = np.zeros((3, 5))
    terms[:, 0] = level
    off = found - every @ terms.T
    for tolerance in _TOLERANCES:
        kept = greatest(np.abs(off).astype(np.float32)) < tolerance
        if kept.sum() < 50:
            return None
        terms = fit_lens_light(every[kept], found[kept], (logs.shape[0], logs.shape[1]))
        off = found - every @ terms.T
    kept = greatest(np.abs(off).astype(np.float32)) < _TOLERANCES[-1]
    if kept.sum() < 50:
        return None
    return terms, as_triple(off[kept].std(axis=0)), float(kept.mean())


def _both_places(view: StripView, shape: tuple[int, int]) -> tuple[Float64, Float64]:
    """Return terms (n, 5) of places over a view, and over its small picture (h, w)."""
    terms, points = view_grid(view)
    return terms, pixel_terms(shape, points[:, 1], points[:, 0])


def shared_clear_film(found: "list[ClearFilm]") -> ClearFilm | None:
    """Return the clear film that pictures of one roll show beside them, None where they differ.

    Those with a channel at full scale tell of their exposure alone.

    One roll has one colour of base, and one camera and lamp lose light alike all over each
    picture; only its exposure is each picture's own. All are brought to the first one's.
    """
    full = np.array([each.full() for each in found], bool).reshape(-1, 3)
    clear = [each for each, channels in zip(found, full, strict=True) if not channels.any()]
    if not (found and clear):
        return None
    every = _at_border(np.stack([_alike_exposed(each, clear[0]) for each in found]))
    stack = np.stack([_alike_exposed(each, clear[0]) for each in clear])
    border = _at_border(stack)
    tint = border - border.mean(axis=1, keepdims=True)
    alike = np.abs(tint - np.median(tint, axis=0)).max(axis=1) < _TOLERANCES[-1]
    if alike.mean() < _MOST_AGREE:
        return None
    usual = np.median(border, axis=0)
    near = np.where(full, 0.0, np.abs(every - usual)).max(axis=1) < _TOLERANCES[-1]
    shape = np.median(stack[alike], axis=0)
    level = usual.mean() + np.median(tint[alike], axis=0)
    shape[:, 0] += level - _at_border(shape)
    spread = as_triple(np.median([each.spread for each in clear], axis=0))
    steady = bool(near.mean() >= _MOST_AGREE)
    return replace(clear[0], terms=as_terms(shape), spread=spread, whole=False, steady=steady)


def _at_border(terms: Float64) -> Float64:
    """Return the log10 light of terms (..., 5), the mean along a picture's border."""
    mean: Float64 = terms[..., 0] + _SQUARE_AT_BORDER * (terms[..., 2] + terms[..., 4])
    return mean


def _stops(one: ClearFilm, other: ClearFilm) -> float:
    """Return by how many stops one was exposed more than another, 0 where nothing tells."""
    stops = one.exposure.stops_over(other.exposure)
    return stops if stops is not None and one.linear and other.linear else 0.0


def _alike_exposed(one: ClearFilm, other: ClearFilm) -> Float64:
    """Return the terms (3, 5) of one under the exposure of another, as far as files tell it."""
    terms = np.array(one.terms)
    terms[:, 0] -= _stops(one, other) * LOG_STOP
    return terms
