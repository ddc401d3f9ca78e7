import io
import re
import tomllib
import tracemalloc
from dataclasses import replace
from itertools import pairwise
from urllib.parse import unquote, urlsplit
from xml.etree.ElementTree import Element

import html5lib
import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.kinds import CHANNELS
from pipeline.record.record import (
    ChannelSpread,
    ColourRecord,
    ContrastRecord,
    DensityRecord,
    EdgeCodeRecord,
    FilesRecord,
    Finding,
    FrameRecord,
    PatchRecord,
    RollDensities,
    RollRecord,
    ScanTrouble,
    StripDensities,
)
from pipeline.report import roll_page as report
from pipeline.report.plot import Plot
from pipeline.report.summary import summary_lines
from pipeline.report.table import measure_table
from pipeline.report.tone_plot import Tones, tone_drawing
from pipeline.report.words import MISSING, roll_name
from pipeline.settings.correction import read_corrections
from tests.report.drawn import by_class, px
from tests.report.test_contact_sheet import made_frame, made_roll, made_strip

SVG = "{http://www.w3.org/2000/svg}"
MINUS = "\N{MINUS SIGN}"
CHROMIUM = "/usr/bin/chromium"
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
SCREENS = [(width, scheme) for width in (360, 1280) for scheme in ("light", "dark")]
WCAG_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


PRINTED = PatchRecord((0.82, 0.9, 1.1), (0.01, 0.01, 0.02), "codes")
STRIP_DENSITIES = StripDensities((0.001, 0.002, 0.003), (1.2, 1.3, 1.4), PRINTED)


def small_picture(place: int, shape=(240, 360)) -> np.ndarray:
    """Return a sky over ground, with a tone of its own for each place."""
    y = np.linspace(0, 1, shape[0])[:, None, None]
    sky, ground = np.array([90, 140, 200]), np.array([60 + 4 * (place % 30), 90, 50])
    picture = np.where(y < 0.5, sky * (0.6 + y), ground * (1.6 - y))
    return np.broadcast_to(picture, (*shape, 3)).astype(np.uint8)


def roll_frame(place: int) -> FrameRecord:
    kind = {0: "fogged", 13: "blank", 37: "partial"}.get(place, "picture")
    middle = 0.01 if kind == "blank" else 0.5 + 0.5 * (place * 7 % 10) / 10
    density = DensityRecord(
        *(
            tuple(round(middle * share * gain, 3) for gain in (0.93, 1.0, 1.08))
            for share in (0.3, 1.0, 1.7)
        )
    )
    name = f"2024-07 Küste_{place:02d}"
    files = FilesRecord(f"{name}.tif", f"{name}.jpg", f"{name}.xmp")
    return made_frame(
        f"{place:02d}", kind=kind, density=density, number_from="edge" if place < 30 else "order",
        confidence=0.55 if place in (20, 37) else 0.96,
        files=FilesRecord() if kind == "blank" else files,
    )  # fmt: skip


def roll_of_38() -> RollRecord:
    frames = [roll_frame(place) for place in range(38)]
    strips = tuple(
        made_strip(
            frames[at : at + 6],
            f"Küste_{at // 6 + 1:03d}.tif",
            ppi_from="perforations",
            densities=STRIP_DENSITIES,
        )
        for at in range(0, 38, 6)
    )
    drifted = replace(strips[2].base, density=(0.25, 0.66, 0.91))
    strips = (*strips[:2], replace(strips[2], base=drifted), *strips[3:])
    return RollRecord(
        {"id": "2024-07 Küste", "film": "colour negative 400", "iso": 400, "camera": "folder",
         "photographer": "Jürgen Weiß", "date": "2024-07-14", "other": {"shop": "Łeba"},
         "batch": {"name": "no. 3", "rolls_before": 5, "temperature_c": 38.2}},
        "generic", "print", ColourRecord((0.052, 0.0, -0.081), (0.61, 0.63, 0.67), "roll"), strips,
        RollDensities(
            (0.22, 0.63, 0.88), (1.2, 1.3, 1.4), None, (0.82, 0.9, 1.1),
            edge_print_error=(0.01, 0.01, 0.02), edge_print_usual=(0.8, 1.15),
            contrast_estimate=ContrastRecord(
                (0.5, 0.6, 0.6), (0.4, 0.5, 0.5), (0.6, 0.7, 0.7), "edge print"
            ),
            toe=(0.1, 0.2, 0.3), shoulder=(0.0, 0.01, 0.02), toe_density=(0.12, 0.13, 0.14),
            shoulder_density=(1.6, 1.6, 1.6), channel_spread=ChannelSpread(0.28, 0.1),
            d_max=PRINTED, trust=("No scanner profile is named.",),
        ),
        (Finding("scanner-drift", "note", 0.7, "Base differs by 0.03.", "Lock the exposure."),
         Finding("light-leak", "fault", 0.93, "Frame 00 is fogged.", "Wind on twice."),
         Finding("under-developed", "warning", 0.82, "Edge print is thin.", "Check the time.")),
        (ScanTrouble("Küste_008.tif", "Küste_008.tif: holds no film; scan it again."),),
    )  # fmt: skip


