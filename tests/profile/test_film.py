"""Film profiles: sources.toml, the ADX chain of SMPTE ST 2065-3, and slips in a file."""

import tomllib
from pathlib import Path

import numpy as np
import PyOpenColorIO
import pytest

from pipeline.colour.solve import solve_roll
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.problem import SettingsProblem
from pipeline.profile.film import film_names, find_film, read_film
from pipeline.profile.folder import profiles_folder, shipped
from pipeline.render.scene import to_scene
from tests.sources import SOURCES

GENERIC = profiles_folder() / "films" / "generic.toml"
ADX = profiles_folder() / "films" / "adx.toml"
OPEN_FILMS = ("generic", "generic-high-contrast", "generic-low-contrast")


@pytest.mark.parametrize("name", OPEN_FILMS)
def test_films_have_the_published_base_and_slopes(name):
    film, base, slopes = find_film(name), SOURCES["d-min"], SOURCES["slopes"]
    assert film.base_status_m == tuple(base["median"])
    assert film.base_low == tuple(base["lowest"])
    assert film.base_high == tuple(base["highest"])
    assert (np.array(film.slopes()) >= slopes["lowest"]).all()
    assert (np.array(film.slopes()) <= slopes["highest"]).all()


def test_contrast_profiles_are_the_ends_of_the_published_range():
    assert find_film("generic-high-contrast").slopes() == tuple(SOURCES["slopes"]["highest"])
    assert find_film("generic-low-contrast").slopes() == tuple(SOURCES["slopes"]["lowest"])


@pytest.mark.parametrize("name", OPEN_FILMS)
def test_films_take_neutral_light_to_neutral(name):
    film = find_film(name)
    assert np.sum(film.scene, axis=1) == pytest.approx([1.0, 1.0, 1.0])
    assert np.sum(film.unmask, axis=1) == pytest.approx([1.0, 1.0, 1.0])
    assert not film.fixed


def test_generic_unmasking_lessens_what_the_dyes_do_to_each_other():
    dyes = np.array(SOURCES["unit-dyes"]["without_mask"])
    undone = np.asarray(find_film("generic").unmask) @ dyes

    def crosstalk(matrix):
        return np.abs(matrix / np.diag(matrix)[:, None] - np.eye(3)).sum()

    assert crosstalk(undone) < 0.8 * crosstalk(dyes)


@pytest.mark.parametrize("name", film_names())
def test_every_part_of_a_profile_names_its_source(name):
    film = find_film(name)
    assert set(film.sources) == {"base", "unmask", "layers", "scene", "spread"}
    assert all(source.strip() for source in film.sources.values())


def built_in(name: str):
    """Return one of OpenColorIO's built-in transforms as a function of float32 colours."""
    transform = PyOpenColorIO.BuiltinTransform(name)
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform)
    run = processor.getDefaultCPUProcessor()

    def applied(colours: np.ndarray) -> np.ndarray:
        result = np.array(colours, np.float32, order="C")
        run.applyRGB(result)
        return result.astype(float)

    return applied


def adx_codes() -> np.ndarray:
    """Return codes of 16 bits: every grey, a grid from end to end, and codes at random."""
    steps = np.linspace(0, 65535, 17).round()
    grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    greys = np.repeat(np.arange(65536.0)[:, None], 3, axis=1)
    return np.concatenate([greys, grid, np.random.default_rng(5).integers(0, 65536, (4000, 3))])


def test_adx_profile_is_the_published_chain_over_the_whole_code_range():
    # Independent reference: OpenColorIO's built-in ADX16_to_ACES2065-1, and its matrix between
    # the scene spaces. SMPTE ST 2065-3: density above base = (code - 1520) / 8000.
    codes = adx_codes()
    to_aces = built_in("ACEScg_to_ACES2065-1")(np.eye(3))
    chain = from_profile(find_film("adx"))
    ours = scene_light((codes - 1520) / 8000, chain) @ to_aces
    theirs = built_in("ADX16_to_ACES2065-1")(codes / 65535)
    assert np.abs(ours / theirs - 1).max() < 1e-4


