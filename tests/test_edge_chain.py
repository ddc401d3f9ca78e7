"""Codes checked against each other along the strip: what is believed, and what is not."""

import numpy as np
import pytest

from pipeline.edge_chain import read_chain
from pipeline.edge_code import load_edge_format
from pipeline.edge_track import Sighting
from pipeline.rebate import cut_rebate
from tests.drawn_edge import Look, draw_strip, reference_tracks, run_of

LAYOUT = load_edge_format()


def codes_of(strip, px_per_mm=None):
    px_per_mm = strip.px_per_mm if px_per_mm is None else px_per_mm
    rebate = cut_rebate(strip.light, px_per_mm, strip.bottom_row, True, LAYOUT)
    chain = read_chain(rebate, px_per_mm, LAYOUT)
    return () if chain is None else chain.codes


def texts_of(codes):
    return [code.text for code in codes]


def flipped(text, *places):
    """The tracks of a code with some bits of the data wrong."""
    clock, data = (track.copy() for track in reference_tracks(text))
    data[list(places)] ^= True
    return clock, data


def test_neighbours_that_count_on_are_believed():
    texts = run_of("115-10", 22, 5)
    strip = draw_strip(texts, 98.0)
    codes = codes_of(strip)
    assert texts_of(codes) == texts
    assert [code.number for code in codes] == [11.0, 11.5, 12.0, 12.5, 13.0]
    for code in codes:
        assert code.dx_code == "115-10"
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=0.5)
        assert code.y_px == pytest.approx(strip.bottom_row - 0.9 * 12.0, abs=2.5)
    rebate = cut_rebate(strip.light, 12.0, strip.bottom_row, True, LAYOUT)
    assert read_chain(rebate, 12.0, LAYOUT).strength == pytest.approx(5.0, abs=0.25)


def test_neighbours_that_do_not_count_on_are_not_believed():
    texts = [f"115-10/{number}" for number in (5, 31, 12, 50, 22)]
    codes = codes_of(draw_strip(texts, 98.0))
    assert codes == ()


def test_two_films_on_one_strip_are_not_believed():
    codes = codes_of(draw_strip(["115-10/11", "84-4/11A"], 45.0))
    assert codes == ()


def test_a_stray_among_many_is_rejected_alone():
    texts = run_of("115-10", 22, 5)
    codes = codes_of(draw_strip(texts, 98.0, tracks={2: reference_tracks("9-1/44")}))
    assert texts_of(codes) == texts[:2] + texts[3:]


def test_wrong_bits_are_put_right_by_the_neighbours():
    texts = run_of("115-10", 22, 4)
    codes = codes_of(draw_strip(texts, 80.0, tracks={1: flipped(texts[1], 20)}))
    assert texts_of(codes) == texts


@pytest.mark.parametrize("places", [(8, 22), (19, 24), (7, 10)])
def test_two_wrong_bits_keep_the_parity_but_not_the_number(places):
    texts = run_of("115-10", 22, 4)
    codes = codes_of(draw_strip(texts, 80.0, tracks={2: flipped(texts[2], *places)}))
    assert texts_of(codes) == texts


def test_a_code_with_many_wrong_bits_is_none_of_the_chain():
    texts = run_of("115-10", 22, 4)
    damaged = flipped(texts[1], 7, 15, 19, 24)
    codes = codes_of(draw_strip(texts, 80.0, tracks={1: damaged}))
    assert texts_of(codes) == [texts[0], *texts[2:]]


def test_noisy_codes_are_not_believed_wrongly():
    rng = np.random.default_rng(5)
    believed = 0
    for seed in range(40):
        texts = run_of(f"{rng.integers(1, 128)}-{rng.integers(16)}", int(rng.integers(128)), 4)
        look = Look(
            px_per_mm=8.0,
            print_density=float(rng.uniform(0.03, 0.2)),
            noise=float(rng.uniform(0.02, 0.15)),
            seed=seed,
        )
        codes = codes_of(draw_strip(texts, 80.0, look))
        believed += len(codes) > 0
        assert set(texts_of(codes)) <= set(texts)
    assert 5 < believed < 40


def test_a_clock_that_runs_neither_way_is_not_believed():
    texts = run_of("115-10", 22, 3)
    clock = reference_tracks(texts[0])[0]
    even = clock | clock[::-1]
    tracks = {k: (even, reference_tracks(text)[1]) for k, text in enumerate(texts)}
    assert codes_of(draw_strip(texts, 60.0, tracks=tracks)) == ()


@pytest.mark.parametrize("step", [0, 23, 72, 127])
def test_a_lone_code_is_believed(step):
    texts = run_of("115-10", step, 1)
    assert texts_of(codes_of(draw_strip(texts, 20.0))) == texts


