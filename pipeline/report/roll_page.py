"""A roll's page."""

import math
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from importlib import resources
from io import BytesIO
from itertools import accumulate, groupby
from statistics import median
from types import CodeType
from typing import Any
from urllib.parse import quote

import jinja2
from markupsafe import Markup
from PIL import Image

from pipeline.bath import cautions, leads_to_baths
from pipeline.kinds import CHANNELS, LOG_STOP, Triple, as_triple
from pipeline.record import SEVERITIES, FrameRecord, RollRecord, StripRecord, by_weight
from pipeline.report.density_plot import densities_plot
from pipeline.report.lettering import Picture
from pipeline.report.plot import Plot, as_svg
from pipeline.report.summary import how_solved, kinds_text
from pipeline.report.words import (
    UNSURE_BELOW,
    batch_items,
    figure_text,
    is_unsure,
    roll_name,
    roll_text,
    share_text,
    signed_text,
)
from pipeline.words import counted, printable

NUMBER_FROM = {"user": "number given", "order": "number counted"}
NOTICEABLE_STOPS = 1.0
# Of pictures on the page: their longer side in px, for up to so many, and at least.
_USUAL_SIDE, _USUAL_FRAMES, _LEAST_SIDE = 360, 400, 90

# A longer plot takes memory, and nobody finds their way in it.
_FRAMES_A_PLOT = 400


@dataclass(frozen=True)
class Drawing:
    """A plot with its figures as a table beside it.

    `head` names the columns of `rows`, whose first entry names the row.
    """

    title: str
    plot: Plot
    note: str = ""
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def page_parts(
    record: RollRecord,
    thumbnails: Mapping[str, bytes],
    contact_sheets: Sequence[str] = ("contact-sheet.jpg",),
    roll_json: str | None = "roll.json",
    drawings: Sequence[Drawing] = (),
    negatives: Mapping[str, bytes] | None = None,
    tones: Drawing | None = None,
) -> Iterator[str]:
    """Yield the roll's page in parts: one HTML document that needs no other file and no network.

    That of a long roll takes so much, with its pictures, that it is never held as a whole. All text
    in the record is shown as text, whatever it holds. `thumbnails` and `negatives`, frames as
    scanned to be seen in their place, are JPEG files by frame number, as `thumbnail` makes them.
    `contact_sheets` and `roll_json` are names of files beside the page, to link to. `drawings` go
    to the part on densities; `tones`, how light the pictures came out, to that on colour.

    Raises ValueError if a thumbnail is no JPEG file.
    """
    environment = _environment()
    template = jinja2.Template.from_code(environment, _template(), environment.make_globals(None))
    yield from template.generate(
        drift=partial(_drift, strips=record.strips),
        positive=partial(_picture, small=thumbnails),
        negative=partial(_picture, small=negatives or {}),
        remarks=partial(_remarks, slope=record.colour.slopes[1], middle=_middle_density(record)),
        record=record, name=roll_name(record), facts=roll_text(record), kinds=kinds_text(record),
        channels=CHANNELS,
        plots=_densities(record),
        findings=by_weight(record.findings), batch=batch_items(record), notes=_notes(record),
        how=how_solved(record), severities=SEVERITIES,
        cautions=cautions() if leads_to_baths(record.findings) else None,
        contact_sheets=contact_sheets, roll_json=roll_json,
        drawings=[_with_svg(drawing) for drawing in drawings],
        tones=tones and _with_svg(tones), negatives=bool(negatives),
        unsure_below=UNSURE_BELOW, stop=LOG_STOP,
        troubles=sorted(record.problems, key=lambda each: each.kind == "note"),
        all_notes=all(each.kind == "note" for each in record.problems),
    )  # fmt: skip


def _environment() -> jinja2.Environment:
    """Return how all pages are made, without what is their roll's own."""
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, finalize=_shown,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {
        "share": share_text,
        "figure": figure_text,
        "signed": _signed,
        "href": _href,
        "counted": counted,
    }
    environment.tests |= {"unsure": is_unsure}
    return environment


@cache
def _template() -> CodeType:
    """Return the page's template, compiled once: of many rolls, that takes as long as a plot."""
    source = resources.files("pipeline.report").joinpath("page.html").read_text(encoding="utf-8")
    return _environment().compile(source)


def small_side(frames: int) -> int:
    """Return the longer side in px of the pictures on the page of a roll of so many frames.

    Up to ten rolls' worth they are as large as they come; beyond, the page grows no more.
    """
    return max(
        _LEAST_SIDE, round(_USUAL_SIDE * min(1.0, math.sqrt(_USUAL_FRAMES / max(frames, 1))))
    )


