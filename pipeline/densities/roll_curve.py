"""Characteristic curve of a roll's film: from a wedge, a bracketed grey card, or a chart on it."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from pipeline.chart import (
    SURE,
    ChartReading,
    WedgeReading,
    find_wedge,
    grey_steps,
    is_shaded,
    looks_stepped,
    read_grey,
    read_wedge_at,
)
from pipeline.colour import is_clear, no_frame, shown_by
from pipeline.densities.characteristic import Curves, characteristic
from pipeline.densities.contrast import SpeedPoints, profile_curves, speed_points, stops_faster
from pipeline.kinds import LOG_STOP, Float32, Float64, Floats, Triple, as_triple
from pipeline.problem import SettingsProblem
from pipeline.profile import FilmProfile, ScannerProfile, status_m
from pipeline.settings import Bracket, RollNotes, Settings, Wedge
from pipeline.survey import FrameSurvey, StripSurvey

Frames = dict[str, FrameSurvey]
Through = Callable[..., "FilmCurve | None"]
"""`film_curve` with base and profiles given."""

_ABOVE_BASE = (0.0, 0.0, 0.0)
# A wedge that is named need not be as clear as one that nobody named.
_LEAST_CONFIDENCE = 0.4
# Light falls off over the frame: what patches are off by however many pixels they have.
_LEAST_ERROR = 0.003
# Flare lies unevenly over a scan: by so much light, a share of full scale, is the dark level off
# in dense and light places (over the scanners of the film model 0.0002 to 0.0005).
_DARK_UNSURE = 0.0004
# A chart whose greys lie farther off one curve is lit unevenly, or no chart, in density.
_MOST_RESIDUAL = 0.015

NORMAL, MIDDLE, BRIGHTEST, LUX_SECONDS = (
    "log10 of the exposure, 0 at the normal one",
    "log10 of the exposure, 0 at middle grey as exposed",
    "log10 of the exposure, 0 at the most exposed step",
    "log10 of the exposure in lx s",
)


@dataclass(frozen=True)
class FilmCurve:
    """The characteristic curve of a film, R, G, B, and what it rests on.

    `how` is 'wedge', 'bracket', 'chart' or 'readings' (figures from elsewhere), `frames` the
    numbers of the frames. `log_exposure` (n,) and `density` (n, 3) are the steps as read, density
    above base as the scanner's channels see it; `scale` says in words what log exposure is told
    from. `status_m` is the contrast in Status M where the scanner's profile is known.
    `stops_faster` is by how many stops the film is faster than its profile says, as exposed:
    None where nothing says what exposure middle grey had.
    """

    how: str
    frames: tuple[str, ...]
    log_exposure: tuple[float, ...]
    density: tuple[Triple, ...]
    channels: Curves
    scale: str
    speed: SpeedPoints
    status_m: Triple | None = None
    stops_faster: float | None = None

    @property
    def contrast(self) -> Triple:
        """Return the contrast of the three channels, density per decade of exposure."""
        return as_triple(curve.contrast for curve in self.channels)

    @property
    def contrast_error(self) -> Triple:
        """Return the standard errors of the contrast."""
        return as_triple(curve.contrast_error for curve in self.channels)

    @property
    def straight(self) -> bool:
        """Tell whether all three curves reach their straight part, as far as the steps go."""
        return all(curve.straight for curve in self.channels)


def film_curve(
    log_exposure: Floats,
    density: Floats,
    how: str = "readings",
    frames: Iterable[str] = (),
    scale: str = BRIGHTEST,
    error: Floats | None = None,
    base_density: Sequence[float] | None = None,
    profile: FilmProfile | None = None,
    scanner: ScannerProfile | None = None,
) -> FilmCurve | None:
    """Return the curve through steps, or None where they are too few or too close together.

    Parameters
    ----------
    log_exposure, density, error
        As `characteristic` takes them.
    how, frames, scale
        As `FilmCurve` has them.
    base_density
        (3,) D-min, zeros for densities above base; None to have it read off the curve.
    profile
        The film's, to tell its speed against; only with a scale from normal exposure.
    scanner
        Takes the densities to Status M.
    """
    logs, seen = np.asarray(log_exposure, float), np.asarray(density, float)
    base = None if base_density is None else np.asarray(base_density, float)
    channels = characteristic(logs, seen, error, base)
    if channels is None:
        return None
    status = None if scanner is None else characteristic(logs, status_m(seen, scanner), error)
    faster = None
    if profile is not None and scale in (NORMAL, MIDDLE):
        faster = stops_faster(channels, profile_curves(profile))
    logs = logs if logs.ndim == 1 else logs.mean(axis=1)
    order = np.argsort(logs, kind="stable")
    return FilmCurve(
        how=how,
        frames=tuple(frames),
        log_exposure=tuple(logs[order].tolist()),
        density=tuple(as_triple(row) for row in seen[order]),
        channels=channels,
        scale=scale,
        speed=speed_points(channels, lux_seconds=scale == LUX_SECONDS),
        status_m=None if status is None else as_triple(np.array([c.contrast for c in status])),
        stops_faster=faster,
    )


def film_curve_of_roll(
    strips: Sequence[StripSurvey],
    numbers: Sequence[Sequence[str]],
    notes: RollNotes,
    settings: Settings,
    profile: FilmProfile | None = None,
    scanner: ScannerProfile | None = None,
) -> FilmCurve | None:
    """Return the curve that a roll shows: of its wedge, else its bracket, else a clear chart.

    Raises
    ------
    SettingsProblem
        If a wedge or bracket that roll.toml names is not there, or can't be read.
    """
    frames = _by_number(strips, numbers)
    # A roll of which no scan could be used has no frames to look for.
    if not frames:
        return None
    through = partial(film_curve, base_density=_ABOVE_BASE, profile=profile, scanner=scanner)
    if notes.wedge is not None:
        return _wedge_curve(notes.wedge, frames, through)
    if notes.bracket is not None:
        return _bracket_curve(notes.bracket, frames, through)
    return _chart_curve(frames, settings, through)


def unnamed_wedges(
    strips: Sequence[StripSurvey], numbers: Sequence[Sequence[str]], notes: RollNotes
) -> tuple[str, ...]:
    """Return one sentence for each frame that shows a clear wedge that nobody named."""
    if notes.wedge is not None or notes.bracket is not None:
        return ()
    told = []
    for number, frame in _by_number(strips, numbers).items():
        if frame.kind == "blank" or frame.chart is not None:
            continue
        picture = np.asarray(frame.thumbnail, np.float32)
        if looks_stepped(picture):
            found = find_wedge(picture)
            if found is not None and found.confidence >= SURE:
                told.append(
                    f"frame {number} seems to show a step wedge of {len(found.densities)} steps; "
                    "its slope is known only once roll.toml says how far they are apart, as in "
                    f'[wedge] with frame = "{number}" and step = 0.15'
                )
    return tuple(told)


def _by_number(strips: Sequence[StripSurvey], numbers: Sequence[Sequence[str]]) -> Frames:
    return {
        number: frame
        for strip, row in zip(strips, numbers, strict=True)
        for frame, number in zip(strip.frames, row, strict=True)
    }


def _named(number: str, frames: Frames, setting: str) -> Float32:
    """Return the small picture of a frame that the user named."""
    if number not in frames:
        raise no_frame(f"frame {number} for the {setting}", list(frames))
    return np.asarray(frames[number].thumbnail, np.float32)


def _error(frame: FrameSurvey, density: Float64, error: Float64) -> Float64:
    """Return errors of densities (n, 3) with those of the frame's evenness and the dark level."""
    base_light = 10.0 ** np.asarray(frame.base.terms)[:, 0]
    dark = _DARK_UNSURE / (base_light * 10.0**-density) / math.log(10.0)
    whole: Float64 = np.sqrt(error**2 + dark**2 + _LEAST_ERROR**2)
    return whole