def seeing(monkeypatch, *seen):
    """Let the library see codes: text, column in mm and readings of each."""
    found = [Sighting(text, 12.0 * mm - 0.5, 5.16, reads) for text, mm, reads in seen]
    monkeypatch.setattr("pipeline.edge_chain.seen_codes", lambda *_: found)


@pytest.mark.parametrize(
    ("reads", "others", "believed"),
    [(5, 0, 1), (4, 0, 0), (12, 5, 1), (12, 6, 0), (5, 3, 0)],
)
def test_a_lone_code_must_be_read_often_and_as_little_else(monkeypatch, reads, others, believed):
    strip = draw_strip(["115-10/11"], 20.0)
    middle_mm = 3.0 + 31 * 0.43 / 2
    other = [("115-10/42A", middle_mm, others)] if others else []
    seeing(monkeypatch, ("115-10/11", middle_mm, reads), *other)
    assert len(codes_of(strip)) == believed


def test_a_code_that_does_not_look_as_it_was_read_is_not_believed(monkeypatch):
    strip = draw_strip(["115-10/11"], 20.0)
    seeing(monkeypatch, ("77-5/42A", 3.0 + 31 * 0.43 / 2, 20))
    assert codes_of(strip) == ()


def test_a_lone_code_with_a_wrong_bit_is_nothing():
    codes = codes_of(draw_strip(["115-10/11"], 20.0, tracks={0: flipped("115-10/11", 9)}))
    assert codes == ()


@pytest.mark.parametrize("first_mm", [-11.0, -7.0, -5.0, -4.0, -1.5, -0.6])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_code_cut_short_does_not_spoil_the_one_beside_it(first_mm, mirrored):
    texts = run_of("115-10", 22, 2)
    look = Look(px_per_mm=8.0, mirrored=mirrored, skew_deg=0.4)
    strip = draw_strip(texts, 33.0, look, first_mm=first_mm)
    codes = codes_of(strip)
    assert texts[1] in texts_of(codes)
    assert set(texts_of(codes)) <= set(texts)
    for code in codes:
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=1.5)


@pytest.mark.parametrize("first_mm", [-9.0, -4.0, -2.0])
def test_a_code_cut_short_is_not_believed_alone(first_mm):
    assert codes_of(draw_strip(["115-10/11"], 16.0, first_mm=first_mm)) == ()


def test_the_clock_must_lie_on_the_side_of_the_perforations():
    look = Look(data_mm=(0.9, 1.55), clock_mm=(0.25, 0.9))
    assert codes_of(draw_strip(run_of("115-10", 22, 4), 80.0, look)) == ()


def test_upside_down_codes_on_the_wrong_rebate_are_not_believed():
    # Turned print lies on the upper rebate; the lower one then shows numbers only.
    strip = draw_strip(run_of("115-10", 22, 4), 80.0, Look(turned=True))
    codes = codes_of(strip)
    assert codes == ()


@pytest.mark.parametrize("error", [-0.025, -0.01, 0.015, 0.028])
def test_a_wrong_scale_is_borne(error):
    texts = run_of("115-10", 22, 13)
    strip = draw_strip(texts, 250.0, Look(px_per_mm=8.0))
    codes = codes_of(strip, px_per_mm=strip.px_per_mm * (1.0 + error))
    assert texts_of(codes) == texts


def test_numbers_count_on_through_the_wrap_of_values():
    strip = draw_strip(run_of("115-10", 125, 5), 98.0)
    codes = codes_of(strip)
    values = ("62A", "63", "63A", "0", "0A")
    assert texts_of(codes) == [f"115-10/{value}" for value in values]
    assert [code.number for code in codes] == [-1.5, -1.0, -0.5, 0.0, 0.5]


@pytest.mark.parametrize("seed", range(3))
def test_random_bars_are_never_believed(seed):
    rng = np.random.default_rng(seed)
    bars = {k: (reference_tracks("1-1/1")[0], rng.random(31) < 0.5) for k in range(5)}
    codes = codes_of(draw_strip(run_of("115-10", 22, 5), 98.0, tracks=bars))
    assert codes == ()


@pytest.mark.parametrize(("scratched", "believed"), [((1, 2), 0), ((1,), 4)])
def test_codes_that_agree_against_the_others_are_not_believed(scratched, believed):
    # A scratch along the film flips the same two bits of two codes: 13 and 13A read as 1 and 1A,
    # which count on. The codes beside them say 12A and 14.
    texts = run_of("121-6", 25, 4)
    tracks = {index: flipped(texts[index], 20, 21) for index in scratched}
    assert len(codes_of(draw_strip(texts, 80.0, tracks=tracks))) == believed
