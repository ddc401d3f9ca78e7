"""What one strip shows, whatever its camera: its view, base, columns and edge print."""

from dataclasses import dataclass

import numpy as np

from pipeline.base import FilmBase, density_above, measure_base
from pipeline.edge import EdgeReading
from pipeline.edge_scan import read_strip_edge
from pipeline.evidence import Evidence, evidence
from pipeline.film_kind import is_negative
from pipeline.illumination import Levels
from pipeline.kinds import Light
from pipeline.layout import Strip
from pipeline.proxy import Proxy
from pipeline.scan import Scan
from pipeline.settings import Settings
from pipeline.strip_view import StripView, straighten

_DENSE_REBATE = 0.15


@dataclass(frozen=True)
class StripLook:
    """What a strip shows, whatever its camera: the half of a survey that needs no habits.

    `view` is the strip straightened, `infrared` (h, w) its infra-red plane in the same pixels,
    None without one; `factor` tells by how much the proxy is smaller than the scan; `rough` is
    the base before frames are known, `seen` what its columns show, `reading` what its edges say.
    """

    scan: Scan
    factor: int
    strip: Strip
    view: StripView
    infrared: Light | None
    rough: FilmBase
    seen: Evidence
    reading: EdgeReading | None

    @property
    def size_bytes(self) -> int:
        """Return how much memory it takes, about."""
        infrared = 0 if self.infrared is None else self.infrared.nbytes
        return self.view.light.nbytes + self.seen.flat.nbytes + infrared


def look_at(
    scan: Scan, proxy: Proxy, levels: Levels, strip: Strip, settings: Settings
) -> StripLook | None:
    """Return what a strip shows, or None if it turns out to be no negative film.

    Raises
    ------
    ScanProblem
        The scan has changed or is damaged.
    """
    view = straighten(proxy.light, strip.outline, strip.px_per_mm)
    illumination = levels.illumination
    rough = measure_base(view.light, illumination, strip.base_light, view.px_per_mm)
    if rough is None:
        return None
    above = density_above(view.light, rough)
    # A scanner that evens out the channels leaves no orange; only holes with light tell then.
    unknown = strip.perforated and not illumination.absolute
    any_base = unknown or settings.base is not None or levels.grey
    # Grey things are many; film with a grey base has holes or edges to show.
    bare = levels.grey and settings.monochrome is None and not strip.perforated
    if not is_negative(above, strip, rough, any_base) or (bare and not all(strip.edges_seen)):
        return None
    seen = evidence(above, strip.film, view.px_per_mm, float(np.mean(rough.spread)))
    # A slide's rebate is dense; light strikes a negative's only here and there.
    if (unknown or levels.grey) and np.median(seen.rebate_density) > _DENSE_REBATE:
        return None
    infrared = None if proxy.infrared is None else view.of(proxy.infrared)
    reading = None
    if strip.film.name == "135":
        reading = read_strip_edge(scan, view, proxy.factor, strip.film_rows, illumination.dark)
    return StripLook(scan, proxy.factor, strip, view, infrared, rough, seen, reading)
