"""Edge codes by condition: how many a bare barcode library reads, and how many the reader.

`python -m tests.judged.edge --seeds 0 4` draws strips of every sharpness, scale, contrast and
exposure, makes the film model's strips with dust, leaks and the like, and prints one row for
each: codes that the library reads by itself in windows of the same rebates, codes that the reader
believes, wrong ones of both, and pictures that come by their true number.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from time import perf_counter
from typing import Any

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from pipeline.edge.code import load_edge_format
from pipeline.edge.numbers import number_frames
from pipeline.edge.reading import EdgeReading, read_edge
from pipeline.edge.rebate import INSIDE_MM, SAMPLES_PER_MM, cut_rebate
from tests.edge.drawn import CODE_PITCH_MM, Look, draw_strip, run_of
from tests.film_model import ModelScan
from tests.judged.roll import two_digits
from tests.judged.strip_cases import strip_cases

Light = NDArray[np.float32]

CODES = 6
MARGIN_MM = 1.5
# A code stands where it was read if its middle is this near.
NEAR_MM = 1.0
WINDOW_MM, WINDOW_STEP_MM = 1.8, 0.5
DRAWN: dict[str, tuple[Look, ...]] = {
    **{
        f"blur {blur} mm": (Look(blur_mm=blur), Look(blur_mm=blur, px_per_mm=6.0))
        for blur in (0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
    },
    **{
        f"{round(scale * 25.4)} ppi": (Look(px_per_mm=scale), Look(px_per_mm=scale, blur_mm=0.12))
        for scale in (3.6, 4.0, 5.0, 8.0, 12.0, 24.0)
    },
    **{
        f"density {density}": (Look(print_density=density), Look(print_density=density, noise=0.01))
        for density in (0.03, 0.05, 0.1, 0.3, 1.3)
    },
    **{f"noise {noise}": (Look(noise=noise), Look(noise=noise, blur_mm=0.12, px_per_mm=6.0))
       for noise in (0.01, 0.02, 0.03)},
}  # fmt: skip
# Light of the scan against full scale, and what it is kept with.
EXPOSURES = {"exposure -3 stops": (0.125, 16), "exposure -5 stops": (0.03, 16), "8 bit": (1.0, 8),
             "8 bit, -2 stops": (0.25, 8)}  # fmt: skip
MODEL = (
    "plain 135", "135-half", "mirrored", "upside down", "dust", "faded", "8 bit gamma", "scratches",
    "glass reflections", "leader", "light leak", "one side hidden", "half-hidden one side",
    "bare light", "touching border", "low ppi",
)  # fmt: skip


@dataclass(frozen=True)
class EdgeCase:
    """A levelled strip, its scale, the rows of its edges, and where codes and pictures lie."""

    light: Light
    px_per_mm: float
    rows: tuple[float | None, float | None]
    codes: tuple[tuple[str, float], ...]
    pictures: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Counted:
    """Codes there are, read by either and wrongly, pictures and their numbers, seconds."""

    codes: int = 0
    library: int = 0
    library_wrong: int = 0
    reader: int = 0
    reader_wrong: int = 0
    pictures: int = 0
    numbered: int = 0
    misnumbered: int = 0
    seconds: float = 0.0

    def __add__(self, other: "Counted") -> "Counted":
        """Return both together."""
        return Counted(*(a + b for a, b in zip(vars(self).values(), vars(other).values(),
                                               strict=True)))  # fmt: skip


def drawn_cases(name: str, seed: int) -> Iterator[EdgeCase]:
    """Return the drawn strips of a condition, lying one of four ways."""
    exposure, bits = EXPOSURES.get(name, (1.0, 16))
    rng = np.random.default_rng([seed, *name.encode()])
    for look in DRAWN.get(name, (Look(), Look(blur_mm=0.12, px_per_mm=6.0))):
        turned, mirrored = (bool(way) for way in rng.integers(0, 2, 2))
        look = replace(look, turned=turned, mirrored=mirrored, seed=seed,
                       skew_deg=float(rng.uniform(-0.5, 0.5)))  # fmt: skip
        first = int(rng.integers(0, 50))
        texts = run_of(f"{rng.integers(1, 128)}-{rng.integers(0, 16)}", first, CODES)
        strip = draw_strip(texts, CODES * CODE_PITCH_MM + 4.0, look)
        light = _kept(strip.light * np.float32(exposure), bits)
        # A picture's middle lies a quarter of a frame after the code that names it.
        after = 0.5 * CODE_PITCH_MM * look.px_per_mm * (-1.0 if turned != mirrored else 1.0)
        pictures = tuple(
            (f"{(first + k) // 2 % 64:02d}".replace("00", "0"), x + after)
            for k, (_, x) in enumerate(strip.places)
            if (first + k) % 2 == 0
        )
        rows = (strip.top_row, strip.bottom_row)
        yield EdgeCase(light, look.px_per_mm, rows, strip.places, pictures)


def _kept(light: Light, bits: int) -> Light:
    """Return light as codes of a gamma of 2.2 (8 bit) or linear ones (16 bit) keep it."""
    gamma, full = (2.2, 255.0) if bits == 8 else (1.0, 65535.0)
    codes = np.rint(np.clip(light, 0.0, 1.0) ** (1.0 / gamma) * full)
    kept: Light = ((codes / full) ** gamma).astype(np.float32)
    return kept


def model_cases(name: str, seed: int, ppi: float) -> Iterator[EdgeCase]:
    """Return the film model's strips of a condition, levelled by their true outline."""
    (case,) = (case for case in strip_cases() if case.name == name)
    scan = case.make(seed, ppi)
    for truth in scan.truth["strips"]:
        yield levelled(scan, truth)


