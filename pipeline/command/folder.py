"""Scans in a folder that the user names, and what in it is not to be opened."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from pipeline.problem import Problem, ScanProblem
from pipeline.scan import is_scan_name
from pipeline.whole_file import is_ours
from pipeline.words import natural_key


def scans_in(folder: Path) -> tuple[tuple[Path, ...], tuple[ScanProblem, ...]]:
    """Return the scans in a folder in natural order, and what by its name is one but refused.

    What evenroll wrote itself is no scan. Links that lead out of the folder, pipes and devices
    are refused, each with its reason.

    Raises ScanProblem if the folder can't be read or holds no scan.
    """
    try:
        named = [path for path in folder.iterdir() if is_scan_name(path) and not path.is_dir()]
    except OSError as error:
        raise ScanProblem(
            folder, f"can't be read ({error.strerror})", "name a folder of scans"
        ) from error
    named.sort(key=lambda path: (natural_key(path.name), path.name))
    judged = {path: _refusal(path, folder) for path in named}
    scans = tuple(p for p, refusal in judged.items() if not refusal and not _written_by_us(p))
    refused = tuple(refusal for refusal in judged.values() if refusal)
    if not scans:
        remedy = (
            "name the folders in it that hold scans: each is a roll"
            if any(seen(path.is_dir) for path in folder.iterdir())
            else "name a folder with TIFF, PNG or JPEG scans of negatives"
        )
        raise refused[0] if refused else ScanProblem(folder, "holds no scans", remedy)
    return scans, refused


def _refusal(path: Path, folder: Path) -> ScanProblem | None:
    """Return why a file in a folder is not to be opened, or None."""
    if leads_out(path, folder):
        return ScanProblem(
            path, "is a link that leads out of its folder or nowhere", "name its target"
        )
    if not path.is_file():
        return ScanProblem(path, "is no plain file", "take it out of the folder")
    return None


def leads_out(path: Path, folder: Path) -> bool:
    """Tell whether a file is a link to something outside its folder, or to nothing."""
    if not seen(path.is_symlink):
        return False
    try:
        return not path.resolve(strict=True).is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        return True


def seen(look: Callable[[], bool], hidden: bool = False) -> bool:
    """Return what a look at a path tells, or `hidden` where the system lets nobody look."""
    try:
        return look()
    except OSError:
        return hidden


def _written_by_us(path: Path) -> bool:
    with suppress(Problem):
        return is_ours(path)
    return False
