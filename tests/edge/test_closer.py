"""Reading edge print from the scan where the proxy is too coarse: drawn codes, written and read."""

from contextlib import contextmanager
from dataclasses import replace

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from pipeline.edge.closer import (
    ScannedStrip,
    codes_expected,
    read_closer,
    read_strip_edge,
    rebate_bands,
    rows_in_view,
)
from pipeline.edge.code import load_edge_format
from pipeline.edge.reading import EdgeReading, read_edge
from pipeline.scan.scan import open_scan, opened, reduce
from pipeline.strip.view import FilmMap, StripView, straighten
from tests.edge.drawn import CODE_PITCH_MM, MODULES, Look, draw_strip, run_of

TEXTS = run_of("115-10", 22, 4)
MM_PER_INCH = 25.4


class Written:
    """A drawn strip in a file, lying at an angle, and its view by a coarse proxy."""

    def __init__(self, folder, ppi=600.0, factor=8, angle_deg=0.0, quarter=0, **look):
        scale = ppi / MM_PER_INCH
        self.strip = draw_strip(TEXTS, 80.0, Look(px_per_mm=scale, **look))
        height, width = self.strip.light.shape[:2]
        turn = cv2.getRotationMatrix2D((width / 2 - 0.5, height / 2 - 0.5), -angle_deg, 1.0)
        pad = 40 + round(width / 2 * abs(np.sin(np.radians(angle_deg))))
        turn[:, 2] += pad
        size = (width + 2 * pad, height + 2 * pad)
        light = cv2.warpAffine(self.strip.light, turn, size)
        corners = np.array(
            [[x, y] for y in (self.strip.top_row, self.strip.bottom_row) for x in (0, width - 1)]
        )[[0, 1, 3, 2]]
        corners = corners @ turn[:, :2].T + turn[:, 2]
        for _ in range(quarter):
            corners = np.stack([corners[:, 1], light.shape[1] - 1 - corners[:, 0]], axis=1)
            light = np.rot90(light)
        path = folder / "strip.tif"
        codes = np.rint(np.clip(light, 0, 1) * 65535).astype(np.uint16)
        tifffile.imwrite(path, codes, photometric="rgb", resolution=(ppi, ppi), rowsperstrip=16)
        (self.scan,) = open_scan(path, gamma=1.0)
        self.factor = factor
        proxy = reduce(self.scan, factor)
        outline = (corners + 0.5) / factor - 0.5
        self.view = straighten(proxy.light, tuple(map(tuple, outline)), scale / factor)
        self.rows = (0.0, float(self.view.light.shape[0] - 1))

    def read(self, rows=None):
        return read_closer(self.source(rows))

    def source(self, rows=None, dark=(0.0, 0.0, 0.0)):
        return ScannedStrip(self.scan, self.view, self.factor, rows or self.rows, dark)

    def column(self, text):
        """Where a code's middle lies in the view."""
        return (self.strip.codes[text] + 0.5) / self.factor - 0.5


def texts_of(reading):
    return [code.text for code in reading.codes]


@pytest.mark.parametrize(("angle_deg", "quarter"), [(0.0, 0), (0.8, 0), (-1.5, 0), (0.6, 1)])
def test_codes_too_fine_for_the_proxy_are_read_from_the_scan(tmp_path, angle_deg, quarter):
    written = Written(tmp_path, angle_deg=angle_deg, quarter=quarter)
    # 75 ppi are 1.3 px a module; the reference reader needs two.
    assert read_edge(written.view.light, written.view.px_per_mm, *written.rows).codes == ()
    reading = written.read()
    assert texts_of(reading) == TEXTS
    assert (reading.direction, reading.mirrored) == (1, False)
    assert reading.px_per_mm == written.view.px_per_mm
    for code in reading.codes:
        assert code.x_px == pytest.approx(written.column(code.text), abs=0.5)
        # The tracks of the drawing touch 0.9 mm from the edge.
        off = written.rows[1] - 0.9 * written.view.px_per_mm
        assert code.y_px == pytest.approx(off, abs=0.15 * written.view.px_per_mm + 0.5)
        assert code.number == pytest.approx(
            reading.frame_at_left + reading.frames_per_mm * code.x_px / reading.px_per_mm, abs=0.01
        )


