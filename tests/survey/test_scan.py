"""Survey of one scan against the film model's truth, and by looks that were kept of it."""

import pickle
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from pipeline.frame.gate import usual_habit
from pipeline.profile.format import frame_formats
from pipeline.settings.settings import Settings
from pipeline.strip.density import to_density
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.habits import Habits
from pipeline.survey.look_store import LookStore, ScanLook
from pipeline.survey.scan import ScanSurvey, survey_scan
from pipeline.survey.strip import StripSurvey
from tests.film_model import (
    FrameSpec,
    ModelScan,
    Roll,
    Scene,
    StripSpec,
    make_scan,
    random_plan,
    write_scan,
)

SCENES = ("chart", Scene("coffee"), "table", Scene("coffee", flip=True))
ROLL = Roll("film-a", [FrameSpec(scene) for scene in SCENES], first_number=21, seed=4)
TURNED = {"reversed": {"reversed": True}, "mirrored": {"mirrored": True}}
TURNED |= {"both": {"reversed": True, "mirrored": True}, "upright": {}}
MM_PER_INCH = 25.4
PPI = 160.0

HABITS = Habits(
    {"135": replace(usual_habit(frame_formats()["135"]), gap_mm=2.2, gap_spread_mm=0.2)}
)


@dataclass(frozen=True)
class Surveyed:
    """A model scan with its survey."""

    scan: ModelScan
    survey: ScanSurvey

    @property
    def strip(self) -> StripSurvey:
        return self.survey.strips[0]

    @property
    def truth(self) -> dict:
        return self.scan.truth["strips"][0]


@cache
def model_scan(way: str, turn_deg: int = 0) -> ModelScan:
    strip = StripSpec(ROLL, count=4, angle_deg=0.4, **TURNED[way])
    return make_scan([strip], scanner="scanner-a", ppi=PPI, seed=4, turn_deg=turn_deg)


@cache
def surveyed(way: str, turn_deg: int = 0, settings: Settings | None = None) -> Surveyed:
    scan = model_scan(way, turn_deg)
    with TemporaryDirectory() as folder:
        path = Path(write_scan(folder, "strip", scan))
        return Surveyed(scan, survey_scan(path, settings or Settings()))


WAYS = pytest.mark.parametrize(
    ("way", "turn_deg"),
    [("upright", 0), ("reversed", 0), ("mirrored", 0), ("both", 0), ("upright", 90)],
)


@WAYS
def test_outlines_come_in_the_order_of_the_picture(way: str, turn_deg: int):
    done = surveyed(way, turn_deg)
    assert len(done.survey.strips) == 1
    assert done.strip.mirrored == done.truth["mirrored"]
    assert done.strip.format == "135"
    assert len(done.strip.frames) == len(done.truth["frames"])
    for found, told in zip(done.strip.frames, done.truth["frames"], strict=True):
        off = np.subtract(found.outline, told["outline"]) / (PPI / MM_PER_INCH)
        # A quarter millimetre: 1.6 px here; any other order of corners is off by 24 mm or more.
        assert np.abs(off).max() < 0.25
        assert found.kind == "picture"
        assert found.confidence > 0.5


@WAYS
def test_edge_numbers_are_the_truth_s(way: str, turn_deg: int):
    done = surveyed(way, turn_deg)
    told = [frame["number"] for frame in done.truth["frames"]]
    assert [frame.edge_number for frame in done.strip.frames] == told
    texts = {code["text"] for code in done.truth["codes"]}
    assert done.strip.edge_codes
    assert {code[0] for code in done.strip.edge_codes} <= texts
    centres = {c["text"]: np.mean(c["outline"], axis=0) for c in done.truth["codes"]}
    for text, *place in done.strip.edge_codes:
        assert np.hypot(*(centres[text] - place)) < 2.0 * PPI / MM_PER_INCH


@WAYS
def test_strip_is_measured(way: str, turn_deg: int):
    done = surveyed(way, turn_deg)
    assert done.strip.ppi == pytest.approx(PPI, rel=0.01)
    assert done.strip.ppi_from == "tag"
    assert done.strip.base.illumination.absolute
    assert done.strip.base.density == pytest.approx(done.truth["base_density"], abs=0.02)
    printed = np.array(done.strip.print_density)
    assert (printed > 0).all()