def _wedge_curve(wedge: Wedge, frames: Frames, through: Through) -> FilmCurve:
    picture = _named(wedge.frame, frames, "wedge")
    if wedge.corners is not None and wedge.steps is not None:
        corners = np.array(wedge.corners) * picture.shape[1::-1] - 0.5
        reading: WedgeReading | None = read_wedge_at(picture, corners, wedge.steps)
    else:
        reading = find_wedge(picture, wedge.steps)
    if reading is None or reading.confidence < _LEAST_CONFIDENCE:
        raise _unread(wedge)
    last = 0.0 if wedge.log_exposure is None else wedge.log_exposure
    steps = len(reading.densities)
    curve = through(
        last + wedge.step * (np.arange(steps) - steps + 1),
        reading.densities,
        "wedge",
        (wedge.frame,),
        BRIGHTEST if wedge.log_exposure is None else LUX_SECONDS,
        _error(frames[wedge.frame], reading.densities, reading.error),
    )
    if curve is None:
        raise _unread(wedge)
    return curve


def _unread(wedge: Wedge) -> SettingsProblem:
    if wedge.corners is not None:
        return SettingsProblem(
            None,
            f"what the corners enclose in frame {wedge.frame} is no wedge of {wedge.steps} steps",
            "give the corners of all steps together, one after the other around them",
        )
    return SettingsProblem(
        None,
        f"no step wedge is found on frame {wedge.frame}",
        "give its corners and steps under [wedge] in roll.toml, or name another frame",
    )


