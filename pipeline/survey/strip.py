"""Survey of one strip: what it shows whatever its camera, and its frames by the camera's habit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.dust import CrossTalk
from pipeline.edge import EdgeReading, number_frames
from pipeline.frame import Evidence, FoundFrames, Frame, GateHabit, find_frames
from pipeline.kinds import (
    MM_PER_INCH,
    Corners,
    Float64,
    Floats,
    Light,
    Mask,
    Triple,
    as_triple,
)
from pipeline.outline import corners_of
from pipeline.profile import formats_on, frame_formats
from pipeline.scan import CameraExposure, Scan, to_proxy_xy, to_scan_xy
from pipeline.settings import Settings
from pipeline.strip import (
    FilmBase,
    LightLeak,
    StripDensity,
    density_above,
    find_leak,
    known_base,
    measure_base,
    shading_over,
    to_light,
)
from pipeline.survey.clear_film import ClearFilm
from pipeline.survey.frame import Cut, DensityView, FrameSurvey, survey_cut, survey_frame
from pipeline.survey.habits import Habits, ends_seen, places_alone
from pipeline.survey.look import ControlPatches, StripLook, control_patches, strip_cross_talk
from pipeline.survey.orientation import shown_by
from pipeline.survey.rounding import rounding_of
from pipeline.survey.windows import window_frames

_LEAST_FRAME_SHARE = 0.15
# Where something lies across a strip, its pictures are as likely covered as not (no source).
_CROSSED = 0.5


@dataclass(frozen=True, kw_only=True)
class StripSurvey(ControlPatches):
    """One strip as found, its frames in film order, with the control patches on it.

    `edge` is what its edges say, in the pixels of the straightened proxy; `centres_px` are the
    columns of the frames' centres there; `habit` is what its clear frames show of the camera;
    `cross_talk` is what of its pictures shows in the infra-red plane, where the scan has one;
    `edges_seen` whether its upper and lower edge are in view, `ends_seen` whether its ends are, in
    film order; `leak` is light beside its pictures; `likelihoods` are natural logarithms of how
    likely each format makes what is seen.
    """

    scan: Scan
    ppi: float
    ppi_from: str
    format: str
    outline: Corners
    angle_deg: float
    mirrored: bool
    base: FilmBase
    edge_codes: tuple[tuple[str, float, float], ...]
    frames: tuple[FrameSurvey, ...]
    edge: EdgeReading | None = None
    centres_px: tuple[float, ...] = ()
    habit: GateHabit | None = None
    cross_talk: CrossTalk | None = None
    edges_seen: tuple[bool, bool] = (True, True)
    ends_seen: tuple[bool, bool] = (True, True)
    leak: LightLeak | None = None
    likelihoods: Mapping[str, float] = field(default_factory=dict, hash=False)

    @property
    def curve_known(self) -> bool:
        """Tell whether the scan says how its codes stand for light; linear codes need no curve.

        A camera that says nothing draws its own curve over the display's, and the picture's
        densities are as wrong as that.
        """
        encoding = self.scan.encoding
        return encoding.kind == "linear" or not (encoding.source == "assumed" or self.developed)

    @property
    def developed(self) -> bool:
        """Tell whether a camera or a raw developer drew the picture for a display.

        Its file says how it was exposed, and its colour profile is the display's: what was done to
        the light before stands nowhere.
        """
        encoding = self.scan.encoding
        drawn = encoding.kind != "linear" and encoding.source in ("icc", "container")
        return drawn and self.scan.exposure != CameraExposure()

    @property
    def absolute(self) -> bool:
        """Tell whether the base's density is an ISO 5-2 density."""
        return self.base.illumination.absolute and self.curve_known

    def doubt(self, densities: Floats) -> Float64 | None:
        """Return what codes of 8 bits leave open of densities above its base (..., 3).

        One standard deviation each; None for finer codes.
        """
        rounding = rounding_of(self.scan, self.base)
        return None if rounding is None else rounding.left_open(densities)


def survey_strip(
    look: StripLook,
    settings: Settings,
    habits: Habits | None,
    cuts: tuple[Cut, ...] | None,
    clear: ClearFilm | None = None,
) -> StripSurvey:
    """Return the survey of a strip that was looked at.

    `habits` are what the roll shows of its camera, `cuts` the frames as corrected, None where they
    are as found. `clear` is the clear film that the roll's files share, but for their exposure.

    Raises
    ------
    ScanProblem
        The scan has changed or is damaged.
    """
    view, strip, rough = look.view, look.strip, look.rough
    if rough.given:
        found = window_frames(density_above(view.light, rough), strip, settings.format)
    else:
        found = _found(look, settings, habits)
    found = replace(found, frames=_doubted(found.frames, strip.crossed))
    gaps = _outside(view.light.shape[:2], found.frames, look.seen, view.px_per_mm)
    base = rough
    if not rough.given:
        measured = measure_base(
            view.light, rough.illumination, rough.light, view.px_per_mm, gaps, rough.unevenness()
        )
        base = measured or rough
        if clear is not None and look.behind is None:
            terms = clear.over(view, look.proxy_shape)
            base = known_base(view.light, base, terms, view.px_per_mm, gaps) or base
    if settings.base is not None:
        base = _given_base(base, settings.base)
    above = density_above(view.light, base)
    survey = _assembled(look, above, found, base)
    talk = strip_cross_talk(look, above, found.frames)
    patches = control_patches(look, above, base)
    leak = find_leak(StripDensity(above, strip.film_rows, strip.film, strip.px_per_mm))
    survey = replace(
        survey, cross_talk=talk, edges_seen=strip.edges_seen, leak=leak, **vars(patches)
    )
    if habits is not None and habits.alone:
        survey = alone(survey)
    if cuts is not None:
        survey = _recut(survey, cuts, look, above)
    whole = np.array([[0, 0], view.light.shape[1::-1]])
    return replace(survey, base=shading_over(base, look.behind, whole))


