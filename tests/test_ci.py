"""What CI runs, in a small checkout with stand-ins for what it installs: no failure passes."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import settings
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
GOOD = "import pytest\n\n@pytest.mark.parametrize('n', [1, 2])\ndef test_one(n):\n    assert n\n"
SKIPPED = "import pytest\n\n@pytest.mark.skip('no')\ndef test_two():\n    pass\n"
# Each program ends with what a variable of its name says; an environment holds the others.
STAND_IN = '#!/bin/sh\nexit "${%s:-0}"\n'
PYTHON = f"""#!/bin/sh
[ "${{VENV:-0}}" = 0 ] || exit "$VENV"
mkdir -p .venv/bin && cp "$STAND_INS"/* .venv/bin
echo "#!/bin/sh
export PYTEST_DISABLE_PLUGIN_AUTOLOAD=1
exec {sys.executable} -m pytest tests" > .venv/bin/pytest
chmod +x .venv/bin/pytest
"""


def program(path: Path, text: str) -> None:
    path.write_text(text)
    path.chmod(0o755)


@pytest.fixture
def checkout(tmp_path, monkeypatch) -> Path:
    """Return a checkout with one test file, whose environment is made of stand-ins."""
    root, path, installed = (tmp_path / name for name in ("checkout", "path", "installed"))
    (root / "tests").mkdir(parents=True)
    shutil.copytree(ROOT / ".ci", root / ".ci")
    shutil.copy(ROOT / "README.md", root)
    (root / "tests" / "test_small.py").write_text(GOOD)
    for folder, names in (path, ("exiftool", "chromium")), (installed, ("pip", "ruff", "mypy")):
        folder.mkdir()
        for name in names:
            program(folder / name, STAND_IN % name.upper())
    program(path / "python3", PYTHON)
    monkeypatch.setenv("PATH", str(path), prepend=os.pathsep)
    monkeypatch.setenv("STAND_INS", str(installed))
    monkeypatch.delenv("PYTEST_ADDOPTS", raising=False)
    return root


def run_ci(checkout: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", checkout / ".ci" / "run"], capture_output=True, text=True, check=False
    )


def test_all_well(checkout):
    (checkout / ".venv").mkdir()
    (checkout / ".venv" / "stale").touch()
    ran = run_ci(checkout)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.endswith("2 tests passed, of 1 of 1 test functions\n")
    assert not (checkout / ".venv" / "stale").exists()


@pytest.mark.parametrize("program", ["VENV", "PIP", "RUFF", "MYPY"])
def test_what_fails_on_the_way_fails_the_run(checkout, program, monkeypatch):
    # What an earlier run left must not stand in for what could not be installed.
    assert run_ci(checkout).returncode == 0
    monkeypatch.setenv(program, "4")
    assert run_ci(checkout).returncode == 4


@pytest.mark.parametrize(
    "tests",
    [
        {"test_small.py": "def test_one():\n    assert False\n"},
        {"test_small.py": ""},
        {},
        {"test_small.py": GOOD, "test_other.py": SKIPPED},
        {"test_small.py": GOOD, "test_other.py": "class Other:\n    def test_two(self): ...\n"},
    ],
    ids=["fails", "empty", "none", "skipped", "not collected"],
)
def test_tests_that_fail_or_do_not_run_fail_the_run(checkout, tests):
    (checkout / "tests" / "test_small.py").unlink()
    for name, text in tests.items():
        (checkout / "tests" / name).write_text(text)
    assert run_ci(checkout).returncode != 0


def test_tests_left_out_by_an_option_fail_the_run(checkout, monkeypatch):
    (checkout / "tests" / "test_other.py").write_text("def test_two():\n    pass\n")
    assert run_ci(checkout).returncode == 0
    monkeypatch.setenv("PYTEST_ADDOPTS", "-k two")
    assert run_ci(checkout).returncode != 0


def test_ci_has_a_version_of_every_library_asked_for():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    pins = dict(
        line.lower().split("==")
        for line in (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
        if not line.startswith("#")
    )
    held = {canonicalize_name(name): version for name, version in pins.items()}
    for asked in map(Requirement, [*project["dependencies"], *extras["test"]]):
        assert held[canonicalize_name(asked.name)] in asked.specifier, asked


def test_drawn_examples_are_held_to_no_clock_and_in_ci_drawn_alike():
    assert settings.default.deadline is None
    assert settings.default.derandomize == ("CI" in os.environ)
