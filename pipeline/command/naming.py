"""Commands that tell slips by the words that the user gave, and refuse options that do nothing."""

import os
import sys
from typing import Any

import click

from pipeline.command.options import GROUPS
from pipeline.problem import Exit, SettingsProblem

# Fewer options than this stand in one list.
_FEW = 5
# Options that do nothing beside another one: of any value, or of the values named.
_IDLE: tuple[tuple[str, tuple[Any, ...], tuple[str, ...]], ...] = (
    ("archive", ("none",), ("archive_size", "archive_space", "archive_packing")),
    ("share", ("none",), ("share_size", "share_quality")),
    ("share", ("png",), ("share_quality",)),
    ("look", ("linear", "log"), ("archive_space",)),
    ("dust", ("off",), ("save_dust_mask",)),
    ("cluster", (), ("workers",)),
    ("as_json", (), ("as_csv",)),
)


class OptionNames(click.Command):
    """A command that tells wrong values and needless options by the words that gave them."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the command line.

        Raises SettingsProblem if it has an option that only other commands have, a value that is
        none of an option's, or two options that don't go together.
        """
        try:
            rest = super().parse_args(ctx, args)
        except click.NoSuchOption as slip:
            others = _commands_with(slip.option_name, ctx.find_root())
            if not others:
                raise
            what = f"'{ctx.command_path}' has no option {slip.option_name}"
            raise SettingsProblem(
                None, what, f"leave it out, it belongs to {' and '.join(others)}"
            ) from slip
        except click.BadParameter as slip:
            if slip.param is None or isinstance(slip, click.MissingParameter):
                raise
            what = f"{slip.param.opts[-1]}: {slip.message.rstrip('.')}"
            remedy = f"look with '{ctx.command_path} --help'"
            raise SettingsProblem(None, what, remedy) from slip
        # Words that are still being typed are completed, whatever they say so far.
        if not ctx.resilient_parsing:
            _refuse_idle(ctx)
        return rest

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write long lists of options in groups."""
        asked = [each for each in self.get_params(ctx) if isinstance(each, click.Option)]
        records = {each.name: each.get_help_record(ctx) for each in asked}
        shown = {name: record for name, record in records.items() if record is not None}
        grouped = {name for _, names in GROUPS for name in names}
        if len(grouped & shown.keys()) < _FEW:
            super().format_options(ctx, formatter)
            return
        others = tuple(name for name in shown if name not in grouped)
        for title, names in (("Options", others), *GROUPS):
            rows = [shown[name] for name in names if name in shown]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command.

        Raises SettingsProblem as the command does.
        """
        try:
            return super().invoke(ctx)
        except SettingsProblem as problem:
            if problem.path is not None:
                raise
            what = problem.what
            for each in self.params:
                if isinstance(each, click.Option):
                    what = what.replace(f"'{each.name}'", each.opts[0])
            raise SettingsProblem(None, what, problem.remedy) from problem


def given(ctx: click.Context, name: str) -> bool:
    """Tell whether an option stands on the command line."""
    return ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE


def word_of(ctx: click.Context, name: str) -> str:
    """Return an option as it is written, as '--archive-size'."""
    long = (
        next((opt for opt in each.opts if opt.startswith("--")), each.opts[0])
        for each in ctx.command.params
        if each.name == name
    )
    return next(long)


def _refuse_idle(ctx: click.Context) -> None:
    for name, values, idle in _IDLE:
        if not given(ctx, name) or (values and ctx.params[name] not in values):
            continue
        told = f"{word_of(ctx, name)} {ctx.params[name]}" if values else word_of(ctx, name)
        for other in idle:
            if given(ctx, other):
                what = f"{word_of(ctx, other)} does nothing beside {told}"
                raise SettingsProblem(None, what, "leave one of them out")


def _commands_with(option: str, root: click.Context) -> list[str]:
    """Return the commands that have an option, as they are called."""
    found = []
    waiting = [(root.command_path, root.command)]
    while waiting:
        path, command = waiting.pop(0)
        if isinstance(command, click.Group):
            waiting += [(f"{path} {name}", each) for name, each in command.commands.items()]
        elif any(option in (*each.opts, *each.secondary_opts) for each in command.params):
            found.append(f"'{path}'")
    return found


class NamingGroup(click.Group):
    """A group whose commands tell wrong values by their options."""

    command_class = OptionNames

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; where nobody reads on what it prints, end it as other commands end."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            _print_no_more()
            raise click.exceptions.Exit(Exit.UNREAD) from None


def _print_no_more() -> None:
    """Have what is still to be printed go nowhere, so that nothing complains of it at the end."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except BrokenPipeError:
            os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
