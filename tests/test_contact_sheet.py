import io
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.ndimage import find_objects

from pipeline import contact_sheet as sheets
from pipeline.contact_sheet import empty_sheet, sheet_parts
from pipeline.record import (
    BaseRecord,
    ColourRecord,
    DensityRecord,
    FilesRecord,
    FrameRecord,
    RollDensities,
    RollRecord,
    StripRecord,
)
from tests.whole_pictures import contact_sheet

OUTLINE = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
DENSITY = DensityRecord((0.1, 0.1, 0.1), (0.7, 0.7, 0.7), (1.3, 1.3, 1.3))


def made_frame(number: str, **changes) -> FrameRecord:
    frame = FrameRecord(number, "edge", "picture", OUTLINE, 0.95, FilesRecord(), DENSITY)
    return replace(frame, **changes)


def made_strip(frames, scan: str = "scan.tif", **changes) -> StripRecord:
    base = BaseRecord((0.22, 0.63, 0.88), True, (0.004, 0.005, 0.006), 120.0)
    strip = StripRecord(scan, 0, 1600.0, "tag", "135", OUTLINE, 0.3, False, base, (), tuple(frames))
    return replace(strip, **changes)


def made_roll(lengths, **changes) -> RollRecord:
    """Return a roll with strips of so many frames, numbered 00, 01, ... in film order."""
    numbers = iter(range(sum(lengths)))
    strips = tuple(
        made_strip((made_frame(f"{next(numbers):02d}") for _ in range(length)), f"s{place}.tif")
        for place, length in enumerate(lengths)
    )
    colour = ColourRecord((0.05, 0.0, -0.08), (0.61, 0.63, 0.67), "roll")
    record = RollRecord(
        {"id": "A 7"}, "generic", "print", colour, strips, RollDensities(None, None, None, None)
    )
    return replace(record, **changes)


def flat_colour(place: int) -> tuple[int, int, int]:
    """Return a colour of its own for each place, unlike any colour of the paper and lettering."""
    return 1 + place % 200, 120, 200 + place // 200


def flat_thumbnails(record: RollRecord, shape=(80, 120)) -> dict[str, np.ndarray]:
    return {
        frame.number: np.full((*shape, 3), flat_colour(place), np.uint8)
        for place, frame in enumerate(record.frames())
    }


def found_boxes(sheet: np.ndarray, count: int) -> list[tuple[int, int, int, int]]:
    """Return left, top, right, bottom of each flat colour, after checking it is one full box."""
    code = sheet.astype(np.int32)
    place = (code[..., 0] - 1) + 200 * (code[..., 2] - 200)
    flat = (code[..., 1] == 120) & (code[..., 2] >= 200) & (code[..., 0] <= 200)
    labels = np.where(flat & (place >= 0) & (place < count), place + 1, 0)
    areas = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    found = find_objects(labels, max_label=count)
    boxes = []
    for area, slices in zip(areas, found, strict=True):
        assert slices is not None, "a frame is missing"
        rows, columns = slices
        assert area == (rows.stop - rows.start) * (columns.stop - columns.start)
        boxes.append((columns.start, rows.start, columns.stop - 1, rows.stop - 1))
    return boxes


def changed_box(one: np.ndarray, other: np.ndarray) -> tuple[int, int, int, int]:
    rows, columns = np.nonzero((one != other).any(axis=2))
    return columns.min(), rows.min(), columns.max(), rows.max()


@pytest.mark.parametrize("lengths", [[1], [6, 6, 6, 6, 6, 6, 2], [6] * 38, [12] * 19, [3, 1, 4]])
@pytest.mark.parametrize("shape", [(80, 120), (90, 90), (120, 90), (40, 108)])
def test_all_frames_are_there_whole_in_film_order_and_on_the_paper(lengths, shape):
    record = made_roll(lengths)
    sheet = contact_sheet(flat_thumbnails(record, shape), record)
    assert sheet.dtype == np.uint8
    assert max(sheet.shape) <= 2400
    boxes = iter(found_boxes(sheet, sum(lengths)))
    strips = [[next(boxes) for _ in range(length)] for length in lengths]
    for strip in strips:
        assert len({top for _, top, _, _ in strip}) == 1
        for one, after in pairwise(strip):
            assert one[2] < after[0]
    for one, after in pairwise(strips):
        assert after[0][1] > one[0][3] or after[0][0] > max(box[2] for box in one)


@pytest.mark.parametrize("shape", [(80, 120), (90, 90), (120, 90), (40, 108)])
def test_pictures_keep_their_proportions(shape):
    record = made_roll([4, 4])
    for left, top, right, bottom in found_boxes(
        contact_sheet(flat_thumbnails(record, shape), record), 8
    ):
        wide, high = right - left + 1, bottom - top + 1
        assert wide == pytest.approx(high * shape[1] / shape[0], abs=0.51)


