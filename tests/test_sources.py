"""Every fact says where it is from, and every citation finds its fact."""

import re
from itertools import chain
from pathlib import Path

import pytest

from tests.sources import SOURCES

ROOT = Path(__file__).parents[1]
CITATION = re.compile(r"sources\.toml\s*((?:[#\s]*\[[a-z0-9-]+\],?)+)|SOURCES\[\"([a-z0-9-]+)\"\]")
KNOWN = {
    "read", "secondary transcription", "worked out", "from memory", "common practice, no source",
}  # fmt: skip


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
        assert source["publication"]
        assert source["known"] in KNOWN


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