def _bracket_curve(bracket: Bracket, frames: Frames, through: Through) -> FilmCurve:
    cards = [
        read_grey(_named(number, frames, "bracket"), bracket.grey) for number in bracket.frames
    ]
    for number, card in zip(bracket.frames, cards, strict=True):
        if not card.is_even_area:
            raise SettingsProblem(
                None,
                f"the grey card on frame {number} is not even",
                "give an area inside the card as 'grey' under [bracket] in roll.toml",
            )
    zero = 0.0 if bracket.log_exposure is None else bracket.log_exposure
    error = np.array(
        [
            _error(frames[number], card.density, card.spread)
            for number, card in zip(bracket.frames, cards, strict=True)
        ]
    )
    curve = through(
        zero + LOG_STOP * np.array(bracket.stops),
        np.array([card.density for card in cards]),
        "bracket",
        bracket.frames,
        NORMAL if bracket.log_exposure is None else LUX_SECONDS,
        error,
    )
    if curve is None:
        raise SettingsProblem(
            None, "the bracket makes no curve", "name more frames under [bracket] in roll.toml"
        )
    return curve


def _chart_curve(frames: Frames, settings: Settings, through: Through) -> FilmCurve | None:
    """Return the curve of the chart that tells best, or None where none is clear."""
    curves = []
    for number, chart in _charts(frames, settings):
        if is_shaded(chart.densities):
            continue
        logs, density, error = grey_steps(chart)
        error = _error(frames[number], density, error)
        curve = through(logs, density, "chart", (number,), MIDDLE, error)
        if curve is None or not curve.straight:
            continue
        if max(channel.residual for channel in curve.channels) < _MOST_RESIDUAL:
            curves.append(curve)
    return min(curves, key=lambda one: float(np.mean(one.contrast_error)), default=None)


def _charts(frames: Frames, settings: Settings) -> list[tuple[str, ChartReading]]:
    """Return charts: those the user named, else those that are clear."""
    if settings.reference is not None:
        named = [one for one in settings.reference if one.frame in frames and one.grey is None]
        shown = [
            (one.frame, shown_by(one, _named(one.frame, frames, "chart"), frames[one.frame].chart))
            for one in named
        ]
        return [(number, one) for number, one in shown if isinstance(one, ChartReading)]
    return [
        (number, frame.chart)
        for number, frame in frames.items()
        if frame.chart is not None and is_clear(frame.chart)
    ]
