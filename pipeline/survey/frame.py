"""Survey of one frame, as found or as the user wants it: densities, samples, a small picture."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.channels import percentiles
from pipeline.chart import ChartReading, find_chart
from pipeline.frame import Frame
from pipeline.kinds import Corners, Float64, Light, Triple, as_triple
from pipeline.strip import FilmBase, FrameBase, shading_over
from pipeline.survey.pictures import StoredPicture
from pipeline.survey.rounding import Rounding

_SAMPLES_A_FRAME = 900
_THUMBNAIL_LONG_SIDE = 360
_SAMPLE_INSET_MM = 0.8


@dataclass(frozen=True)
class DensityView:
    """A strip's view as density above its base (h, w, 3), with that base, and its scale.

    `rounding` tells what the scan's file rounds densities by, `behind` the log10 light (h, w, 3) of
    an uneven backdrop that densities and base are without.
    """

    above: Light
    base: FilmBase
    px_per_mm: float
    rounding: Rounding | None = None
    behind: Light | None = None


@dataclass(frozen=True)
class FrameSurvey:
    """One frame as found: outline in scan pixels in picture order, what it holds, its densities.

    `samples` (n, 3) and `thumbnail` (h, w, 3) are densities above base, float32 and float16; read
    them by `numpy.asarray`, as those of a long roll are on the disk.
    `chart` is the 24-patch chart in it, in the thumbnail's pixels, None where none is seen.
    `rounding` tells what the scan's file rounds densities by, None where it does not.
    `key` names the frame over the roll once its frames are numbered; `corrected` tells that the
    user gave its outline or kind.
    """

    outline: Corners
    kind: str
    confidence: float
    edge_number: str | None
    base: FrameBase
    samples: Light | StoredPicture
    thumbnail: NDArray[np.float16] | StoredPicture
    least: Triple
    median: Triple
    most: Triple
    key: str | None = None
    corrected: bool = False
    chart: ChartReading | None = None
    rounding: Rounding | None = None

    def doubt(self) -> Float64 | None:
        """Return what codes of 8 bits leave open of the thumbnail's densities (h, w, 3).

        One standard deviation; None for finer codes.
        """
        if self.rounding is None:
            return None
        return self.rounding.left_open(np.asarray(self.thumbnail))

    def rounded(self, chart: ChartReading) -> ChartReading:
        """Return a chart read in this frame with what the scan's file rounds it by."""
        if self.rounding is None:
            return chart
        return replace(chart, rounding=self.rounding.at(chart.densities))


def survey_frame(
    view: DensityView,
    frame: Frame,
    number: str | None,
    corners: Float64,
    outline: Corners,
) -> FrameSurvey:
    """Return what is measured in one frame of a strip's view.

    Parameters
    ----------
    frame, number
        The frame in the view, and its number if the film's edge tells it.
    corners
        (4, 2) its corners in the view's pixels, in the order of the picture as written.
    outline
        The same corners in the scan's pixels.
    """
    above = view.above
    rows, columns = above.shape[:2]
    inset = _SAMPLE_INSET_MM * view.px_per_mm
    inner = above[
        max(0, round(frame.top + inset)) : max(1, round(frame.bottom - inset)),
        max(0, round(frame.start + inset)) : max(1, round(frame.end - inset)),
    ]
    if inner.size == 0:
        inner = above[:1, :1]
    smooth = np.asarray(cv2.blur(inner, (3, 3)), np.float32)
    step = max(1, int(np.sqrt(inner.shape[0] * inner.shape[1] / _SAMPLES_A_FRAME)))
    samples = np.ascontiguousarray(smooth[step // 2 :: step, step // 2 :: step].reshape(-1, 3))
    least, median, most = percentiles(smooth.reshape(-1, 3), [1, 50, 99])
    left_top, right_bottom = corners[0], corners[2]
    frame_base = FrameBase(
        terms=shading_over(view.base, view.behind, corners).shading,
        left=_unit(left_top[0], columns),
        right=_unit(right_bottom[0], columns),
        top=_unit(left_top[1], rows),
        bottom=_unit(right_bottom[1], rows),
        illumination=view.base.illumination,
    )
    thumbnail = _thumbnail(above, corners)
    survey = FrameSurvey(
        outline=outline,
        kind=frame.kind,
        confidence=frame.confidence,
        edge_number=number,
        base=frame_base,
        samples=samples.astype(np.float32),
        thumbnail=thumbnail.astype(np.float16),
        least=as_triple(least),
        median=as_triple(median),
        most=as_triple(most),
        rounding=view.rounding,
    )
    chart = None if frame.kind == "blank" else find_chart(thumbnail)
    return survey if chart is None else replace(survey, chart=survey.rounded(chart))


def _unit(place_px: float, count: int) -> float:
    """Return a pixel place as -1 (first pixel's centre) to 1 (last pixel's centre)."""
    return float(2.0 * place_px / max(count - 1, 1) - 1.0)


def _thumbnail(above: Light, corners: Float64) -> Light:
    """Return a small picture of density above base inside a frame's corners, in picture order."""
    along, down = (float(np.hypot(*(corners[i] - corners[0]))) for i in (1, 3))
    scale = min(1.0, _THUMBNAIL_LONG_SIDE / max(along, down, 1.0))
    columns, rows = max(1, round(along * scale)), max(1, round(down * scale))
    right, below = (corners[1] - corners[0]) / columns, (corners[3] - corners[0]) / rows
    start = corners[0] + 0.5 * (right + below)
    matrix = np.array([[right[0], below[0], start[0]], [right[1], below[1], start[1]]])
    small = cv2.warpAffine(
        above,
        matrix,
        (columns, rows),
        borderMode=cv2.BORDER_REPLICATE,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    return np.asarray(small, np.float32)


@dataclass(frozen=True)
class Cut:
    """One frame of a strip after correction.

    `key` names it over the roll. `found` is the place of the frame that it was among those found
    on the strip, in film order, None for an added one. `outline` (scan pixels, in the order of
    the picture) and `kind` are None where they stay as found.
    """

    key: str
    found: int | None
    outline: Corners | None = None
    kind: str | None = None


def survey_cut(
    view: DensityView,
    cut: Cut,
    found: FrameSurvey | None,
    corners: Float64 | None,
) -> FrameSurvey:
    """Return the survey of a frame as corrected; what the user says of it is certain.

    Parameters
    ----------
    cut
        The frame; without `found` it has an outline.
    found
        The survey of the frame that it was, None for an added one.
    corners
        The cut's outline in the strip's view (4, 2), in the order of the picture; None where
        it stays as found.
    """
    if found is not None and (cut.outline is None or corners is None):
        if cut.kind is None:
            return replace(found, key=cut.key)
        return replace(found, key=cut.key, kind=cut.kind, confidence=1.0, corrected=True)
    if cut.outline is None or corners is None:
        raise ValueError(f"the frame {cut.key!r} to add has no outline")
    (start, top), (end, bottom) = corners.min(axis=0), corners.max(axis=0)
    kind = cut.kind or (found.kind if found is not None else "picture")
    frame = Frame(float(start), float(end), float(top), float(bottom), kind, 1.0)
    number = None if found is None else found.edge_number
    surveyed = survey_frame(view, frame, number, corners, cut.outline)
    return replace(surveyed, key=cut.key, corrected=True)
