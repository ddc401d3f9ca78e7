"""The library itself is the reference; here only that it comes quietly, and late."""

import subprocess
import sys
import warnings
from pathlib import Path

from pipeline.profile.space import colour_science


def test_the_library_comes_without_a_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "ACEScg" in colour_science().RGB_COLOURSPACES


def test_the_command_starts_without_it_and_what_reads_pictures():
    late = {"colour", "PIL", "tifffile", "scipy", "cv2", "numba"}
    told = f"import sys, pipeline.command.cli; print({late} & set(sys.modules))"
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "set()"


def test_a_roll_with_a_chart_is_done_without_it(tmp_path):
    scan = Path(__file__).parents[2] / "sample_scans" / "strip-1.tif"
    told = "import sys; sys.modules['colour'] = None; from pipeline.command.cli import main; main()"
    words = ["convert", str(scan), "-o", str(tmp_path / "out")]
    ran = subprocess.run([sys.executable, "-c", told, *words], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    assert "chart on frame" in ran.stdout
    assert list((tmp_path / "out").glob("*.tif"))
