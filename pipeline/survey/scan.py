"""Survey of one scan: everything found and measured in it, as a small record."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.frame import CLEAR
from pipeline.kinds import Triple
from pipeline.problem import ScanProblem
from pipeline.settings import Settings
from pipeline.strip import Kind, film_kind
from pipeline.survey.clear_film import ClearFilm
from pipeline.survey.frame import Cut
from pipeline.survey.habits import Habits
from pipeline.survey.look_store import LookStore, ScanLook
from pipeline.survey.scan_look import look_at_scan
from pipeline.survey.single_frame import is_single, survey_single
from pipeline.survey.strip import StripSurvey, survey_strip

# Corrected frames of strips, by the strip's place among those found in a file.
Cuts = Mapping[int, tuple[Cut, ...]]

_INFRARED_NOTES = {
    "silver": "its infra-red plane shows the picture itself, as silver does: "
    "dust and scratches stay as they are",
    "misfit": "its infra-red plane doesn't go with the picture: "
    "dust and scratches stay as they are",
}
_CROSSED_NOTE = (
    "something lies across a strip, as another strip may: lay them apart, pictures that it covers "
    "are spoiled"
)


@dataclass(frozen=True)
class ScanSurvey:
    """All strips of one file, with plain warnings; `habits` are those it was surveyed by.

    `grey` tells that strips were left out that have a grey base, but no clear silver image.
    `single` tells that it shows one picture only; `clear` is the clear film that was given for it,
    `own` that which it shows itself.
    """

    path: Path
    strips: tuple[StripSurvey, ...]
    clipped: bool
    notes: tuple[str, ...]
    habits: Habits | None = None
    grey: bool = False
    single: bool = False
    clear: ClearFilm | None = None
    own: ClearFilm | None = None


class NoBaseProblem(ScanProblem):
    """A file may show one picture, but no base of its film.

    `lightest` is the log10 light of the lightest even place in it: no base of the same film under
    the same light is darker.
    """

    def __init__(
        self, path: Path | str | None, what: str, remedy: str, lightest: Triple | None = None
    ) -> None:
        super().__init__(path, what, remedy)
        self.lightest = lightest
        self.args = (path, what, remedy, lightest)


def no_base(path: Path, lightest: Triple | None = None) -> NoBaseProblem:
    """Return the problem of a file without base."""
    return NoBaseProblem(
        path,
        "shows no colour negative film with its clear base, neither a strip nor rebate beside "
        "one picture",
        "leave some rebate in view, or give --base-scan, a picture of clear film taken alike",
        lightest,
    )


def survey_scan(
    path: Path,
    settings: Settings,
    habits: Habits | None = None,
    cuts: Cuts | None = None,
    looks: LookStore | None = None,
    clear: ClearFilm | None = None,
) -> ScanSurvey:
    """Return what one file holds: strips, frames, base, edge print and samples of density.

    `habits` are what the roll is known to show of its camera, by format. Where `cuts` has the
    frames of a strip, those take the place of the ones found; all else is as it is without, so
    that frames that nobody corrected stay as they are. Of a scan with unclear frames `looks`
    keeps what a survey by habits needs, so that the scan is not read again for it. `clear` is the
    light of clear film over a file of one picture.

    Raises
    ------
    ScanProblem
        If it can't be read, or shows no colour negative film; `NoBaseProblem` if it may show one
        picture, but no base.
    """
    cv2.setNumThreads(1)
    known = looks.take(path) if looks is not None and habits is not None else None
    look = known or look_at_scan(path, settings, clear)
    if look.single is not None:
        strip = survey_single(look.single, settings, habits, (cuts or {}).get(0))
        own, notes = look.single.own, (*look.notes, *look.single.notes)
        return ScanSurvey(path, (strip,), look.clipped, notes, habits, False, True, clear, own)
    shared = None if clear is None or clear.whole else clear
    survey = _survey(look, settings, habits, cuts or {}, shared)
    if shared is not None or any(strip.base.given for strip in survey.strips):
        survey = replace(survey, clear=clear)
    elif clear is None:
        survey = replace(survey, own=_own(look, survey))
    if not survey.strips:
        if look.maybe_single and clear is None:
            raise no_base(path, look.lightest)
        raise _nothing_shown(survey, clear)
    if looks is not None and habits is None:
        frames = [frame for strip in survey.strips for frame in strip.frames]
        if any(frame.confidence < CLEAR for frame in frames):
            looks.keep(look)
    return survey


def _nothing_shown(survey: ScanSurvey, clear: ClearFilm | None) -> ScanProblem:
    if survey.grey:
        return ScanProblem(
            survey.path,
            "shows film with a grey base, but not clearly black-and-white pictures",
            "give --monochrome if it is black-and-white negative film",
        )
    if clear is not None:
        return ScanProblem(
            survey.path,
            "shows neither colour negative film with its clear base, nor pictures that go with "
            f"the clear film of {clear.name}",
            "take both with one light and the same settings",
        )
    return ScanProblem(
        survey.path,
        "shows no strip of colour negative film with its clear base",
        "scan it as a negative, not inverted by the scanner, with rebate or gaps and some open "
        "gate in view, or give --base-scan, a scan of clear film taken alike",
    )


def _own(look: ScanLook, survey: ScanSurvey) -> ClearFilm | None:
    """Return the clear film that a file of one picture with its perforations shows."""
    if len(survey.strips) != 1 or len(look.strips) != 1 or not is_single(look.strips[0].scan):
        return None
    (strip,), (seen,) = survey.strips, look.strips
    if seen.behind is not None or sum(frame.kind != "partial" for frame in strip.frames) > 1:
        return None
    return ClearFilm.beside(strip.base, seen.view, seen.scan, seen.proxy_shape)


def _survey(
    look: ScanLook,
    settings: Settings,
    habits: Habits | None,
    cuts: Cuts,
    clear: ClearFilm | None,
) -> ScanSurvey:
    strips = tuple(
        survey_strip(strip, settings, habits, cuts.get(place), clear)
        for place, strip in enumerate(look.strips)
    )
    # Of film that nobody called black-and-white, its pictures have to say so as well.
    kind: Kind = "monochrome"
    if look.grey and settings.monochrome is None:
        samples = [np.asarray(frame.samples) for strip in strips for frame in strip.frames]
        kind = film_kind([strip.base.density for strip in strips], samples)
    notes = list(look.notes)
    if any(strip.strip.crossed is not None for strip in look.strips):
        notes.append(_CROSSED_NOTE)
    if settings.dust == "on":
        verdicts = dict.fromkeys(strip.cross_talk.verdict for strip in strips if strip.cross_talk)
        notes += [_INFRARED_NOTES[verdict] for verdict in verdicts if verdict in _INFRARED_NOTES]
    kept = () if kind == "unclear" else strips
    return ScanSurvey(look.path, kept, look.clipped, tuple(notes), habits, kind == "unclear")
