"""The layout of edge codes against zxing-cpp's encoder and reader, and the numbers on film."""

import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edge.code import (
    bits_of,
    code_text,
    encode,
    frame_name,
    load_edge_format,
    position_of,
    values_of,
)
from tests.edge.drawn import reference_text, reference_tracks

LAYOUT = load_edge_format()
products = st.integers(1, 127)
generations = st.integers(0, 15)
steps = st.integers(0, 127)


@given(products, generations, steps)
def test_tracks_are_those_of_the_reference_encoder(product, generation, step):
    # Reference: the encoder of zxing-cpp.
    clock, data = reference_tracks(reference_text(f"{product}-{generation}", step))
    assert np.array_equal(bits_of(LAYOUT.clock), clock)
    assert np.array_equal(encode(LAYOUT, product, generation, step), data)


@given(products, generations, steps)
def test_text_is_what_the_reference_reader_reads(product, generation, step):
    # Reference: the reader of zxing-cpp, on both tracks drawn from our own bits.
    tracks = np.stack([bits_of(LAYOUT.clock), encode(LAYOUT, product, generation, step)])
    page = np.pad(np.kron(tracks, np.ones((16, 6), bool)), 24)
    found = zxingcpp.read_barcodes(
        np.where(page, 0, 255).astype(np.uint8), formats=zxingcpp.BarcodeFormat.DXFilmEdge
    )
    assert [code.text for code in found] == [code_text(LAYOUT, product, generation, step)]


@given(products, generations)
def test_print_without_a_number_is_that_of_the_reference_encoder(product, generation):
    # Reference: the encoder of zxing-cpp, given a film code alone.
    plain = LAYOUT.without_number()
    text = f"{product}-{generation}"
    clock, data = reference_tracks(text)
    assert clock.size == 23
    assert np.array_equal(bits_of(plain.clock), clock)
    bits = encode(plain, product, generation, 0)
    assert np.array_equal(bits, data)
    assert code_text(plain, product, generation, 0) == text


def test_without_a_number_there_is_one_step_and_no_place():
    plain = LAYOUT.without_number()
    assert (LAYOUT.numbered, LAYOUT.steps) == (True, 128)
    assert (plain.numbered, plain.steps) == (False, 1)
    with pytest.raises(ValueError, match="no number"):
        position_of(plain, 0)


def test_published_example():
    # The pair of sources.toml [edge-barcode].
    assert np.array_equal(encode(LAYOUT, 115, 10, 23), bits_of("1010101110011010100010111010101"))
    assert code_text(LAYOUT, 115, 10, 23) == "115-10/11A"


@given(products, generations, steps)
def test_values_come_back_from_the_text(product, generation, step):
    text = code_text(LAYOUT, product, generation, step)
    assert values_of(text) == (product, generation, step)
    plain = code_text(LAYOUT.without_number(), product, generation, 0)
    assert values_of(plain) == (product, generation, 0)


def test_steps_beyond_the_last_value_wrap():
    assert np.array_equal(encode(LAYOUT, 115, 10, 130), encode(LAYOUT, 115, 10, 2))
    assert code_text(LAYOUT, 115, 10, -1) == "115-10/63A"


def test_leader_values_come_before_zero():
    # Frame values 62 and 63 are X and 00, printed before 0: sources.toml [edge-barcode].
    values = [62, 63, 0, 1, 36]
    places = [position_of(LAYOUT, 2 * value) for value in values]
    assert places == [-2.0, -1.0, 0.0, 1.0, 36.0]
    assert [frame_name(LAYOUT, place) for place in places] == ["X", "00", "0", "01", "36"]


@given(steps)
def test_places_grow_by_half_frames(step):
    here, there = position_of(LAYOUT, step), position_of(LAYOUT, step + 1)
    assert there - here == 0.5 or (here, there) == (61.5, -2.0)


def test_every_place_has_its_own_name():
    names = [frame_name(LAYOUT, position_of(LAYOUT, step)) for step in range(LAYOUT.steps)]
    assert len(set(names)) == 128
    assert names[23] == "11A"
    assert names[7 * 2] == "07"


@pytest.mark.parametrize("place", [-2.5, -40.0, 62.0, 100.5])
def test_places_off_the_film_have_no_name(place):
    assert frame_name(LAYOUT, place) is None


def test_pitch_is_four_perforations():
    # ISO 1007: perforations every 4.750 mm, eight to a frame; a code every half frame.
    assert LAYOUT.pitch_mm == pytest.approx(4 * 4.750, abs=0.05)
    assert LAYOUT.codes_per_frame * LAYOUT.pitch_mm == pytest.approx(8 * 4.750, abs=0.05)
    # ISO 1007: 34.975 +- 0.025 mm, from memory.
    assert LAYOUT.width_mm == pytest.approx(34.975, abs=0.025)