def levelled(scan: ModelScan, truth: dict[str, Any]) -> EdgeCase:
    """Return a strip of the film model as light, levelled by its true outline."""
    px_per_mm = scan.truth["ppi"] / 25.4
    length, width = truth["length_mm"], truth["film_width_mm"]
    to = np.array([[0, MARGIN_MM], [length, MARGIN_MM], [0, width + MARGIN_MM]]) * px_per_mm - 0.5
    corners = np.asarray(truth["outline"], np.float32)[[0, 1, 3]]
    matrix = cv2.getAffineTransform(corners, to.astype(np.float32))
    scanner = scan.truth["scanner"]
    light = (scan.codes[..., :3] / np.iinfo(scan.codes.dtype).max) ** scanner["gamma"]
    light = light.astype(np.float32) - np.asarray(scanner["offset"], np.float32)
    shape = (int(length * px_per_mm), int((width + 2 * MARGIN_MM) * px_per_mm))
    level = cv2.warpAffine(light, matrix, shape).astype(np.float32)

    def column(outline: Any) -> float:
        return float((matrix @ np.append(np.mean(outline, axis=0), 1.0))[0])

    seen = truth["edges_in_view_mm"]
    rows = (MARGIN_MM * px_per_mm - 0.5, (width + MARGIN_MM) * px_per_mm - 0.5)
    return EdgeCase(
        level,
        px_per_mm,
        (rows[0] if seen["top"] else None, rows[1] if seen["bottom"] else None),
        tuple(
            (code["text"].replace("/X", "/62").replace("/00", "/63"), column(code["outline"]))
            for code in truth["codes"] if seen["bottom"]
        ),
        tuple((two_digits(f["number"]), column(f["outline"])) for f in truth["frames"]),
    )  # fmt: skip


