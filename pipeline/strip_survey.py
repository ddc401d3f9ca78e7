"""Survey of one strip: what it shows whatever its camera, and its frames by the camera's habit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.base import FilmBase, density_above, measure_base
from pipeline.control_patch import control_patches
from pipeline.density import Illumination, to_light
from pipeline.dust_survey import strip_cross_talk
from pipeline.edge import EdgeReading
from pipeline.edge_numbers import number_frames
from pipeline.edge_scan import read_strip_edge
from pipeline.evidence import Evidence, evidence
from pipeline.film_format import FrameFormat, formats_on, frame_formats
from pipeline.frame_cut import Cut, survey_cut
from pipeline.frame_survey import FrameSurvey, survey_frame
from pipeline.frames import FoundFrames, Frame, find_frames
from pipeline.gate import GateHabit
from pipeline.illumination import Levels
from pipeline.infrared import CrossTalk
from pipeline.kinds import Corners, Float64, Light, Mask, Triple, as_triple
from pipeline.layout import Strip
from pipeline.light_leak import LightLeak, find_leak
from pipeline.negative import is_negative
from pipeline.proxy import Proxy, to_proxy_xy, to_scan_xy
from pipeline.scan import Scan
from pipeline.settings import Settings
from pipeline.strip_view import StripView, place, straighten
from pipeline.units import MM_PER_INCH

Habits = Mapping[str, GateHabit]

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
    illumination: Illumination
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
    above = density_above(view.light, rough, illumination)
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
    infrared = None
    if proxy.infrared is not None:
        infrared = straighten(proxy.infrared, strip.outline, strip.px_per_mm).light
    reading = None
    if strip.film.name == "135":
        reading = read_strip_edge(scan, view, proxy.factor, strip.film_rows, illumination.dark)
    return StripLook(scan, proxy.factor, strip, view, infrared, illumination, rough, seen, reading)


def survey_strip(
    look: StripLook, settings: Settings, habits: Habits | None, cuts: tuple[Cut, ...] | None
) -> StripSurvey:
    """Return the survey of a strip that was looked at.

    `habits` are what the roll shows of its camera, `cuts` the frames as corrected, None where they
    are as found.

    Raises
    ------
    ScanProblem
        The scan has changed or is damaged.
    """
    view, strip, illumination, reading = look.view, look.strip, look.illumination, look.reading
    found = _found(look, settings, habits)
    gaps = _outside(view.light.shape[:2], found.frames, look.seen, view.px_per_mm)
    base = measure_base(view.light, illumination, look.rough.light, view.px_per_mm, gaps)
    base = base or look.rough
    if settings.base is not None:
        base = _given_base(base, settings.base, illumination)
    above = density_above(view.light, base, illumination)
    survey = _assembled(look, above, found, base)
    talk = strip_cross_talk(look.scan, look.infrared, strip, above, found.frames)
    patches = control_patches(
        look.scan, look.factor, view, strip, above, base, illumination, reading
    )
    leak = find_leak(above, strip.film_rows, strip.film, strip.px_per_mm)
    survey = replace(
        survey, cross_talk=talk, edges_seen=strip.edges_seen, leak=leak, **vars(patches)
    )
    return survey if cuts is None else _recut(survey, cuts, view, look.factor, above)


def _formats(strip: Strip, settings: Settings) -> tuple[FrameFormat, ...]:
    if settings.format is None:
        return formats_on(strip.film.name)
    return (frame_formats()[settings.format],)


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


def _found(look: StripLook, settings: Settings, habits: Habits | None) -> FoundFrames:
    found = find_frames(look.seen, _formats(look.strip, settings), habits)
    least = _LEAST_FRAME_SHARE * found.format.image_along_mm * look.view.px_per_mm
    kept = tuple(frame for frame in found.frames if frame.end - frame.start > least)
    return replace(found, frames=kept)


def _outside(
    shape: tuple[int, int], frames: Sequence[Frame], seen: Evidence, px_per_mm: float
) -> Mask:
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


def _picture_order(corners: Float64, reading: EdgeReading | None) -> Float64:
    """Return a frame's view corners in the order of the picture as it is written."""
    if reading is None:
        return corners
    if reading.mirrored:
        corners = corners[[1, 0, 3, 2]]
    return corners[[2, 3, 0, 1]] if reading.direction < 0 else corners


def _assembled(look: StripLook, above: Light, found: FoundFrames, base: FilmBase) -> StripSurvey:
    strip, view, reading = look.strip, look.view, look.reading

    def to_scan(points: Float64) -> Corners:
        placed = to_scan_xy(place(points, view.to_proxy), look.factor)
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
                frame,
                number,
                ordered,
                to_scan(ordered),
                above,
                base,
                look.illumination,
                strip.px_per_mm,
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
        scan=look.scan,
        ppi=strip.px_per_mm * look.factor * MM_PER_INCH,
        ppi_from=strip.scale_from,
        format=chosen.name,
        outline=to_scan(_picture_order(box, reading)),
        angle_deg=strip.angle_deg,
        mirrored=reading is not None and reading.mirrored,
        base=base,
        illumination=look.illumination,
        edge_codes=codes,
        print_density=None,
        frames=tuple(reversed(surveys)) if backwards else tuple(surveys),
        edge=reading,
        centres_px=tuple(reversed(centres)) if backwards else tuple(centres),
        habit=found.habit,
    )