def test_a_long_strip_goes_on_in_the_next_row_after_twelve_frames():
    record = made_roll([38])
    boxes = found_boxes(contact_sheet(flat_thumbnails(record), record), 38)
    tops = [top for _, top, _, _ in boxes]
    assert [tops.count(top) for top in sorted(set(tops))] == [12, 12, 12, 2]


def test_frames_are_as_large_as_the_paper_allows():
    record = made_roll([6] * 6)
    large, small = (
        found_boxes(contact_sheet(flat_thumbnails(record), record, side), 36)[0]
        for side in (2400, 1200)
    )
    assert large[3] - large[1] == pytest.approx(2 * (small[3] - small[1]), rel=0.1)


def test_a_blank_frame_is_an_empty_dark_rectangle_with_a_word_in_it():
    record = made_roll([3])
    frames = record.strips[0].frames
    blank = replace(
        record,
        strips=(made_strip((frames[0], replace(frames[1], kind="blank"), frames[2]), "s0.tif"),),
    )
    left, top, right, bottom = found_boxes(contact_sheet(flat_thumbnails(record), record), 3)[1]
    window = contact_sheet(flat_thumbnails(record), blank)[top : bottom + 1, left : right + 1]
    assert np.median(window) < 60
    assert (window == sheets.EDGE_PRINT).all(axis=2).sum() > 20
    assert not (window == flat_colour(1)).all(axis=2).any()


@pytest.mark.parametrize(
    "change",
    [
        {"confidence": 0.55},
        {"confidence": float("nan")},
        {"kind": "partial"},
        {"kind": "fogged"},
    ],
)
def test_doubtful_and_odd_frames_carry_a_mark_under_the_picture(change):
    record = made_roll([3, 3])
    # Another doubtful frame, so that the line that explains the mark is there either way.
    frames = record.strips[0].frames
    first = made_strip((frames[0], frames[1], replace(frames[2], confidence=0.1)), "s0.tif")
    plain = replace(record, strips=(first, record.strips[1]))
    changed = made_strip((frames[0], replace(frames[1], **change), first.frames[2]), "s0.tif")
    thumbnails = flat_thumbnails(record)
    before = contact_sheet(thumbnails, plain)
    after = contact_sheet(thumbnails, replace(plain, strips=(changed, record.strips[1])))
    left, _, right, bottom = found_boxes(before, 6)[1]
    box = changed_box(before, after)
    assert left <= box[0] <= box[2] <= right
    assert bottom < box[1] <= box[3] < bottom + 45


def test_confidence_of_nine_tenths_is_enough():
    sure, unsure = made_frame("1", confidence=0.9), made_frame("1", confidence=0.899)
    assert not sheets.is_unsure(sure)
    assert sheets.is_unsure(unsure)


def test_a_blank_frame_has_no_edges_to_check():
    assert not sheets.is_unsure(made_frame("1", kind="blank", confidence=0.1))


def test_the_number_stands_over_its_frame():
    record = made_roll([3])
    frames = record.strips[0].frames
    thumbnails = flat_thumbnails(record) | {"23A": flat_thumbnails(record)["01"]}
    other = replace(
        record,
        strips=(made_strip((frames[0], replace(frames[1], number="23A"), frames[2]), "s0.tif"),),
    )
    one, two = contact_sheet(thumbnails, record), contact_sheet(thumbnails, other)
    left, top, right, _ = found_boxes(one, 3)[1]
    box = changed_box(one, two)
    assert left <= box[0] <= box[2] <= right
    assert top - 45 < box[1] <= box[3] < top


def test_the_heading_tells_roll_film_date_camera_and_batch():
    record = made_roll([6])
    thumbnails = flat_thumbnails(record)
    seen = []
    for notes in (
        {"id": "Küste"},
        {"id": "Kuste"},
        {"id": "海"},
        {"id": "A", "film": "C 400"},
        {"id": "A", "date": "2024-07-01"},
        {"id": "A", "camera": "folder"},
        {"id": "A", "batch": {"name": "no. 3", "temperature_c": 38.2}},
    ):
        roll = replace(record, roll=notes)
        sheet = contact_sheet(thumbnails, roll)
        seen.append(sheet[: found_boxes(sheet, 6)[0][1]].tobytes())
    assert len(set(seen)) == len(seen)


