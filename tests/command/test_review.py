"""`evenroll review` as a process of its own, and what it says where it can't begin."""

import http.client
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from pipeline.command.cli import evenroll
from tests.conftest import states


@contextmanager
def reviewed(*words, **environment):
    """Yield a process that shows a roll, and the address that it printed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline", "review", *map(str, words), "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | environment,
    )  # fmt: skip
    try:
        line = process.stdout.readline()
        yield process, line.rpartition(" ")[2].strip()
    finally:
        process.kill()
        process.communicate()


def connection_to(address):
    port, token = re.fullmatch(r"http://127\.0\.0\.1:(\d+)/([^/]+)/", address).groups()
    return http.client.HTTPConnection("127.0.0.1", int(port), timeout=60), f"/{token}/"


def answer(address, path="roll"):
    connection, root = connection_to(address)
    try:
        connection.request("GET", root + path)
        response = connection.getresponse()
        return response.status, response.read().decode()
    finally:
        connection.close()


@contextmanager
def listening(address):
    """Yield the status of news that are listened for meanwhile."""
    connection, root = connection_to(address)
    connection.request("GET", f"{root}news")
    response = connection.getresponse()
    try:
        yield response.status
    finally:
        response.close()
        connection.close()


def test_scans_are_shown_and_converted_and_ctrl_c_ends_it(scans, tmp_path):
    out = tmp_path / "out"
    before = states(scans)
    with reviewed(scans, "-o", out) as (process, address):
        assert answer(address)[0] == 200
        end = time.monotonic() + 120
        while not (out / "index.html").exists() and time.monotonic() < end:
            time.sleep(0.2)
        with listening(address) as status:
            assert status == 200
            began = time.monotonic()
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 0
            assert time.monotonic() - began < 10
        assert process.stderr.read().count("Traceback") == 0
    assert len(list(out.glob("*.tif"))) == 6
    assert states(scans) == before


def test_a_result_is_shown_again_with_the_words_it_was_made_with(scans, tmp_path, run):
    out = tmp_path / "out"
    assert run("convert", scans, "-o", out, "--exposure", "0.4", "--roll", "quay").code == 0
    (scans / "strip-2.tif").unlink()
    with reviewed(out) as (_, address):
        told = answer(address)[1]
        assert '"Roll quay"' in told
        assert '"fixed":["exposure"]' in told
        assert "strip-2.tif" in told.partition('"lost"')[2].partition("}")[0]
        assert '"number":"13"' in told


def test_a_port_in_use_is_passed_over(converted, model_roll, tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        out = tmp_path / "out"
        shutil.copytree(converted, out)
        with reviewed(out, "--port", port) as (_, address):
            assert f":{port}/" not in address
            assert answer(address, "")[0] == 200


@pytest.mark.parametrize(
    ("make", "words", "said"),
    [
        (lambda path: path.mkdir(), (), "is no result of convert"),
        (lambda path: None, (), "there is no output folder"),
        (lambda path: path.write_text("x"), (), "there is no output folder"),
        (lambda path: path.mkdir(), ("-o", "out"), "holds no scans"),
    ],
)
def test_what_is_no_roll_is_told_in_a_sentence(tmp_path, run, monkeypatch, make, words, said):
    monkeypatch.chdir(tmp_path)
    make(tmp_path / "harbour")
    ran = run("review", tmp_path / "harbour", *words)
    assert ran.code in (2, 3)
    assert said in ran.err
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize("lacking", ["starlette", "tomlkit", "uvicorn", "watchfiles"])
def test_an_installation_without_the_page_is_told_what_to_install(converted, lacking):
    hidden = f"import sys; sys.modules['{lacking}'] = None; from pipeline.command.cli import main"
    command = f"{hidden}; main(['review', {str(converted)!r}])"
    ran = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True)
    assert ran.returncode == 2
    assert ran.stderr.splitlines() == [
        "this installation can't show the page; run pip install 'evenroll[review]'."
    ]


def test_several_rolls_are_named(model_roll, tmp_path, run):
    rolls = [tmp_path / name for name in ("one", "two")]
    for folder in rolls:
        shutil.copytree(model_roll, folder)
    assert run("convert", *rolls, "-o", tmp_path / "out", "--archive", "none").code == 0
    ran = run("review", tmp_path / "out")
    assert "several rolls (one, two)" in ran.err
    assert "name one" in run("review", *rolls, "-o", tmp_path / "new").err


def test_its_options_are_those_of_convert_that_make_sense_and_its_own():
    names = {
        name: {each.name for each in evenroll.commands[name].params}
        for name in ("convert", "review")
    }
    assert names["review"] - names["convert"] == {"port", "watch", "no_browser"}
    assert names["convert"] - names["review"] == {
        "cluster", "strict", "as_json", "only", "dry_run", "replace_changed", "readings",
        "bath_log", "write_blanks",
    }  # fmt: skip
