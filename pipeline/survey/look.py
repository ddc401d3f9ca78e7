"""What a strip shows whatever its camera: view, base, edge, control patches, infra-red."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.dust import CrossTalk, cross_talk, infrared_density, tone_exponent
from pipeline.edge import EdgeReading, ScannedStrip, read_letters, read_strip_edge
from pipeline.frame import Evidence, Frame, evidence
from pipeline.kinds import Light, Triple, as_triple
from pipeline.scan import Proxy, Scan
from pipeline.settings import Settings
from pipeline.strip import (
    FilmBase,
    Levels,
    Strip,
    StripDensity,
    StripView,
    dark_error,
    density_above,
    given_base,
    is_negative,
    measure_base,
    measure_limits,
    over_view,
    struck_density,
    unevenness,
)

_DENSE_REBATE = 0.15
_INSET_MM = 0.8
_BARE_OF_COLUMN, _LEAST_BAR_MM = 0.2, 0.3


@dataclass(frozen=True)
class StripLook:
    """What a strip shows, whatever its camera: the half of a survey that needs no habits.

    `proxy_shape` (h, w) is that of the small picture, `view` the strip in it straightened,
    `infrared` (h, w) its infra-red plane in the same pixels, None without one; `factor` tells by
    how much the proxy is smaller than the scan; `rough` is the base before frames are known,
    `seen` what its columns show, `reading` what its edges say. `behind` is the log10 light
    (h, w, 3) of an uneven backdrop, taken out of view and measurements, None without one.
    """

    scan: Scan
    factor: int
    proxy_shape: tuple[int, int]
    strip: Strip
    view: StripView
    infrared: Light | None
    rough: FilmBase
    seen: Evidence
    reading: EdgeReading | None
    behind: Light | None = None

    @property
    def size_bytes(self) -> int:
        """Return how much memory it takes, about."""
        infrared = 0 if self.infrared is None else self.infrared.nbytes
        behind = 0 if self.behind is None else self.behind.nbytes
        return self.view.light.nbytes + self.seen.flat.nbytes + infrared + behind


def look_at(
    scan: Scan, proxy: Proxy, levels: Levels, strip: Strip, settings: Settings
) -> StripLook | None:
    """Return what a strip shows, or None if it turns out to be no negative film.

    Raises
    ------
    ScanProblem
        The scan has changed or is damaged.
    """
    view = strip.view(proxy.light)
    uneven = unevenness(levels.lamp, view)
    illumination = levels.under(over_view(uneven, view.light.shape[:2]))
    rough: FilmBase | None
    given = levels.given_spread
    if given is not None:
        shape = view.light.shape[:2]
        rough = given_base(strip.base_light, given, illumination, uneven, shape)
    else:
        rough = measure_base(
            view.light, illumination, strip.base_light, view.px_per_mm, uneven=uneven
        )
    if rough is None:
        return None
    above = density_above(view.light, rough)
    # A scanner that evens out the channels leaves no orange; only holes with light tell then.
    unknown = strip.perforated and not illumination.absolute
    any_base = unknown or settings.base is not None or levels.grey or rough.given
    # Grey things are many; film with a grey base has holes or edges to show.
    bare = levels.grey and settings.monochrome is None and not strip.perforated
    if not is_negative(above, strip, rough, any_base) or (bare and not all(strip.edges_seen)):
        return None
    noise = float(np.mean(rough.spread))
    doubled = (strip.ends_covered, strip.double_mm)
    seen = evidence(above, strip.film, view.px_per_mm, noise, *doubled)
    # A slide's rebate is dense; light strikes a negative's only here and there.
    if (unknown or levels.grey) and np.median(seen.rebate_density) > _DENSE_REBATE:
        return None
    infrared = None if proxy.infrared is None else view.of(proxy.infrared)
    # Neither holes nor a size that is any film's speak for film; its two edges may, if orange.
    belied = scan.ppi is not None and strip.scale_from == "guess"
    doubtful = belied and (levels.grey or not all(strip.edges_seen))
    if not (strip.perforated or rough.given) and (doubtful or not _shows_base(seen)):
        return None
    reading = None
    if strip.film.name == "135":
        reading = read_strip_edge(
            ScannedStrip(scan, view, proxy.factor, strip.film_rows, illumination.dark)
        )
    rows, columns = proxy.light.shape[:2]
    return StripLook(
        scan, proxy.factor, (rows, columns), strip, view, infrared, rough, seen, reading
    )


def _shows_base(seen: Evidence) -> bool:
    """Tell whether base runs across a strip between its pictures, or along them in the rebates.

    A print or a slide may hold a colour like a base's, but scattered over its picture.
    """
    bare = (seen.busy < _BARE_OF_COLUMN) & ~seen.outside
    length = max(2, round(_LEAST_BAR_MM * seen.px_per_mm))
    across = np.convolve(bare, np.ones(length), "valid").max(initial=0.0) >= length
    rebate_px = len(seen.flat) - (seen.bottom - seen.top)
    along = rebate_px > 3 and float(np.median(seen.rebate_density)) < _DENSE_REBATE
    return bool(across or along)


@dataclass(frozen=True)
class ControlPatches:
    """Densities above base of a strip's control patches, each with its standard error.

    `print_density` is that of the edge print, which was exposed at the factory, and `print_from`
    what it was measured on: 'codes' or 'letters'. `d_max` is that of film struck by light from
    edge to edge: a leader or a fogged frame, the highest density the film reaches. None where
    the strip doesn't show it.
    """

    print_density: Triple | None = None
    print_error: Triple | None = None
    print_from: str | None = None
    d_max: Triple | None = None
    d_max_error: Triple | None = None


def control_patches(look: StripLook, above: Light, base: FilmBase) -> ControlPatches:
    """Return the densities of edge print and light-struck film on one strip.

    Parameters
    ----------
    look
        What the strip shows.
    above
        Density above base (h, w, 3) of its view.
    base
        The strip's base.

    Raises
    ------
    ScanProblem
        The scan has changed or is damaged.
    """
    strip, view, illumination = look.strip, look.view, base.illumination
    printed = None if look.reading is None else look.reading.printed
    if printed is None:
        scanned = ScannedStrip(look.scan, view, look.factor, strip.film_rows, illumination.dark)
        clear_mm = float(measure_limits("print")["clear_of_edge_mm"])
        printed = read_letters(scanned, (clear_mm, strip.film.rebate_mm - clear_mm))
    struck = struck_density(StripDensity(above, strip.film_rows, strip.film, view.px_per_mm))
    found = ControlPatches()
    if printed is not None:
        error = np.hypot(printed.error, dark_error(printed.density, base.light, illumination))
        found = ControlPatches(as_triple(printed.density), as_triple(error), printed.how)
    if struck is not None:
        error = np.hypot(struck.error, dark_error(struck.density, base.light, illumination))
        found = replace(found, d_max=as_triple(struck.density), d_max_error=as_triple(error))
    return found


def strip_cross_talk(look: StripLook, above: Light, frames: Sequence[Frame]) -> CrossTalk | None:
    """Return what of a strip's pictures shows in the infra-red plane, None without plane.

    `above` (h, w, 3) are the strip's densities, `frames` its frames in the same pixels.
    """
    if look.infrared is None:
        return None
    density = infrared_density(look.infrared, tone_exponent(look.scan.encoding))
    inside = np.zeros(density.shape, bool)
    inset = _INSET_MM * look.strip.px_per_mm
    for frame in frames:
        if frame.kind == "blank":
            continue
        rows = slice(max(0, round(frame.top + inset)), max(0, round(frame.bottom - inset)))
        columns = slice(max(0, round(frame.start + inset)), max(0, round(frame.end - inset)))
        inside[rows, columns] = True
    return cross_talk(density, above, inside)
