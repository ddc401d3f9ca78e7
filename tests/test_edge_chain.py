"""Codes checked against their neighbours and zxing-cpp: what is believed, and what is not."""

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.edge_chain import read_chain
from pipeline.edge_code import load_edge_format
from pipeline.edge_track import Clock, Track
from pipeline.rebate import cut_rebate
from tests.drawn_edge import Look, draw_strip, reference_tracks, run_of

LAYOUT = load_edge_format()


def chain_of(strip, px_per_mm=None):
    px_per_mm = strip.px_per_mm if px_per_mm is None else px_per_mm
    rebate = cut_rebate(strip.light, px_per_mm, strip.bottom_row, True, LAYOUT)
    return read_chain(rebate, px_per_mm, LAYOUT)


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
    chain = chain_of(strip)
    assert texts_of(chain.codes) == texts
    assert chain.rejected == ()
    assert [code.number for code in chain.codes] == [11.0, 11.5, 12.0, 12.5, 13.0]
    for code in chain.codes:
        assert code.dx_code == "115-10"
        assert code.on_bottom
        assert code.reads >= 4
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=0.5)
        assert code.y_px == pytest.approx(strip.bottom_row - 0.9 * 12.0, abs=2.5)
    assert chain.strength == pytest.approx(5.0, abs=0.25)


def test_neighbours_that_do_not_count_on_are_not_believed():
    texts = [f"115-10/{number}" for number in (5, 31, 12, 50, 22)]
    chain = chain_of(draw_strip(texts, 98.0))
    assert chain.codes == ()
    assert texts_of(chain.rejected) == texts


def test_two_films_on_one_strip_are_not_believed():
    chain = chain_of(draw_strip(["115-10/11", "84-4/11A"], 45.0))
    assert chain.codes == ()
    assert texts_of(chain.rejected) == ["115-10/11", "84-4/11A"]


def test_a_stray_among_many_is_rejected_alone():
    texts = run_of("115-10", 22, 5)
    chain = chain_of(draw_strip(texts, 98.0, tracks={2: reference_tracks("9-1/44")}))
    assert texts_of(chain.codes) == texts[:2] + texts[3:]
    assert texts_of(chain.rejected) == ["9-1/44"]


def test_wrong_bits_are_put_right_by_the_neighbours():
    texts = run_of("115-10", 22, 4)
    chain = chain_of(draw_strip(texts, 80.0, tracks={1: flipped(texts[1], 20)}))
    assert texts_of(chain.codes) == texts
    assert chain.codes[1].reads == 0


@pytest.mark.parametrize("places", [(8, 22), (19, 24), (7, 10)])
def test_two_wrong_bits_keep_the_parity_but_not_the_number(places):
    texts = run_of("115-10", 22, 4)
    chain = chain_of(draw_strip(texts, 80.0, tracks={2: flipped(texts[2], *places)}))
    assert texts_of(chain.codes) == texts
    assert chain.codes[2].reads == 0


def test_a_code_with_many_wrong_bits_is_none_of_the_chain():
    texts = run_of("115-10", 22, 4)
    damaged = flipped(texts[1], 7, 15, 19, 24)
    chain = chain_of(draw_strip(texts, 80.0, tracks={1: damaged}))
    assert texts_of(chain.codes) == [texts[0], *texts[2:]]


def test_a_code_unlike_its_signal_is_none_of_the_chain(monkeypatch):
    monkeypatch.setattr("pipeline.edge_chain.expected_match", lambda *_: 0.6)
    assert chain_of(draw_strip(run_of("115-10", 22, 4), 80.0)).codes == ()


