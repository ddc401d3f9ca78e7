"""The film model's rolls: repeatability, faults, formats, files, random rolls, the command."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from tests.film_model import (
    Camera,
    FrameSpec,
    Holder,
    LightLeak,
    Process,
    Roll,
    Scene,
    StripSpec,
    cut_roll,
    make_scan,
    random_roll,
    scan_strips,
    scene_light,
    scene_names,
    write_scan,
)
from tests.film_model.__main__ import main
from tests.film_model.reading import (
    centre_of,
    light,
    read_codes,
    straightened,
    strip_of,
)
from tests.film_model.scanned import PPI, greys, scan_of
from tests.sources import SOURCES

Floats = NDArray[np.float64]
PX_PER_MM = PPI / 25.4


def test_same_seed_same_bytes_other_seed_other_noise() -> None:
    roll = Roll("film-c", (FrameSpec("cat"), FrameSpec("harbour")), seed=3)
    first, again, other = (
        make_scan([StripSpec(roll)], ppi=120.0, seed=s, dust_count=3) for s in (5, 5, 6)
    )
    np.testing.assert_array_equal(first.codes, again.codes)
    assert first.truth == again.truth
    assert (first.codes != other.codes).mean() > 0.3
    assert first.truth == other.truth


def test_grain_follows_the_square_root_of_the_area() -> None:
    """Selwyn's law: sources.toml [granularity]."""
    sigmas = []
    for ppi in (200.0, 400.0):
        roll = Roll("film-c", (FrameSpec("grey"),), format="135")
        scan = make_scan([StripSpec(roll)], "scanner-e", ppi, seed=1)
        rows, columns = scan.codes.shape[:2]
        part = light(scan)[
            rows // 2 - 40 : rows // 2 + 40, columns // 2 - 60 : columns // 2 + 60, 1
        ]
        high_pass = (-np.log10(part[:, 3:]) + np.log10(part[:, :-3])) / np.sqrt(2)
        sigmas.append(float(high_pass.std()))
    # Blur of the optics (sigma 0.02 mm, 0.16 and 0.31 px) takes a little off the finer scan.
    assert sigmas[1] / sigmas[0] == pytest.approx(2.0, rel=0.25)


