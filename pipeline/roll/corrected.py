"""Strips of a roll as the user corrected them."""

from collections.abc import Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path

from pipeline.event import Listener
from pipeline.numbering import Recut
from pipeline.problem import ClusterProblem
from pipeline.record import ScanTrouble
from pipeline.roll.scans import changed, drop, failed, put_away
from pipeline.settings import Roll
from pipeline.survey import (
    Cuts,
    FrameSurvey,
    PictureStore,
    ScanSurvey,
    StripSurvey,
    survey_scan,
)


def corrected(
    surveys: Sequence[ScanSurvey],
    strips: Sequence[StripSurvey],
    plan: Recut,
    roll: Roll,
    executor: Executor,
    listen: Listener,
    store: PictureStore,
) -> tuple[tuple[StripSurvey, ...], list[ScanTrouble]]:
    """Return the roll's strips, those that corrections change surveyed anew, and what failed."""
    edge = {frame.key: frame.edge_number for strip in strips for frame in strip.frames}

    def edged(frame: FrameSurvey) -> FrameSurvey:
        return replace(frame, edge_number=edge.get(frame.key))

    inside = {(s.scan.path, s.scan.page, s.outline): place for place, s in enumerate(strips)}
    done: dict[int, StripSurvey | None] = dict(enumerate(strips))
    pending: dict[Path, tuple[dict[int, int], Future[ScanSurvey]]] = {}
    for survey in surveys:
        places = {
            at: inside[s.scan.path, s.scan.page, s.outline] for at, s in enumerate(survey.strips)
        }
        cuts: Cuts = {at: plan.cuts[p] for at, p in places.items() if p in plan.cuts}
        if cuts:
            task = executor.submit(
                survey_scan, survey.path, roll.settings, survey.habits, cuts, clear=survey.clear
            )
            pending[survey.path] = ({at: places[at] for at in cuts}, task)
    troubles = []
    try:
        for count, (path, (places, future)) in enumerate(pending.items(), 1):
            try:
                anew = put_away(future.result(), store).strips
                done |= {place: changed(anew[at], edged) for at, place in places.items()}
            except ClusterProblem:
                raise
            except Exception as error:
                troubles.append(failed(listen, path.name, error, count, len(pending)))
                done |= dict.fromkeys(places.values())
    finally:
        drop(future for _, future in pending.values())
    return tuple(strip for strip in done.values() if strip is not None), troubles