def test_noisy_bits_are_not_believed_wrongly(monkeypatch):
    # Tracks of four codes with bits as noisy as a scan can make them, no second reader to help.
    rebate = cut_rebate(draw_strip([], 80.0).light, 12.0, 430.0, True, LAYOUT)
    monkeypatch.setattr("pipeline.edge_chain.crop_texts", lambda *_: [])
    monkeypatch.setattr("pipeline.edge_chain.expected_match", lambda *_: 0.9)
    rng = np.random.default_rng(5)
    believed = 0
    for _ in range(400):
        texts = run_of(f"{rng.integers(1, 128)}-{rng.integers(16)}", int(rng.integers(128)), 4)
        bits = np.array([reference_tracks(text)[1] for text in texts])
        soft = bits - 0.5 + rng.normal(0.0, 0.3, bits.shape)
        tracks = tuple(
            Track(
                Clock(12.0 * (10.0 + 19.0 * k), 10.0, 5.16, 0.2, 0.8, 0.1, 0.95),
                18.0, 0.1, soft[k], soft[k : k + 1], soft[k],
            )
            for k in range(4)
        )  # fmt: skip
        monkeypatch.setattr("pipeline.edge_chain.find_tracks", lambda *_, t=tracks: t)
        codes = read_chain(rebate, 12.0, LAYOUT).codes
        believed += len(codes) > 0
        assert set(texts_of(codes)) <= set(texts)
    assert believed > 20


def test_a_clock_that_runs_neither_way_is_not_believed():
    texts = run_of("115-10", 22, 3)
    clock = reference_tracks(texts[0])[0]
    even = clock | clock[::-1]
    tracks = {k: (even, reference_tracks(text)[1]) for k, text in enumerate(texts)}
    assert chain_of(draw_strip(texts, 60.0, tracks=tracks)).codes == ()


def test_a_lone_code_is_believed_when_the_second_reader_agrees():
    for step in (0, 23, 72, 127):
        texts = run_of("115-10", step, 1)
        chain = chain_of(draw_strip(texts, 20.0))
        assert texts_of(chain.codes) == texts
        assert chain.codes[0].reads >= 5


def test_a_lone_code_is_not_believed_when_the_second_reader_is_silent(monkeypatch):
    monkeypatch.setattr("pipeline.edge_crop.zxingcpp.read_barcodes", lambda *_, **__: [])
    chain = chain_of(draw_strip(["115-10/11"], 20.0))
    assert chain.codes == ()
    assert texts_of(chain.rejected) == ["115-10/11"]


def test_a_lone_code_is_not_believed_when_the_second_reader_differs_once(monkeypatch):
    texts = iter(["115-10/11", "115-10/11", "115-10/42A", "115-10/11"])
    corner = SimpleNamespace(y=0)
    place = SimpleNamespace(bottom_left=corner, top_left=corner)
    monkeypatch.setattr(
        "pipeline.edge_crop.zxingcpp.read_barcodes",
        lambda *_, **__: [SimpleNamespace(text=next(texts), position=place)],
    )
    assert chain_of(draw_strip(["115-10/11"], 20.0)).codes == ()


def test_a_lone_code_with_a_wrong_bit_is_nothing():
    chain = chain_of(draw_strip(["115-10/11"], 20.0, tracks={0: flipped("115-10/11", 9)}))
    assert chain.codes == ()
    assert chain.rejected == ()


@pytest.mark.parametrize("first_mm", [-11.0, -7.0, -5.0, -4.0, -1.5, -0.6])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_code_cut_short_does_not_spoil_the_one_beside_it(first_mm, mirrored):
    texts = run_of("115-10", 22, 2)
    look = Look(px_per_mm=8.0, mirrored=mirrored, skew_deg=0.4)
    strip = draw_strip(texts, 33.0, look, first_mm=first_mm)
    chain = chain_of(strip)
    assert texts[1] in texts_of(chain.codes)
    assert set(texts_of(chain.codes)) <= set(texts)
    for code in chain.codes:
        assert code.x_px == pytest.approx(strip.codes[code.text], abs=1.5)


@pytest.mark.parametrize("first_mm", [-9.0, -4.0, -2.0])
def test_a_code_cut_short_is_not_believed_alone(first_mm):
    assert chain_of(draw_strip(["115-10/11"], 16.0, first_mm=first_mm)).codes == ()


def test_the_clock_must_lie_on_the_side_of_the_perforations():
    look = Look(data_mm=(0.9, 1.55), clock_mm=(0.25, 0.9))
    assert chain_of(draw_strip(run_of("115-10", 22, 4), 80.0, look)).codes == ()