def small_jpegs(record: RollRecord) -> dict[str, bytes]:
    return {
        frame.number: report.thumbnail(small_picture(place))
        for place, frame in enumerate(record.frames())
        if frame.kind != "blank"
    }


def small_negatives(record: RollRecord) -> dict[str, bytes]:
    return {
        frame.number: report.thumbnail(255 - small_picture(place))
        for place, frame in enumerate(record.frames())
    }


def parsed(html: str) -> Element:
    """Parse as the HTML standard says, by html5lib, where every parse error raises."""
    page = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html)
    for element in page.iter():
        element.tag = str(element.tag).removeprefix(SVG)
    return page


def text_of(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())


def whole_page(*given, **named) -> str:
    return "".join(report.page_parts(*given, **named))


@pytest.fixture(scope="module")
def roll_page() -> Element:
    record = roll_of_38()
    return parsed(whole_page(record, small_jpegs(record)))


def test_frames_stand_in_film_order_grouped_by_strip(roll_page):
    strips = roll_page.findall(".//section[@class='strip']")
    numbers = [[text_of(p) for p in strip.iterfind(".//p[@class='number']")] for strip in strips]
    expected = [[f.number for f in strip.frames] for strip in roll_of_38().strips]
    assert numbers == expected


def test_captions_tell_kind_doubt_and_where_the_number_comes_from(roll_page):
    captions = {
        text_of(figure.find("p")): [text_of(span) for span in figure.iterfind("figcaption/span")]
        for figure in roll_page.iterfind(".//figure")
    }
    assert captions["00"][0] == "fogged"
    assert captions["37"][:2] == ["partial", "check its edges, 0.55"]
    assert "number counted" in captions["37"]
    assert captions["13"] == []
    assert not any("number" in remark for remark in captions["20"])


def test_pictures_link_to_the_share_file_by_an_encoded_relative_url(roll_page):
    links = [a.get("href") for a in roll_page.iterfind(".//figure//a")]
    # RFC 3986, section 2.1: what is not unreserved is percent-encoded, as UTF-8 octets.
    assert links[1] == "./2024-07%20K%C3%BCste_01.jpg"
    assert len(links) == 37


def test_a_blank_frame_says_so_and_has_no_picture(roll_page):
    figure = roll_page.findall(".//figure")[13]
    assert figure.find(".//img") is None
    assert text_of(figure.find("p[@class='empty']")) == "blank"


def test_findings_come_worst_first_with_evidence_and_advice(roll_page):
    found = [text_of(li) for li in roll_page.find(".//section[@id='findings']").iterfind("ul/li")]
    assert [re.search(r"Fault|Warning|Note", text)[0] for text in found] == [
        "Fault",
        "Warning",
        "Note",
    ]
    assert "light-leak" in found[0]
    assert "Frame 00 is fogged. Confidence 0.93. What to do: Wind on twice." in found[0]


def test_the_page_tells_problems_colour_and_notes(roll_page):
    text = text_of(roll_page)
    for words in (
        "Küste_008.tif",
        "holds no film; scan it again.",
        "solved from the whole roll",
        "Jürgen Weiß",
        "Łeba",
        "38.2 °C",
        "38 frames on 7 strips",
        "35 pictures, 1 blank, 1 fogged, 1 partial",
    ):
        assert words in text
    rows = [
        [text_of(cell) for cell in row]
        for row in roll_page.find(".//section[@id='colour']").iterfind(".//tbody/tr")
    ]
    # 0.3 log10 exposure are a stop: log10 of 2, to the two decimals shown.
    assert rows[0] == ["red", "+0.05", "+0.17", "0.61", "0.22", "1.20", MISSING, "0.82"]
    assert rows[2][1:3] == [f"{MINUS}0.08", f"{MINUS}0.27"]


