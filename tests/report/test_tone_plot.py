"""The plot of how light a roll's pictures came out."""

import numpy as np
import pytest

from pipeline.kinds import CHANNELS
from pipeline.report.plot import drawn
from pipeline.report.tone_plot import Tones, tone_drawing
from tests.report.drawn import artists, by_class, points, svg_of

STOPS = np.linspace(-6.0, 6.0, 49)


def counts_of(*codes: np.ndarray) -> np.ndarray:
    return np.stack([np.bincount(each, minlength=256) for each in codes])


@pytest.fixture(scope="module")
def codes() -> list[np.ndarray]:
    random = np.random.default_rng(3)
    return [
        np.clip(random.normal(90 + 20 * place, 60, 40_000), 0, 255).astype(int)
        for place in range(3)
    ]


def rising(gain: float = 1.0) -> np.ndarray:
    """Return a curve that rises from black to white, alike in all channels but for a gain."""
    one = 1.0 / (1.0 + np.exp(-STOPS))
    return np.stack([one, one, one * gain], axis=1)


def test_the_table_tells_shares_of_pixels_in_whole_ranges(codes):
    drawing = tone_drawing(Tones(counts_of(*codes), STOPS, rising()))
    assert drawing.head == ("display value", "red, %", "green, %", "blue, %")
    bounds = [0, 1, 64, 128, 192, 255, 256]
    for channel, values in enumerate(codes, 1):
        told = [float(row[channel]) for row in drawing.rows]
        expected = 100.0 * np.histogram(values, bounds)[0] / len(values)
        np.testing.assert_allclose(told, expected, atol=0.051)
        assert sum(told) == pytest.approx(100.0, abs=0.3)


def test_curve_and_shares_stand_on_one_scale_of_display_values(codes):
    drawing = tone_drawing(Tones(counts_of(*codes), STOPS, rising()))
    with drawn(drawing.plot) as figure:
        curve, shares = figure.axes
        assert curve.get_ylim() == shares.get_ylim() == (0, 255)
        assert [axes.get_position().y0 for axes in figure.axes] == pytest.approx(
            [52 / 312] * 2, 0.1
        )
        line = np.array(points(curve, ".curve.grey"))
        np.testing.assert_allclose(line.T, [STOPS, 255.0 * rising()[:, 0]])
        for channel, values in zip(CHANNELS, codes, strict=True):
            steps = artists(shares, f".share.{channel}")[-1].get_data()
            expected = 100.0 * np.histogram(values, np.arange(0, 257, 4))[0] / len(values)
            np.testing.assert_allclose(steps.values[1:-1], expected[1:-1])
            assert steps.values.max() <= shares.get_xlim()[1]


def test_points_of_the_curve_are_told_in_words(codes):
    note = tone_drawing(Tones(counts_of(*codes), STOPS, rising())).note
    # 255 / (1 + e^-2) and 255 / (1 + e^2), by hand.
    assert "128 at middle grey" in note
    assert "225 at 2 stops over" in note
    assert "30 at 2 stops under" in note
    own = tone_drawing(Tones(counts_of(*codes), STOPS, rising(0.5))).note
    assert "128 / 128 / 64 at middle grey" in own


def test_without_a_curve_the_shares_stand_alone(codes):
    drawing = tone_drawing(Tones(counts_of(*codes), STOPS))
    root = svg_of(drawing.plot)
    assert by_class(root, "share", "green")
    assert not by_class(root, "curve")
    assert "curve" not in f"{drawing.title} {drawing.note} {drawing.plot.text}"


def test_grey_pictures_have_one_line_and_one_column(codes):
    drawing = tone_drawing(Tones(counts_of(*codes[:1] * 3), STOPS, rising()))
    assert drawing.head == ("display value", "grey, %")
    root = svg_of(drawing.plot)
    assert by_class(root, "share", "grey")
    assert not by_class(root, "share", "red")


def test_no_pixel_makes_no_drawing():
    assert tone_drawing(Tones(np.zeros((3, 256), np.int64), STOPS, rising())) is None


def test_pictures_of_pure_black_and_white_can_be_drawn():
    counts = np.zeros((3, 256), np.int64)
    counts[:, [0, 255]] = 5
    drawing = tone_drawing(Tones(counts, STOPS))
    assert [row[1] for row in drawing.rows] == ["50.0", "0.0", "0.0", "0.0", "0.0", "50.0"]
    assert by_class(svg_of(drawing.plot), "share", "grey")
