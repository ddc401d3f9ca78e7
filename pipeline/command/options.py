"""Options of the command: their words, values and help."""

from collections.abc import Callable
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from pipeline.settings import (
    ARCHIVE_FORMATS,
    ARCHIVE_PACKING,
    ARCHIVE_SPACES,
    DUST,
    FORMATS,
    LOOKS,
    SHARE_FORMATS,
)

# Generic for the type checker only: older releases can't be subscripted.
if TYPE_CHECKING:
    _ParamType = click.ParamType[Any]
else:
    _ParamType = click.ParamType

Command = TypeVar("Command", bound=Callable[..., Any])


# In what order options are told, under what heading; those of no group go first.
GROUPS = (
    ("Scans and film", (
        "format", "ppi", "scan_gamma", "base", "base_scan", "profile", "scanner_profile",
        "monochrome", "reference", "first_number", "roll_name",
    )),
    ("How pictures look", (
        "look", "exposure", "even_exposure", "balance", "black", "white", "contrast", "gamma",
        "inset_mm", "border_mm", "turn", "mirror", "dust",
    )),
    ("Files written", (
        "archive", "archive_space", "archive_size", "archive_packing", "share", "share_size",
        "share_quality", "write_blanks", "save_dust_mask", "only", "replace_changed", "dry_run",
    )),
    ("How it runs", ("workers", "cluster", "strict", "verbose", "as_json", "as_csv")),
)  # fmt: skip


def options(*added: Callable[[Any], Any]) -> Callable[[Command], Command]:
    """Return a decorator that adds options to a command, in the order they are named."""
    return lambda command: reduce(lambda made, option: option(made), reversed(added), command)


def file_option(*names: str, **words: Any) -> Callable[[Command], Command]:
    """Return an option whose value is a path; `words` are those of `click.option`."""
    return click.option(*names, type=click.Path(path_type=Path), **words)


class ChannelValues(_ParamType):
    """One number for all channels, or three for red, green and blue: 1.1 or 1,0.9,1.2."""

    name = "R,G,B"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the three numbers."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) not in (1, 3):
            self.fail(f"{value!r} is not one number or three, as in 1.1 or 1,0.9,1.2", param, ctx)
        return numbers * (3 // len(numbers))


# What may not be read is told beside what else is wrong with scans, and the others are done.
SCAN_PATH: click.Path[Path] = click.Path(readable=False, path_type=Path)
scans_argument = click.argument("scans", nargs=-1, required=True, type=SCAN_PATH)

_PACKING = click.option(
    "--archive-packing",
    type=click.Choice(ARCHIVE_PACKING),
    help="How TIFF files are packed, all without loss. Default: deflate.",
)

_AREA = options(
    click.option(
        "--inset",
        "inset_mm",
        type=float,
        metavar="MM",
        help="Cut so much off all sides of a picture; 0 leaves all of the gate. Default: what "
        "of the gate's soft rim shows on each side of a positive, at most 0.4.",
    ),
    click.option(
        "--border",
        "border_mm",
        type=float,
        metavar="MM",
        help="Keep so much of the rebate around a picture, as far as scanned. Default: 0.",
    ),
    click.option(
        "--turn",
        type=int,
        metavar="DEGREES",
        help="Turn pictures clockwise by 90, 180 or 270, from how they would be written without "
        "it. A frame's own turn in roll.toml goes before it. Default: 0.",
    ),
    click.option(
        "--mirror/--no-mirror",
        default=None,
        help="Mirror pictures left to right, before they are turned: for film without a code on "
        "its edge that was scanned from the wrong side. Default: off.",
    ),
)


def reference_option(text: str) -> Callable[[Command], Command]:
    """Return the option that names frames with charts or cards, with its help."""
    return click.option(
        "--reference",
        multiple=True,
        metavar="FRAME",
        callback=lambda _context, _option, frames: list(frames) or None,
        help=text,
    )


# How scans are read.
film_options = options(
    click.option(
        "--scan-gamma",
        type=float,
        metavar="G",
        help="Tone curve of the scans as an exponent; 1 is linear. Default: as the files say.",
    ),
    click.option(
        "--ppi",
        type=float,
        metavar="N",
        help="Resolution of the scans. Default: as the files say, else from the film itself.",
    ),
    click.option(
        "--format", type=click.Choice(FORMATS), help="Frame format. Default: as the film shows."
    ),
    click.option(
        "--base", type=ChannelValues(), help="Density of the film base, instead of measuring it."
    ),
    click.option(
        "--base-scan",
        metavar="FILE",
        help="Picture of clear film, taken with the light and camera settings of the frames: gives "
        "base and evenness of the light. Default: by the rebate in view.",
    ),
    click.option(
        "--profile",
        metavar="NAME",
        help="Film profile, or a .toml file. Default: by the code on the film's edge, or generic.",
    ),
    click.option(
        "--scanner-profile",
        metavar="NAME",
        help="Scanner profile, or a .toml file: densities become Status M. Default: none.",
    ),
    click.option(
        "--monochrome/--no-monochrome",
        default=None,
        help="Black-and-white negatives, or not. Default: as the film shows; in doubt colour.",
    ),
    click.option(
        "--first-number",
        metavar="N",
        help="Number of the first frame where the film's edge tells none.",
    ),
    click.option(
        "--roll", "roll_name", metavar="NAME", help="Name of the roll, for messages and file names."
    ),
)
workers_option = click.option(
    "--workers",
    type=click.IntRange(1, 256),
    metavar="N",
    help="Scans or frames worked on at a time. Default: one a core.",
)
verbose_option = click.option("-v", "--verbose", is_flag=True, help="Tell more.")

# How scans are read and the work is done, whatever is made of them.
scan_options = options(
    film_options,
    workers_option,
    click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Work on the machines of the Dask cluster whose scheduler is there; they must see "
        "the same folders. Default: this machine.",
    ),
    click.option(
        "--strict", is_flag=True, help="Do nothing with a roll that has a scan that can't be used."
    ),
    verbose_option,
    click.option("--json", "as_json", is_flag=True, help="Print the result as JSON for a program."),
)