def test_headings_go_down_one_level_at_a_time(roll_page):
    levels = [int(e.tag[1]) for e in roll_page.iter() if re.fullmatch("h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_tables_have_captions_and_scoped_heads(roll_page):
    assert len(roll_page.findall(".//table")) == 7
    for table in roll_page.iterfind(".//table"):
        assert text_of(table.find("caption"))
        assert all(th.get("scope") for th in table.iterfind(".//th"))


def base_table(page: Element) -> Element:
    return next(
        table
        for table in page.iterfind(".//section[@id='densities']//table")
        if text_of(table.find("caption")).startswith("Film base")
    )


def test_drift_is_the_base_less_the_mean_of_strips_measured_alike(roll_page):
    table = base_table(roll_page)
    rows = [[text_of(cell) for cell in row] for row in table.iterfind("tbody/tr")]
    # Six strips at 0.22 and one at 0.25: mean 0.2243 by hand.
    assert [row[8] for row in rows] == [*[f"{MINUS}0.004"] * 2, "+0.026", *[f"{MINUS}0.004"] * 4]
    relative = replace(made_strip([]).base, absolute=False, density=(0.0, 0.1, 0.0))
    mixed = made_roll([1, 1])
    mixed = replace(mixed, strips=(mixed.strips[0], replace(mixed.strips[1], base=relative)))
    table = base_table(parsed(whole_page(mixed, {})))
    assert [text_of(td) for td in table.iterfind("tbody/tr/td")][7:10] == ["+0.000"] * 3


def test_the_plot_shows_the_densities_of_the_record(roll_page):
    svg = roll_page.find(".//svg[@role='img']")
    # Each tick's line stands before its words.
    ticks = [
        (float(line.get("d").split()[2]), float(words.text))
        for line, words in pairwise(svg)
        if words.tag == "text" and "text-anchor: end" in words.get("style")
    ]
    starts = [i for i, (one, two) in enumerate(pairwise(ticks), 1) if two[1] < one[1]]
    spans = list(pairwise([0, *starts, len(ticks)]))
    scales = [np.polyfit(*zip(*ticks[first:last], strict=True), 1) for first, last in spans]

    def shown(kind: str, panel: int) -> list[list[float]]:
        """Return the densities of both ends of each line, by channel, then along the roll."""
        first, last = spans[panel]
        foot, top = ticks[first][0], ticks[last - 1][0]
        lines = [
            [y for _, y in path]
            for channel in CHANNELS
            for group in by_class(svg, kind, channel)
            for path in px(group)
        ]
        return [list(np.polyval(scales[panel], ys)) for ys in lines if top <= ys[0] <= foot]

    frames, strips = list(roll_of_38().frames()), roll_of_38().strips
    expected = [(f.density.min[c], f.density.max[c]) for c in range(3) for f in frames]
    np.testing.assert_allclose(shown("range", 0), expected, atol=0.003)
    expected = [(s.base.density[c],) * 2 for c in range(3) for s in strips]
    np.testing.assert_allclose(shown("level", 1), expected, atol=0.003)
    expected = [(PRINTED.density[c],) * 2 for c in range(3) for _ in strips]
    np.testing.assert_allclose(shown("level", 2), expected, atol=0.003)
    ends = [(v - off, v + off) for v, off in zip(PRINTED.density, PRINTED.error, strict=True)]
    expected = [pair for pair in ends for _ in strips]
    np.testing.assert_allclose(shown("spread", 2), expected, atol=0.003)
    assert {"toe", "shoulder"} <= {t.text for t in svg.iterfind("text")}


@pytest.mark.parametrize(
    ("stops", "remark"), [(2.0, "2.0 stops denser"), (-1.5, "1.5 stops thinner"), (0.9, None)]
)
def test_exposure_hint_is_density_over_slope_in_factors_of_two(stops, remark):
    record = made_roll([3])
    middle, slope = 0.7, record.colour.slopes[1]
    above = middle + slope * np.log10(2.0**stops)
    odd = made_frame("99", density=DensityRecord((0, 0, 0), (0.7, float(above), 0.7), (2, 2, 2)))
    strips = (made_strip((*record.strips[0].frames, odd)),)
    caption = parsed(whole_page(replace(record, strips=strips), {})).findall(".//figcaption")[3]
    hints = [text_of(span) for span in caption if "stops" in text_of(span)]
    assert hints == ([remark] if remark else [])


@pytest.mark.parametrize(
    ("batch", "code", "expected"),
    [
        ({"name": "no. 3"}, "normal", 0),
        ({"name": "no. 3"}, "over-developed", 1),
        ({}, "under-developed", 1),
        ({}, "retained-silver", 1),
        ({}, "a-code-to-come", 1),
        ({}, "light-leak", 0),
        ({}, "scanner-drift", 0),
    ],
)
def test_cautions_are_shown_once_where_chemistry_is_touched(batch, code, expected):
    finding = Finding(code, "note", 0.8, "Seen.", "Do.")
    record = made_roll([1], roll={"id": "A", "batch": batch}, findings=(finding, finding))
    text = text_of(parsed(whole_page(record, {})))
    for words in ("safety data sheet", "sensitisers", "toxic gas", "septic", "silver: take"):
        assert text.count(words) == expected


def test_an_empty_roll_makes_a_page_that_says_so():
    text = text_of(parsed(whole_page(made_roll([], roll={}), {}, (), None)))
    for words in ("No strips were found.", "Nothing was found that stands out.", "None were given"):
        assert words in text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e308])
