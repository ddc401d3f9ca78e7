"""Pictures come back from a store as they went in, whether it keeps them in memory or on disk."""

import pickle
import tempfile
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from pipeline.survey.pictures import PictureStore, StoredPicture


@given(
    st.lists(arrays(np.float16, array_shapes(max_dims=3, max_side=9)), max_size=6),
    st.integers(0, 500),
)
def test_arrays_come_back_bit_for_bit_in_any_order(pictures, held_bytes):
    store = PictureStore(held_bytes)
    kept = [store.put_away(picture) for picture in pictures]
    for picture, back in reversed(list(zip(pictures, kept, strict=True))):
        assert np.asarray(back).tobytes() == picture.tobytes()
        assert (back.shape, back.dtype, len(back)) == (picture.shape, picture.dtype, len(picture))


def test_a_few_stay_in_memory_and_the_rest_goes_to_a_file():
    store = PictureStore(held_bytes=1000)
    first, second = np.zeros(500, np.uint8), np.zeros(600, np.uint8)
    assert store.put_away(first) is first
    assert isinstance(store.put_away(second), StoredPicture)


def test_several_threads_may_read_at_once():
    store = PictureStore(0)
    kept = [store.put_away(np.full(20_000, number, np.uint16)) for number in range(100)]

    def all_right(_: int) -> bool:
        read = [np.asarray(each) for each in kept]
        return all((each == number).all() for number, each in enumerate(read))

    with ThreadPoolExecutor(4) as pool:
        assert all(pool.map(all_right, range(12)))


def test_a_transposed_array_keeps_its_order_and_another_type_is_had_on_wish():
    turned = np.arange(12, dtype=np.float16).reshape(3, 4).T
    kept = PictureStore(0).put_away(turned)
    assert isinstance(kept, StoredPicture)
    assert np.asarray(kept, np.float32).dtype == np.float32
    assert (np.asarray(kept) == turned).all()


def test_pickled_it_is_the_array_itself():
    picture = np.arange(6.0).reshape(2, 3)
    back = pickle.loads(pickle.dumps(PictureStore(0).put_away(picture)))
    assert isinstance(back, np.ndarray)
    assert (back == picture).all()


def test_where_no_file_can_be_made_pictures_stay_in_memory(monkeypatch):
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    picture = np.ones(9)
    assert PictureStore(0).put_away(picture) is picture


def test_nothing_is_read_from_a_store_without_a_file():
    with pytest.raises(ValueError, match="put away"):
        PictureStore().read(0, (1,), np.dtype(np.uint8))