def test_upside_down_codes_on_the_wrong_rebate_are_not_believed():
    # Turned print lies on the upper rebate; the lower one then shows numbers only.
    strip = draw_strip(run_of("115-10", 22, 4), 80.0, Look(turned=True))
    chain = chain_of(strip)
    assert chain.codes == ()
    assert chain.rejected == ()


@pytest.mark.parametrize("error", [-0.025, -0.01, 0.015, 0.028])
def test_a_wrong_scale_is_borne(error):
    texts = run_of("115-10", 22, 13)
    strip = draw_strip(texts, 250.0, Look(px_per_mm=8.0))
    chain = chain_of(strip, px_per_mm=strip.px_per_mm * (1.0 + error))
    assert texts_of(chain.codes) == texts


def test_numbers_count_on_through_the_wrap_of_values():
    strip = draw_strip(run_of("115-10", 125, 5), 98.0)
    codes = chain_of(strip).codes
    values = ("62A", "63", "63A", "0", "0A")
    assert texts_of(codes) == [f"115-10/{value}" for value in values]
    assert [code.number for code in codes] == [-1.5, -1.0, -0.5, 0.0, 0.5]


@pytest.mark.parametrize("seed", range(3))
def test_random_bars_are_never_believed(seed):
    rng = np.random.default_rng(seed)
    bars = {k: (reference_tracks("1-1/1")[0], rng.random(31) < 0.5) for k in range(5)}
    chain = chain_of(draw_strip(run_of("115-10", 22, 5), 98.0, tracks=bars))
    assert chain.codes == ()


def test_a_lone_code_at_poor_odds_is_not_believed(monkeypatch):
    # Dust over two bits keeps the parity: the reading is even, and another one hardly less so.
    rebate = cut_rebate(draw_strip(["115-10/11"], 20.0).light, 12.0, 430.0, True, LAYOUT)
    monkeypatch.setattr("pipeline.edge_chain.crop_texts", lambda *_: ["115-10/11"] * 4)
    monkeypatch.setattr("pipeline.edge_chain.expected_match", lambda *_: 0.95)
    soft = reference_tracks("115-10/11")[1] - 0.5
    clock = Clock(120.0, 10.0, 5.16, 0.2, 0.8, 0.1, 0.95)
    for weakened, believed in ((1.0, 1), (0.005, 0)):
        doubtful = soft.copy()
        doubtful[[9, 15]] *= weakened
        tracks = (Track(clock, 18.0, 0.1, doubtful, np.tile(doubtful, (4, 1)), doubtful),)
        monkeypatch.setattr("pipeline.edge_chain.find_tracks", lambda *_, t=tracks: t)
        assert len(read_chain(rebate, 12.0, LAYOUT).codes) == believed


@pytest.mark.parametrize(("clear", "believed"), [(1.0, 0), (-1.0, 4)])
def test_two_codes_that_agree_against_all_together_are_not_believed(monkeypatch, clear, believed):
    # A scratch along the film flips the same two bits of two codes: 13 and 13A read as 1 and 1A,
    # which count on. The codes beside them say 12A and 14, weakly and with a flaw.
    rebate = cut_rebate(draw_strip([], 80.0).light, 12.0, 430.0, True, LAYOUT)
    monkeypatch.setattr("pipeline.edge_chain.crop_texts", lambda *_: [])
    monkeypatch.setattr("pipeline.edge_chain.expected_match", lambda *_: 0.9)
    soft = np.array([reference_tracks(text)[1] for text in run_of("121-6", 25, 4)]) - 0.5
    for index, amount in ((0, 0.2 * clear), (1, -0.594), (2, -0.594), (3, clear)):
        soft[index, [20, 21]] *= amount
    soft[3, 10] *= -0.1 * clear
    tracks = tuple(
        Track(
            Clock(12.0 * (10.0 + 19.0 * k), 10.0, 5.16, 0.2, 0.8, 0.1, 0.95),
            18.0, 0.1, soft[k], soft[k : k + 1], soft[k],
        )
        for k in range(4)
    )  # fmt: skip
    monkeypatch.setattr("pipeline.edge_chain.find_tracks", lambda *_: tracks)
    assert len(read_chain(rebate, 12.0, LAYOUT).codes) == believed