@WAYS
def test_thumbnails_show_the_picture_upright(way: str, turn_deg: int):
    """The chart's patches in the thumbnail have the densities of those in the scan, one by one."""
    done = surveyed(way, turn_deg)
    frame, told = done.strip.frames[0], done.truth["frames"][0]
    outline = np.array(told["outline"])
    axes = np.array([outline[1] - outline[0], outline[3] - outline[0]]).T
    rows, columns = frame.thumbnail.shape[:2]
    light = done.scan.codes.astype(float) / np.iinfo(done.scan.codes.dtype).max
    for patch in told["patches"]:
        u, v = np.linalg.solve(axes, np.array(patch["centre"]) - outline[0])
        x, y = int(u * columns), int(v * rows)
        seen = frame.thumbnail[y - 2 : y + 3, x - 2 : x + 3].astype(float).mean(axis=(0, 1))
        px, py = np.rint(patch["centre"]).astype(int)
        mean = light[py - 2 : py + 3, px - 2 : px + 3].mean(axis=(0, 1))
        density = to_density(mean, done.strip.base.illumination) - np.array(done.strip.base.density)
        # Lamp shading and grain part the two by a few hundredths; patches by tenths.
        assert seen == pytest.approx(density, abs=0.06)


def test_samples_and_thumbnail_have_the_documented_shapes():
    for frame in surveyed("upright").strip.frames:
        assert frame.samples.dtype == np.float32
        assert frame.samples.ndim == 2
        assert frame.samples.shape[1] == 3
        assert 500 < len(frame.samples) < 1800
        assert np.isfinite(frame.samples).all()
        rows, columns, channels = frame.thumbnail.shape
        assert frame.thumbnail.dtype == np.float16
        assert channels == 3
        assert max(rows, columns) <= 360
        # 36 x 24 mm: ISO 1007 names the film; the frame is common practice, no source.
        assert columns / rows == pytest.approx(1.5, abs=0.03)
        assert (np.array(frame.least) < frame.median).all()
        assert (np.array(frame.median) < frame.most).all()
        assert frame.median == pytest.approx(np.median(frame.samples, axis=0), abs=0.05)


def test_base_given_by_the_user_replaces_the_measured_one():
    plain = surveyed("upright")
    given = tuple(value + 0.05 for value in plain.strip.base.density)
    moved = surveyed("upright", 0, Settings(base=given))
    assert moved.strip.base.density == given
    assert len(moved.strip.frames) == len(plain.strip.frames)
    # A base so much denser leaves so much less above it, wherever one looks.
    for before, after in zip(plain.strip.frames, moved.strip.frames, strict=True):
        fall = np.subtract(before.median, after.median)
        assert fall == pytest.approx(np.full(3, 0.05), abs=0.01)


def test_a_survey_knows_the_scan_s_darkest_places():
    strip = surveyed("upright", 0).strip
    assert strip.scan.dark is not None
    assert (strip.scan.dark.light < 0.2).all()


def test_surveys_of_one_scan_are_equal():
    first, second = surveyed("upright").strip, surveyed("upright", 0, Settings(look="log")).strip
    assert first.base == second.base
    assert first.outline == second.outline
    for one, other in zip(first.frames, second.frames, strict=True):
        assert one.outline == other.outline
        assert np.array_equal(one.samples, other.samples)
        assert np.array_equal(one.thumbnail, other.thumbnail)


def test_two_strips_in_one_scan_are_told_apart(tmp_path: Path):
    strips = [StripSpec(ROLL, first=0, count=2), StripSpec(ROLL, first=2, count=2, reversed=True)]
    scan = make_scan(strips, scanner="scanner-a", ppi=PPI, seed=5)
    survey = survey_scan(Path(write_scan(tmp_path, "two", scan)), Settings())
    found = sorted([frame.edge_number for frame in strip.frames] for strip in survey.strips)
    told = sorted([frame["number"] for frame in strip["frames"]] for strip in scan.truth["strips"])
    assert found == told
    assert not survey.clipped
    assert survey.path == tmp_path / "two.tif"


