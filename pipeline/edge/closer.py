"""A strip's rebates at the scan's own resolution, for print too fine for the proxy."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.channels import less
from pipeline.edge.code import load_edge_format
from pipeline.edge.density import PrintDensity, letter_print
from pipeline.edge.reading import EdgeBand, EdgeReading, read_bands, read_edge, rescaled
from pipeline.edge.rebate import INSIDE_MM, LEAST_MM, OUTSIDE_MM
from pipeline.kinds import MM_PER_INCH, Float64, Light, Span, Triple
from pipeline.scan import Reader, Scan, block_means, opened, to_light, to_scan_xy
from pipeline.strip import StripView

# Ten pixels a module: more tells the reader nothing that it could use.
ENOUGH_PX_PER_MM = 600.0 / MM_PER_INCH
# A finer scan than the proxy by less than this is read no better.
LEAST_GAIN = 1.25
# Most columns of one piece: OpenCV turns pictures of less than 2^15 pixels a side.
_PIECE_COLUMNS = 12000
# Shorter where film doesn't lie straight, as every pixel has its own place.
_BENT_PIECE_COLUMNS = 2000
_BAND_SAMPLES = 6 << 20
# Pixels around a piece for the interpolation between them.
_MARGIN = 3


@dataclass(frozen=True)
class ScannedStrip:
    """A strip straightened, and the scan that its proxy was reduced from by `factor`.

    `film_rows` are the rows of the film's upper and lower edge in the view, outside it where
    they are hidden; `dark` is the light that the scanner reports where there is none.
    """

    scan: Scan
    view: StripView
    factor: int
    film_rows: tuple[float, float]
    dark: Triple = (0.0, 0.0, 0.0)

    @property
    def block(self) -> int:
        """Return how many of the scan's pixels are averaged into one, along a side."""
        return max(1, round(self.view.px_per_mm * self.factor / ENOUGH_PX_PER_MM))

    @property
    def zoom(self) -> float:
        """Return the scale at which the scan is read over that of the view."""
        return self.factor / self.block


def codes_expected(length_mm: float) -> int:
    """Return how many whole codes a piece of film holds at least, wherever it was cut."""
    layout = load_edge_format()
    code_mm = len(layout.clock) * layout.module_mm[1]
    return max(0, math.floor((length_mm - code_mm) / layout.pitch_mm))


def read_strip_edge(strip: ScannedStrip) -> EdgeReading:
    """Read the edge print of a strip in its view, and from the scan where codes are missing.

    Of two readings that with more codes counts, numbered ones first.

    Raises ScanProblem where the scan has changed or is damaged.
    """
    view = strip.view
    reading = read_edge(less(view.light, strip.dark), view.px_per_mm, *strip.film_rows)
    missing = len(reading.codes) < codes_expected(view.light.shape[1] / view.px_per_mm)
    if not missing or strip.zoom < LEAST_GAIN:
        return reading
    return max(reading, read_closer(strip), key=lambda one: (one.numbered, len(one.codes)))


def rows_in_view(
    film_rows: tuple[float, float], view: StripView
) -> tuple[float | None, float | None]:
    """Return the rows of the film's edges, None where too little of a rebate shows."""
    layout = load_edge_format()
    hidden = (layout.perforation_from_edge_mm - LEAST_MM) * view.px_per_mm
    top, bottom = film_rows
    return (
        top if top + hidden > -0.5 else None,
        bottom if bottom - hidden < view.light.shape[0] - 0.5 else None,
    )


def read_closer(strip: ScannedStrip) -> EdgeReading:
    """Read the edge print of a strip from its scan, at up to about 600 ppi, in the view's pixels.

    Only the rebates are read, in bands, so that memory stays small.

    Raises ScanProblem where the scan has changed or is damaged.
    """
    px_per_mm = strip.view.px_per_mm
    return rescaled(read_bands(rebate_bands(strip), px_per_mm * strip.zoom), px_per_mm)


def read_letters(strip: ScannedStrip, printed_mm: tuple[float, float]) -> PrintDensity | None:
    """Return the density of letters on a strip's rebates, from the scan at up to about 600 ppi.

    `printed_mm` says between which distances from the film's edge print may stand.

    Raises ScanProblem where the scan has changed or is damaged.
    """
    scale = strip.view.px_per_mm * strip.zoom
    bands = []
    for band in rebate_bands(strip, cv2.INTER_LINEAR):
        near, far = (band.edge_row + (-mm if band.on_bottom else mm) * scale for mm in printed_mm)
        first, last = sorted((near, far))
        bands.append(band.light[max(0, math.ceil(first)) : max(0, math.floor(last))])
    return letter_print(bands, scale)


def rebate_bands(strip: ScannedStrip, how: int = cv2.INTER_CUBIC) -> list[EdgeBand]:
    """Return the rebates whose edge is in view, straightened, `zoom` times the view's scale.

    `how` is OpenCV's way of interpolating: cubic keeps bars sharp, linear never overshoots.
    """
    zoom, px_per_mm = strip.zoom, strip.view.px_per_mm
    inside = (load_edge_format().perforation_from_edge_mm + INSIDE_MM) * px_per_mm
    outside = OUTSIDE_MM * px_per_mm
    rows = rows_in_view(strip.film_rows, strip.view)
    if not any(row is not None for row in rows):
        return []
    bands = []
    with opened(strip.scan, in_order=True) as reader:
        for row, on_bottom in zip(rows, (False, True), strict=True):
            if row is None:
                continue
            span = (row - inside, row + outside) if on_bottom else (row - outside, row + inside)
            first, last = math.floor(span[0] * zoom), math.ceil(span[1] * zoom)
            light = less(_straight(strip, reader, (first, last + 1), how), strip.dark)
            edge = (row + 0.5) * zoom - 0.5 - first
            bands.append(EdgeBand(light, edge, on_bottom, float(first)))
    return bands