def test_figures_that_are_none_become_dashes(value):
    triple = (value, value, value)
    frame = made_frame("1", confidence=value, density=DensityRecord(triple, triple, triple))
    strip = made_strip([frame], ppi=value, angle_deg=value)
    strip = replace(strip, base=replace(strip.base, density=triple, area_mm2=value))
    record = replace(
        made_roll([]),
        strips=(strip, strip),
        densities=RollDensities(*[triple] * 4),
        colour=ColourRecord(triple, triple, "roll"),
    )
    for text in (
        text_of(parsed(whole_page(record, {}))),
        measure_table(record),
        "\n".join(summary_lines(record)),
    ):
        assert not re.search(r"\b(nan|inf)\b", text)


# No text below is blank, so that none of the page's parts is left out for want of it.
HOSTILE = st.one_of(
    st.sampled_from([
        "<script>alert(1)</script>", "'\"><img src=x onerror=alert(1)>", "javascript:alert(1)",
        "</title></style><b>", "{{ 7 * 7 }}{% raw %}", "&lt;b&gt;&amp;", "//host/x", "..\\a:b?c#d",
        "a\x00\x1b[31m\r\nb", "\u202eevil", "Jürgen & Łucja", "日本",
    ]),
    st.text(min_size=1, max_size=20).map(lambda text: f"x{text}"),
)  # fmt: skip


def roll_with_text(text: str) -> RollRecord:
    frame = made_frame(text, number_from=text, kind="picture", files=FilesRecord(text, text, text))
    strip = made_strip(
        [frame], text, ppi_from=text, format=text, edge_codes=(EdgeCodeRecord(text, 1.0, 1.0),)
    )
    notes = {
        "id": text,
        "film": text,
        "camera": text,
        "notes": text,
        "batch": {"name": text, f"k{text}": text},
        "other": {f"o{text}": text},
    }
    return RollRecord(
        notes,
        text,
        text,
        ColourRecord((0.0, 0.0, 0.0), (1.0, 1.0, 1.0), text),
        (strip,),
        RollDensities(None, None, None, None),
        (Finding(text, text, 0.5, text, text),),
        (ScanTrouble(text, text),),
        evenroll=text,
    )


def shape_of(page: Element) -> list[tuple[str, tuple[str, ...]]]:
    return [(str(e.tag), tuple(sorted(e.keys()))) for e in page.iter()]


def page_with_text(text: str) -> Element:
    jpeg = report.thumbnail(small_picture(0, (8, 12)))
    return parsed(whole_page(roll_with_text(text), {text: jpeg}, negatives={text: jpeg}))


@pytest.fixture(scope="module")
def plain_shape() -> list[tuple[str, tuple[str, ...]]]:
    return shape_of(page_with_text("plain"))


