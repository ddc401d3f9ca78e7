"""Survey of one scan: everything found and measured in it, as a small record."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.base import FilmBase, density_above, measure_base
from pipeline.density import Illumination, as_triple, to_light
from pipeline.edge import EdgeReading, number_frames, read_edge
from pipeline.evidence import Evidence, evidence
from pipeline.film_format import FrameFormat, formats_on, frame_formats
from pipeline.frame_survey import FrameSurvey, survey_frame
from pipeline.frames import Frame, GapPrior, find_frames, gaps_mm
from pipeline.illumination import Levels, find_levels
from pipeline.layout import MM_PER_INCH, Strip, find_strips
from pipeline.problem import ScanProblem
from pipeline.proxy import Proxy, to_scan_xy
from pipeline.scan import Scan, open_scan, reduce
from pipeline.settings import Settings
from pipeline.strip_view import StripView, place, straighten

Triple = tuple[float, float, float]
Corners = tuple[tuple[float, float], ...]
Light = NDArray[np.float32]

PROXY_PPI = 200.0
_UNKNOWN_LONG_SIDE = 2600
_LEAST_FRAME_SHARE = 0.15
_DENSE_REBATE = 0.15
# Blue less red density of a masked base: 0.44 at least over published stocks (D-min, Status M),
# less what a scanner's channels may be apart where no open gate shows.
_LEAST_ORANGE = 0.2


@dataclass(frozen=True)
class StripSurvey:
    """One strip as found, its frames in film order."""

    scan: Scan
    ppi: float
    ppi_from: str
    format: str
    outline: Corners
    angle_deg: float
    mirrored: bool
    base: FilmBase
    illumination: Illumination
    edge_codes: tuple[tuple[str, float, float], ...]
    print_density: Triple | None
    edge_position: float | None
    frames: tuple[FrameSurvey, ...]


@dataclass(frozen=True)
class ScanSurvey:
    """All strips of one file, with plain warnings."""

    path: Path
    strips: tuple[StripSurvey, ...]
    clipped: bool
    notes: tuple[str, ...]


def survey_scan(path: Path, settings: Settings) -> ScanSurvey:
    """Return what one file holds: strips, frames, base, edge print and samples of density.

    Raises
    ------
    ScanProblem
        If it can't be read, or shows no colour negative film.
    """
    cv2.setNumThreads(1)
    strips: list[StripSurvey] = []
    notes: list[str] = []
    clipped = False
    for scan in open_scan(path, gamma=settings.scan_gamma, ppi=settings.ppi):
        proxy = reduce(scan, _factor(scan))
        levels = _levels(scan, proxy, settings)
        clipped |= levels.gate_clipped
        notes += [note for note in scan.notes if note not in notes]
        strips += _strips(scan, proxy, levels, settings)
    if not strips:
        raise ScanProblem(
            path,
            "shows no strip of colour negative film with its clear base",
            "leave rebate or gaps and some open gate in view, or give --base",
        )
    return ScanSurvey(path, tuple(strips), clipped, tuple(notes))


def _factor(scan: Scan) -> int:
    if scan.ppi:
        return max(1, int(scan.ppi / PROXY_PPI + 0.25))
    return max(1, -(-max(scan.width, scan.height) // _UNKNOWN_LONG_SIDE))


def _levels(scan: Scan, proxy: Proxy, settings: Settings) -> Levels:
    levels = find_levels(proxy.light, proxy.clipped_mask)
    if levels is None:
        raise ScanProblem(scan.path, "is dark all over", "scan again with more light")
    if settings.base is None:
        return levels
    light = to_light(np.asarray(settings.base), levels.illumination)
    return replace(levels, base_light=as_triple(light))


def _strips(scan: Scan, proxy: Proxy, levels: Levels, settings: Settings) -> list[StripSurvey]:
    px_per_mm = scan.ppi / MM_PER_INCH / proxy.factor if scan.ppi else None
    found = find_strips(proxy.light, levels, px_per_mm, scan.ppi_from or "tag")
    surveys = []
    for strip in found:
        surveyed = _survey_strip(scan, proxy, levels, strip, settings)
        if surveyed is not None:
            surveys.append(surveyed)
    return surveys


def _formats(strip: Strip, settings: Settings) -> tuple[FrameFormat, ...]:
    if settings.format is None:
        return formats_on(strip.film.name)
    return (frame_formats()[settings.format],)


def _survey_strip(
    scan: Scan, proxy: Proxy, levels: Levels, strip: Strip, settings: Settings
) -> StripSurvey | None:
    """Return the survey of a strip, or None if it turns out to be no negative film."""
    view = straighten(proxy.light, strip.outline, strip.px_per_mm)
    illumination = levels.illumination
    rough = measure_base(view.light, illumination, levels.base_light, view.px_per_mm)
    if rough is None:
        return None
    above = density_above(view.light, rough, illumination)
    # A scanner that evens out the channels leaves no orange; only holes with light tell then.
    unknown = strip.perforated and not illumination.absolute
    if not _is_negative(above, strip, rough, unknown or settings.base is not None):
        return None
    formats = _formats(strip, settings)
    seen, chosen, frames = _solve(above, strip, formats, rough, view.px_per_mm)
    # A slide's rebate is dense; light strikes a negative's only here and there.
    if unknown and np.median(seen.rebate_density) > _DENSE_REBATE:
        return None
    gaps = _outside(above.shape[:2], frames, seen, view.px_per_mm)
    base = measure_base(view.light, illumination, rough.light, view.px_per_mm, gaps) or rough
    if settings.base is not None:
        base = _given_base(base, settings.base, illumination)
    above = density_above(view.light, base, illumination)
    reading = _edge(view, strip, illumination)
    return _assembled(scan, proxy, strip, view, above, chosen, frames, base, illumination, reading)


def _given_base(base: FilmBase, density: Triple, illumination: Illumination) -> FilmBase:
    """Return the base with its density as the user gives it, its shading as measured."""
    light = to_light(np.asarray(density), illumination)
    dark = np.asarray(illumination.dark)
    moved = np.log10(light - dark) - np.log10(np.asarray(base.light) - dark)
    terms = tuple(
        (row[0] + float(step), *row[1:]) for row, step in zip(base.shading, moved, strict=True)
    )
    return replace(base, density=density, light=as_triple(light), shading=terms)


def _solve(
    above: Light, strip: Strip, formats: tuple[FrameFormat, ...], base: FilmBase, px_per_mm: float
) -> tuple[Evidence, FrameFormat, tuple[Frame, ...]]:
    """Return frames, solved a second time with the strip's own gaps where they are clear."""
    seen = evidence(above, strip.film, px_per_mm, float(np.mean(base.spread)))
    chosen, frames, _ = find_frames(above, seen, formats)
    gaps = gaps_mm(frames, px_per_mm)
    if len(gaps) >= 2:
        spread = max(0.35, 1.5 * float(np.median(np.abs(np.asarray(gaps) - np.median(gaps)))))
        prior = GapPrior(float(np.median(gaps)), min(spread, strip.film.gap_spread_mm))
        chosen, frames, _ = find_frames(above, seen, (chosen,), prior)
    least = _LEAST_FRAME_SHARE * chosen.image_along_mm * px_per_mm
    return seen, chosen, tuple(frame for frame in frames if frame.end - frame.start > least)


