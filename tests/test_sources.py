"""Every fact says where it is from, and every citation finds its fact."""

import ast
import re
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest

from tests.sources import SOURCES

ROOT = Path(__file__).parents[1]
CITATION = re.compile(r"sources\.toml\s*((?:[#\s]*\[[a-z0-9-]+\],?)+)|SOURCES\[\"([a-z0-9-]+)\"\]")
UNNAMED = "common practice, no source"
KNOWN = {"read", "secondary transcription", "from memory", UNNAMED}
# Whoever says that a figure is published says where.
CLAIM = re.compile(r"\b(published|transcription|secondary source)\b", re.IGNORECASE)
NAMED = re.compile(
    r"\b(ISO|IEC|CIE|CIEDE2000|SMPTE|ITU|ICC|ACES|Academy|publication [A-Z]+-\d+|colour-science"
    r"|zxing-cpp)\b|sources\.toml|from memory|no source|not published"
)


def texts() -> dict[Path, str]:
    """Return what is written by hand: code, profiles and documents."""
    folders = (ROOT / name for name in ("pipeline", "profiles", "tests"))
    paths = chain(ROOT.glob("*.md"), *(folder.rglob("*.*") for folder in folders))
    return {
        path: path.read_text("utf-8")
        for path in paths
        if path.suffix in {".py", ".toml", ".md"} and path.stem not in ("sources", "test_sources")
    }


def cited(text: str) -> set[str]:
    keys = (re.findall(r"[a-z0-9-]+", many or one) for many, one in CITATION.findall(text))
    return set(chain.from_iterable(keys))


def test_citations_and_facts_are_the_same():
    found = {key: path for path, text in texts().items() for key in cited(text)}
    assert set(found) == set(SOURCES)


def test_each_fact_says_how_it_is_known():
    for source in SOURCES.values():
        assert source["fact"]
        assert source["known"] in KNOWN
        assert bool(source["publication"]) == (source["known"] != UNNAMED)
        assert "not noted" not in source["publication"]


def told(path: Path, text: str) -> Iterator[str]:
    """Yield what a file says in words: blocks of comments, docstrings, values of keys."""
    yield from re.findall(r"(?:^[ \t]*#.*\n)+", text, re.MULTILINE)
    if path.suffix == ".py":
        kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
        nodes = [node for node in ast.walk(ast.parse(text)) if isinstance(node, kinds)]
        yield from filter(None, map(ast.get_docstring, nodes))
    elif path.suffix == ".toml":
        yield from re.findall(r"^\s*\w+ *= *\".*", text, re.MULTILINE)


def test_what_is_published_is_named():
    unnamed = [
        (path.relative_to(ROOT).as_posix(), words)
        for path, text in texts().items()
        if path.relative_to(ROOT).parts[0] in ("tests", "profiles")
        for words in told(path, text)
        if CLAIM.search(words) and not NAMED.search(words)
    ]
    assert not unnamed


@pytest.mark.parametrize("text", ["# as published\n", '"""Published figures."""\n', "x = 1\n"])
def test_a_claim_without_a_name_is_seen(text):
    claims = [words for words in told(Path("a.py"), text) if CLAIM.search(words)]
    assert bool(claims) == ("ublished" in text)


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("Source: sources.toml [d-min], whose lowest", {"d-min"}),
        ("# sources.toml [d-min],\n# [slopes].", {"d-min", "slopes"}),
        ('LOW = SOURCES["d-min"]["lowest"]', {"d-min"}),
        ("sources.toml holds [d-min]", set()),
    ],
)
def test_citation_is_read(text, keys):
    assert cited(text) == keys