@given(HOSTILE)
@settings(max_examples=60)
def test_text_of_users_never_becomes_markup(plain_shape, text):
    page = page_with_text(text)
    assert shape_of(page) == plain_shape
    assert text_of(page.find(".//title")) == roll_name(roll_with_text(text))
    for element in page.iter():
        assert not any(name.startswith("on") for name in element.keys())  # noqa: SIM118
        assert urlsplit(element.get("src", "data:")).scheme == "data"
        link = element.get("href", "#")
        parts = urlsplit(link)
        assert (parts.scheme, parts.netloc, parts.query) == ("", "", "")
        assert link.startswith(("./", "#"))
    assert unquote(page.find(".//figure//a").get("href")) == f"./{text}"


@given(HOSTILE)
def test_plain_text_has_no_control_characters(text):
    record = roll_with_text(text)
    assert all(line.isprintable() for line in summary_lines(record))
    assert all(line.isprintable() for line in measure_table(record).split("\n"))


def test_summary_tells_frames_base_colour_findings_and_problems():
    lines = summary_lines(roll_of_38())
    assert lines[0] == (
        "Roll 2024-07 Küste: 37 frames written of 38 on 7 strips "
        "(35 pictures, 1 blank, 1 fogged, 1 partial)."
    )
    assert lines[1] == (
        "Check frames 20, 37: their edges are not clear; correct them with [[frames]] in roll.toml."
    )
    assert lines[2] == "Film base (absolute): R 0.22, G 0.63, B 0.88."
    assert "whole roll" in lines[3]
    assert "R +0.05, G +0.00, B -0.08" in lines[4]
    assert [line.split(":")[0] for line in lines[5:]] == ["fault", "warning", "note", "problem"]
    assert lines[-1] == "problem: Küste_008.tif: holds no film; scan it again."


def test_one_doubtful_frame_is_spoken_of_alone():
    strip = made_strip([made_frame("07", confidence=0.5), made_frame("08")])
    lines = summary_lines(replace(made_roll([]), strips=(strip,)))
    assert lines[1] == (
        "Check frame 07: its edges are not clear; correct them with [[frames]] in roll.toml."
    )


def test_assumptions_are_notes_and_what_failed_is_a_problem():
    note = ScanTrouble("a.tif", "a.tif: taken as linear", "note")
    record = made_roll([1], problems=(note,))
    assert summary_lines(record)[-1] == "note: a.tif: taken as linear"
    section = parsed(whole_page(record, {})).find(".//section[@id='problems']")
    assert text_of(section.find("h2")) == "Notes on scans"
    assert section.find("ul/li").get("class") == "note"
    assert text_of(section.find("ul/li/h3")) == "\N{BLACK CIRCLE} Note a.tif"
    both = replace(record, problems=(note, ScanTrouble("b.tif", "holds no film; scan it again.")))
    section = parsed(whole_page(both, {})).find(".//section[@id='problems']")
    assert text_of(section.find("h2")) == "Problems with scans"
    assert [li.get("class") for li in section.iterfind("ul/li")] == ["warning", "note"]


def test_a_doubtful_frame_has_its_lines_for_roll_toml_ready():
    frames = [made_frame("08"), made_frame("10", confidence=0.5, found_as="09")]
    page = parsed(whole_page(replace(made_roll([]), strips=(made_strip(frames),)), {}))
    (lines,) = ["".join(pre.itertext()) for pre in page.iterfind(".//figure//pre")]
    # What is shown can be taken as it stands: Python's own TOML reader and ours understand it.
    entries = tomllib.loads(lines.replace("left_mm = 0.0", "left_mm = 0.4"))["frames"]
    assert [(entry.number, entry.left_mm) for entry in read_corrections(entries)] == [("09", 0.4)]


def test_a_corrected_frame_says_so_and_what_it_was_found_as():
    frame = made_frame("10", corrected=True, found_as="09", number_from="user", confidence=1.0)
    page = parsed(whole_page(replace(made_roll([]), strips=(made_strip([frame]),)), {}))
    told = [text_of(span) for span in page.iterfind(".//figcaption/span")]
    assert told[:2] == ["corrected", "found as 09"]


CURVE = report.Drawing(
    "Film curve",
    Plot("Density against log exposure", "", 90, 90, None, lambda figure, shown: None),
    "Slope & toe.",
    ("channel", "slope"),
    (("red", "0.61"), ("<green>", "0.62")),
)