@pytest.mark.parametrize(("turned", "mirrored"), [(True, False), (False, True), (True, True)])
def test_turned_and_mirrored_strips_are_read_from_the_scan(tmp_path, turned, mirrored):
    reading = Written(tmp_path, turned=turned, mirrored=mirrored, angle_deg=0.4).read()
    assert sorted(texts_of(reading)) == sorted(TEXTS)
    assert (reading.direction, reading.mirrored) == (-1 if turned else 1, mirrored)


def test_only_the_edge_in_view_is_read(tmp_path):
    written = Written(tmp_path)
    assert texts_of(written.read((-1000.0, written.rows[1]))) == TEXTS
    assert written.read((written.rows[0], 1000.0)).codes == ()
    assert written.read((-1000.0, 1000.0)).codes == ()


def test_fine_scans_are_averaged_to_what_is_enough(tmp_path):
    written = Written(tmp_path, ppi=1800.0, factor=9)
    bands = rebate_bands(written.source())
    assert [band.on_bottom for band in bands] == [False, True]
    for band in bands:
        # 600 ppi over 80 mm, and 3.6 mm across: 2.01 mm and two margins of 0.8 mm.
        assert band.light.shape[1] == pytest.approx(80.0 * 600.0 / MM_PER_INCH, abs=4)
        assert band.light.shape[0] == pytest.approx(3.61 * 600.0 / MM_PER_INCH, abs=3)
    assert texts_of(written.read()) == TEXTS


def test_light_of_the_bands_is_that_of_the_view(tmp_path):
    written = Written(tmp_path, ppi=600.0, factor=3, angle_deg=0.5)
    dark = (0.01, 0.02, 0.03)
    top, bottom = rebate_bands(written.source(dark=dark))
    for band in (top, bottom):
        rows, columns = np.array(band.light.shape[:2]) // 3
        # Means of 3 x 3 pixels lie where the view's pixels do.
        places = np.meshgrid(np.arange(columns), band.first_row / 3 + np.arange(rows))
        grid = [axis.astype(np.float32) for axis in places]
        seen = cv2.remap(written.view.light, *grid, cv2.INTER_LINEAR)
        small = cv2.resize(band.light[: rows * 3, : columns * 3], (int(columns), int(rows)),
                           interpolation=cv2.INTER_AREA)  # fmt: skip
        inside = (grid[1] > 1) & (grid[1] < written.view.light.shape[0] - 2)
        assert np.median(np.abs(small + dark - seen)[inside]) < 0.01


def test_long_scans_are_read_in_pieces_and_bands(tmp_path, monkeypatch):
    written = Written(tmp_path, angle_deg=0.7)
    whole = rebate_bands(written.source())
    monkeypatch.setattr("pipeline.edge.closer._PIECE_COLUMNS", 500)
    monkeypatch.setattr("pipeline.edge.closer._BAND_SAMPLES", 20000)
    pieces = rebate_bands(written.source())
    for one, other in zip(whole, pieces, strict=True):
        assert one.light == pytest.approx(other.light, abs=2e-3)


def test_a_packed_scan_is_unfolded_once_and_gives_the_same_light(tmp_path, monkeypatch):
    written = Written(tmp_path, angle_deg=0.7)
    source = written.source()
    monkeypatch.setattr("pipeline.edge.closer._PIECE_COLUMNS", 500)
    plain = rebate_bands(source)
    codes = tifffile.imread(source.scan.path)
    for name in ("strip.png", "packed.tif"):
        path = tmp_path / name
        if name.endswith("png"):
            path.write_bytes(imagecodecs.png_encode(codes))
        else:
            tifffile.imwrite(path, codes, photometric="rgb", compression="zlib", rowsperstrip=4)
        (scan,) = open_scan(path, gamma=1.0)
        tops: list[int] = []
        once = replace(scan, unpacked=Counted(scan, tops))
        packed = rebate_bands(replace(source, scan=once))
        for one, other in zip(plain, packed, strict=True):
            assert_array_equal(one.light, other.light)
        assert len(tops) > 1
        assert tops == sorted(tops)


class Counted:
    """A scan whose windows are noted by their first rows."""

    def __init__(self, scan, tops):
        self._scan, self._tops = scan, tops

    @contextmanager
    def opened(self):
        with opened(self._scan, in_order=True) as reader:
            yield Noting(reader, self._tops)


class Noting:
    def __init__(self, reader, tops):
        self._reader, self._tops = reader, tops

    def codes(self, rows, columns):
        self._tops.append(rows[0])
        return self._reader.codes(rows, columns)