def test_drift_between_strips_leaves_densities_alone() -> None:
    roll = greys(4, edge_print=False)
    scans = scan_strips(
        cut_roll(roll, 2), gains=[(1.0, 1.0, 1.0), (0.9, 0.95, 1.05)], ppi=120.0, noise=False
    )
    centres = [light(s)[s.codes.shape[0] // 2, s.codes.shape[1] // 4] for s in scans]
    np.testing.assert_allclose(centres[0], centres[1], rtol=0.01)
    assert scans[1].truth["scanner"]["gains"] == [0.9, 0.95, 1.05]


def test_kinds_and_numbers_of_frames() -> None:
    frames = (FrameSpec("cat"), FrameSpec(kind="blank"), FrameSpec(kind="fogged"), FrameSpec("sea"))
    scan = scan_of(Roll("film-a", frames, first_number=22), ppi=120.0, trim_mm=(0.0, 12.0))
    found = strip_of(scan)["frames"]
    assert [f["kind"] for f in found] == ["picture", "blank", "fogged", "partial"]
    assert [f["number"] for f in found] == ["22", "23", "24", "25"]
    base = np.array(strip_of(scan)["base_density"])
    densities = [-np.log10(np.maximum(centre_of(scan, f), 1e-4)) - base for f in found]
    assert np.abs(densities[1]).max() < 0.06
    assert densities[2].min() > 1.0


@pytest.mark.parametrize(
    ("form", "numbers"),
    [
        ("135-half", ["5", "5A", "6", "6A"]),
        ("120-6x6", ["5", "6", "7", "8"]),
        ("120-6x4.5", ["5", "6", "7", "8"]),
        ("120-6x9", ["5", "6", "7", "8"]),
    ],
)
def test_formats_have_their_numbers_and_image_sizes(form: str, numbers: list[str]) -> None:
    half, film_120 = SOURCES["smaller-images"]["half"], SOURCES["film-120"]
    along, across = half if form == "135-half" else film_120[form.removeprefix("120-")]
    scan = scan_of(greys(4, format=form, first_number=5), ppi=60.0)
    frames = strip_of(scan)["frames"]
    assert [f["number"] for f in frames] == numbers
    corners = np.array(frames[1]["outline"]) / (60.0 / 25.4)
    assert np.linalg.norm(corners[1] - corners[0]) == pytest.approx(along, abs=0.01)
    assert np.linalg.norm(corners[3] - corners[0]) == pytest.approx(across, abs=0.01)


def test_unexposed_film_still_carries_its_edge_print_dead_film_does_not() -> None:
    blank = tuple([FrameSpec(kind="blank")] * 2)
    for process, expected in ((Process(), 3), (Process(development=0.0), 0)):
        scan = scan_of(Roll("film-a", blank, process=process), ppi=300.0)
        assert len(read_codes(scan)) == expected
        print_density = np.array(strip_of(scan)["edge_print_above_base"])
        assert (print_density > 0.5).all() == bool(expected)


def test_leaks_leader_and_overlap_darken_the_negative() -> None:
    leak = LightLeak(at_mm=30.0, stops=2.0)
    clean, leaky = (
        scan_of(greys(2, edge_print=False, leaks=leaks), ppi=100.0) for leaks in ((), (leak,))
    )
    assert (light(leaky)[..., 0] - light(clean)[..., 0]).min() < -0.1
    leader = scan_of(greys(1, leader_mm=15.0, light_struck_mm=8.0), ppi=100.0)
    band = straightened(leader, 10.0, 25.0, 4.0).mean(axis=0)
    assert band[4:24].max() < 0.3 * band[54]
    overlap = Roll(
        "film-a",
        (FrameSpec("grey"), FrameSpec("grey", gap_mm=-6.0)),
        camera=Camera(gap_jitter_mm=0.0),
    )
    frames = strip_of(scan_of(overlap, ppi=100.0))["frames"]
    assert frames[1]["u_mm"][0] < frames[0]["u_mm"][1] - 3.0


def test_holder_may_cover_the_rebate_or_be_missing() -> None:
    roll = greys(1)
    covering = scan_of(roll, holder=Holder(window_margin_mm=-1.5), ppi=120.0)
    bare = scan_of(roll, holder=Holder(opaque=False), ppi=120.0)
    corner_light = [float(light(s)[1, 1].mean()) for s in (covering, bare)]
    assert corner_light[0] < 0.02
    assert corner_light[1] > 0.8
    height_mm = [s.codes.shape[0] / 120.0 * 25.4 for s in (covering, bare)]
    assert height_mm[1] - height_mm[0] == pytest.approx(5.4, abs=0.3)


def test_several_strips_share_a_scan() -> None:
    roll = Roll("film-a", tuple(FrameSpec("cat") for _ in range(6)), first_number=1)
    (scan,) = scan_strips(cut_roll(roll, 2, (0.2, -0.2)), per_scan=3, ppi=100.0)
    strips = scan.truth["strips"]
    assert [f["number"] for s in strips for f in s["frames"]] == list("123456")
    tops = [s["outline"][0][1] for s in strips]
    assert np.diff(tops).min() > 34.9 * 100.0 / 25.4


def test_infrared_shows_dust_and_silver_only() -> None:
    """Dyes are clear in the infra-red, dust and silver are not (common practice, no source)."""
    roll = Roll("film-a", (FrameSpec("steps"),), edge_print=False)
    clean, dusty = (
        make_scan([StripSpec(roll)], ppi=150.0, infrared=True, dust_count=n, seed=2)
        for n in (0, 60)
    )
    assert clean.infrared is not None
    assert dusty.infrared is not None
    inside = tuple(slice(n // 3, 2 * n // 3) for n in clean.infrared.shape)
    rgb, ir = clean.codes[inside][..., 1], clean.infrared[inside]
    assert np.ptp(np.log10(ir)) < 0.5 * np.ptp(np.log10(rgb))
    change = dusty.infrared.astype(float) / clean.infrared
    assert change.min() < 0.6


def test_files_carry_resolution_truth_and_profile(tmp_path: Path) -> None:
    from PIL import Image, ImageCms

    scan = scan_of(greys(1), ppi=120.0, scanner="scanner-c")
    path = write_scan(tmp_path, "strip-1", scan)
    with tifffile.TiffFile(path) as tif:
        page = tif.pages[0]
        assert page.tags["XResolution"].value == (120, 1)
        assert page.compression == tifffile.COMPRESSION.ADOBE_DEFLATE
        assert page.predictor == tifffile.PREDICTOR.HORIZONTAL
        np.testing.assert_array_equal(page.asarray(), scan.codes)
    assert json.loads((tmp_path / "strip-1.truth.json").read_text())["strips"] == (
        json.loads(json.dumps(scan.truth["strips"]))
    )
    eight = write_scan(tmp_path, "eight", scan_of(greys(1), ppi=60.0, scanner="scanner-d"))
    with Image.open(eight) as picture:
        assert picture.mode == "RGB"
        profile = ImageCms.getOpenProfile(_profile_file(tmp_path, picture.info["icc_profile"]))
        assert "gamma 2.2" in ImageCms.getProfileDescription(profile)


def _profile_file(folder: Path, profile: bytes) -> str:
    path = folder / "profile.icc"
    path.write_bytes(profile)
    return str(path)


def test_random_rolls_differ_by_seed_only() -> None:
    first, again, other = (random_roll(seed, ppi=60.0, frames=7, turn_deg=0) for seed in (1, 1, 2))
    assert len(first) == 2
    assert first[0].truth == again[0].truth
    np.testing.assert_array_equal(first[1].codes, again[1].codes)
    assert first[0].truth["strips"] != other[0].truth["strips"]
    assert sum("patches" in f for s in first for f in strip_of(s)["frames"]) == 1


def test_every_scene_gives_light_of_the_right_shape() -> None:
    for name in scene_names():
        for scene in (Scene(name), Scene(name, turned=True, flip=True)):
            picture = scene_light(scene, 1.5)
            assert picture.dtype == np.float32
            assert picture.shape[1] / picture.shape[0] == pytest.approx(1.5, abs=0.02)
            assert np.isfinite(picture).all()
            assert picture.min() >= -0.15


def test_command_writes_a_roll(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [
        "--seed",
        "3",
        "--format",
        "120-6x6",
        "--ppi",
        "50",
        "--frames",
        "4",
        "--film",
        "film-b",
        "--scanner",
        "scanner-b",
        "--out",
        str(tmp_path),
    ]
    assert main(words) == 0
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["strip-01.tif", "strip-01.truth.json", "strip-02.tif", "strip-02.truth.json"]
    assert "strip-02.tif" in capsys.readouterr().out