def test_drawings_stand_in_the_part_on_densities_with_their_figures():
    page = parsed(whole_page(roll_of_38(), {}, drawings=[CURVE]))
    part = page.find(".//section[@id='densities']")
    drawn = part.find(".//section[@class='figure']")
    assert drawn.find(".//svg").get("aria-label") == "Density against log exposure"
    assert text_of(drawn.find("h3")) == "Film curve"
    rows = [[text_of(cell) for cell in row] for row in drawn.iterfind(".//tbody/tr")]
    assert rows == [["red", "0.61"], ["<green>", "0.62"]]


TONES = tone_drawing(
    Tones(
        np.arange(1, 769).reshape(3, 256),
        np.linspace(-6, 6, 25),
        np.repeat(np.linspace(0, 1, 25)[:, None], 3, axis=1),
    )
)


def test_tones_stand_in_the_part_on_colour_with_their_figures():
    part = parsed(whole_page(roll_of_38(), {}, tones=TONES)).find(".//section[@id='colour']")
    drawn = part.find("section[@class='figure']")
    assert drawn.find(".//svg").get("aria-label").startswith("How light the pictures came out")
    assert text_of(drawn.find(".//table/caption")) == "Figures: Print curve and tones"
    assert "The print curve shows greys as" in text_of(drawn)
    plain = parsed(whole_page(roll_of_38(), {})).find(".//section[@id='colour']")
    assert plain.find(".//svg") is None


def test_thumbnail_is_a_small_faithful_jpeg():
    picture = small_picture(3, (600, 900))
    with Image.open(io.BytesIO(report.thumbnail(picture))) as image:
        assert (image.format, image.size) == ("JPEG", (360, 240))
        mean = np.asarray(image).mean(axis=(0, 1))
    np.testing.assert_allclose(mean, picture.mean(axis=(0, 1)), atol=2)
    with Image.open(io.BytesIO(report.thumbnail(picture[:50, :80]))) as image:
        assert image.size == (80, 50)


@pytest.mark.parametrize("data", [b"", b"no picture", b"\x89PNG\r\n\x1a\n" + bytes(50)])
def test_a_thumbnail_that_is_no_jpeg_is_refused_by_its_number(data):
    with pytest.raises(ValueError, match="'00'"):
        whole_page(made_roll([1]), {"00": data})


def test_the_plot_of_very_many_frames_is_in_parts_of_whole_strips(monkeypatch):
    monkeypatch.setattr(report, "_FRAMES_A_PLOT", 12)
    record = roll_of_38()
    plots = parsed(whole_page(record, {})).findall(".//svg[@aria-label]")
    along = [plot for plot in plots if "Densities along" in plot.get("aria-label", "")]
    told = [text_of(plot) for plot in along]
    assert [re.findall(r"strip (\d)", text) for text in told] == [
        ["1", "2"], ["3", "4"], ["5", "6"], ["7"],
    ]  # fmt: skip
    assert ["37" in text for text in told] == [False, False, False, True]


def test_a_long_page_is_never_held_as_a_whole(monkeypatch):
    # Plots are made by themselves.
    monkeypatch.setattr(report, "_densities", lambda _: ())
    frames = [made_frame(str(number)) for number in range(300)]
    record = replace(made_roll([]), strips=(made_strip(frames),))
    noise = np.random.default_rng(1).integers(0, 256, (200, 200, 3), np.uint8)
    jpegs = dict.fromkeys(map(str, range(300)), report.thumbnail(noise))
    tracemalloc.start()
    try:
        size = sum(len(part) for part in report.page_parts(record, jpegs))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert size > 300 * len(jpegs["0"])
    assert peak < size / 2


def test_same_record_gives_the_same_page():
    record = roll_of_38()
    jpegs = small_jpegs(record)
    assert whole_page(record, jpegs) == whole_page(record, jpegs)


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def page_url(tmp_path_factory) -> str:
    record = roll_of_38()
    finding = Finding("x" * 90, "note", 0.5, "long-" * 60, "word" * 60)
    trouble = ScanTrouble("n" * 120 + ".tif", "m" * 300)
    record = replace(
        record, findings=(*record.findings, finding), problems=(*record.problems, trouble)
    )
    file = tmp_path_factory.mktemp("page") / "index.html"
    text = whole_page(
        record, small_jpegs(record), drawings=[CURVE], negatives=small_negatives(record),
        tones=TONES,
    )  # fmt: skip
    file.write_text(text, encoding="utf-8")
    return file.as_uri()


