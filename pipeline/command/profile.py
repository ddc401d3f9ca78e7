"""The command's words about film profiles: list them, show one, fit one to a roll."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline import __version__
from pipeline.command.naming import NamingGroup
from pipeline.command.options import file_option, reference_option, scan_options, scans_argument
from pipeline.command.run import echo_json, run_of
from pipeline.problem import Exit, SettingsProblem
from pipeline.profile import film_names, find_film

if TYPE_CHECKING:
    from pipeline.roll import RollProfile


@click.group("profile", cls=NamingGroup)
def profile_group() -> None:
    """List, show and fit film profiles."""


@profile_group.command("list")
def list_profiles() -> None:
    """List the film profiles that come with evenroll."""
    names = film_names()
    for name in names:
        red, green, blue = find_film(name).slopes()
        click.echo(f"{name:{max(map(len, names))}}  slopes {red:.2f} {green:.2f} {blue:.2f}")


@profile_group.command("show")
@click.argument("name")
def show(name: str) -> None:
    """Print a film profile, by its name or .toml file."""
    from pipeline.profile import profile_text

    click.echo(profile_text(find_film(name)), nl=False)


@profile_group.command("fit")
@scans_argument
@file_option("-o", "--out", required=True, help="The .toml file to write.")
@click.option("--name", metavar="NAME", help="Name of the profile. Default: that of the file.")
@scan_options
@reference_option(
    "Frame with a 24-patch chart, or a grey card, to fit to; may be repeated. "
    "Default: as roll.toml says."
)
def fit(scans: tuple[Path, ...], out: Path, name: str | None, **options: Any) -> int:
    """Fit a film profile to a chart or grey card on a roll, to use with --profile.

    SCANS are a folder, or the files of one roll; --reference names the frames with a chart, or a
    card. The fit starts from the profile that the roll would get, or that of --profile.
    """
    from pipeline.profile import profile_text
    from pipeline.roll import roll_profile
    from pipeline.whole_file import check_replaceable, write_text

    if out.suffix != ".toml":
        raise SettingsProblem(out, "is no name for a film profile", "give a name ending in .toml")
    check_replaceable(out)
    run = run_of(scans, options)
    if len(run.rolls) != 1:
        raise SettingsProblem(None, "several rolls are named", "give the scans of one")
    references = run.rolls[0].settings.reference
    if not references:
        raise SettingsProblem(None, "no reference frame is named", "give it with --reference")
    ((surveyed, code),) = run.surveys()
    if surveyed is None or not surveyed.strips:
        return Exit.NOTHING_DONE
    made = roll_profile(surveyed, references, name or out.stem)
    notes = [f"Film profile by evenroll {__version__}.", *made.notes()]
    write_text(out, profile_text(made.profile, notes))
    if run.as_json:
        echo_json(_document(out, made))
    else:
        click.echo(f"{out}: {made.profile.source}")
    return code


def _document(out: Path, made: "RollProfile") -> dict[str, Any]:
    document: dict[str, Any] = {"profile": made.profile.name, "file": str(out)}
    fit = made.fit
    if fit is not None:
        patch, worst = fit.worst_residual
        document["delta_e_2000"] = {
            "mean": round(fit.mean_residual, 3),
            "worst": round(worst, 3),
            "worst_patch": patch,
            "patches": fit.residual.round(3).tolist(),
        }
    return document