def _straight(strip: ScannedStrip, reader: Reader, rows: Span, how: int) -> Light:
    """Return rows of the enlarged view, read from the scan a piece of its length at a time."""
    view, scan, block = strip.view, strip.scan, strip.block
    columns = round(view.light.shape[1] * strip.zoom)
    light = np.empty((rows[1] - rows[0], columns, 3), np.float32)
    straight = view.to_proxy.straight
    longest = _PIECE_COLUMNS if straight else _BENT_PIECE_COLUMNS
    pieces = [
        _piece(strip, (s, min(s + longest, columns)), rows) for s in range(0, columns, longest)
    ]
    # What is packed is decoded once for all pieces.
    at_once = 1 if scan.block is None else len(pieces)
    for first in range(0, len(pieces), at_once):
        group = pieces[first : first + at_once]
        seen = _Reduced.of(scan, reader, [(piece.down, piece.across) for piece in group], block)
        for piece in group:
            start, stop = piece.columns
            light[:, start:stop] = _resampled(piece, seen, rows, block, how, straight)
    return light


@dataclass(frozen=True)
class _Piece:
    """Some columns of the enlarged view: where their pixels, or corners, lie in the scan."""

    columns: Span
    corners: Float64
    places: Float64
    down: Span
    across: Span


def _piece(strip: ScannedStrip, columns: Span, rows: Span) -> _Piece:
    """Return columns of the enlarged view, with all their pixels where film is bent."""
    ends = (columns[0], columns[1] - 1)
    box = np.array([[x, y] for x in ends for y in (rows[0], rows[1] - 1)], float)
    places = _in_scan(strip, box if strip.view.to_proxy.straight else _every(*columns, rows))
    across, down = (
        _blocks(places[:, axis], size, strip.block)
        for axis, size in enumerate((strip.scan.width, strip.scan.height))
    )
    return _Piece(columns, box, places, down, across)


def _resampled(
    piece: _Piece, reduced: "_Reduced", rows: Span, block: int, how: int, straight: bool
) -> Light:
    """Return the light of a piece (rows, columns, 3)."""
    means = reduced.part(piece.down, piece.across, block)
    # Where the places lie in the reduced window.
    seen = (piece.places - (piece.across[0], piece.down[0]) + 0.5) / block - 0.5
    start, stop = piece.columns
    size = (stop - start, rows[1] - rows[0])
    if not straight:
        x, y = seen.astype(np.float32).T.reshape(2, size[1], size[0])
        return np.asarray(cv2.remap(means, x, y, how, borderMode=cv2.BORDER_REPLICATE))
    matrix = cv2.getAffineTransform(
        (piece.corners[:3] - (start, rows[0])).astype(np.float32), seen[:3].astype(np.float32)
    )
    flags = how | cv2.WARP_INVERSE_MAP
    part = cv2.warpAffine(means, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(part)


def _every(start: int, stop: int, rows: Span) -> Float64:
    """Return all pixels (n, 2) of columns and rows, row by row."""
    y, x = np.mgrid[rows[0] : rows[1], start:stop]
    return np.column_stack([x.ravel(), y.ravel()]).astype(float)


def _in_scan(strip: ScannedStrip, points: Float64) -> Float64:
    """Return where points (n, 2) of the enlarged view lie in the scan."""
    in_view = (points + 0.5) / strip.zoom - 0.5
    return to_scan_xy(strip.view.to_proxy.onto(in_view), strip.factor)


def _blocks(places: Float64, size: int, block: int) -> Span:
    """Return the span of a scan's rows or columns that holds the places, at whole blocks."""
    least, most = float(places.min()) - _MARGIN * block, float(places.max()) + _MARGIN * block
    start = min(max(0, math.floor(least / block)), (size - 1) // block) * block
    return start, max(start + 1, min(size, math.ceil(most / block) * block))


@dataclass(frozen=True)
class _Reduced:
    """Linear light of a window of a scan, averaged over whole blocks; `corner` is its first."""

    light: Light
    corner: Span

    @staticmethod
    def of(
        scan: Scan, reader: Reader, windows: Sequence[tuple[Span, Span]], block: int
    ) -> "_Reduced":
        """Read the rows and columns that hold some windows, a few rows at a time."""
        rows, columns = (
            (min(span[0] for span in spans), max(span[1] for span in spans))
            for spans in zip(*windows, strict=True)
        )
        height, width = (-(-(span[1] - span[0]) // block) for span in (rows, columns))
        means = np.empty((height, width, 3), np.float32)
        step = max(1, _BAND_SAMPLES // (3 * block * (columns[1] - columns[0])))
        for out in range(0, height, step):
            top = rows[0] + out * block
            codes = reader.codes((top, min(top + step * block, rows[1])), columns)
            bits = scan.bits if codes.dtype.kind == "u" else None
            part = block_means(to_light(codes, scan.encoding, bits), block)
            means[out : out + len(part)] = part
        return _Reduced(means, (rows[0], columns[0]))

    def part(self, rows: Span, columns: Span, block: int) -> Light:
        """Return the light of one of the windows."""
        down, along = (
            slice((span[0] - first) // block, -(-(span[1] - first) // block))
            for span, first in zip((rows, columns), self.corner, strict=True)
        )
        return self.light[down, along]
