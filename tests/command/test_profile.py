"""The command's words about film profiles, on a roll of the film model."""

import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest

from pipeline.profile.film import film_names, find_film, read_film
from tests.conftest import Run
from tests.film_model import FrameSpec, Roll, cut_roll, scan_strips, write_scan


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a strip: a chart on frame 01, a grey card on 02, pictures, gravel on 05, bricks."""
    scenes = ("chart", "grey", "table", "quay", "gravel", "brick")
    frames = [FrameSpec(scene) for scene in scenes]
    folder = tmp_path_factory.mktemp("fit") / "quay"
    folder.mkdir()
    strips = cut_roll(Roll("film-b", frames, format="135", seed=2), 6)
    (scan,) = scan_strips(strips, per_scan=1, seed=2, scanner="scanner-d", ppi=150)
    write_scan(folder, "strip-1", scan)
    return folder


def test_fit_writes_a_profile_that_reads_back(scans: Path, tmp_path: Path, run: Run):
    out = tmp_path / "mine.toml"
    ran = run("profile", "fit", scans, "--reference", "01", "-o", out, "--name", "quay film")
    assert ran.code == 0
    film = read_film(out)
    assert film.name == "quay film"
    assert "frame 01 of roll quay, starting from generic" in film.source
    assert film.sources["layers"].startswith("fitted to the 24-patch chart in frame 01")
    assert film.slope_spread < find_film("generic").slope_spread
    assert ran.out.strip().endswith(film.source)
    comments = [line for line in out.read_text("utf-8").splitlines() if line.startswith("#")]
    assert len(comments) == 2 + 24
    # A second run may take its place, but not that of a file of the user's.
    assert run("profile", "fit", scans, "--reference", "1", "-o", out).code == 0


def test_a_profile_of_another_film_by_its_edge_is_told(scans: Path, tmp_path: Path, run: Run):
    own, other = tmp_path / "own.toml", tmp_path / "other.toml"
    run("profile", "fit", scans, "--reference", "01", "-o", own)
    (code,) = read_film(own).film_codes
    other.write_text(own.read_text("utf-8").replace(f'"{code}"', '"100-7"'), "utf-8")
    words = ("convert", scans, "-o", tmp_path / "out", "--dry-run", "--reference", "none")
    told = f"was made from film 100-7, and the edge of this one reads {code}"
    assert told in run(*words, "--profile", other).err
    assert "was made from film" not in run(*words, "--profile", own).err


def test_fit_as_json_tells_the_residuals(scans: Path, tmp_path: Path, run: Run):
    ran = run("profile", "fit", scans, "--reference", "01", "-o", tmp_path / "a.toml", "--json")
    told = json.loads(ran.out)
    patches = np.array(told["delta_e_2000"]["patches"])
    assert patches.shape == (1, 24)
    assert told["delta_e_2000"]["mean"] == pytest.approx(patches.mean(), abs=0.2)
    assert told["delta_e_2000"]["mean"] < 2.5
    assert told["profile"] == "a"


def test_a_grey_card_balances_and_leaves_slopes(scans: Path, tmp_path: Path, run: Run):
    out = tmp_path / "card.toml"
    ran = run("profile", "fit", scans, "--reference", "02", "-o", out)
    assert ran.code == 0
    film = read_film(out)
    assert film.slopes() == pytest.approx(find_film("generic").slopes(), rel=1e-6)
    assert "balanced by the grey card in frame 02" in film.source
    moved = [np.log10(b.toe_exposure / a.toe_exposure) / np.log10(2.0)
             for a, b in zip(find_film("generic").curves, film.curves, strict=True)]  # fmt: skip
    assert f"(R {moved[0] - moved[1]:+.2f}, G +0.00, B {moved[2] - moved[1]:+.2f} stops)" in ran.out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--reference", "09"], "there is no reference frame 09 on the roll"),
        (["--reference", "03"], "shows no 24-patch chart"),
        (["--reference", "05"], "strip-1.tif: reference frame 05 shows no 24-patch chart"),
        (["--reference", "06"], "no even card in its middle, which has a pattern"),
        (["--reference", "01", "--reference", "02"], "charts and grey cards are named together"),
        (["--reference", "01", "--profile", "adx"], "'adx' is a chain of its own"),
        (["--reference", "none"], "no reference frame is named"),
        (["--reference", "first"], "is no frame number"),
    ],
)
def test_what_makes_no_sense_is_told_and_nothing_written(
    scans: Path, tmp_path: Path, run: Run, words: list[str], told: str
):
    ran = run("profile", "fit", scans, *words, "-o", tmp_path / "x.toml")
    assert ran.code == 2
    assert told in ran.err
    assert not (tmp_path / "x.toml").exists()


def test_a_file_of_the_user_s_is_left_alone(scans: Path, tmp_path: Path, run: Run):
    mine = tmp_path / "roll.toml"
    mine.write_text('id = "mine"\n', "utf-8")
    ran = run("profile", "fit", scans, "--reference", "01", "-o", mine)
    assert ran.code == 3
    assert "was not written by evenroll" in ran.err
    assert mine.read_text("utf-8") == 'id = "mine"\n'
    assert run("profile", "fit", scans, "--reference", "01", "-o", tmp_path / "x.tif").code == 2


def test_several_rolls_are_refused(scans: Path, tmp_path: Path, run: Run):
    other = tmp_path / "other"
    shutil.copytree(scans, other)
    ran = run("profile", "fit", scans, other, "--reference", "01", "-o", tmp_path / "x.toml")
    assert ran.code == 2
    assert "several rolls" in ran.err


def test_list_and_show(run: Run):
    listed = run("profile", "list")
    assert listed.code == 0
    assert [line.split()[0] for line in listed.out.splitlines()] == list(film_names())
    shown = run("profile", "show", "generic")
    assert tomllib.loads(shown.out)["layers"]["red"]["slope"] == find_film("generic").slopes()[0]
    assert run("profile", "show", "nothing").code == 2
