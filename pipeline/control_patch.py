"""Control patches of a strip, besides its pictures: edge print, and film that light struck."""

from dataclasses import dataclass

import numpy as np

from pipeline.base import FilmBase
from pipeline.density import dark_error, measure_limits
from pipeline.edge_scan import read_letters
from pipeline.film_format import FilmSize
from pipeline.kinds import Light, Triple, as_triple
from pipeline.light_struck import StripDensity, struck_density
from pipeline.strip_look import StripLook


@dataclass(frozen=True)
class ControlPatches:
    """Densities above base of a strip's control patches, each with its standard error.

    `print_density` is that of the edge print, which was exposed at the factory, and `print_from`
    what it was measured on: 'codes' or 'letters'. `dmax` is that of film struck by light from
    edge to edge: a leader or a fogged frame, the highest density the film reaches. None where
    the strip doesn't show it.
    """

    print_density: Triple | None = None
    print_error: Triple | None = None
    print_from: str | None = None
    dmax: Triple | None = None
    dmax_error: Triple | None = None


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
        printed = read_letters(
            look.scan, view, look.factor, strip.film_rows, _print_mm(strip.film), illumination.dark
        )
    struck = struck_density(StripDensity(above, strip.film_rows, strip.film, view.px_per_mm))
    found = ControlPatches()
    if printed is not None:
        off = dark_error(printed.density, base.light, illumination)
        found = ControlPatches(
            as_triple(printed.density), as_triple(np.hypot(printed.error, off)), printed.how
        )
    if struck is None:
        return found
    off = np.hypot(struck.error, dark_error(struck.density, base.light, illumination))
    return ControlPatches(
        found.print_density,
        found.print_error,
        found.print_from,
        as_triple(struck.density),
        as_triple(off),
    )


def _print_mm(film: FilmSize) -> tuple[float, float]:
    """Return between which distances from the film's edge print may stand."""
    clear = float(measure_limits("print")["clear_of_edge_mm"])
    return clear, film.rebate_mm - clear
