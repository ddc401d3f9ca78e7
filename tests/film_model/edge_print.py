"""Edge print: bar codes, frame numbers and film name, exposed at the factory along both edges."""

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from .film_format import FilmFormat
from .geometry import Pixels, Placement, Window
from .spectra import Floats
from .stock import Film

CLOCK = "1111101010101010101010101010111"
GLYPH_COLUMNS, GLYPH_ROWS = 5, 7
RASTER_PX_PER_MM = 48.0
PLAIN_REBATE_MM = 3.0
PRINT_SPREAD_MM = 0.012
SAMPLING_BLUR_PX = 0.40


@dataclass(frozen=True)
class Code:
    """One bar code: its text, and the run of film it covers (mm from the strip's start)."""

    text: str
    u0_mm: float
    u1_mm: float
    v0_mm: float
    v1_mm: float


def data_bits(product: int, maker: int, frame: int | None, half: bool) -> str:
    """Return the data track of a code, first bit at the left: sources.toml [edge-barcode]."""
    body = f"{product:07b}0{maker:04b}"
    if frame is not None:
        body += f"{frame:06b}{int(half)}0"
    parity = body.count("1") % 2
    return f"101010{body}{parity}0101"


def number_text(number: int, half: bool = False) -> str:
    """Return a frame number as printed: 7, 7A, X for the frame before 00, 00 before 0."""
    return {62: "X", 63: "00"}.get(number % 64, str(number)) + ("A" if half else "")


@lru_cache(maxsize=1)
def _glyphs() -> dict[str, Pixels]:
    path = Path(__file__).parent / "glyphs.toml"
    table = tomllib.loads(path.read_text(encoding="utf-8"))["glyphs"]
    return {
        key: np.array([[c == "#" for c in row] for row in rows.split("|")], np.float32)
        for key, rows in table.items()
    }


def _draw_text(raster: Pixels, text: str, u_mm: float, v_mm: float, height_mm: float) -> None:
    """Set dots of a text whose top left corner is at (u, v), letters `height_mm` tall."""
    dot = height_mm / GLYPH_ROWS
    for index, letter in enumerate(text):
        if letter == " ":
            continue
        for row, column in zip(*np.nonzero(_glyphs()[letter]), strict=True):
            u = u_mm + (index * (GLYPH_COLUMNS + 1) + column) * dot
            _draw_bar(raster, u, v_mm + row * dot, u + dot, v_mm + (row + 1) * dot)