def opened(browser: Browser, url: str, width: int, scheme: str, **more) -> tuple[Page, list[str]]:
    context = browser.new_context(
        viewport={"width": width, "height": 800}, color_scheme=scheme, **more
    )
    page = context.new_page()
    requests: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.goto(url)
    if more.get("java_script_enabled", True):
        page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
    return page, requests


@pytest.mark.parametrize(("width", "scheme"), SCREENS)
def test_the_page_fits_the_screen_and_asks_no_network(browser, page_url, width, scheme):
    page, requests = opened(browser, page_url, width, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert (
        page.evaluate(
            "Promise.all([...document.images].map(image => image.decode())).then(all => all.length)"
        )
        == 37 + 38
    )
    assert [url for url in requests if not url.startswith("data:")] == [page_url]
    page.context.close()


@pytest.mark.parametrize(("width", "scheme"), SCREENS)
def test_the_page_keeps_the_accessibility_rules(browser, page_url, width, scheme):
    # axe-core's WCAG 2.2 A and AA rules, contrast of 4.5 : 1 of text among them.
    page, _ = opened(browser, page_url, width, scheme)
    outcome = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG_TAGS}}).response
    assert [(rule["id"], rule["nodes"][0]["html"]) for rule in outcome["violations"]] == []
    assert "color-contrast" in [rule["id"] for rule in outcome["passes"]]
    page.context.close()


def sees(page: Page, number: str) -> tuple[bool, bool]:
    """Return whether a frame's positive (or that it has none) and its negative can be seen."""
    figure = page.locator("figure.both").filter(has=page.get_by_text(number, exact=True))
    positive = figure.locator("a > img, .positive, .empty")
    return positive.is_visible(), figure.locator(".scanned").is_visible()


def test_a_frame_can_be_seen_as_scanned_by_the_keyboard_alone(browser, page_url):
    page, _ = opened(browser, page_url, 390, "light", java_script_enabled=False)
    turn = page.get_by_role("checkbox", name="as scanned (frame 13)")
    for number in ("12", "13"):
        assert sees(page, number) == (True, False)
    turn.focus()
    page.keyboard.press("Space")
    # A blank frame too, which shows whether it is one.
    assert sees(page, "13") == (False, True)
    assert sees(page, "12") == (True, False)
    page.keyboard.press("Space")
    assert sees(page, "13") == (True, False)
    page.get_by_role("checkbox", name="all frames as scanned").press("Space")
    assert [sees(page, number) for number in ("00", "12", "13", "37")] == [(False, True)] * 4
    page.context.close()


