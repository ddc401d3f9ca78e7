"""The library itself is the reference; here only that it comes quietly, and late."""

import subprocess
import sys
import warnings

from pipeline.profile.space import colour_science


def test_the_library_comes_without_a_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "ACEScg" in colour_science().RGB_COLOURSPACES


def test_the_command_starts_without_it():
    told = "import sys, pipeline.command.cli; print('colour' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "False"
