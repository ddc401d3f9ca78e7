"""The folder of profiles, and what lies in it."""

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.problem import SettingsProblem


def profiles_folder() -> Path:
    """Return the folder of the profiles: inside the installed package, else beside it."""
    inside = Path(__file__).parent / "data"
    return inside if inside.is_dir() else Path(__file__).parents[2] / "profiles"


@cache
def shipped(name: str) -> dict[str, Any]:
    """Return what a TOML file of the profiles folder holds, read once; nobody may change it."""
    return tomllib.loads((profiles_folder() / name).read_text("utf-8"))


def profile_names(kind: str) -> tuple[str, ...]:
    """Return the names of the profiles of a kind ('film', 'scanner') that come with evenroll."""
    return tuple(sorted(path.stem for path in (profiles_folder() / f"{kind}s").glob("*.toml")))


def profile_path(name: str, kind: str) -> Path:
    """Return the file of a profile of a kind ('film', 'scanner'), by name or by its own path.

    Raises SettingsProblem if it is neither one of these nor ends in .toml; the message lists those
    there are.
    """
    if name.endswith(".toml"):
        return Path(name)
    names = profile_names(kind)
    if name not in names:
        raise SettingsProblem(
            None,
            f"there is no {kind} profile '{name}'",
            f"choose one of {', '.join(names)}, or give a .toml file",
        )
    return profiles_folder() / f"{kind}s" / f"{name}.toml"
