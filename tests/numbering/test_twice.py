"""Pieces scanned twice and strips of two films, made up of pictures that are known to differ."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from pipeline.numbering import twice
from pipeline.numbering.numbers import in_film_order, number_roll
from pipeline.numbering.twice import film_notes, find_overlaps
from tests.survey.surveyed import frame, placed_strip, strip


def picture(seed, noise=0.0, shift=0):
    """Density of a picture: blobs by a seed; noise and shift as a second scan has them."""
    blobs = np.random.default_rng(seed).uniform(0.2, 1.6, (8, 12)).astype(np.float32)
    density = cv2.resize(blobs, (240, 160), interpolation=cv2.INTER_CUBIC)
    density = np.roll(density, shift, axis=1)
    density += np.random.default_rng(seed + 999).normal(0.0, noise, density.shape)
    return np.repeat(density[:, :, None], 3, axis=2).astype(np.float16)


def frames(seeds, noise=0.0, shift=0):
    return [replace(frame(), thumbnail=picture(seed, noise, shift)) for seed in seeds]


def scanned(name):
    return SimpleNamespace(path=Path(name))


def placed(name, start, seeds, film="115-10", **look):
    return placed_strip(
        start, len(seeds), film, frames=frames(seeds, **look), scan=scanned(f"{name}.tif")
    )


def unread(name, shown):
    return strip(shown, scan=scanned(f"{name}.tif"))


def notes_of(*strips):
    ordered = in_film_order(strips)
    numbers = number_roll(ordered, None)
    return [(note.scan, note.message, note.kind) for note in film_notes(ordered, numbers)]


def flipped(shown, across, down):
    """Frames as a strip put in the other way shows them."""
    told = []
    for one in shown[:: -1 if across else 1]:
        turned = one.thumbnail[:: -1 if down else 1, :: -1 if across else 1]
        told.append(replace(one, thumbnail=np.ascontiguousarray(turned)))
    return told


def test_a_piece_scanned_twice_is_told_with_both_scans_and_the_frames():
    one = placed("one", 0.0, range(6))
    two = placed("two", 6.0, range(6, 12))
    again = placed("again", 6.0, range(6, 12), noise=0.05, shift=2)
    overlaps = find_overlaps([one, two, again])
    assert [(o.first, o.second, o.alike) for o in overlaps] == [(1, 2, True)]
    assert overlaps[0].frames == tuple((k, k) for k in range(6))
    ((scan, message, kind),) = notes_of(one, two, again)
    assert (scan, kind) == ("again.tif", "note")
    assert "same piece of film as two.tif" in message


def test_frames_of_both_scans_are_named_by_their_numbers():
    shown = [frame(f"{n:02d}") for n in (6, 7)]
    pair = [
        placed_strip(6.0, 2, frames=shown, scan=scanned(f"{name}.tif")) for name in ("one", "two")
    ]
    ((scan, message, _),) = notes_of(*pair)
    assert scan == "two.tif"
    assert "frames 06b to 07b here are frames 06 to 07 there" in message


def test_a_third_scan_of_a_piece_is_told_once():
    strips = [placed(name, 6.0, range(4)) for name in ("one", "two", "three")]
    assert [(o.first, o.second) for o in find_overlaps(strips)] == [(0, 1), (0, 2)]
    assert [note[0] for note in notes_of(*strips)] == ["two.tif", "three.tif"]


def test_part_of_a_piece_scanned_again_is_found():
    strips = [placed("one", 0.0, range(6)), placed("two", 4.0, range(4, 10))]
    (overlap,) = find_overlaps(strips)
    assert overlap.frames == ((4, 0), (5, 1))


def test_the_same_numbers_with_other_pictures_are_two_rolls():
    strips = [placed("one", 6.0, range(6)), placed("two", 6.0, range(20, 26))]
    (overlap,) = find_overlaps(strips)
    assert not overlap.alike
    ((scan, message, _),) = notes_of(*strips)
    assert scan == "two.tif"
    assert "same edge numbers as one.tif with other pictures" in message


def test_neighbours_that_touch_are_no_overlap():
    strips = [placed("one", 0.0, range(6)), placed("two", 5.7, range(6, 12))]
    assert find_overlaps(strips) == ()
    assert notes_of(*strips) == []


def test_two_films_in_one_roll_are_told_once():
    strips = [placed("one", 0.0, range(6)), placed("two", 0.0, range(6, 12), film="84-4"),
              placed("three", 6.0, range(12, 18))]  # fmt: skip
    assert find_overlaps(strips) == ()
    ((scan, message, kind),) = notes_of(*strips)
    assert (scan, kind) == ("one.tif", "note")
    assert "2 films" in message
    assert "115-10 in one.tif, three.tif; 84-4 in two.tif" in message


@pytest.mark.parametrize(("across", "down"), [(False, False), (True, True), (True, False)])
def test_pictures_alone_tell_a_piece_put_in_either_way(across, down):
    again = flipped(frames(range(4), noise=0.05), across, down)
    (overlap,) = find_overlaps([unread("one", frames(range(4))), unread("two", again)])
    expected = tuple((k, 3 - k if across else k) for k in range(4))
    assert overlap.frames == expected
    assert overlap.alike


def test_a_scan_whose_edge_was_not_read_is_held_against_one_that_was():
    strips = [placed("one", 0.0, range(4)), unread("two", frames(range(4), noise=0.03))]
    (overlap,) = find_overlaps(strips)
    assert overlap.frames == tuple((k, k) for k in range(4))


def test_other_pictures_are_not_the_same():
    strips = [unread("one", frames(range(6))), unread("two", frames(range(10, 16)))]
    assert find_overlaps(strips) == ()


def test_a_bracket_of_one_scene_is_not_taken_for_a_second_scan():
    # Six pictures of one scene each, from a tripod: alike across strips, and within them.
    strips = [unread(name, frames([3] * 6, noise=0.02)) for name in ("one", "two")]
    assert find_overlaps(strips) == ()


def test_even_frames_tell_nothing():
    strips = [unread(name, [frame(), frame(), frame()]) for name in ("one", "two")]
    assert find_overlaps(strips) == ()
    assert find_overlaps([unread("one", []), unread("two", [frame()])]) == ()


@pytest.mark.parametrize(("copies", "most"), [(False, 0), (True, 29)])
def test_few_of_many_strips_are_held_against_each_other_in_full(monkeypatch, copies, most):
    strips = [
        unread(f"{k}", frames(range(3) if copies else range(3 * k, 3 * k + 3), noise=0.02))
        for k in range(30)
    ]
    held = []
    same_run = twice._same_run
    monkeypatch.setattr(twice, "_same_run", lambda *two: held.append(two) or same_run(*two))
    assert len(find_overlaps(strips)) == most
    assert len(held) == most


def test_what_is_alike_in_full_may_be_alike_in_coarse_detail():
    """Whatever is compared: as near as pictures come, and turned in every way."""
    rng = np.random.default_rng(5)
    one = twice._compared(unread("one", frames(range(40))))
    for across, down in [(a, d) for a in (False, True) for d in (False, True)]:
        two = one + rng.normal(0.0, 1.0, one.shape) * rng.uniform(0.0, 0.03, (len(one), 1))
        two /= np.linalg.norm(two, axis=1, keepdims=True)
        alike = (one * two).sum(axis=1) > twice._SURELY_ALIKE
        assert 5 < np.count_nonzero(alike) < 40
        turned = twice._turned(two, across, down)[:: -1 if across else 1]
        for k in np.flatnonzero(alike):
            at = twice._coarse(one[k : k + 1])
            assert twice._may_be_alike(at, twice._coarse(turned[k : k + 1]))[0]