@given(st.floats(5.0, 300.0), st.floats(0.0, CODE_PITCH_MM))
def test_a_strip_holds_the_codes_that_are_expected_of_it(length_mm, first_mm):
    # Counted one by one, wherever the strip was cut; code length from the module's widest.
    code_mm = MODULES * load_edge_format().module_mm[1]
    starts = first_mm + CODE_PITCH_MM * np.arange(40)
    whole = int((starts + code_mm <= length_mm).sum())
    assert codes_expected(length_mm) <= whole <= codes_expected(length_mm) + 1


def blank_reading(codes=0, numbered=True):
    strip = draw_strip(run_of("115-10", 22, 4) if numbered else ["115-10"] * 4, 80.0)
    read = read_edge(strip.light, strip.px_per_mm, strip.top_row, strip.bottom_row)
    return EdgeReading(
        read.codes[:codes], 1, False, read.frames_per_mm, read.frame_at_left, 8.0, None
    )


def chosen(monkeypatch, length_mm, factor, in_view, in_scan=None):
    """Return the reading of a strip of 8 px a mm whose view and scan would give these."""
    monkeypatch.setattr("pipeline.edge.closer.read_edge", lambda *_: in_view)
    monkeypatch.setattr("pipeline.edge.closer.read_closer", lambda _: in_scan)
    light = np.zeros((280, 8 * length_mm, 3), np.float32)
    view = StripView(light, 8.0, FilmMap(((1, 0, 0), (0, 1, 0), (0, 0, 1))))
    return read_strip_edge(ScannedStrip(None, view, factor, (0.0, 279.0)))


def test_a_closer_look_is_taken_where_codes_are_missing_and_the_scan_is_finer(monkeypatch):
    # 230 mm hold eleven codes every 19 mm at least.
    assert codes_expected(230.0) == 11
    few, none, four = blank_reading(3), blank_reading(0), blank_reading(4)
    assert chosen(monkeypatch, 230, 6, few, four) is four
    assert chosen(monkeypatch, 230, 2, none, four) is four
    assert chosen(monkeypatch, 230, 1, few, four) is few
    assert codes_expected(76.0) == 3
    assert chosen(monkeypatch, 76, 6, few, four) is few


def test_the_reading_with_more_numbers_is_the_better_one(monkeypatch):
    none, two, four = blank_reading(0), blank_reading(2), blank_reading(4)
    film_only = blank_reading(4, numbered=False)
    assert chosen(monkeypatch, 230, 6, two, four) is four
    assert chosen(monkeypatch, 230, 6, four, two) is four
    assert chosen(monkeypatch, 230, 6, four, four) is four
    assert chosen(monkeypatch, 230, 6, none, film_only) is film_only
    assert chosen(monkeypatch, 230, 6, film_only, two) is two


def test_a_strip_is_read_in_its_view_where_that_tells_all(tmp_path, monkeypatch):
    written = Written(tmp_path, ppi=600.0, factor=3)
    monkeypatch.setattr("pipeline.edge.closer.read_closer", lambda *_: pytest.fail("not needed"))
    reading = read_strip_edge(written.source())
    assert texts_of(reading) == TEXTS


def test_a_strip_is_read_from_the_scan_where_its_view_tells_too_little(tmp_path):
    written = Written(tmp_path)
    reading = read_strip_edge(written.source())
    assert texts_of(reading) == TEXTS


@pytest.mark.parametrize(
    ("film_rows", "seen"),
    [
        ((0.0, 279.0), (True, True)),
        # A holder over 1 mm of a rebate of 2.01 mm leaves enough; over 1.5 mm it doesn't.
        ((-8.0, 279.0), (True, True)),
        ((-12.0, 279.0), (False, True)),
        ((0.0, 287.0), (True, True)),
        ((0.0, 291.0), (True, False)),
        ((-30.0, 310.0), (False, False)),
    ],
)
def test_rebates_under_the_holder_are_left_out(film_rows, seen):
    view = StripView(
        np.zeros((280, 900, 3), np.float32), 8.0, FilmMap(((1, 0, 0), (0, 1, 0), (0, 0, 1)))
    )
    told = rows_in_view(film_rows, view)
    assert tuple(row is not None for row in told) == seen
    assert all(row in (None, given) for row, given in zip(told, film_rows, strict=True))
