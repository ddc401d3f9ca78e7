"""Rolls out of what the user names: folders and files, with the roll.toml beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.problem import Problem, ScanProblem, SettingsProblem
from pipeline.roll_survey import Roll, safe_name
from pipeline.scan import is_scan_name
from pipeline.settings import ROLL_FILE, RollNotes, Settings, read_roll_file, with_changes
from pipeline.whole_file import is_ours
from pipeline.words import natural_key


def scans_in(folder: Path) -> tuple[tuple[Path, ...], tuple[ScanProblem, ...]]:
    """Return the scans in a folder in natural order, and what by its name is one but refused.

    What evenroll wrote itself is no scan. Links that lead out of the folder, pipes and devices
    are refused, each with its reason.

    Raises
    ------
    ScanProblem
        If the folder can't be read or holds no scan.
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
        raise (
            refused[0]
            if refused
            else ScanProblem(
                folder, "holds no scans", "name a folder with TIFF, PNG or JPEG scans of negatives"
            )
        )
    return scans, refused


def _refusal(path: Path, folder: Path) -> ScanProblem | None:
    """Return why a file in a folder is not to be opened, or None."""
    if _leads_out(path, folder):
        return ScanProblem(
            path, "is a link that leads out of its folder or nowhere", "name its target"
        )
    if not path.is_file():
        return ScanProblem(path, "is no plain file", "take it out of the folder")
    return None


def _leads_out(path: Path, folder: Path) -> bool:
    """Tell whether a file is a link to something outside its folder, or to nothing."""
    if not path.is_symlink():
        return False
    try:
        return not path.resolve(strict=True).is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        return True


def _written_by_us(path: Path) -> bool:
    try:
        return is_ours(path)
    except Problem:
        return False


def _roll(
    scans: tuple[Path, ...], beside: Path, changes: Mapping[str, Any], name: str | None
) -> Roll:
    notes, settings = RollNotes(), Settings()
    roll_file = beside / ROLL_FILE
    if _leads_out(roll_file, beside):
        raise SettingsProblem(
            roll_file, "is a link that leads out of its folder or nowhere", "put the file there"
        )
    if roll_file.exists():
        notes, told = read_roll_file(roll_file)
        settings = with_changes(settings, told, roll_file)
    settings = with_changes(settings, changes)
    if settings.scanner_profile is not None and settings.scanner_profile.endswith(".toml"):
        # Workers may start from another folder.
        path = Path(settings.scanner_profile).absolute()
        settings = replace(settings, scanner_profile=str(path))
    return Roll(safe_name(name or notes.id or beside.resolve().name), scans, notes, settings)


def gather_rolls(
    paths: Sequence[Path], changes: Mapping[str, Any], name: str | None = None
) -> tuple[Roll, ...]:
    """Return the rolls that the user named: each folder is one, and all single files are one.

    A file that is not there is left to the survey, and a folder without scans is a roll with
    a problem, so that neither stands in the way of the others.

    Parameters
    ----------
    paths
        Folders and files.
    changes
        Settings from the command, which go before those of roll.toml.
    name
        The roll's name, before that of roll.toml and the folder's.

    Raises
    ------
    ScanProblem
        If none of the paths is there.
    SettingsProblem
        If roll.toml or a setting makes no sense.
    """
    folders = list(dict.fromkeys(path for path in paths if path.is_dir()))
    files = tuple(dict.fromkeys(path for path in paths if not path.is_dir()))
    if paths and not any(path.exists() for path in paths):
        raise ScanProblem(paths[0], "is not there", "check the name")
    rolls = [_folder_roll(folder, changes, name) for folder in folders]
    if files and len(folders) == 1:
        only = rolls[0]
        scans = tuple(dict.fromkeys(only.scans + files))
        rolls = [replace(only, scans=scans, problem=None)]
    elif files:
        rolls.append(_roll(files, files[0].parent, changes, name))
    return tuple(rolls)


def _folder_roll(folder: Path, changes: Mapping[str, Any], name: str | None) -> Roll:
    try:
        scans, refused = scans_in(folder)
        return replace(_roll(scans, folder, changes, name), refused=refused)
    except ScanProblem as problem:
        return replace(_roll((), folder, changes, name), problem=problem)