colour_reference_option = reference_option(
    "Frame with a 24-patch chart or grey card that sets the colour; may be repeated. "
    "none: leave charts alone. Default: a chart that is found."
)

# The same where the colour of the pictures counts.
reading_options = options(scan_options, colour_reference_option)

# What positives look like, and which are written.
writing_options = options(
    _AREA,
    click.option(
        "--look",
        type=click.Choice(LOOKS),
        help="print: as a print looks. log: ACEScct, to edit. linear: scene light. Default: print.",
    ),
    click.option(
        "--exposure", type=float, metavar="STOPS", help="Lighten (above 0) or darken the roll."
    ),
    click.option(
        "--even-exposure/--no-even-exposure",
        default=None,
        help="Bring the exposure of each picture towards the roll's usual. Default: off.",
    ),
    click.option(
        "--balance",
        type=ChannelValues(),
        help="Added to log10 exposure of red, green, blue; 0.02 is a slight change.",
    ),
    click.option(
        "--black",
        type=ChannelValues(),
        help="Black point, display values 0 to 1. Default: by the roll.",
    ),
    click.option(
        "--white",
        type=ChannelValues(),
        help="White point, display values 0 to 1. Default: by the roll.",
    ),
    click.option(
        "--contrast",
        type=float,
        metavar="SLOPE",
        help="Slope of the print about middle grey; 1.45 is usual. Default: as the roll asks for.",
    ),
    click.option("--gamma", type=ChannelValues(), help="Gamma; above 1 lightens the middle tones."),
    click.option(
        "--archive", type=click.Choice(ARCHIVE_FORMATS), help="Archive files. Default: tiff."
    ),
    _PACKING,
    click.option(
        "--archive-space",
        type=click.Choice(ARCHIVE_SPACES),
        help="Colour space of archive prints. Default: romm-rgb.",
    ),
    click.option(
        "--archive-size",
        type=int,
        metavar="PX",
        help="Longer side of archive files. Default: all there is.",
    ),
    click.option(
        "--share", type=click.Choice(SHARE_FORMATS), help="Files to share. Default: jpeg."
    ),
    click.option(
        "--share-size", type=int, metavar="PX", help="Longer side of files to share. Default: 2400."
    ),
    click.option(
        "--dust",
        type=click.Choice(DUST),
        help="Mend dust and scratches that the infra-red plane of a scan shows; nothing else is "
        "touched, and silver images are left alone. Default: on, where there is such a plane.",
    ),
    click.option(
        "--save-dust-mask",
        is_flag=True,
        default=None,
        help="Write what was mended of each picture, white on black, as NAME.dust.png.",
    ),
    click.option("--share-quality", type=int, metavar="1-100", help="JPEG quality. Default: 92."),
)

# How TIFF files are packed, how much of the film they show, and how they lie.
packing_options = options(_AREA, _PACKING)