def _draw_bar(raster: Pixels, u0: float, v0: float, u1: float, v1: float) -> None:
    left, right, top, bottom = (round(c * RASTER_PX_PER_MM) for c in (u0, u1, v0, v1))
    raster[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = 1


def _draw_code(
    raster: Pixels, data: str, u_mm: float, module_mm: float, rows_mm: tuple[float, float, float]
) -> None:
    """Draw both tracks; rows are the tracks' borders from the clock's inner side outwards."""
    for track, (v0, v1) in zip((CLOCK, data), pairwise(rows_mm), strict=True):
        for index, bit in enumerate(track):
            if bit == "1":
                u = u_mm + index * module_mm
                _draw_bar(raster, u, v0, u + module_mm, v1)


@dataclass(frozen=True)
class EdgeRasters:
    """Print in the top and bottom rebate of a strip, as shares of a solid bar's light (0 to 1)."""

    top: Pixels
    bottom: Pixels
    bottom_from_mm: float
    codes: tuple[Code, ...]

    def share(self, placement: Placement, window: Window) -> Pixels:
        """Sample both rebates over a window of the scan; 1 where a pixel is all bar."""
        per_mm = RASTER_PX_PER_MM
        shape = (window.x1 - window.x0, window.y1 - window.y0)
        to_film = placement.inverse
        start = to_film[:, :2] @ np.array([window.x0, window.y0]) + to_film[:, 2]
        total = np.zeros(shape[::-1], np.float32)
        for raster, from_mm in ((self.top, 0.0), (self.bottom, self.bottom_from_mm)):
            origin = (start - np.array([0.0, from_mm])) * per_mm - 0.5
            matrix = np.column_stack([to_film[:, :2] * per_mm, origin])
            total += cv2.warpAffine(
                raster,
                matrix,
                shape,
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_CONSTANT,
            )
        return total


def draw_edges(
    film: Film,
    form: FilmFormat,
    length_mm: float,
    number_zero_at_mm: float,
    px_per_mm: float,
    light_shares: Floats,
) -> EdgeRasters:
    """Draw the edge print of a strip.

    number_zero_at_mm is where frame number 0 would be printed, counted from the strip's start.
    light_shares is a table over exposure, 0 to that of a solid bar: the light it takes away, as a
    share of what a bar takes. The print's own spread is blurred as exposure, the scan's pixels as
    light, since dense bars grow by the first and not by the second.
    """
    rows = form.edge
    depth = form.perforation.from_edge_mm if form.perforation else PLAIN_REBATE_MM
    shape = (round(depth * RASTER_PX_PER_MM), round(length_mm * RASTER_PX_PER_MM))
    top, bottom = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    codes: list[Code] = []
    step = rows.number_pitch_mm / 2
    first = int(np.floor(-number_zero_at_mm / step)) - 2
    for index in range(first, first + int(length_mm / step) + 5):
        u = number_zero_at_mm + index * step
        number, half = divmod(index, 2)
        _draw_numbers(top, bottom, form, film, u, number, bool(half))
        code = _draw_one_code(bottom, form, film, u, number, bool(half), length_mm)
        if code:
            codes.append(code)
    top, bottom = (_developed(raster, light_shares, px_per_mm) for raster in (top, bottom))
    return EdgeRasters(top, bottom, form.width_mm - depth, tuple(codes))


def _developed(raster: Pixels, light_shares: Floats, px_per_mm: float) -> Pixels:
    """Spread the print in the film, develop it, and soften it for sampling at the scan's pixels."""
    spread = cv2.GaussianBlur(raster, (0, 0), PRINT_SPREAD_MM * RASTER_PX_PER_MM)
    steps = np.linspace(0, 1, len(light_shares))
    light = np.interp(spread, steps, light_shares).astype(np.float32)
    return cv2.GaussianBlur(light, (0, 0), SAMPLING_BLUR_PX * RASTER_PX_PER_MM / px_per_mm)


def _draw_numbers(
    top: Pixels, bottom: Pixels, form: FilmFormat, film: Film, u: float, number: int, half: bool
) -> None:
    """Put the number under and over the picture, and the film's name beside the upper one."""
    rows = form.edge
    below = bottom.shape[0] / RASTER_PX_PER_MM - rows.text_from_edge_mm - rows.text_height_mm
    text = number_text(number, half)
    if number < 0 or (half and rows.code_module_mm is None):
        return
    _draw_text(bottom, text, u, below, rows.text_height_mm)
    _draw_text(top, ("> " if half else "") + text, u, rows.text_from_edge_mm, rows.text_height_mm)
    if not half:
        _draw_text(top, film.edge_text, u + 7.0, rows.text_from_edge_mm, rows.text_height_mm)


def _draw_one_code(
    bottom: Pixels,
    form: FilmFormat,
    film: Film,
    u: float,
    number: int,
    half: bool,
    length_mm: float,
) -> Code | None:
    """Draw a code beside its number; return it if the strip holds it whole."""
    rows = form.edge
    if rows.code_module_mm is None or rows.code_rows_mm is None or number < 0:
        return None
    depth = bottom.shape[0] / RASTER_PX_PER_MM
    inner_to_outer = tuple(depth - row for row in rows.code_rows_mm[::-1])
    start = u + rows.code_after_number_mm
    data = data_bits(film.code[0], film.code[1], number % 64, half)
    _draw_code(bottom, data, start, rows.code_module_mm, inner_to_outer)
    end = start + len(CLOCK) * rows.code_module_mm
    if start < 0 or end > length_mm:
        return None
    text = f"{film.code[0]}-{film.code[1]}/{number_text(number, half)}"
    edge = form.width_mm - depth
    return Code(text, start, end, edge + inner_to_outer[0], edge + inner_to_outer[2])