def test_texts_of_the_heading():
    roll = made_roll([1], roll={
        "id": "7\n\x1b[31m", "film": "C 400", "iso": 400, "exposure_index": 320,
        "camera": "folder", "date": "2024-07-01", "lens": None,
        "batch": {"rolls_before": 5, "temperature_c": 38.2, "name": "no. 3", "spare": ""},
    })  # fmt: skip
    assert sheets.roll_name(roll) == "Roll 7 [31m"
    assert sheets.roll_text(roll) == "C 400, ISO 400, exposed as 320, folder, 2024-07-01"
    assert sheets.batch_items(roll) == (
        ("batch", "no. 3"),
        ("rolls before", "5"),
        ("temperature", "38.2 °C"),
    )
    assert sheets.batch_items(made_roll([1], roll={"batch": "old one"})) == (("batch", "old one"),)
    assert sheets.batch_items(made_roll([1], roll={})) == ()
    assert sheets.roll_name(made_roll([1], roll={})) == "Roll without a name"


def test_long_texts_stay_on_the_paper():
    notes = {"id": "long " * 100, "film": "x" * 3000, "batch": {"name": "y " * 900}}
    record = made_roll([2], roll=notes)
    sheet = contact_sheet(flat_thumbnails(record), record, 1200)
    assert max(sheet.shape) <= 1200
    edge = 1200 // 40 // 2
    for border in (sheet[:edge], sheet[-edge:], sheet[:, :edge], sheet[:, -edge:]):
        assert (border == sheets.PAPER).all()


def test_an_empty_roll_still_has_its_heading():
    sheet = contact_sheet({}, made_roll([]))
    assert (sheet != sheets.PAPER).any()


def test_same_input_gives_same_pixels_and_stays_as_it_was():
    record = made_roll([6, 6])
    thumbnails = flat_thumbnails(record)
    kept = {number: picture.copy() for number, picture in thumbnails.items()}
    assert np.array_equal(contact_sheet(thumbnails, record), contact_sheet(thumbnails, record))
    for number, picture in kept.items():
        assert np.array_equal(picture, thumbnails[number])


def test_the_sheet_can_be_written_as_jpeg():
    record = made_roll([6] * 6)
    sheet = contact_sheet(flat_thumbnails(record), record)
    file = io.BytesIO()
    Image.fromarray(sheet).save(file, "JPEG", quality=90)
    with Image.open(file) as image:
        assert image.size == sheet.shape[1::-1]


def test_too_small_a_paper_is_refused():
    with pytest.raises(ValueError, match="600"):
        contact_sheet({}, made_roll([1]), 599)


@given(
    lengths=st.lists(st.integers(0, 40), max_size=8),
    shape=st.tuples(st.integers(1, 300), st.integers(1, 300)),
    text=st.text(max_size=40),
    side=st.integers(600, 1500),
)
@settings(max_examples=30)
def test_any_roll_with_any_text_makes_a_sheet_with_all_its_frames(lengths, shape, text, side):
    record = made_roll(lengths, roll={"id": text, "film": text, "batch": {text: text}})
    sheet = contact_sheet(flat_thumbnails(record, shape), record, side)
    found_boxes(sheet, sum(lengths))


def relative_luminance(colour) -> float:
    """Relative luminance as WCAG 2.2 (W3C Recommendation, 2023) defines it for sRGB."""
    linear = [
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        for value in (code / 255 for code in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        (sheets.INK, sheets.PAPER),
        (sheets.PENCIL, sheets.PAPER),
        (sheets.EDGE_PRINT, sheets.FILM),
        (sheets.EDGE_PRINT, sheets.EMPTY),
    ],
)
def test_lettering_has_the_contrast_that_wcag_asks_of_text(ink, ground):
    dark, light = sorted(map(relative_luminance, (ink, ground)))
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@given(st.lists(st.integers(0, 40), max_size=400))
def test_a_long_roll_is_laid_out_on_several_sheets_in_order(lengths):
    """Every strip lies on one sheet, and no sheet has more than 100 rows of twelve frames."""
    record = replace(
        made_roll([]), strips=tuple(made_strip([made_frame("1")] * n) for n in lengths)
    )
    parts = sheet_parts(record)
    assert [at for part in parts for at in range(part.first, part.end)] == list(range(len(lengths)))
    assert [(part.place, part.count) for part in parts] == [
        (place, len(parts)) for place in range(1, len(parts) + 1)
    ]
    for part in parts:
        rows = sum(-(-n // 12) for n in lengths[part.first : part.end])
        assert rows <= 100


def test_sheets_of_a_thousand_strips_can_be_written_as_jpeg():
    """JPEG_MAX_DIMENSION in libjpeg's jmorecfg.h."""
    frames = [[made_frame(f"{6 * n + k}") for k in range(6)] for n in range(1000)]
    record = replace(made_roll([]), strips=tuple(made_strip(strip) for strip in frames))
    parts = sheet_parts(record)
    sizes = {frame.number: (240, 360) for strip in frames for frame in strip}
    for part in (parts[0], parts[-1]):
        sheet = empty_sheet(sizes, record, part)
        assert max(sheet.paper.shape) < 5000
        assert len(sheet.windows) == 6 * (part.end - part.first)
    assert len(parts) == 10