def _is_negative(above: Light, strip: Strip, base: FilmBase, any_base: bool) -> bool:
    """Tell whether a strip is colour negative film, by what only that shows together.

    Its base is orange (unless `any_base`), nothing inside is lighter than it in any
    channel, rebate and gaps make it a fair share of the strip, and 135 film with both edges in
    view has perforations. A slide's or a print's lightest even colour fails one of these.
    """
    rows, columns = above.shape[:2]
    inner = above[rows // 5 : rows - rows // 5, columns // 40 : columns - columns // 40]
    lighter = float((inner.min(axis=2) < -0.08).mean())
    share = base.area_mm2 * strip.px_per_mm**2 / (rows * columns)
    orange = any_base or base.density[2] - base.density[0] > _LEAST_ORANGE
    bare = strip.whole_width and strip.film.name == "135" and not strip.perforated
    if strip.whole_width and not strip.perforated:
        return orange and share > 0.05 and lighter < (0.0005 if bare else 0.005)
    return orange and share > 0.015 and lighter < 0.01


def _outside(
    shape: tuple[int, int], frames: Sequence[Frame], seen: Evidence, px_per_mm: float
) -> NDArray[np.bool_]:
    """Return where a strip's view is rebate or gap, clear of the frames by a little."""
    clear = 0.25 * px_per_mm
    mask = np.ones(shape, bool)
    for frame in frames:
        if frame.kind == "blank":
            continue
        rows = slice(max(0, round(seen.top - clear)), max(0, round(seen.bottom + clear) + 1))
        columns = slice(max(0, round(frame.start - clear)), max(0, round(frame.end + clear) + 1))
        mask[rows, columns] = False
    return mask


def _edge(view: StripView, strip: Strip, illumination: Illumination) -> EdgeReading | None:
    if strip.film.name != "135" or not strip.whole_width:
        return None
    light = view.light - np.asarray(illumination.dark, np.float32)
    return read_edge(light, view.px_per_mm, 0.0, float(view.light.shape[0] - 1))


def _picture_order(
    corners: NDArray[np.float64], reading: EdgeReading | None
) -> NDArray[np.float64]:
    """Return a frame's view corners in the order of the picture as it is written."""
    if reading is None:
        return corners
    if reading.mirrored:
        corners = corners[[1, 0, 3, 2]]
    return corners[[2, 3, 0, 1]] if reading.direction < 0 else corners


def _assembled(
    scan: Scan,
    proxy: Proxy,
    strip: Strip,
    view: StripView,
    above: Light,
    chosen: FrameFormat,
    frames: tuple[Frame, ...],
    base: FilmBase,
    illumination: Illumination,
    reading: EdgeReading | None,
) -> StripSurvey:
    def to_scan(points: NDArray[np.float64]) -> Corners:
        placed = to_scan_xy(place(points, view.to_proxy), proxy.factor)
        return tuple((float(x), float(y)) for x, y in placed)

    centres = [(frame.start + frame.end) / 2 for frame in frames]
    numbers: tuple[str | None, ...] = (None,) * len(frames)
    if reading is not None and reading.codes and frames:
        numbers = number_frames(reading, centres, 1.0 if chosen.name == "135" else 0.5)
    surveys = []
    for frame, number in zip(frames, numbers, strict=True):
        corners = np.array(
            [
                [frame.start, frame.top],
                [frame.end, frame.top],
                [frame.end, frame.bottom],
                [frame.start, frame.bottom],
            ]
        )
        ordered = _picture_order(corners, reading)
        surveys.append(
            survey_frame(
                frame, number, ordered, to_scan(ordered), above, base, illumination, strip.px_per_mm
            )
        )
    backwards = reading is not None and (reading.direction < 0) != reading.mirrored
    rows, columns = view.light.shape[:2]
    box = np.array(
        [[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]]
    )
    codes = (
        ()
        if reading is None
        else tuple(
            (code.text, *to_scan(np.array([[code.x_px, code.y_px]]))[0]) for code in reading.codes
        )
    )
    first = None
    if reading is not None and reading.codes:
        first = float(min(code.number for code in reading.codes))
    printed = None
    if reading is not None and reading.print_density is not None:
        printed = as_triple(reading.print_density)
    return StripSurvey(
        scan=scan,
        ppi=strip.px_per_mm * proxy.factor * MM_PER_INCH,
        ppi_from=strip.scale_from,
        format=chosen.name,
        outline=to_scan(_picture_order(box, reading)),
        angle_deg=strip.angle_deg,
        mirrored=reading is not None and reading.mirrored,
        base=base,
        illumination=illumination,
        edge_codes=codes,
        print_density=printed,
        edge_position=first,
        frames=tuple(reversed(surveys)) if backwards else tuple(surveys),
    )
