"""Charts that a command draws beside what it says: where they may go, and how they are written."""

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.problem import SettingsProblem
from pipeline.whole_file import atomic, check_replaceable, write_text

if TYPE_CHECKING:
    from pipeline.report import Plot

SUFFIXES = (".svg", ".png")


def check_chart(path: Path | None) -> None:
    """Refuse a chart that can't be drawn before any work is done.

    Raises SettingsProblem if its name doesn't end as a drawing's, or its folder is not there.
    Raises OutputProblem if something stands there that evenroll did not write.
    """
    if path is None:
        return
    if path.suffix.lower() not in SUFFIXES:
        raise SettingsProblem(path, "is no name for a chart", "give a name ending in .svg or .png")
    check_in_folder(path, "--chart")
    check_replaceable(path)


def check_in_folder(path: Path, option: str) -> None:
    """Refuse a file in a folder that is not there, which is a slip in its name.

    Raises SettingsProblem if the folder is not there.
    """
    if not path.parent.is_dir():
        remedy = f"make it first, or correct {option}"
        raise SettingsProblem(path, "its folder is not there", remedy)


def write_chart(path: Path, plot: "Plot") -> None:
    """Write a plot as the file's name says.

    Raises OutputProblem if it can't be written.
    """
    from pipeline.report import as_png, as_svg

    if path.suffix.lower() == ".svg":
        write_text(path, as_svg(plot, standalone=True))
        return
    with atomic(path) as file:
        file.write(as_png(plot))
