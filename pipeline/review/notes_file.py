"""The file of a roll's notes: where it is, what it holds, and how it is changed as a whole."""

from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.problem import SettingsProblem
from pipeline.settings import ROLL_FILE, Roll, Settings, read_roll_file, with_changes
from pipeline.whole_file import output_problem, write_text


def notes_path(roll: Roll) -> Path:
    """Return where the notes of a roll are: roll.toml beside its scans.

    Raises SettingsProblem if the roll has no folder.
    """
    if roll.beside is None:
        remedy = "name a folder of scans"
        raise SettingsProblem(None, "the roll has no folder for its notes", remedy)
    return roll.beside / ROLL_FILE


def text_of(path: Path) -> str | None:
    """Return what the notes hold, None where there is no file.

    Raises SettingsProblem if they can't be read as text.
    """
    try:
        # As bytes, so that line ends stay as the user's editor writes them.
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsProblem(path, "can't be read as text", "see to the file") from error


def check_notes(text: str, path: Path) -> None:
    """Raise SettingsProblem if notes make no sense, before they take the place of others."""
    with TemporaryDirectory(prefix="evenroll-") as folder:
        trial = Path(folder) / ROLL_FILE
        trial.write_text(text, "utf-8")
        try:
            _, changes = read_roll_file(trial)
            with_changes(Settings(), changes, trial)
        except SettingsProblem as problem:
            raise SettingsProblem(path, problem.what, problem.remedy) from problem


def put_notes(path: Path, text: str | None) -> None:
    """Write notes, whole or not at all; take their file away where there were none.

    Raises OutputProblem if the file can't be written or taken away.
    """
    if text is not None:
        write_text(path, text, users=True)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise output_problem(path, error) from error
