"""The manual on a terminal: the README's parts, by a word of their heading."""

import re
from importlib import metadata

import click

from pipeline.problem import SettingsProblem

_HEADING = re.compile(r"^## (.+)$", re.MULTILINE)


@click.command("help")
@click.argument("topic", nargs=-1)
def help_command(topic: tuple[str, ...]) -> None:
    """Show a part of the manual; without TOPIC, its parts.

    TOPIC is a word or more of a part's heading, as in 'evenroll help chart'.
    """
    parts = _parts()
    words = [word.casefold() for word in topic]
    if not words:
        click.echo("\n".join(("The manual's parts:", *(f"  {heading}" for heading in parts))))
        return
    for heading, text in parts.items():
        if all(word in heading.casefold() for word in words):
            click.echo_via_pager(f"{heading}\n\n{text}\n")
            return
    asked = " ".join(topic)
    raise SettingsProblem(None, f"the manual has no part '{asked}'", "look with 'evenroll help'")


def _parts() -> dict[str, str]:
    """Return the manual's parts by heading, as the distribution carries its README."""
    text = str(metadata.metadata("evenroll").json.get("description") or "")
    _, *rest = _HEADING.split(text)
    return {heading: body.strip() for heading, body in zip(rest[::2], rest[1::2], strict=True)}