def _doubted(frames: tuple[Frame, ...], crossed: tuple[float, float] | None) -> tuple[Frame, ...]:
    """Return frames with those doubted over which something may lie."""
    if crossed is None:
        return frames
    first, last = crossed
    return tuple(
        replace(frame, confidence=min(frame.confidence, _CROSSED))
        if frame.start < last and frame.end > first
        else frame
        for frame in frames
    )


def alone(strip: StripSurvey) -> StripSurvey:
    """Return a strip without the parts of pictures that lie beside the one its file is of."""
    kept = places_alone(strip.frames, strip.ends_seen)
    return replace(strip, frames=strip.frames[kept], centres_px=strip.centres_px[kept])


def _recut(found: StripSurvey, cuts: tuple[Cut, ...], look: StripLook, above: Light) -> StripSurvey:
    """Return a strip with its frames as corrected."""
    rounding = rounding_of(found.scan, found.base)
    view = look.view
    measured = DensityView(above, found.base, view.px_per_mm, rounding, look.behind)
    frames, centres = [], []
    for cut in cuts:
        corners = None
        if cut.outline is not None:
            corners = view.to_proxy.back(to_proxy_xy(np.asarray(cut.outline), look.factor))
            centres.append(float(corners[:, 0].mean()))
        elif cut.found is not None:
            centres.append(found.centres_px[cut.found])
        was = None if cut.found is None else found.frames[cut.found]
        frames.append(survey_cut(measured, cut, was, corners))
    return replace(found, frames=tuple(frames), centres_px=tuple(centres))


def _given_base(base: FilmBase, density: Triple) -> FilmBase:
    """Return the base with its density as the user gives it, its shading as measured."""
    light = to_light(np.asarray(density), base.illumination)
    dark = np.asarray(base.illumination.dark)
    moved = np.log10(light - dark) - np.log10(np.asarray(base.light) - dark)
    terms = tuple(
        (row[0] + float(step), *row[1:]) for row, step in zip(base.shading, moved, strict=True)
    )
    return replace(base, density=density, light=as_triple(light), shading=terms)


def _found(look: StripLook, settings: Settings, habits: Habits | None) -> FoundFrames:
    chosen = settings.format
    formats = (frame_formats()[chosen],) if chosen else formats_on(look.strip.film.name)
    found = find_frames(look.seen, formats, None if habits is None else habits.gates)
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


def _way(look: StripLook) -> tuple[int, bool]:
    """Return which way the pictures of a strip stand: direction and mirrored, as of a reading.

    Where the edge tells nothing, they stand as a viewer shows the scan by its orientation: the
    same as if it were stored so.
    """
    if look.reading is not None and look.reading.codes:
        return look.reading.direction, look.reading.mirrored
    turned, mirrored = shown_by(look.scan.orientation, look.view.to_proxy)
    return (-1 if turned else 1), mirrored


def _picture_order(corners: Float64, way: tuple[int, bool]) -> Float64:
    """Return a frame's view corners in the order of the picture as it is written."""
    direction, mirrored = way
    if mirrored:
        corners = corners[[1, 0, 3, 2]]
    return corners[[2, 3, 0, 1]] if direction < 0 else corners


def _assembled(look: StripLook, above: Light, found: FoundFrames, base: FilmBase) -> StripSurvey:
    strip, view, reading = look.strip, look.view, look.reading
    direction, mirrored = way = _way(look)

    def to_scan(points: Float64) -> Corners:
        return corners_of(to_scan_xy(view.to_proxy.onto(points), look.factor))

    frames, chosen = found.frames, found.format
    centres = [(frame.start + frame.end) / 2 for frame in frames]
    numbers: tuple[str | None, ...] = (None,) * len(frames)
    if reading is not None:
        numbers = number_frames(reading, centres, 1.0 if chosen.name == "135" else 0.5)
    rounding = rounding_of(look.scan, base)
    measured = DensityView(above, base, strip.px_per_mm, rounding, look.behind)
    surveys = []
    for frame, number in zip(frames, numbers, strict=True):
        ordered = _picture_order(frame.corners(), way)
        surveys.append(survey_frame(measured, frame, number, ordered, to_scan(ordered)))
    backwards = (direction < 0) != mirrored
    along = -1 if backwards else 1
    ends = ends_seen(look)
    bottom, right = (count - 0.5 for count in view.light.shape[:2])
    box = np.array([[-0.5, -0.5], [right, -0.5], [right, bottom], [-0.5, bottom]])
    codes = () if reading is None else reading.codes
    return StripSurvey(
        scan=look.scan,
        ppi=strip.px_per_mm * look.factor * MM_PER_INCH,
        ppi_from=strip.scale_from,
        format=chosen.name,
        outline=to_scan(_picture_order(box, way)),
        angle_deg=strip.angle_deg,
        mirrored=mirrored,
        base=base,
        edge_codes=tuple(
            (code.text, *to_scan(np.array([[code.x_px, code.y_px]]))[0]) for code in codes
        ),
        frames=tuple(surveys[::along]),
        edge=reading,
        centres_px=tuple(centres[::along]),
        habit=None if base.given else found.habit,
        ends_seen=(ends[-1], ends[0]) if backwards else ends,
        likelihoods=found.likelihoods,
    )