def library_codes(case: EdgeCase) -> set[tuple[str, float]]:
    """Return texts and columns of what the library reads by itself in windows of the rebates."""
    found: set[tuple[str, float]] = set()
    for row, on_bottom in zip(case.rows, (False, True), strict=True):
        rebate = None
        if row is not None:
            layout = load_edge_format()
            rebate = cut_rebate(case.light, case.px_per_mm, row, on_bottom, layout)
        if rebate is None:
            continue
        dark = rebate.absorptance
        full = max(float(np.percentile(dark[int(INSIDE_MM * SAMPLES_PER_MM) :], 97)), 0.01)
        page = np.rint(np.clip(255.0 * (1.0 - dark / full), 0, 255)).astype(np.uint8)
        for top_mm, scale in product(np.arange(0.0, 2.0, WINDOW_STEP_MM), (2, 3)):
            top = round(top_mm * SAMPLES_PER_MM)
            part = page[top : top + round(WINDOW_MM * SAMPLES_PER_MM)]
            large = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
            for code in zxingcpp.read_barcodes(large, formats=zxingcpp.BarcodeFormat.DXFilmEdge):
                x = (code.position.top_left.x + code.position.bottom_right.x) / 2 / scale
                found.add((code.text, rebate.strip_x(x)))
    return found


def counted(case: EdgeCase) -> Counted:
    """Return what the library and the reader make of a strip."""
    library = library_codes(case)
    start = perf_counter()
    reading = read_edge(case.light, case.px_per_mm, *case.rows)
    seconds = perf_counter() - start
    own = {(code.text, code.x_px) for code in reading.codes}
    numbers = _numbers(case, reading)
    near = NEAR_MM * case.px_per_mm
    return Counted(
        len(case.codes),
        *_right_and_wrong(library, case.codes, near),
        *_right_and_wrong(own, case.codes, near),
        len(case.pictures) if case.codes else 0,
        sum(number == true for number, true in numbers),
        sum(number not in (None, true) for number, true in numbers),
        seconds,
    )


def _numbers(case: EdgeCase, reading: EdgeReading) -> list[tuple[str | None, str]]:
    # A survey knows the format, so that it knows whether pictures count in halves.
    step = 0.5 if any(true.endswith("A") for true, _ in case.pictures) else 1.0
    numbers = number_frames(reading, [x for _, x in case.pictures], step)
    return [
        (None if number is None else two_digits(number), two_digits(true))
        for number, (true, _) in zip(numbers, case.pictures, strict=True)
    ]


def _right_and_wrong(
    read: set[tuple[str, float]], true: tuple[tuple[str, float], ...], near: float
) -> tuple[int, int]:
    """Return how many true codes were read, and how many were read that aren't there."""

    def stands(one: tuple[str, float], other: tuple[str, float]) -> bool:
        return one[0] == other[0] and abs(one[1] - other[1]) <= near

    right = sum(any(stands(one, code) for one in read) for code in true)
    return right, sum(not any(stands(one, code) for code in true) for one in read)


def main() -> None:
    """Read strips of every condition and print a table."""
    parser = argparse.ArgumentParser(prog="tests.judged.edge", description=main.__doc__)
    parser.add_argument("conditions", nargs="*", help="parts of their names; all by default")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 4), metavar=("FIRST", "END"))
    parser.add_argument("--ppi", nargs="+", type=float, default=(100.0, 200.0), help="of the model")
    words = parser.parse_args()
    print(f"{'condition':24}codes library wrong reader wrong  frames numbered wrong     ms a strip")
    total, strips = Counted(), 0
    for name in (*DRAWN, *EXPOSURES, *MODEL):
        if words.conditions and not any(part in name for part in words.conditions):
            continue
        sums, count = Counted(), 0
        for seed in range(*words.seeds):
            cases = (
                (case for ppi in words.ppi for case in model_cases(name, seed, ppi))
                if name in MODEL
                else drawn_cases(name, seed)
            )
            for case in cases:
                sums, count = sums + counted(case), count + 1
        print(row_of(name, sums, count), flush=True)
        total, strips = total + sums, strips + count
    print(row_of("together", total, strips))


def row_of(name: str, sums: Counted, strips: int) -> str:
    """Return one line of the table."""
    return (
        f"{name:24}{sums.codes:5}{sums.library:8}{sums.library_wrong:6}{sums.reader:7}"
        f"{sums.reader_wrong:6}{sums.pictures:8}{sums.numbered:9}{sums.misnumbered:6}"
        f"{1000 * sums.seconds / max(strips, 1):15.1f}"
    )


if __name__ == "__main__":
    main()
