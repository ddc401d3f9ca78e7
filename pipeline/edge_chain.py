"""Edge codes as a chain: each is trusted for what its neighbours and a second reader say."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.edge_code import (
    EdgeFormat,
    code_text,
    encode,
    is_valid,
    position_of,
    value_of,
)
from pipeline.edge_crop import crop_texts
from pipeline.edge_odds import Answer, likeliest
from pipeline.edge_track import Track, expected_match, find_tracks
from pipeline.kinds import Bits, Float64
from pipeline.rebate import Rebate

# How far a code may stand from its place between its neighbours, in steps from code to code,
# and the errors of scale (film shrinks, resolution tags round) under which places are compared.
OFF_PLACE = 0.12
SCALE_ERRORS = (0.0, -0.01, 0.01, -0.02, 0.02, -0.03, 0.03)
# Wrong bits that the neighbours may correct, and the likeness to the corrected code it takes.
CORRECTED_BITS = 2
LEAST_MATCH = 0.7
# By how much, in natural logarithms, a chain's answer must be likelier than the next.
LEAST_ODDS = 12.0
# What a code without neighbours must show: such odds, as a second reader confirms it, a clock
# that matches this well, the same reading in this many windows of the rebate, and by zxing-cpp
# in this many crops and differently in none.
LONE_ODDS = 5.0
LONE_CLOCK = 0.9
LONE_WINDOWS = 3
LONE_CROPS = 2
# By how much more the clocks must look like running this way than the other, in total.
DIRECTION_MARGIN = 0.03


@dataclass(frozen=True)
class EdgeCode:
    """One barcode on the edge.

    Attributes
    ----------
    text
        As zxing-cpp writes it, such as 115-10/11A.
    dx_code
        The film's part of it, 115-10.
    number
        Place along the film in frames, 11.5 for 11A; X and 00 are -2 and -1. None where the
        code names the film only.
    x_px, y_px
        Its middle, in pixel centres of the strip.
    on_bottom
        Whether it stands on the strip's lower rebate.
    reads
        How many windows and crops of the rebate read exactly this, each alone.
    """

    text: str
    dx_code: str
    number: float | None
    x_px: float
    y_px: float
    on_bottom: bool
    reads: int


@dataclass(frozen=True)
class EdgeChain:
    """What one rebate says.

    Attributes
    ----------
    rebate
        Where it was read.
    codes, tracks
        Codes that passed every check, and the tracks they were read from, in the same order.
    rejected
        Codes with parity and fixed bits in order that didn't pass.
    backwards
        Whether the codes run to the left.
    strength
        Sum over the codes of the correlation with what they should look like.
    """

    rebate: Rebate
    codes: tuple[EdgeCode, ...]
    tracks: tuple[Track, ...]
    rejected: tuple[EdgeCode, ...]
    backwards: bool
    strength: float


@dataclass(frozen=True)
class _Finding:
    """A track against the code that its chain expects in its place."""

    track: Track
    away: int
    code: EdgeCode
    wrong_bits: int
    match: float
    stands_alone: bool


def read_chain(
    rebate: Rebate, px_per_mm: float, layout: EdgeFormat, rival: EdgeFormat | None = None
) -> EdgeChain:
    """Read one rebate; a code is kept if its neighbours agree on film and numbers.

    Neighbouring codes must be of one film and count on by one step for each `pitch_mm`, with
    the clock on the side of the perforations. A code that is alone must be read alike by
    zxing-cpp in several crops. `rival` is a layout with a longer clock, of which the codes may be
    as well.
    """
    tracks = find_tracks(rebate, layout, rival)
    backwards = bool(tracks) and tracks[0].clock.module < 0.0
    findings: list[_Finding] = []
    if sum(track.direction_margin for track in tracks) >= DIRECTION_MARGIN:
        places_mm = np.array([rebate.strip_x(track.clock.x) / px_per_mm for track in tracks])
        steps = (-places_mm if backwards else places_mm) / layout.pitch_mm
        chain = _whole_steps(steps, np.array([track.clock.match for track in tracks]))
        findings = _agreeing(rebate, tracks, chain, layout)
    kept = tuple(finding.track for finding in findings)
    return EdgeChain(
        rebate=rebate,
        codes=tuple(finding.code for finding in findings),
        tracks=kept,
        rejected=tuple(
            _alone(rebate, track, layout)
            for track in tracks
            if all(track is not other for other in kept) and is_valid(layout, track.soft > 0.0)
        ),
        backwards=backwards,
        strength=sum(finding.match for finding in findings),
    )


def _whole_steps(steps: Float64, weights: Float64) -> dict[int, int]:
    """Return the greatest set of tracks that stand whole steps apart: index and step."""
    best: dict[int, int] = {}
    most = 0.0
    for error in SCALE_ERRORS:
        for start in range(steps.size):
            away = (steps - steps[start]) * (1.0 + error)
            whole = np.rint(away)
            near = np.abs(away - whole) <= OFF_PLACE
            if weights[near].sum() > most + 1e-9:
                most = float(weights[near].sum())
                best = {int(k): int(whole[k]) for k in np.flatnonzero(near)}
    return best


def _agreeing(
    rebate: Rebate, tracks: Sequence[Track], chain: dict[int, int], layout: EdgeFormat
) -> list[_Finding]:
    """Return the findings of a chain that agree; none where there is any doubt.

    What all tracks say together is tried, and what each says alone, as tracks cut short spoil
    the sum; if two different answers have about as much for them, neither is believed. The
    answer of all together counts in that even where its odds are poor.
    """
    texts = {index: crop_texts(rebate, tracks[index]) for index in chain}
    of_all = _together([tracks[index] for index in chain], list(chain.values()), layout)[0]
    answers = {of_all}
    for index, away in chain.items():
        bits = tracks[index].soft > 0.0
        if is_valid(layout, bits):
            product, generation, step = _values(bits, layout)
            answers.add((product, generation, (step - away) % layout.steps))
    believed: list[tuple[int, list[_Finding]]] = []
    rival = 0
    for answer in sorted(answers):
        found = _compare_all(rebate, tracks, chain, texts, answer, layout)
        flawless = sum(finding.wrong_bits == 0 for finding in found)
        if _is_believed(answer, found, flawless, layout):
            believed.append((flawless, found))
        elif answer == of_all:
            rival = flawless
    believed.sort(key=lambda pair: pair[0], reverse=True)
    rival = max([rival, *(flawless for flawless, _ in believed[1:])])
    if not believed or 2 * rival >= believed[0][0]:
        return []
    return believed[0][1]


def _is_believed(
    answer: Answer, found: Sequence[_Finding], flawless: int, layout: EdgeFormat
) -> bool:
    """Tell whether enough codes say an answer without a flaw, and at good odds together."""
    alone = any(finding.stands_alone for finding in found)
    if not answer[0] or not (flawless >= 2 or (flawless == 1 and len(found) >= 3) or alone):
        return False
    kept = [finding.track for finding in found]
    again, odds = _together(kept, [finding.away for finding in found], layout)
    return again == answer and odds >= (LONE_ODDS if alone else LEAST_ODDS)


def _together(
    tracks: Sequence[Track], away: Sequence[int], layout: EdgeFormat
) -> tuple[Answer, float]:
    return likeliest(np.array([track.soft for track in tracks]), np.array(away), layout)


def _compare_all(
    rebate: Rebate,
    tracks: Sequence[Track],
    chain: dict[int, int],
    texts: dict[int, list[str]],
    answer: Answer,
    layout: EdgeFormat,
) -> list[_Finding]:
    """Return the tracks that are, but for a few bits, the codes the answer expects of them."""
    product, generation, step = answer
    # Numbers count on through the whole chain from its middle, even where frame values wrap.
    middle = int(np.median(list(chain.values())))
    at_middle = position_of(layout, step + middle) if layout.numbered else None
    found = []
    for index, away in chain.items():
        number = None
        if at_middle is not None:
            number = at_middle + (away - middle) / layout.codes_per_frame
        values = (product, generation, step + away)
        found.append(_compare(rebate, tracks[index], values, away, number, texts[index], layout))
    return [f for f in found if f.wrong_bits <= CORRECTED_BITS and f.match >= LEAST_MATCH]


def _compare(
    rebate: Rebate,
    track: Track,
    values: Answer,
    away: int,
    number: float | None,
    texts: list[str],
    layout: EdgeFormat,
) -> _Finding:
    """Hold a track against the code that it should be, encoded anew."""
    bits = encode(layout, *values)
    wrong = int(np.count_nonzero((track.soft > 0.0) != bits))
    windows = int(np.all((track.windows > 0.0) == bits, axis=1).sum())
    crops = texts.count(code_text(layout, *values))
    return _Finding(
        track=track,
        away=away,
        code=_code(rebate, track, code_text(layout, *values), number, windows + crops),
        wrong_bits=wrong,
        match=expected_match(track, bits, layout),
        stands_alone=(
            wrong == 0
            and track.clock.match >= LONE_CLOCK
            and windows >= LONE_WINDOWS
            and crops >= LONE_CROPS
            and crops == len(texts)
        ),
    )


def _values(bits: Bits, layout: EdgeFormat) -> Answer:
    """Return product, generation and number in steps of a data track."""
    product, generation, frame, half = (value_of(layout, bits, letter) for letter in "pgfh")
    return product, generation, frame * layout.codes_per_frame + half


def _alone(rebate: Rebate, track: Track, layout: EdgeFormat) -> EdgeCode:
    """Return the code that a track reads as by itself."""
    values = _values(track.soft > 0.0, layout)
    text = code_text(layout, *values)
    number = position_of(layout, values[2]) if layout.numbered else None
    return _code(rebate, track, text, number, 1)


def _code(rebate: Rebate, track: Track, text: str, number: float | None, reads: int) -> EdgeCode:
    return EdgeCode(
        text=text,
        dx_code=text.split("/")[0],
        number=number,
        x_px=rebate.strip_x(track.clock.x),
        y_px=rebate.strip_y((track.clock.y + track.data_y) / 2),
        on_bottom=rebate.on_bottom,
        reads=reads,
    )
