"""Logarithm and power of the compiled loops, beside those of float64."""

import importlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import compiled as module
from pipeline.compiled import exp2, held_exp2, log2

_LOOPS = """
from pipeline.compiled import compiled

@compiled("float64(float64)")
def {name}(value):
    return value + {name_of_other}

with open({note!r}, "a") as file:
    import os
    file.write(f"{{os.getpid()}}\\n")
"""


@given(st.floats(-126.0, 126.0, width=32))
def test_power_is_that_of_float64(value):
    assert exp2(np.float32(value)) == pytest.approx(2.0**value, rel=3e-7)


@given(st.floats(2.0**-120, 2.0**120, width=32))
def test_logarithm_is_that_of_float64(value):
    told = np.log2(np.float64(value))
    assert log2(np.float32(value)) == pytest.approx(told, rel=2e-7, abs=2e-7)


@pytest.mark.parametrize(
    ("value", "told"), [(-1e30, 2.0**-126), (-127.0, 2.0**-126), (1e30, 2.0**126)]
)
def test_power_is_held_where_that_is_asked(value, told):
    assert held_exp2(np.float32(value)) == pytest.approx(told, rel=1e-6)


def test_ones_stay_ones():
    assert exp2(np.float32(0.0)) == 1.0
    assert log2(np.float32(1.0)) == 0.0


@pytest.fixture
def loops(tmp_path, monkeypatch) -> Path:
    """Return a package of two modules with a loop each, none of them compiled yet."""
    package = tmp_path / f"loops_of_{tmp_path.name}"
    package.mkdir()
    (package / "__init__.py").touch()
    for name in ("one", "two"):
        note = str(tmp_path / "processes")
        text = _LOOPS.format(name=name, name_of_other=len(name), note=note)
        (package / f"{name}.py").write_text(text)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(module, "_compile_apart", lambda: None)
    return package


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that fork")
def test_each_module_is_compiled_by_a_process_of_its_own(loops: Path):
    own = f"import sys; sys.path[:] = {sys.path!r}; from pathlib import Path"
    compiles = f"from pipeline.compiled import compile_all; compile_all(Path({str(loops)!r}))"
    uses = f"from {loops.name}.one import one; print(one(1.0), len(one.stats.cache_hits))"
    env = {**os.environ, module._FOR_ANOTHER: "1"}
    subprocess.run([sys.executable, "-c", f"{own}; {compiles}"], env=env, check=True)
    processes = (loops.parent / "processes").read_text().split()
    assert len(set(processes)) == 2
    command = [sys.executable, "-c", f"{own}; {uses}"]
    ran = subprocess.run(command, env=env, check=True, capture_output=True, text=True)
    assert ran.stdout == "4.0 1\n"


def test_what_is_kept_is_not_compiled_again(loops: Path, monkeypatch):
    asked: list[str] = []
    monkeypatch.setattr(module, "_compile_apart", lambda: asked.append("all"))
    importlib.import_module(f"{loops.name}.two")
    assert asked == ["all"]
    del sys.modules[f"{loops.name}.two"]
    importlib.import_module(f"{loops.name}.two")
    assert asked == ["all"]


def test_another_process_is_had_once_and_by_none_that_compiles_for_another(monkeypatch):
    ran: list[dict[str, str]] = []
    monkeypatch.setattr(module.subprocess, "run", lambda *_, env, **__: ran.append(env))
    module._compile_apart.cache_clear()
    module._compile_apart()
    module._compile_apart()
    (env,) = ran
    monkeypatch.setattr(module.os, "environ", env)
    module._compile_apart.cache_clear()
    module._compile_apart()
    assert len(ran) == 1
