"""A file that shows one picture, as a camera over a light table takes it: one frame, no strip."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.frame import Frame
from pipeline.kinds import MM_PER_INCH, Corners, Float64, Light, Triple, as_triple
from pipeline.outline import corners_of
from pipeline.profile import FrameFormat, film_sizes, frame_formats
from pipeline.scan import Proxy, Scan, to_proxy_xy, to_scan_xy
from pipeline.settings import Settings
from pipeline.strip import (
    MOST_ASPECT,
    FilmBase,
    Illumination,
    SeenPicture,
    StripView,
    as_terms,
    crowded_places,
    density_above,
    full_of,
    measure_limits,
    over_view,
    to_density,
)
from pipeline.survey.clear_film import (
    ClearFilm,
    logs_of,
    turned_terms,
)
from pipeline.survey.frame import Cut, DensityView, survey_cut, survey_frame
from pipeline.survey.habits import Habits
from pipeline.survey.orientation import shown
from pipeline.survey.rebate import (
    FoundBase,
    KnownColour,
    above_terms,
    by_rebate,
    flat_terms,
    parted,
    under,
)
from pipeline.survey.rounding import rounding_of
from pipeline.survey.shape import scale_of, shape_costs, sides_agree
from pipeline.survey.sides import masked, placed_sides
from pipeline.survey.strip import StripSurvey

# Rebate is seen so well that it overrules a base scan of no known exposure.
_SIDES_TO_OVERRULE = 2
_CERTAIN, _UNCERTAIN = 0.95, 0.6


@dataclass(frozen=True)
class SingleLook:
    """What a file of one picture shows: its view as shown, the base over it, where the picture is.

    `own` is the clear film beside the picture, over the file as stored; None where the base is
    from elsewhere. `notes` are plain warnings.
    """

    scan: Scan
    factor: int
    view: StripView
    base: FilmBase
    seen: SeenPicture
    own: ClearFilm | None
    notes: tuple[str, ...]
    films: tuple[str, ...]

    def in_scan(self, points: Float64) -> Corners:
        """Return where four points (4, 2) of the view lie in the scan."""
        return corners_of(to_scan_xy(self.view.to_proxy.onto(points), self.factor))

    def in_view(self, corners: Corners) -> Float64:
        """Return where corners in the scan lie in the view, (4, 2)."""
        return self.view.to_proxy.back(to_proxy_xy(np.asarray(corners), self.factor))


def is_single(scan: Scan) -> bool:
    """Tell by its shape whether a file may show one picture only."""
    return max(scan.width, scan.height) <= MOST_ASPECT * min(scan.width, scan.height)


def lightest_place(light: Light) -> Triple | None:
    """Return the log10 light of the lightest even place in a proxy (h, w, 3), None without any."""
    logs = logs_of(light, (0.0, 0.0, 0.0))
    step = max(1, int(np.sqrt(logs.shape[0] * logs.shape[1] / 100_000)))
    places = crowded_places(np.ascontiguousarray(logs[::step, ::step]).reshape(-1, 3))
    return as_triple(places[0][0]) if places else None


def look_at_single(
    scan: Scan,
    proxy: Proxy,
    dark: Triple,
    clear: ClearFilm | None,
    settings: Settings,
    shows_end: bool = False,
) -> SingleLook | None:
    """Return what a file of one picture shows, or None if there is no base for it.

    Parameters
    ----------
    dark
        Light behind something opaque.
    clear
        Clear film under the same light, None where it has to be found beside the picture.
    shows_end
        Whether an edge of the film shows, but no perforations, as film that has some would.
    """
    sizes = film_sizes()
    films = tuple(n for n in sizes if not (shows_end and sizes[n].perforation_pitch_mm))
    view = shown(proxy.light, scan.orientation)
    logs, covered = logs_of(view.light, dark), masked(view.light)
    matrix = np.asarray(view.to_proxy.matrix)[:2, :2]
    notes: tuple[str, ...] = ()
    any_base = settings.base is not None or settings.monochrome is not None or clear is not None
    if clear is None and settings.base is not None:
        level = -np.asarray(settings.base)
        found = under(logs, flat_terms(level), covered)
    elif clear is None:
        found = by_rebate(logs, any_base, covered)
    else:
        placed, told = clear.under(scan)
        notes = () if told is None else (told,)
        terms = placed.turned(matrix)
        colour = KnownColour.of(logs, terms, full_of(view.light), covered)
        known = scan.exposure.stops_over(clear.exposure) is not None
        found = None
        if not clear.whole:
            found = colour.by_sides(colour.levels, 1, own_colour=False)
        elif not known or (told is not None and not placed.linear):
            # It was taken as the pictures are, about.
            found = colour.by_sides((0.0,), _SIDES_TO_OVERRULE, own_colour=True)
        if found is None:
            found = under(logs, terms, covered) if clear.steady else colour.by_rim()
    if found is None or (clear is not None and clear.whole and parted(view.light, found)):
        return None
    own = None
    if found.measured and clear is None:
        back = turned_terms(found.terms, np.linalg.inv(matrix))
        linear = scan.encoding.kind == "linear"
        own = ClearFilm(as_terms(back), found.spread, scan.exposure, linear, False, scan.path.name)
    density = above_terms(logs, found.terms).mean(axis=2)
    noise = float(np.mean(found.spread))
    seen = placed_sides(found.seen, density, noise, covered is not None)
    form = _format(shape_costs(seen, films), settings)
    base = _film_base(found, view, dark, scale_of(seen, scan, proxy.factor, form)[0])
    return SingleLook(scan, proxy.factor, view, base, seen, own, notes, films)


def _film_base(found: FoundBase, view: StripView, dark: Triple, px_per_mm: float) -> FilmBase:
    """Return the base over a view; its density is relative to full scale."""
    illumination = Illumination(dark, None)
    light = 10.0 ** over_view(found.terms, (24, 24)) + np.asarray(dark)
    return FilmBase(
        density=as_triple(to_density(light, illumination)),
        spread=found.spread,
        area_mm2=float(found.rebate.sum() / px_per_mm**2),
        light=as_triple(light),
        shading=as_terms(found.terms),
        illumination=illumination,
    )


def _format(costs: Mapping[str, float], settings: Settings) -> FrameFormat:
    """Return the format that the user names, else the least unlikely one."""
    return frame_formats()[settings.format or min(costs, key=lambda name: costs[name])]


def survey_single(
    look: SingleLook,
    settings: Settings,
    habits: Habits | None = None,
    cuts: tuple[Cut, ...] | None = None,
) -> StripSurvey:
    """Return the survey of a file of one picture, as a strip of one frame.

    `habits` are what the roll shows of its camera, `cuts` the frames as corrected.
    """
    view, factor = look.view, look.factor
    costs = shape_costs(look.seen, look.films)
    usual = {} if habits is None else {n: costs[n] for n in habits.gates if n in costs}
    form = _format(usual or costs, settings)
    px_per_mm, scale_from = scale_of(look.seen, look.scan, factor, form)
    above = density_above(view.light, look.base)

    corners = np.asarray(look.seen.corners)
    clear = all(look.seen.sides_seen) and sides_agree(look.seen, px_per_mm)
    confidence = _CERTAIN if clear else _UNCERTAIN
    gate = None if habits is None else habits.single
    held = gate and gate.held(look.in_scan(corners), (look.scan.width, look.scan.height))
    if held:
        corners, confidence = look.in_view(held), _UNCERTAIN
    (start, top), (end, bottom) = corners.min(axis=0), corners.max(axis=0)
    densest = float(np.percentile(above[~look.seen.outside].mean(axis=1), 99))
    kind = "blank" if densest < float(measure_limits("film")["blank"]) else "picture"
    frame = Frame(float(start), float(end), float(top), float(bottom), kind, confidence)
    rounding = rounding_of(look.scan, look.base)
    measured = DensityView(above, look.base, px_per_mm, rounding)
    surveyed = survey_frame(measured, frame, None, corners, look.in_scan(corners))
    frames = [surveyed]
    if cuts is not None:
        frames = [
            survey_cut(
                measured,
                cut,
                None if cut.found is None else surveyed,
                None if cut.outline is None else look.in_view(cut.outline),
            )
            for cut in cuts
        ]
    lower, right = (count - 0.5 for count in view.light.shape[:2])
    box = np.array([[-0.5, -0.5], [right, -0.5], [right, lower], [-0.5, lower]])
    across = corners[1] - corners[0]
    return StripSurvey(
        scan=look.scan,
        ppi=px_per_mm * factor * MM_PER_INCH,
        ppi_from=scale_from,
        format=form.name,
        outline=look.in_scan(box),
        angle_deg=float(np.degrees(np.arctan2(across[1], across[0]))),
        mirrored=look.scan.orientation in (2, 4, 5, 7),
        base=look.base,
        edge_codes=(),
        frames=tuple(frames),
        centres_px=tuple((float(start + end) / 2,) * len(frames)),
        edges_seen=(False, False),
        likelihoods={name: -cost for name, cost in costs.items()},
    )