def test_a_frame_without_negative_stays_as_it_is(browser, tmp_path):
    record = roll_of_38()
    negatives = {"01": small_negatives(record)["01"]}
    text = whole_page(record, small_jpegs(record), negatives=negatives)
    (tmp_path / "index.html").write_text(text, encoding="utf-8")
    page, _ = opened(browser, (tmp_path / "index.html").as_uri(), 390, "light")
    assert page.get_by_role("checkbox").count() == 1 + 1
    page.get_by_role("checkbox", name="all frames as scanned").press("Space")
    assert sees(page, "01") == (False, True)
    assert page.get_by_alt_text("Frame 02, open the picture").is_visible()
    page.context.close()
    assert "checkbox" not in whole_page(record, small_jpegs(record))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_scrolls_sideways_shows_it_at_the_edge(browser, page_url, scheme):
    page, _ = opened(browser, page_url, 390, scheme)
    regions = page.locator(".scroll")
    scrolling = 0
    for region in regions.all():
        room = region.evaluate("each => each.scrollWidth - each.clientWidth")
        if not room:
            continue
        scrolling += 1
        assert region.get_attribute("tabindex") == "0"
        assert region.get_attribute("role") == "region"
        assert "scrolls sideways" in region.get_attribute("aria-label")
        # Of what stands in it nothing but the ground counts.
        region.evaluate("each => [...each.children].forEach(e => e.style.opacity = 0)")
        for at, (left, right) in ((0, (False, True)), (room, (True, False))):
            region.evaluate("(each, at) => { each.scrollLeft = at }", at)
            shot = np.asarray(Image.open(io.BytesIO(region.screenshot())).convert("L"), float)
            row = shot[len(shot) // 2]
            away = np.abs(row - np.median(row))
            assert bool(away[2:5].max() > 15) is left, region.get_attribute("aria-label")
            assert bool(away[-5:-2].max() > 15) is right, region.get_attribute("aria-label")
    assert scrolling >= 8
    page.context.close()


def test_nothing_of_a_drawing_hides_the_shadow_under_it(browser, page_url):
    page, _ = opened(browser, page_url, 390, "light")
    for ground in page.locator(".scroll .ground").all():
        assert not ground.is_visible()
    assert page.locator(".scroll .ground").count() == 3
    page.context.close()


@pytest.mark.parametrize("width", [360, 390])
def test_words_in_drawings_are_not_too_small_to_read(browser, page_url, width):
    page, _ = opened(browser, page_url, width, "light")
    sizes = page.evaluate(
        "[...document.querySelectorAll('.scroll svg text')].map(each =>"
        " parseFloat(getComputedStyle(each).fontSize) * each.getScreenCTM().a)"
    )
    assert min(sizes) >= 10.0
    page.context.close()


def test_light_and_dark_are_both_there(browser, page_url):
    lightness = {}
    for scheme in ("light", "dark"):
        page, _ = opened(browser, page_url, 1280, scheme)
        colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
        lightness[scheme] = np.mean([int(v) for v in re.findall(r"\d+", colour)[:3]])
        page.context.close()
    assert lightness["light"] > 200
    assert lightness["dark"] < 60


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_focus_of_the_keyboard_can_be_seen(browser, page_url, scheme):
    page, _ = opened(browser, page_url, 1280, scheme)
    for _ in range(14):
        page.keyboard.press("Tab")
        width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
        style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert page.evaluate("document.activeElement !== document.body")
        assert style == "solid"
        assert float(width.removesuffix("px")) >= 2
    page.context.close()


def test_motion_only_for_those_who_did_not_refuse_it(browser, page_url):
    for wish, expected in (("reduce", "auto"), ("no-preference", "smooth")):
        page, _ = opened(browser, page_url, 1280, "light", reduced_motion=wish)
        assert (
            page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == expected
        )
        page.context.close()


def test_print_is_on_white_without_the_navigation(browser, page_url):
    page, _ = opened(browser, page_url, 700, "dark")
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator("nav").is_visible()
    assert page.pdf(format="A4").startswith(b"%PDF-")
    page.context.close()


def test_black_and_white_film_has_no_colour_to_tell_of():
    grey = replace(made_roll([1]), profile="monochrome")
    (told,) = [line for line in summary_lines(grey) if line.startswith("Colour")]
    assert told == "Colour: none: black-and-white film, one mix of the channels."


@given(st.integers(0, 100_000))
def test_pictures_on_the_page_take_no_more_room_together_the_more_there_are(frames):
    side = report.small_side(frames)
    assert side == 360 if frames <= 400 else 90 <= side <= 360
    assert frames * side**2 <= 400 * 365**2 or side == 90


def test_several_sheets_are_linked_by_their_numbers():
    page = whole_page(made_roll([]), {}, ("contact-sheet.jpg", "contact-sheet-2.jpg"))
    links = [(link.get("href"), link.text) for link in parsed(page).iter("a")]
    assert ("./contact-sheet.jpg", "1") in links
    assert ("./contact-sheet-2.jpg", "2") in links


@pytest.mark.parametrize(
    ("doubt", "cast", "words"),
    [
        (0.03, 0.02, ("Greys may be off by 0.03 in log10 exposure",)),
        (0.09, 0.1, ("off by 0.09", "few, much alike", "grey card")),
        (0.12, 0.9, ("off by 0.12", "one cast lies over all pictures", "grey card")),
    ],
)
def test_how_sure_a_colour_from_the_pictures_is_stands_on_page_and_in_summary(doubt, cast, words):
    record = roll_of_38()
    sure = replace(record.colour, how="roll", doubt_log_e=doubt, cast=cast)
    told = replace(record, colour=sure)
    colour = next(line for line in summary_lines(told) if line.startswith("Colour:"))
    page = text_of(parsed(whole_page(told, small_jpegs(told))))
    for text in words:
        assert text in colour
        assert text in page
    assert ("grey card" in colour) == (doubt > 0.05)
    for printed in (None, (0.6, 0.7, 0.8)):
        densities = replace(told.densities, edge_print=printed)
        lines = summary_lines(replace(told, densities=densities))
        assert any("beside the edge print" in line for line in lines) == bool(printed)
    charted = replace(told, colour=replace(sure, how="reference"))
    assert not any("off by" in line for line in summary_lines(charted))
