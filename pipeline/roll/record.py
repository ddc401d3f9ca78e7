"""From the survey of a roll to its record: what `roll.json` says of strips and frames."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.densities import curve_document, roll_densities, strip_densities
from pipeline.diagnosis import RollSigns, Shown, diagnose, roll_signs, told_signs
from pipeline.kinds import as_triple
from pipeline.profile import MONOCHROME, base_status_m, frame_formats
from pipeline.record import (
    BaseRecord,
    ColourRecord,
    DensityRecord,
    EdgeCodeRecord,
    FrameRecord,
    RollDensities,
    RollRecord,
    StripRecord,
)
from pipeline.roll.frame_task import frame_files
from pipeline.roll.survey import RollFrame, SurveyedRoll
from pipeline.settings import Roll
from pipeline.survey import StripSurvey


def record_of(surveyed: SurveyedRoll, split: bool = False, aim: Shown | None = None) -> RollRecord:
    """Return the roll record of a survey.

    `aim` is a roll of the same film and scanner that is known to be right.
    """
    roll, strips, colour = surveyed.roll, surveyed.strips, surveyed.colour
    signs = roll_signs(strips, surveyed.scanner)
    told = {
        name: value
        for name, value in vars(roll.notes).items()
        if name not in ("frames", "wedge", "bracket", "other") and value not in (None, {})
    }
    return RollRecord(
        roll=dict(roll.notes.other) | told | {"id": roll.name},
        profile=surveyed.profile.name,
        look="negative" if split else roll.settings.look,
        colour=ColourRecord(
            colour.balance,
            colour.slopes(),
            colour.how,
            surveyed.reference,
            colour.doubt_log_e,
            colour.cast,
        ),
        strips=tuple(
            _strip_record(strip, frames, surveyed, split)
            for strip, frames in zip(strips, surveyed.frames, strict=True)
        ),
        densities=_densities(surveyed, signs),
        findings=diagnose(strips, signs, surveyed.profile, roll.notes, surveyed.clipped, aim),
        problems=surveyed.problems,
    )


def _densities(surveyed: SurveyedRoll, signs: RollSigns) -> RollDensities:
    strips, profile, scanner = surveyed.strips, surveyed.profile, surveyed.scanner
    told = roll_densities(
        strips, surveyed.colour, profile, scanner, surveyed.clipped, surveyed.curve
    )
    if surveyed.curve is not None:
        told = replace(told, curve=curve_document(surveyed.curve))
    if profile.name == MONOCHROME or not signs.frames:
        return told
    return replace(told, signs=told_signs(signs))


def _strip_record(
    strip: StripSurvey,
    frames: Sequence[RollFrame],
    surveyed: SurveyedRoll,
    split: bool,
) -> StripRecord:
    scanner = surveyed.scanner
    return StripRecord(
        scan=strip.scan.path.name,
        page=strip.scan.page,
        ppi=round(strip.ppi, 2),
        ppi_from=strip.ppi_from,
        format=frame_formats()[strip.format].recorded_as or strip.format,
        outline=_rounded(strip.outline),
        angle_deg=round(strip.angle_deg, 4),
        mirrored=strip.mirrored,
        base=BaseRecord(
            strip.base.density,
            strip.absolute,
            strip.base.spread,
            round(strip.base.area_mm2, 1),
            as_triple(base_status_m(np.array(strip.base.density), scanner))
            if scanner is not None and strip.absolute
            else None,
        ),
        edge_codes=tuple(
            EdgeCodeRecord(text, round(x, 1), round(y, 1)) for text, x, y in strip.edge_codes
        ),
        frames=tuple(_frame_record(frame, surveyed.roll, split) for frame in frames),
        densities=strip_densities(strip, surveyed.colour, scanner),
        device=strip.scan.device_name,
    )


def _rounded(outline: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    return tuple((round(x, 2), round(y, 2)) for x, y in outline)


def _frame_record(placed: RollFrame, roll: Roll, split: bool) -> FrameRecord:
    frame, number, colour = placed.survey, placed.number, placed.colour
    written = frame.kind != "blank" or roll.settings.write_blanks
    stem = f"{roll.name}_{number.number}" if written else None
    # An added frame was not found at all, and its key is no number.
    as_found = frame.key is not None and not frame.key.startswith("+")
    found_as = frame.key if as_found and frame.key != number.number else None
    return FrameRecord(
        number=number.number,
        number_from=number.number_from,
        kind=frame.kind,
        outline=_rounded(placed.turn.corners(placed.written.whole)),
        confidence=frame.confidence,
        files=frame_files(stem, roll.settings, split),
        density=DensityRecord(frame.least, frame.median, frame.most),
        corrected=frame.corrected,
        found_as=found_as,
        exposure_stops=0.0 if split else colour.exposure_stops,
        balance=None if split else colour.balance,
        colour_temperature_k=None if split else colour.colour_temperature_k,
        duv=None if split else colour.duv,
    )
