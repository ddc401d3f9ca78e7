"""The film model's scans: geometry, edge codes, charts and signals."""

from typing import Any

import numpy as np
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.film_model import (
    FrameSpec,
    Roll,
)
from tests.film_model.edge_print import CLOCK, data_bits
from tests.film_model.reading import light, patch_densities, read_codes, straightened, strip_of
from tests.film_model.scanned import PPI, greys, scan_of
from tests.sources import SOURCES

Floats = NDArray[np.float64]
PX_PER_MM = PPI / 25.4


def crossings(profile: Floats, level: float) -> Floats:
    """Positions, in samples, where a profile passes a level."""
    above = profile > level
    at = np.flatnonzero(above[1:] != above[:-1])
    return at + (level - profile[at]) / (profile[at + 1] - profile[at])


def test_perforations_have_their_pitch_and_size() -> None:
    film = SOURCES["film-135"]
    scan = scan_of(greys(4, edge_print=False))
    profile = straightened(scan, 3.2, 3.6, 40.0).mean(axis=0)
    edges = crossings(profile, 0.6) / 40.0
    edges = edges[1:] if profile[0] > 0.6 else edges
    pairs = edges[: len(edges) // 2 * 2].reshape(-1, 2)
    np.testing.assert_allclose(np.diff(pairs.mean(axis=1)), film["pitch"], atol=0.02)
    np.testing.assert_allclose(np.diff(pairs, axis=1), film["hole_along"], atol=0.06)


def test_truth_holds_the_centres_of_the_holes() -> None:
    scan = scan_of(greys(2), angle_deg=0.7)
    for x, y in strip_of(scan)["perforations"]:
        reach = round(0.6 * PX_PER_MM)
        patch = light(scan)[
            round(y) - reach : round(y) + reach + 1, round(x) - reach : round(x) + reach + 1, 1
        ]
        assert patch.min() > 0.9


@pytest.mark.parametrize(("form", "film"), [("135", "film-135"), ("120-6x6", "film-120")])
def test_film_is_as_wide_as_the_standard_says(form: str, film: str) -> None:
    scan = scan_of(greys(1, format=form, edge_print=False))
    column = light(scan)[:, scan.codes.shape[1] // 2, 2]
    # The gate is dark too, so only the outermost passages count.
    inside = crossings(column, 0.55)[1:-1]
    assert (inside[-1] - inside[0]) / PX_PER_MM == pytest.approx(SOURCES[film]["width"], abs=0.06)


@pytest.mark.parametrize(("angle", "turn"), [(0.0, 0), (0.8, 90), (-1.3, 180), (0.4, 270)])
def test_frame_outline_is_the_gate_at_half_exposure(angle: float, turn: int) -> None:
    scan = scan_of(greys(1), angle_deg=angle, turn_deg=turn, ppi=400.0)
    frame = strip_of(scan)["frames"][0]
    for (v0, v1), key, axis in (((8.0, 26.0), "u_mm", 0), ((4.9, 30.1), "v_mm", 1)):
        band = straightened(scan, v0, v1, 20.0)
        start = 0.0 if axis == 0 else v0
        profile = (band if axis == 0 else band[:, 200:-200]).mean(axis=axis)[6:-6]
        base, grey = profile.max(), np.percentile(profile, 5)
        measured = (crossings(profile, (base + grey) / 2)[[0, -1]] + 6) / 20.0 + start
        # Half the light is less than half the exposure: within the 0.07 mm of the gate's shadow.
        np.testing.assert_allclose(measured, frame[key], atol=0.07)


@pytest.mark.parametrize(
    ("ppi", "angle"), [(150.0, 0.6), (200.0, 0.0), (300.0, 0.0), (300.0, -0.6), (400.0, 1.0)]
)
def test_edge_codes_are_read_by_zxing(ppi: float, angle: float) -> None:
    """Source: zxing-cpp's DX film edge reader."""
    scan = scan_of(greys(3, first_number=9, seed=2), ppi=ppi, noise=True, angle_deg=angle)
    expected = [code["text"] for code in strip_of(scan)["codes"]]
    assert len(expected) == 5
    assert read_codes(scan) == expected


@given(st.integers(1, 127), st.integers(0, 15), st.integers(1, 61), st.booleans())
@settings(max_examples=40)
def test_code_bits_are_those_zxing_draws(product: int, maker: int, frame: int, half: bool) -> None:
    """Source: zxing-cpp's DX film edge writer, clock track over data track."""
    text = f"{product}-{maker}/{frame}{'A' if half else ''}"
    barcode = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DXFilmEdge)
    drawn = np.array(barcode.to_image(scale=1)) < 128
    rows = ["".join("01"[int(bit)] for bit in row) for row in drawn if row.any()]
    assert rows[0].strip("0") == CLOCK
    assert rows[-1].strip("0") == data_bits(product, maker, frame, half)


def test_code_bits_of_the_published_example() -> None:
    example = SOURCES["edge-barcode"]
    assert example["text"] == "115-10/11A"
    assert data_bits(115, 10, 11, True) == example["data"]


@pytest.mark.parametrize(
    "options",
    [
        {"turn_deg": 90},
        {"turn_deg": 180},
        {"turn_deg": 270},
        {"mirrored": True},
        {"reversed": True},
        {"angle_deg": 1.5},
        {"turn_deg": 90, "mirrored": True, "angle_deg": -1.0},
    ],
)
def test_chart_patches_are_found_at_their_places_however_the_film_lies(
    options: dict[str, Any],
) -> None:
    roll = Roll("film-a", (FrameSpec("chart"),))
    level, turned = scan_of(roll), scan_of(roll, **options)
    for scan in (level, turned):
        patches = strip_of(scan)["frames"][0]["patches"]
        greys = [f"row 4, column {place}" for place in range(1, 7)]
        assert [p["name"] for p in patches][18:] == greys
    np.testing.assert_allclose(patch_densities(turned), patch_densities(level), atol=0.03)


def test_lighter_patches_are_denser() -> None:
    grey_row = patch_densities(scan_of(Roll("film-b", (FrameSpec("chart"),))))[18:]
    assert (np.diff(grey_row, axis=0) < -0.05).all()


def test_overexposure_by_a_stop_moves_grey_along_the_curve() -> None:
    """A stop is 0.301 log E; sources.toml [slopes], 0.52 to 0.82, bound the change."""
    scans = [scan_of(Roll("film-a", (FrameSpec("grey", stops),))) for stops in (0.0, 1.0)]
    values = [-np.log10(light(s)[s.codes.shape[0] // 2, s.codes.shape[1] // 2]) for s in scans]
    change = values[1] - values[0]
    assert (change > 0.301 * 0.5).all(), change
    assert (change < 0.301 * 0.9).all(), change


@pytest.mark.parametrize("scanner", ["scanner-a", "scanner-b", "scanner-c", "scanner-e"])
def test_base_density_of_the_truth_is_what_the_scan_holds(scanner: str) -> None:
    """ISO 5-2: density against the open gate, read in a hole right beside; flare adds a little."""
    scan = scan_of(greys(2, edge_print=False), scanner=scanner, ppi=300.0)
    strip, seen = strip_of(scan), light(scan)
    hole, after = np.array(strip["perforations"][6:8])
    (x, y), (gap_x, _) = np.rint(hole).astype(int), np.rint((hole + after) / 2).astype(int)
    open_gate = seen[y - 3 : y + 4, x - 3 : x + 4].mean(axis=(0, 1))
    base = seen[y - 3 : y + 4, gap_x - 3 : gap_x + 4].mean(axis=(0, 1))
    measured = -np.log10(base / open_gate)
    flare = scan.truth["scanner"]["flare"]
    expected = np.array(strip["base_density"])
    lowest = -np.log10(10**-expected + flare)
    assert (measured <= expected + 0.004).all(), (measured, expected)
    assert (measured >= lowest - 0.004).all(), (measured, lowest)


@given(st.tuples(*[st.floats(0.85, 1.1)] * 3))
@settings(max_examples=5)
def test_gain_only_scales_the_signal(gains: tuple[float, float, float]) -> None:
    roll = Roll("film-a", (FrameSpec("coffee"),))
    plain, drifted = (
        scan_of(roll, ppi=80.0, gains=g, scanner="scanner-c") for g in ((1.0, 1.0, 1.0), gains)
    )
    offset = np.array(plain.truth["scanner"]["offset"])
    signals = [(scan.codes / 65535.0) ** 2.2 - offset for scan in (plain, drifted)]
    # The file's 16 bit steps, through its gamma, and the float32 signal are all that is left.
    np.testing.assert_allclose(signals[1], signals[0] * np.array(gains), atol=8e-5)
