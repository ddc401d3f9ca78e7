"""Published facts by their keys in tests/data/sources.toml, with where each is from."""

import tomllib
from pathlib import Path
from typing import Any

SOURCES: dict[str, dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "data" / "sources.toml").read_text("utf-8")
)