def thumbnail(picture: Picture, long_side: int = _USUAL_SIDE, quality: int = 80) -> bytes:
    """Return a picture, uint8 sRGB of shape (rows, columns, 3), as a small JPEG file.

    It is at most `long_side` px long and never enlarged.
    """
    image = Image.fromarray(picture)
    image.thumbnail((long_side, long_side), Image.Resampling.LANCZOS)
    file = BytesIO()
    image.save(file, "JPEG", quality=quality, optimize=True)
    return file.getvalue()


def _shown(value: Any) -> Any:
    """Return a value as one printable line; markup comes from the template's own macros alone."""
    is_markup = hasattr(value, "__html__")
    return value if is_markup or isinstance(value, jinja2.Undefined) else printable(value)


def _href(name: str) -> str:
    """Return a relative URL to a file beside the page, percent-encoded (RFC 3986)."""
    return "./" + quote(name.encode("utf-8", "surrogateescape"), safe="/")


def _signed(value: float | None, decimals: int = 2) -> str:
    return signed_text(value, decimals).replace("-", "\N{MINUS SIGN}")


def _notes(record: RollRecord) -> list[tuple[str, str]]:
    """Return name and value of the photographer's notes but for the batch, flattened."""
    other = record.roll.get("other")
    flat = {**record.roll, **(other if isinstance(other, Mapping) else {"other": other})}
    return [
        ("ISO" if key == "iso" else printable(str(key).replace("_", " ")), printable(value))
        for key, value in flat.items()
        if not (isinstance(value, Mapping) or key in ("batch", "id") or value in (None, ""))
    ]


def _drift(strip: StripRecord, strips: Iterable[StripRecord]) -> Triple:
    alike = [other.base for other in strips if other.base.absolute == strip.base.absolute]
    return as_triple(
        value - sum(base.density[channel] for base in alike) / len(alike)
        for channel, value in enumerate(strip.base.density)
    )


def _middle_density(record: RollRecord) -> float:
    """Return the median over the pictures of their median density in green."""
    values = [frame.density.median[1] for frame in record.frames() if frame.kind == "picture"]
    return median(values) if values else math.nan


def _remarks(frame: FrameRecord, slope: float, middle: float) -> list[str]:
    """Return what is said under a frame; `middle` is the median density of the pictures."""
    remarks = [] if frame.kind in ("picture", "blank") else [printable(frame.kind)]
    if is_unsure(frame):
        remarks.append(f"check its edges, {figure_text(frame.confidence)}")
    if frame.corrected:
        remarks.append("corrected")
    if frame.found_as is not None:
        remarks.append(f"found as {printable(frame.found_as)}")
    above = frame.density.median[1]
    if frame.kind != "blank":
        remarks.append(f"median {figure_text(above)}")
        stops = (above - middle) / slope / LOG_STOP if slope > 0 else math.nan
        if math.isfinite(stops) and abs(stops) >= NOTICEABLE_STOPS:
            word = "denser" if stops > 0 else "thinner"
            remarks.append(f"{abs(stops):.1f} stops {word}")
    if frame.number_from in NUMBER_FROM:
        remarks.append(NUMBER_FROM[frame.number_from])
    return remarks


def _densities(record: RollRecord) -> Iterator[Markup]:
    """Yield the plot of a roll's densities; that of very many frames in parts, of whole strips."""
    before = accumulate((len(strip.frames) for strip in record.strips), initial=0)
    placed = zip(before, range(len(record.strips)), strict=False)
    for _, part in groupby(placed, lambda each: each[0] // _FRAMES_A_PLOT):
        places = [place for _, place in part]
        some = replace(record, strips=record.strips[places[0] : places[-1] + 1])
        if some.frames():
            plot = densities_plot(some, places[0])
            text = f"{plot.text} The tables under the plot hold the same figures."
            yield Markup(as_svg(replace(plot, text=text)))


def _with_svg(drawing: Drawing) -> tuple[Drawing, Markup]:
    return drawing, Markup(as_svg(drawing.plot))


def _picture(frame: FrameRecord, small: Mapping[str, bytes]) -> tuple[str, int, int] | None:
    """Return a frame's small picture as a data URI, with its width and height."""
    jpeg = small.get(frame.number)
    if jpeg is None:
        return None
    try:
        with Image.open(BytesIO(jpeg), formats=("JPEG",)) as image:
            return f"data:image/jpeg;base64,{b64encode(jpeg).decode('ascii')}", *image.size
    except OSError as error:
        raise ValueError(f"the thumbnail of frame {frame.number!r} is no JPEG file") from error
