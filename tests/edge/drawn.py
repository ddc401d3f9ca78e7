"""Strips with edge print drawn for tests; every code comes from zxing-cpp's own encoder."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

# Film geometry: ISO 1007, from memory but for the pitch of the perforations.
WIDTH_MM = 34.975
PERFORATION_FROM_EDGE_MM = 2.01
PERFORATION_ACROSS_MM = 2.794
PERFORATION_ALONG_MM = 1.981
PERFORATION_PITCH_MM = 4.75
# A code every half frame of 38 mm (8 perforations).
CODE_PITCH_MM = 19.0
MODULES = 31
MODULES_WITHOUT_NUMBER = 23
# Light of an orange base, and how much denser than in red the print is in green and blue.
BASE = (0.55, 0.24, 0.12)
PRINT_RATIO = (1.0, 1.05, 1.1)

Bits = NDArray[np.bool_]


def reference_tracks(text: str) -> tuple[Bits, Bits]:
    """Return clock and data as zxing-cpp draws them, True for a dense bar."""
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DXFilmEdge)
    picture = np.asarray(code.to_image(scale=1)) == 0
    return picture[0, 1:-1], picture[-1, 1:-1]


def modules_of(text: str) -> int:
    """Return the length of a code: 31 modules with a frame number, 23 without."""
    return MODULES if "/" in text else MODULES_WITHOUT_NUMBER


def reference_text(film: str, step: int) -> str:
    """Return the text of the code a number of half frames along, frame values being 6 bits."""
    frame, half = divmod(step % 128, 2)
    return f"{film}/{frame}{'A' if half else ''}"


def run_of(film: str, first_step: int, count: int) -> list[str]:
    """Return the texts of codes that follow each other."""
    return [reference_text(film, first_step + k) for k in range(count)]


@dataclass(frozen=True)
class Look:
    """How a drawn strip was printed and scanned; lengths in mm."""

    px_per_mm: float = 12.0
    module_mm: float = 0.43
    data_mm: tuple[float, float] = (0.25, 0.9)
    clock_mm: tuple[float, float] = (0.9, 1.55)
    print_density: float = 0.8
    blur_mm: float = 0.04
    noise: float = 0.003
    skew_deg: float = 0.0
    margin_mm: float = 1.0
    numerals: bool = True
    turned: bool = False
    mirrored: bool = False
    seed: int = 0


@dataclass(frozen=True)
class DrawnStrip:
    """A strip as light, with the rows of its edges and the columns of its codes' middles.

    `codes` holds texts and columns; `places` holds them too where texts come more than once.
    """

    light: NDArray[np.float32]
    px_per_mm: float
    top_row: float
    bottom_row: float
    codes: dict[str, float]
    places: tuple[tuple[str, float], ...]

    def column(self, mm: float) -> float:
        """Return the column of a place in mm from the left border of the array."""
        return mm * self.px_per_mm - 0.5


def draw_strip(
    texts: Sequence[str],
    length_mm: float,
    look: Look | None = None,
    first_mm: float = 3.0,
    tracks: dict[int, tuple[Bits, Bits]] | None = None,
) -> DrawnStrip:
    """Draw codes every 19 mm along the lower rebate, the first one starting at `first_mm`.

    `tracks` replaces the tracks of single codes by their index, for print that is damaged.
    """
    look = Look() if look is None else look
    fine = max(1, math.ceil(24.0 / look.px_per_mm))
    density = _print(texts, length_mm, look, first_mm, tracks or {}, fine)
    light = _film(density, length_mm, look, fine)
    height, width = (n // fine for n in density.shape)
    light = cv2.resize(light, (width, height), interpolation=cv2.INTER_AREA)
    light = _scanned(light, look)
    columns = [
        (first_mm + k * CODE_PITCH_MM + modules_of(text) * look.module_mm / 2) * look.px_per_mm
        - 0.5
        for k, text in enumerate(texts)
    ]
    top = look.margin_mm * look.px_per_mm - 0.5
    bottom = (look.margin_mm + WIDTH_MM) * look.px_per_mm - 0.5
    if look.turned:
        light, top, bottom = light[::-1, ::-1], height - 1 - bottom, height - 1 - top
    if look.mirrored:
        light = light[:, ::-1]
    if look.turned != look.mirrored:
        columns = [width - 1 - column for column in columns]
    placed = tuple(zip(texts, columns, strict=True))
    return DrawnStrip(
        np.ascontiguousarray(light), look.px_per_mm, top, bottom, dict(placed), placed
    )


def _places(length_mm: float, look: Look, fine: int) -> tuple[NDArray[np.float64], ...]:
    per_mm = look.px_per_mm * fine
    across = int((WIDTH_MM + 2 * look.margin_mm) * look.px_per_mm) * fine
    along = int(length_mm * look.px_per_mm) * fine
    rows = (np.arange(across) + 0.5) / per_mm - look.margin_mm
    return rows, (np.arange(along) + 0.5) / per_mm


def _print(
    texts: Sequence[str],
    length_mm: float,
    look: Look,
    first_mm: float,
    tracks: dict[int, tuple[Bits, Bits]],
    fine: int,
) -> NDArray[np.float32]:
    rows, columns = _places(length_mm, look, fine)
    density = np.zeros((rows.size, columns.size), np.float32)
    from_edge = WIDTH_MM - rows
    for index, text in enumerate(texts):
        start = first_mm + index * CODE_PITCH_MM
        module = np.floor((columns - start) / look.module_mm).astype(int)
        for bits, (outer, inner) in zip(
            tracks.get(index, reference_tracks(text)),
            (look.clock_mm, look.data_mm),
            strict=True,
        ):
            inside = (module >= 0) & (module < bits.size)
            dense = inside & bits[np.clip(module, 0, bits.size - 1)]
            density[np.ix_((from_edge >= outer) & (from_edge < inner), dense)] = look.print_density
        if look.numerals:
            _letter(density, text.split("/")[-1], start + 14.8, look, fine)
    return density


def _letter(density: NDArray[np.float32], text: str, at_mm: float, look: Look, fine: int) -> None:
    """Print a number on both rebates behind a code."""
    per_mm = look.px_per_mm * fine
    mask = np.zeros(density.shape, np.uint8)
    for baseline_mm in (1.6, WIDTH_MM - 0.4):
        origin = (int(at_mm * per_mm), int((baseline_mm + look.margin_mm) * per_mm))
        width = max(1, int(0.2 * per_mm))
        cv2.putText(mask, text, origin, cv2.FONT_HERSHEY_SIMPLEX, 1.1 * per_mm / 22, 1, width)
    density[mask > 0] = look.print_density


def _film(
    density: NDArray[np.float32], length_mm: float, look: Look, fine: int
) -> NDArray[np.float32]:
    rows, columns = _places(length_mm, look, fine)
    light = np.stack(
        [base * 10.0 ** (-density * k) for base, k in zip(BASE, PRINT_RATIO, strict=True)], axis=2
    ).astype(np.float32)
    rng = np.random.default_rng(look.seed)
    blocks = 10.0 ** -rng.uniform(0.0, 1.0, (6, max(2, int(length_mm / 5)), 3)).astype(np.float32)
    picture = (rows > 5.5) & (rows < WIDTH_MM - 5.5)
    shape = (columns.size, int(picture.sum()))
    light[picture] *= cv2.resize(blocks, shape, interpolation=cv2.INTER_LINEAR)
    hole = np.mod(columns, PERFORATION_PITCH_MM) < PERFORATION_ALONG_MM
    for outer in (
        PERFORATION_FROM_EDGE_MM,
        WIDTH_MM - PERFORATION_FROM_EDGE_MM - PERFORATION_ACROSS_MM,
    ):
        light[np.ix_((rows >= outer) & (rows < outer + PERFORATION_ACROSS_MM), hole)] = 1.0
    light[(rows < 0.0) | (rows > WIDTH_MM)] = 0.001
    return light


def _scanned(light: NDArray[np.float32], look: Look) -> NDArray[np.float32]:
    """Skew about the middle, blur, and add noise that grows with the root of the light."""
    height, width = light.shape[:2]
    if look.skew_deg:
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), -look.skew_deg, 1.0)
        light = cv2.warpAffine(light, turn, (width, height), borderMode=cv2.BORDER_REPLICATE)
    if look.blur_mm * look.px_per_mm > 0.05:
        light = cv2.GaussianBlur(light, (0, 0), look.blur_mm * look.px_per_mm)
    rng = np.random.default_rng(look.seed + 1)
    noise = rng.normal(0.0, look.noise, light.shape) * np.sqrt(np.maximum(light, 0.01) / 0.3)
    return np.clip(light + noise, 0.0, 1.0).astype(np.float32)
