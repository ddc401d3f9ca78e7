"""The command's words about film profiles: list them, show one, fit one to a roll."""

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline import __version__
from pipeline.film import film_names, find_film
from pipeline.options import reading_options
from pipeline.problem import Exit, SettingsProblem

if TYPE_CHECKING:
    from pipeline.roll_profile import RollProfile


@click.group("profile")
def profile_group() -> None:
    """List, show and fit film profiles."""


@profile_group.command("list")
def list_profiles() -> None:
    """List the film profiles that come with evenroll."""
    names = film_names()
    for name in names:
        red, green, blue = find_film(name).gamma()
        click.echo(f"{name:{max(map(len, names))}}  slopes {red:.2f} {green:.2f} {blue:.2f}")


@profile_group.command("show")
@click.argument("name")
def show(name: str) -> None:
    """Print a film profile, by its name or .toml file."""
    from pipeline.profile_file import profile_text

    click.echo(profile_text(find_film(name)), nl=False)


@profile_group.command("fit")
@click.argument("scans", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path), help="The .toml file to write."
)
@click.option("--name", metavar="NAME", help="Name of the profile. Default: that of the file.")
@reading_options
def fit(scans: tuple[Path, ...], out: Path, name: str | None, **options: Any) -> int:
    """Fit a film profile to a chart or grey card on a roll, to use with --profile.

    SCANS are a folder, or the files of one roll; --reference names the frames with a chart, or a
    card. The fit starts from the profile that the roll would get, or that of --profile.
    """
    from pipeline.profile_file import profile_text
    from pipeline.roll_folder import gather_rolls
    from pipeline.roll_profile import roll_profile
    from pipeline.roll_survey import survey_roll
    from pipeline.talk import Talk
    from pipeline.whole_file import check_replaceable, write_text
    from pipeline.workers import workers

    if out.suffix != ".toml":
        raise SettingsProblem(out, "is no name for a film profile", "give a name ending in .toml")
    check_replaceable(out)
    talk, as_json = Talk(options.pop("verbose")), options.pop("as_json")
    count, cluster = options.pop("workers") or os.cpu_count() or 1, options.pop("cluster")
    strict, roll_name = options.pop("strict"), options.pop("roll_name")
    changes = {key: value for key, value in options.items() if value is not None}
    named = [path.absolute() for path in scans] if cluster else scans
    rolls = gather_rolls(named, changes, roll_name)
    if len(rolls) != 1:
        raise SettingsProblem(None, "several rolls are named", "give the scans of one")
    references = rolls[0].settings.reference
    if not references:
        raise SettingsProblem(None, "no reference frame is named", "give it with --reference")
    with workers(count, cluster, [path for path in rolls[0].scans if path.exists()]) as executor:
        surveyed = survey_roll(rolls[0], executor, talk.listen)
    talk.end()
    if not surveyed.strips or (strict and surveyed.failed):
        return Exit.NOTHING_DONE
    made = roll_profile(surveyed, references, name or out.stem)
    notes = [f"Film profile by evenroll {__version__}.", *made.notes()]
    write_text(out, profile_text(made.profile, notes))
    if as_json:
        _echo_json(out, made)
    else:
        click.echo(f"{out}: {made.profile.source}")
    return Exit.SOME_FAILED if surveyed.failed else Exit.DONE


def _echo_json(out: Path, made: "RollProfile") -> None:
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
    click.echo(json.dumps(document, ensure_ascii=False, indent=1))
