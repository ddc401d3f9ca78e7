"""Survey of one scan: everything found and measured in it, as a small record."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.base import FilmBase, density_above, measure_base
from pipeline.control_patch import control_patches
from pipeline.density import Illumination, as_triple, to_light
from pipeline.dust_survey import infrared_note, strip_cross_talk
from pipeline.edge import EdgeReading
from pipeline.edge_numbers import number_frames
from pipeline.edge_scan import read_strip_edge
from pipeline.evidence import Evidence, evidence
from pipeline.film_format import FrameFormat, formats_on, frame_formats
from pipeline.frame_cut import Cut, survey_cut
from pipeline.frame_survey import FrameSurvey, survey_frame
from pipeline.frames import FoundFrames, Frame, find_frames
from pipeline.gate import GateHabit
from pipeline.illumination import Levels, find_levels
from pipeline.infrared import CrossTalk
from pipeline.layout import MM_PER_INCH, Strip, find_strips
from pipeline.light_leak import LightLeak, find_leak
from pipeline.monochrome import Kind, film_kind
from pipeline.negative import is_negative
from pipeline.problem import ScanProblem
from pipeline.proxy import Proxy, to_proxy_xy, to_scan_xy
from pipeline.scan import Scan, open_scan, reduce
from pipeline.scanner_profile import find_scanner
from pipeline.settings import Settings
from pipeline.strip_view import StripView, place, straighten

Triple = tuple[float, float, float]
Corners = tuple[tuple[float, float], ...]
Light = NDArray[np.float32]
Habits = Mapping[str, GateHabit]
# Corrected frames of strips, by the strip's place among those found in a file.
Cuts = Mapping[int, tuple[Cut, ...]]

PROXY_PPI = 200.0
_UNKNOWN_LONG_SIDE = 2600
# Twice what the largest flatbed holds at the proxy's resolution.
_MOST_PROXY_PIXELS = 10_000_000
_LEAST_FRAME_SHARE = 0.15
_DENSE_REBATE = 0.15


@dataclass(frozen=True)
class StripSurvey:
    """One strip as found, its frames in film order.

    `edge` is what its edges say, in the pixels of the straightened proxy; `centres_px` are the
    columns of the frames' centres there; `habit` is what its clear frames show of the camera;
    `cross_talk` is what of its pictures shows in the infra-red plane, where the scan has one;
    `edges_seen` whether its upper and lower edge are in view; `leak` is light beside its pictures.
    Edge print and `dmax` are those of `ControlPatches`.
    """

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
    frames: tuple[FrameSurvey, ...]
    edge: EdgeReading | None = None
    centres_px: tuple[float, ...] = ()
    habit: GateHabit | None = None
    cross_talk: CrossTalk | None = None
    edges_seen: tuple[bool, bool] = (True, True)
    leak: LightLeak | None = None
    print_error: Triple | None = None
    print_from: str | None = None
    dmax: Triple | None = None
    dmax_error: Triple | None = None


@dataclass(frozen=True)
class ScanSurvey:
    """All strips of one file, with plain warnings; `habits` are those it was surveyed by.

    `grey` tells that strips were left out that have a grey base, but no clear silver image.
    """

    path: Path
    strips: tuple[StripSurvey, ...]
    clipped: bool
    notes: tuple[str, ...]
    habits: Habits | None = None
    grey: bool = False


def survey_scan(
    path: Path, settings: Settings, habits: Habits | None = None, cuts: Cuts | None = None
) -> ScanSurvey:
    """Return what one file holds: strips, frames, base, edge print and samples of density.

    `habits` are what the roll is known to show of its camera, by format. Where `cuts` has the
    frames of a strip, those take the place of the ones found; all else is as it is without, so
    that frames that nobody corrected stay as they are.

    Raises
    ------
    ScanProblem
        If it can't be read, or shows no colour negative film.
    """
    cv2.setNumThreads(1)
    # Some black-and-white film is developed as colour film is, and has its orange base.
    ways = {None: (False, True), False: (False,), True: (True, False)}[settings.monochrome]
    for grey in ways:
        survey = _survey_pages(path, settings, habits, cuts or {}, grey)
        if survey.strips:
            return survey
    if survey.grey:
        raise ScanProblem(
            path,
            "shows film with a grey base, but not clearly black-and-white pictures",
            "give --monochrome if it is black-and-white negative film",
        )
    raise ScanProblem(
        path,
        "shows no strip of colour negative film with its clear base",
        "leave rebate or gaps and some open gate in view, or give --base",
    )


def _survey_pages(
    path: Path, settings: Settings, habits: Habits | None, cuts: Cuts, grey: bool
) -> ScanSurvey:
    """Return what the pages of a file show of colour film, or of film with a grey base."""
    strips: list[StripSurvey] = []
    notes: list[str] = []
    clipped = False
    for scan in open_scan(path, gamma=settings.scan_gamma, ppi=settings.ppi):
        proxy = reduce(scan, _factor(scan))
        levels = _levels(scan, proxy, settings, grey)
        clipped |= levels.gate_clipped
        notes += [note for note in scan.notes if note not in notes]
        strips += _strips(scan, proxy, levels, settings, habits, cuts, len(strips))
    # Of film that nobody called black-and-white, its pictures have to say so as well.
    kind = _kind(strips) if grey and settings.monochrome is None else "monochrome"
    if settings.dust == "on":
        said = [infrared_note(strip.cross_talk) for strip in strips]
        notes += dict.fromkeys(note for note in said if note is not None)
    kept = tuple(strips) if kind == "monochrome" else ()
    return ScanSurvey(path, kept, clipped, tuple(notes), habits, kind == "unclear")


def _kind(strips: Sequence[StripSurvey]) -> Kind:
    samples = [frame.samples for strip in strips for frame in strip.frames]
    return film_kind([strip.base.density for strip in strips], samples)


def _factor(scan: Scan) -> int:
    if scan.ppi:
        wanted = int(scan.ppi / PROXY_PPI + 0.25)
    else:
        wanted = -(-max(scan.width, scan.height) // _UNKNOWN_LONG_SIDE)
    # A photograph's resolution tag means nothing, and may ask for all of its pixels.
    return max(1, wanted, math.ceil(math.sqrt(scan.width * scan.height / _MOST_PROXY_PIXELS)))


def _levels(scan: Scan, proxy: Proxy, settings: Settings, grey: bool) -> Levels:
    unseen = None
    if settings.scanner_profile is not None:
        scanner = find_scanner(settings.scanner_profile)
        unseen = scanner.dark_level(proxy.light.mean(axis=(0, 1)))
    levels = find_levels(proxy.light, proxy.clipped_mask, unseen, grey)
    if levels is None:
        raise ScanProblem(scan.path, "is dark all over", "scan again with more light")
    if settings.base is None:
        return levels
    light = to_light(np.asarray(settings.base), levels.illumination)
    return replace(levels, base_light=as_triple(light))


def _strips(
    scan: Scan,
    proxy: Proxy,
    levels: Levels,
    settings: Settings,
    habits: Habits | None,
    cuts: Cuts,
    before: int,
) -> list[StripSurvey]:
    px_per_mm = scan.ppi / MM_PER_INCH / proxy.factor if scan.ppi else None
    found = find_strips(proxy.light, levels, px_per_mm, scan.ppi_from or "tag")
    surveys: list[StripSurvey] = []
    for strip in found:
        cut = cuts.get(before + len(surveys))
        surveyed = _survey_strip(scan, proxy, levels, strip, settings, habits, cut)
        if surveyed is not None:
            surveys.append(surveyed)
    return surveys


def _formats(strip: Strip, settings: Settings) -> tuple[FrameFormat, ...]:
    if settings.format is None:
        return formats_on(strip.film.name)
    return (frame_formats()[settings.format],)


def _survey_strip(
    scan: Scan,
    proxy: Proxy,
    levels: Levels,
    strip: Strip,
    settings: Settings,
    habits: Habits | None,
    cuts: tuple[Cut, ...] | None,
) -> StripSurvey | None:
    """Return the survey of a strip, or None if it turns out to be no negative film."""
    view = straighten(proxy.light, strip.outline, strip.px_per_mm)
    illumination = levels.illumination
    rough = measure_base(view.light, illumination, strip.base_light, view.px_per_mm)
    if rough is None:
        return None
    above = density_above(view.light, rough, illumination)
    # A scanner that evens out the channels leaves no orange; only holes with light tell then.
    unknown = strip.perforated and not illumination.absolute
    any_base = unknown or settings.base is not None or levels.grey
    # Grey things are many; film with a grey base has holes or edges to show.
    bare = levels.grey and settings.monochrome is None and not strip.perforated
    if not is_negative(above, strip, rough, any_base) or (bare and not all(strip.edges_seen)):
        return None
    formats = _formats(strip, settings)
    seen, found = _solve(above, strip, formats, rough, view.px_per_mm, habits)
    # A slide's rebate is dense; light strikes a negative's only here and there.
    if (unknown or levels.grey) and np.median(seen.rebate_density) > _DENSE_REBATE:
        return None
    gaps = _outside(above.shape[:2], found.frames, seen, view.px_per_mm)
    base = measure_base(view.light, illumination, rough.light, view.px_per_mm, gaps) or rough
    if settings.base is not None:
        base = _given_base(base, settings.base, illumination)
    above = density_above(view.light, base, illumination)
    reading = _edge(scan, proxy.factor, view, strip, illumination)
    survey = _assembled(scan, proxy, strip, view, above, found, base, illumination, reading)
    talk = strip_cross_talk(scan, proxy, strip, above, found.frames)
    patches = control_patches(scan, proxy.factor, view, strip, above, base, illumination, reading)
    leak = find_leak(above, strip.film_rows, strip.film, strip.px_per_mm)
    survey = replace(
        survey, cross_talk=talk, edges_seen=strip.edges_seen, leak=leak, **vars(patches)
    )
    return survey if cuts is None else _recut(survey, cuts, view, proxy.factor, above)


def _recut(
    found: StripSurvey, cuts: tuple[Cut, ...], view: StripView, factor: int, above: Light
) -> StripSurvey:
    """Return a strip with its frames as corrected."""
    matrix = np.asarray(view.to_proxy)
    frames, centres = [], []
    for cut in cuts:
        corners = None
        if cut.outline is not None:
            placed = to_proxy_xy(np.asarray(cut.outline), factor) - matrix[:, 2]
            corners = placed @ np.linalg.inv(matrix[:, :2].T)
            centres.append(float(corners[:, 0].mean()))
        elif cut.found is not None:
            centres.append(found.centres_px[cut.found])
        was = None if cut.found is None else found.frames[cut.found]
        frames.append(
            survey_cut(cut, was, corners, above, found.base, found.illumination, view.px_per_mm)
        )
    return replace(found, frames=tuple(frames), centres_px=tuple(centres))


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
    above: Light,
    strip: Strip,
    formats: tuple[FrameFormat, ...],
    base: FilmBase,
    px_per_mm: float,
    habits: Habits | None,
) -> tuple[Evidence, FoundFrames]:
    noise = float(np.mean(base.spread))
    seen = evidence(above, strip.film, px_per_mm, noise)
    found = find_frames(seen, formats, habits)
    least = _LEAST_FRAME_SHARE * found.format.image_along_mm * px_per_mm
    kept = tuple(frame for frame in found.frames if frame.end - frame.start > least)
    return seen, replace(found, frames=kept)


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


def _edge(
    scan: Scan, factor: int, view: StripView, strip: Strip, illumination: Illumination
) -> EdgeReading | None:
    if strip.film.name != "135":
        return None
    return read_strip_edge(scan, view, factor, strip.film_rows, illumination.dark)


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
    found: FoundFrames,
    base: FilmBase,
    illumination: Illumination,
    reading: EdgeReading | None,
) -> StripSurvey:
    def to_scan(points: NDArray[np.float64]) -> Corners:
        placed = to_scan_xy(place(points, view.to_proxy), proxy.factor)
        return tuple((float(x), float(y)) for x, y in placed)

    frames, chosen = found.frames, found.format
    centres = [(frame.start + frame.end) / 2 for frame in frames]
    numbers: tuple[str | None, ...] = (None,) * len(frames)
    if reading is not None and reading.codes and frames:
        numbers = number_frames(reading, centres, 1.0 if chosen.name == "135" else 0.5)
    surveys = []
    for frame, number in zip(frames, numbers, strict=True):
        ordered = _picture_order(frame.corners(), reading)
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
        print_density=None,
        frames=tuple(reversed(surveys)) if backwards else tuple(surveys),
        edge=reading,
        centres_px=tuple(reversed(centres)) if backwards else tuple(centres),
        habit=found.habit,
    )