def test_adx_profile_renders_a_picture_as_the_published_chain():
    # The same through the pipeline's own float32; code 0 is the least density it keeps.
    codes = adx_codes()[::7][:9800].reshape(70, 140, 3)
    above = ((codes - 1520) / 8000).astype(np.float32)
    ours = to_scene(above, from_profile(find_film("adx"))).reshape(-1, 3)
    theirs = built_in("ADX16_to_ACES2065-1")(codes.reshape(-1, 3) / 65535)
    ours = ours @ built_in("ACEScg_to_ACES2065-1")(np.eye(3))
    assert np.abs(ours / theirs - 1).max() < 1e-4


def test_adx_profile_puts_grey_where_it_is_published():
    # 18 % grey is code 445 of 10 bits: density 0.70.
    grey = scene_light(np.full((1, 3), (445 - 95) / 500), from_profile(find_film("adx")))
    assert grey == pytest.approx(0.18, rel=1e-5)


def test_a_roll_does_not_change_a_fixed_profile():
    film = find_film("adx")
    pictures = [np.random.default_rng(1).uniform(0.2, 1.4, (400, 3)) for _ in range(5)]
    assert film.fixed
    assert solve_roll(pictures, film) == from_profile(film)


def test_profiles_are_found_by_name_and_by_path(tmp_path):
    assert "generic" in film_names()
    copy = tmp_path / "mine.toml"
    copy.write_bytes(b"\xef\xbb\xbf" + GENERIC.read_bytes())
    assert find_film(str(copy)).name == "mine"
    assert find_film(str(copy)).curves == find_film("generic").curves
    assert find_film("generic").source


@pytest.mark.parametrize("name", ["", "none", "../films/generic", "Generic"])
def test_unknown_profile_is_answered_with_those_there_are(name):
    with pytest.raises(SettingsProblem, match=r"choose one of .*generic"):
        find_film(name)


def changed(folder: Path, key: str, line: str, profile: Path = GENERIC) -> Path:
    """Write a profile with the value at a dotted key replaced; '' leaves it out."""
    *heading, last = key.split(".")
    section, lines, skipping = "", [], False
    for text in profile.read_text("utf-8").splitlines():
        if text.startswith("["):
            section = text.strip("[]")
        name = text.partition("=")[0].strip()
        if name == last and section == ".".join(heading):
            skipping = text.rstrip().endswith("= [")
            lines += [f"{last} = {line}"] if line else []
        elif not skipping:
            lines.append(text)
        elif text == "]":
            skipping = False
    path = folder / "changed.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    tomllib.loads(path.read_text("utf-8"))
    return path


KEYS = (
    "source", "base.status_m", "base.lowest", "base.highest", "unmask.matrix", "scene.matrix",
    "base.source", "unmask.source", "layers.source", "scene.source", "spread.source",
    "layers.red.shoulder.density", "layers.green.shoulder.softness", "layers.blue.shoulder.slope",
    "layers.red.slope", "layers.green.toe_log_exposure", "layers.blue.toe_power",
    "spread.slope", "spread.speed_log_e",
)  # fmt: skip


@pytest.mark.parametrize(
    ("key", "value"),
    [
        *((key, "true") for key in KEYS),
        *(("layers.red.slope", bad) for bad in ("", "nan", "''", "[1, 2]", "1e99", "[[1, 2], 3]")),
    ],
)
def test_bad_value_is_refused_with_file_and_key(tmp_path, key, value):
    path = changed(tmp_path, key, value)
    with pytest.raises(SettingsProblem, match=rf"changed\.toml: key '{key}' ") as told:
        read_film(path)
    assert told.value.path == path


def test_matrix_for_status_m_may_be_missing_but_not_wrong(tmp_path):
    assert read_film(changed(tmp_path, "unmask.status_m", "")).unmask_status_m is None
    with pytest.raises(SettingsProblem, match=r"'unmask\.status_m' is \[1, 2\], not three rows"):
        read_film(changed(tmp_path, "unmask.status_m", "[1, 2]"))