@pytest.fixture(scope="module")
def unclear(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a scan of a strip with a frame whose edges nothing tells."""
    frames = [FrameSpec("chart"), FrameSpec(kind="blank"), FrameSpec("quay")]
    roll = Roll("film-b", frames, format="135", first_number=3, seed=2)
    scan = make_scan([StripSpec(roll, count=3)], ppi=150.0, seed=2, infrared=True, dust_count=20)
    return Path(write_scan(tmp_path_factory.mktemp("looks"), "strip", scan))


def told(survey: ScanSurvey) -> list[tuple[object, ...]]:
    """Return all that a survey says of its frames, in words and numbers."""
    frames = [frame for strip in survey.strips for frame in strip.frames]
    return [
        (frame.outline, frame.kind, frame.confidence, frame.edge_number, frame.base, frame.median)
        for frame in frames
    ]


def pictures(survey: ScanSurvey) -> list[FrameSurvey]:
    return [frame for strip in survey.strips for frame in strip.frames]


def test_a_survey_from_a_look_is_that_from_the_file(unclear: Path):
    looks = LookStore()
    first = survey_scan(unclear, Settings(), looks=looks)
    assert min(frame.confidence for frame in pictures(first)) < 0.9
    from_file = survey_scan(unclear, Settings(), HABITS)
    moved = unclear.rename(unclear.with_name("gone.tif"))
    try:
        # The file is gone: what is said now comes from the look.
        from_look = survey_scan(unclear, Settings(), HABITS, looks=looks)
    finally:
        moved.rename(unclear)
    assert told(from_look) == told(from_file)
    assert told(from_look) != told(first)
    assert (from_look.notes, from_look.habits) == (from_file.notes, from_file.habits)
    assert from_look.strips[0].cross_talk == from_file.strips[0].cross_talk
    for one, other in zip(pictures(from_look), pictures(from_file), strict=True):
        assert np.array_equal(one.samples, other.samples)
        assert np.array_equal(one.thumbnail, other.thumbnail)


def test_a_look_is_let_go_of_when_it_is_taken(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    assert looks.take(unclear) is not None
    assert looks.take(unclear) is None


def test_no_more_is_kept_than_there_is_room_for(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    look = looks.take(unclear)
    assert look is not None
    size = sum(strip.size_bytes for strip in look.strips)
    # Three channels of a picture of 4 bytes each, and one of what its columns show.
    light = look.strips[0].view.light
    assert size >= light.nbytes + light.nbytes // 3
    small = LookStore(2 * size)
    for name in ("one", "two", "three"):
        small.keep(ScanLook(Path(name), look.strips, False, (), False))
    assert [small.take(Path(name)) is not None for name in ("one", "two", "three")] == [
        True,
        True,
        False,
    ]


def test_pictures_do_not_travel(unclear: Path):
    looks = LookStore()
    survey_scan(unclear, Settings(), looks=looks)
    sent = pickle.dumps(looks)
    assert len(sent) < 200
    assert pickle.loads(sent).take(unclear) is None


@pytest.mark.parametrize("times", [4, 6])
def test_a_tag_by_which_no_film_is_so_narrow_makes_no_picture_too_small(tmp_path, times):
    """As of a scan that was made smaller and kept its tag."""
    scan = model_scan("upright")
    path = Path(write_scan(tmp_path, "strip", replace(scan, ppi=times * PPI)))
    (strip,) = survey_scan(path, Settings()).strips
    assert strip.ppi_from == "perforations"
    assert strip.ppi == pytest.approx(PPI, rel=0.01)
    true = scan.truth["strips"][0]["base_density"]
    # As near as with the right tag.
    assert strip.base.density == pytest.approx(true, abs=0.005)


@pytest.mark.parametrize("covered", [True, False])
def test_a_picture_that_goes_on_under_the_holder_is_not_told_as_known(tmp_path, covered):
    rng = np.random.default_rng(8)
    plan = replace(random_plan(rng, count=3), scanner="scanner-a", turn_deg=0)
    plan = plan.with_holder(window_margin_mm=1.0, end_margin_mm=-6.0 if covered else 2.0)
    cut_mm = (0.0, 0.0) if covered else (6.0, 6.0)
    plan = plan.with_strips(lambda one: replace(one, angle_deg=0.0, trim_mm=cut_mm))
    path = Path(write_scan(tmp_path, "s", plan.scan(150.0), truth=False))
    (strip,) = survey_scan(path, Settings()).strips
    told = [frame.confidence for frame in strip.frames]
    assert told[1] > 0.9
    # Film that was cut there ends there; under a holder 4 mm or more of the gate are unseen.
    assert all((one < 0.3) == covered for one in (told[0], told[2]))


def test_a_base_that_is_given_and_hardly_orange_lies_under_the_open_gate(tmp_path):
    roll = replace(ROLL, film="wide-f")
    scan = make_scan([StripSpec(roll, count=4)], scanner="judge-filters", ppi=PPI, seed=4)
    path = Path(write_scan(tmp_path, "strip", scan))
    base = tuple(scan.truth["strips"][0]["base_density"])
    # Its mask is weak, and broad bands see it weaker still: a base is usually 0.5 to 0.7 orange.
    assert base[2] - base[0] < 0.2
    (strip,), (plain,) = (survey_scan(path, Settings(base=b)).strips for b in (base, None))
    assert strip.base.illumination.absolute
    assert strip.base.density == pytest.approx(base)
    medians = [np.median(each.frames[0].samples, axis=0) for each in (strip, plain)]
    assert medians[0] == pytest.approx(medians[1], abs=0.02)
