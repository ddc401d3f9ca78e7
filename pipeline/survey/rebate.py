"""The film's base as it shows beside one picture, and where that picture lies over it."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.channels import least
from pipeline.kinds import Float32, Float64, Light, Mask, Triple
from pipeline.strip import (
    SeenPicture,
    crowded_places,
    dark_level,
    find_picture,
    gains_over,
    least_orange,
    surface_of,
)
from pipeline.survey.clear_film import fit_light, logs_of
from pipeline.survey.windows import windows

# Nothing on the film is lighter than its base: so little may seem to be, for noise and fall-off.
_LIGHTER, _MOST_LIGHTER = -0.15, 0.01
_MOST_LIGHTER_THAN_GIVEN = 0.1
_MOST_PLACES, _MOST_FITS = 6, 4
# Places of a crowd that are looked at, about.
_SOME = 100_000
# A rim so wide, as a share of the longer side, is rebate if so much of it is so like one level.
_RIM, _LIKE_RIM, _MOSTLY_RIM = 0.01, 0.04, 0.7
_LEAST_REBATE_PX = 50
# One film has one colour of base, as well as some rebate in one file can tell it, in density.
_SAME_TINT = 0.01
# Darker than any place of a crowd, as log10 light.
_NO_BASE = np.float32(-9.0)


@dataclass(frozen=True)
class FoundBase:
    """Base as terms (3, 5) over a view with its spread, and the picture over it.

    `measured` tells that colour and evenness are this view's own; `rebate` (h, w) where it shows.
    """

    terms: Float64
    spread: Triple
    seen: SeenPicture
    measured: bool
    rebate: Mask


def flat_terms(level: Float64) -> Float64:
    """Return the terms (3, 5) of a base of one log10 light (3) all over."""
    terms = np.zeros((3, 5))
    terms[:, 0] = level
    return terms


def above_terms(logs: Light, terms: Float64) -> Light:
    """Return density (h, w, 3) of log10 light above a base of terms (3, 5)."""
    surface = surface_of(terms, (logs.shape[0], logs.shape[1]))
    above: Light = surface.astype(np.float32) - logs
    return above


def under(logs: Light, terms: Float64, covered: Mask | None) -> FoundBase | None:
    """Return the picture under a known base, or None if the file is lighter than that.

    Parameters
    ----------
    logs
        log10 light (h, w, 3) of a view.
    terms
        Of the base, (3, 5).
    covered
        (h, w) where a mask is around the picture, None without one.
    """
    above = above_terms(logs, terms)
    seen = find_picture(above, covered)
    if _lighter(above, seen) > _MOST_LIGHTER_THAN_GIVEN:
        return None
    rebate = seen.outside & (np.abs(above).max(axis=2) < -_LIGHTER)
    return FoundBase(terms, (0.0, 0.0, 0.0), seen, False, rebate)


def by_rebate(logs: Light, any_base: bool, covered: Mask | None) -> FoundBase | None:
    """Return the picture over the base that shows beside it, or None where none does.

    The lightest even colour that lies along a straight side of the picture is the base, if next
    to nothing in the picture is lighter. It is orange, or of `any_base`.
    """
    for level, _ in crowded_places(_some(logs))[:_MOST_PLACES]:
        if not any_base and not _is_orange(level):
            continue
        found = _fitted(logs, level, any_base, covered)
        if found and _lighter(above_terms(logs, found.terms), found.seen) < _MOST_LIGHTER:
            return found
    return None


def _fitted(logs: Light, level: Float64, any_base: bool, covered: Mask | None) -> FoundBase | None:
    """Return the picture over the base of about one log10 light (3) beside it, None without it.

    Where the light falls off, that level holds at some sides alone. What those tell of it shows
    more sides, and these tell more of it.
    """
    found = under(logs, flat_terms(level), covered)
    for _ in range(_MOST_FITS):
        if found is None or not any(found.seen.sides_seen):
            return None
        fitted = fit_light(logs, found.seen.outside, level)
        # What lies beside a print is white, however orange a place in it may be.
        if fitted is None or not (any_base or _is_orange(fitted[0][:, 0])):
            return None
        before, found = found, under(logs, fitted[0], covered)
        if found is not None:
            found = replace(found, spread=fitted[1], measured=True)
            if before.measured and found.seen.sides_seen == before.seen.sides_seen:
                break
    return found if found and any(found.seen.sides_seen) else None


@dataclass(frozen=True)
class KnownColour:
    """A base of known colour and evenness, but of unknown exposure, over a view.

    `logs` (h, w, 3) is log10 light, `terms` (3, 5) the base under another exposure; `gains`
    (h, w) by how much the view is brighter than that, `alike` (h, w) where it is of its colour;
    `levels` are gains that much of it has, brightest first; `covered` is as of `under`.
    """

    logs: Light
    terms: Float64
    gains: Float32
    alike: Mask
    levels: tuple[float, ...]
    covered: Mask | None

    @staticmethod
    def of(logs: Light, terms: Float64, full: Mask, covered: Mask | None) -> "KnownColour":
        """Return it over a view; `full` (h, w, 3) is where light is at full scale.

        There the other channels tell what the base is.
        """
        off = -above_terms(logs, terms)
        gains, alike = gains_over(off, full)
        more = np.where(full, np.maximum(gains[..., None] - off, np.float32(0.0)), np.float32(0.0))
        some = _some(np.where(alike, gains, _NO_BASE)[..., None])
        places = crowded_places(np.repeat(some, 3, axis=1))[:_MOST_PLACES]
        levels = tuple(float(level[0]) for level, _ in places)
        return KnownColour(logs + more, terms, gains, alike, levels, covered)

    def by_sides(
        self, levels: tuple[float, ...], least_sides: int, own_colour: bool
    ) -> FoundBase | None:
        """Return the picture of which so many sides lie at rebate, None if they don't.

        `levels` are gains that rebate may have, about; `own_colour` tells that rebate of clearly
        another colour has that.
        """
        for level in levels:
            found = self._at(np.full(3, level), least_sides)
            if found is None:
                continue
            rebate = found.seen.outside & self.alike & (np.abs(self.gains - level) < -_LIGHTER)
            if rebate.sum() < _LEAST_REBATE_PX:
                continue
            gain = np.full(3, np.median(self.gains[rebate]))
            each = np.median(-above_terms(self.logs, self.terms)[rebate], axis=0)
            if own_colour and np.abs(each - each.mean()).max() >= _SAME_TINT:
                gain = each
            found = self._at(gain, least_sides)
            if found and _lighter(above_terms(self.logs, found.terms), found.seen) < _MOST_LIGHTER:
                return found
        return None

    def by_rim(self) -> FoundBase | None:
        """Return the picture within rebate all around, which itself is like it up to its sides."""
        rim = _rim(self.gains.shape, self.covered)
        for level in self.levels:
            like = self.alike & (np.abs(self.gains - level) < _LIKE_RIM)
            if float(like[rim].mean()) > _MOSTLY_RIM:
                return self._at(np.full(3, level), 0)
        return None

    def _at(self, gain: Float64, least_sides: int) -> FoundBase | None:
        found = under(self.logs, self.terms + flat_terms(gain), self.covered)
        return found if found and sum(found.seen.sides_seen) >= least_sides else None


def _rim(shape: tuple[int, ...], covered: Mask | None) -> Mask:
    """Return (h, w) where a view shows what lies nearest to its border, or to the mask's."""
    bare = np.ones(shape, np.uint8) if covered is None else (~covered).astype(np.uint8)
    framed = np.pad(bare, 1)
    width = max(2, round(_RIM * max(shape)))
    outer, inner = (
        cv2.erode(framed, np.ones((3, 3), np.uint8), iterations=n)[1:-1, 1:-1] > 0
        for n in (1, 1 + width)
    )
    rim: Mask = outer & ~inner
    return rim


def parted(light: Light, found: FoundBase) -> bool:
    """Tell whether a holder's bars part what a file shows into several pictures."""
    above = above_terms(logs_of(light, dark_level(light)), found.terms)
    return any(len(windows(way)) > 1 for way in (above, np.swapaxes(above, 0, 1)))


def _lighter(above: Light, seen: SeenPicture) -> float:
    """Return the share of a picture that is lighter than its base, by density (h, w, 3)."""
    return float((least(above[~seen.outside]) < _LIGHTER).mean())


def _some(values: Light) -> Light:
    """Return some pixels (n, c) of a view (h, w, c), evenly."""
    step = max(1, int(np.sqrt(values.shape[0] * values.shape[1] / _SOME)))
    return np.ascontiguousarray(values[::step, ::step]).reshape(-1, values.shape[2])


def _is_orange(log_light: Float64) -> bool:
    return bool(log_light[0] - log_light[2] >= least_orange())