@pytest.mark.parametrize("value", ["5", "[5]", "'115-10'"])
def test_film_codes_that_are_no_list_of_texts_are_refused(tmp_path, value):
    path = tmp_path / "mine.toml"
    path.write_text(f"film_codes = {value}\n{GENERIC.read_text('utf-8')}", "utf-8")
    with pytest.raises(SettingsProblem, match=r"mine\.toml: key 'film_codes' is .* not a list of"):
        read_film(path)


def test_matrix_that_cannot_be_undone_is_refused(tmp_path):
    path = changed(tmp_path, "unmask.matrix", "[[1, 2, 3], [2, 4, 6], [0, 0, 1]]")
    with pytest.raises(SettingsProblem, match=r"'unmask\.matrix' can't be inverted"):
        read_film(path)


@pytest.mark.parametrize(
    ("key", "value", "reason"),
    [
        ("layers.red.points", "[[0, -2]]", "is not a list of two points or more"),
        (
            "layers.red.points",
            "[[0, -2], [1]]",
            r"is \[.*, \[1\]\], not points of density and log10",
        ),
        ("layers.red.points", "[[0, -2], [0, 1]]", "has points that do not rise"),
        ("layers.red.points", "[[0, 2], [1, 1]]", "has points that do not rise"),
        ("layers.red.points", "[[0, -2], [1, nan]]", r"is \[.*, nan\]\], not points of density"),
        ("scene.space", '"srgb"', "is 'srgb', not one of acescg, aces2065-1"),
        ("fixed", '"yes"', "is 'yes', not true or false"),
    ],
)
def test_slip_in_a_profile_of_points_is_refused_with_the_reason(tmp_path, key, value, reason):
    path = changed(tmp_path, key, value, ADX)
    with pytest.raises(SettingsProblem, match=rf"changed\.toml: key '{key}' {reason}"):
        read_film(path)


def test_shoulder_that_rises_faster_than_the_line_is_refused(tmp_path):
    path = changed(tmp_path, "layers.red.shoulder.slope", "0.9")
    with pytest.raises(SettingsProblem, match=r"'layers\.red\.shoulder\.slope' is 0\.9, not a"):
        read_film(path)


def test_base_outside_its_own_range_is_refused(tmp_path):
    path = changed(tmp_path, "base.status_m", "[0.21, 0.93, 0.88]")
    with pytest.raises(SettingsProblem, match=r"'base\.status_m' is not between"):
        read_film(path)


def test_layer_that_is_no_table_is_refused(tmp_path):
    text = GENERIC.read_text("utf-8")
    start, end = text.index("[layers.red]"), text.index("[layers.green]")
    path = tmp_path / "flat.toml"
    path.write_text(text[:start].rstrip() + "\nred = 0.6\n\n" + text[end:], "utf-8")
    with pytest.raises(SettingsProblem, match=r"flat\.toml: key 'layers\.red' is not a table"):
        read_film(path)


@pytest.mark.parametrize(("line", "speed"), [("iso = 400", 400), ("", None)])
def test_speed_is_told_if_known(tmp_path, line, speed):
    heading = "[speed]\n" if line else ""
    path = tmp_path / "fast.toml"
    path.write_text(f"{GENERIC.read_text('utf-8')}\n{heading}{line}\n", "utf-8")
    assert read_film(path).iso == speed


@pytest.mark.parametrize("content", [b"=", b"\xff", b"a = " + b"[" * 9000])
def test_what_is_no_toml_is_refused_by_name(tmp_path, content):
    path = tmp_path / "broken.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsProblem, match=r"broken\.toml: can't be read as a film profile"):
        read_film(path)
    with pytest.raises(SettingsProblem, match="can't be read as a film profile"):
        find_film(str(tmp_path / "absent.toml"))


def test_files_of_the_profiles_folder_are_read_once():
    import tomllib

    path = profiles_folder() / "process.toml"
    assert shipped("process.toml") == tomllib.loads(path.read_text("utf-8"))
    assert shipped("process.toml") is shipped("process.toml")
    with pytest.raises(FileNotFoundError):
        shipped("nothing.toml")
