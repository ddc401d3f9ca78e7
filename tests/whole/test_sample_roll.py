"""The sample roll in sample_scans: complete, readable, true to its plan, small."""

import json
import tomllib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import tifffile

from tests.film_model.roll import lay_out
from tests.film_model.sample_roll import load_plan, planned_roll, record_text, sample_scan
from tests.film_model.sample_roll import write_sample as write_sample_roll

ROOT = Path(__file__).parents[2]
SCANS = ROOT / "sample_scans"
TRUTH = json.loads((ROOT / "tests" / "data" / "sample_truth.json").read_text(encoding="utf-8"))


def scan_paths() -> list[Path]:
    return sorted(SCANS.glob("*.tif"))


def test_folder_is_complete_and_small() -> None:
    names = [path.name for path in scan_paths()]
    assert names == [f"strip-{number}.tif" for number in range(1, 8)]
    assert sorted(TRUTH) == names
    assert sum(path.stat().st_size for path in SCANS.iterdir()) < 22_000_000
    assert not list(SCANS.glob("*.json"))


@pytest.mark.parametrize("path", scan_paths(), ids=lambda path: path.name)
def test_scans_are_sixteen_bit_rgb_with_resolution(path: Path) -> None:
    with tifffile.TiffFile(path) as tif:
        page = tif.pages[0]
        assert page.dtype == np.uint16
        assert page.shape == (*TRUTH[path.name]["size_px"][::-1], 3)
        assert page.tags["XResolution"].value == (round(TRUTH[path.name]["ppi"]), 1)
        assert page.tags["ResolutionUnit"].value == 2
        assert page.compression == tifffile.COMPRESSION.ADOBE_DEFLATE
        codes = page.asarray()
    # A converter of fewer bits in a 16 bit file leaves the lowest ones empty, and no more.
    step = 1 << (16 - TRUTH[path.name]["scanner"]["bits"])
    assert not (codes & (step - 1)).any()
    assert (codes & step).any()
    assert (codes == codes.max()).mean() < 0.001


def test_one_strip_is_fine_enough_to_show_grain_and_sharpness() -> None:
    """At 1200 ppi a pixel is 21 um, about what lens and emulsion resolve (from memory)."""
    assert [TRUTH[path.name]["ppi"] for path in scan_paths()] == [195.0] * 6 + [1200.0]


def test_roll_holds_what_a_roll_holds() -> None:
    """36 exposures give 36 to 39 frames (common practice, no source)."""
    frames = [f for truth in TRUTH.values() for s in truth["strips"] for f in s["frames"]]
    assert [f["number"] for f in frames] == [str(n) for n in range(1, 39)]
    assert [f["number"] for f in frames if f["kind"] == "blank"] == ["28"]
    assert [f["number"] for f in frames if f["exposure_stops"] <= -3] == ["21"]
    assert [f["number"] for f in frames if "patches" in f] == ["2"]
    assert len({json.dumps(f["scene"]) for f in frames}) == 38
    gains = np.array([truth["scanner"]["gains"] for truth in TRUTH.values()])
    assert 0.02 < gains.std() < 0.08


def test_gaps_vary_as_a_mechanical_camera_s() -> None:
    gates = lay_out(planned_roll(load_plan())).gates
    gaps = np.array([b.u0_mm - a.u1_mm for a, b in pairwise(gates)])
    assert gaps.min() > 1.2
    assert gaps.max() < 3.2
    assert 0.1 < gaps.std() < 0.4


def test_record_is_the_plan_s() -> None:
    text = (SCANS / "roll.toml").read_text(encoding="utf-8")
    assert text == record_text(load_plan())
    record = tomllib.loads(text)
    assert set(record) == {
        "id",
        "film",
        "iso",
        "camera",
        "lens",
        "photographer",
        "place",
        "date",
        "developed",
        "expected_frames",
        "batch",
    }
    assert set(record["batch"]) == {"name", "mixed", "rolls_before", "temperature_c"}
    assert record["expected_frames"] == 38


def test_committed_scans_are_what_the_model_makes() -> None:
    index = 4
    again = sample_scan(load_plan(), index)
    committed = tifffile.imread(SCANS / f"strip-{index + 1}.tif").astype(int)
    difference = np.abs(again.codes.astype(int) - committed)
    # Other processors round the last bit of float32 otherwise: one step of the converter is 8.
    assert (difference > 8).mean() < 0.001
    assert rounded(again.truth) == rounded(TRUTH[f"strip-{index + 1}.tif"])


def rounded(truth: object) -> object:
    """Return a truth as read from JSON, its numbers to nine decimals."""
    return json.loads(json.dumps(truth), parse_float=lambda text: round(float(text), 9))


def test_writing_leaves_scans_record_and_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = load_plan()
    plan["strips"], plan["scanner"]["ppi"] = plan["strips"][3:5], 40.0
    monkeypatch.setattr("tests.film_model.sample_roll.load_plan", lambda: plan)
    write_sample_roll(tmp_path / "scans", tmp_path / "truth.json")
    names = sorted(path.name for path in (tmp_path / "scans").iterdir())
    assert names == ["roll.toml", "strip-1.tif", "strip-2.tif"]
    assert sorted(json.loads((tmp_path / "truth.json").read_text())) == names[1:]
