"""XMP and Exif, read back by exiftool and by Python's XML parser, which know nothing of us."""

import json
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import __version__
from pipeline.problem import OutputProblem
from pipeline.whole_file import NAMESPACE
from pipeline.write import sidecar
from pipeline.write.metadata import FrameMetadata, clean_text
from pipeline.write.pictures import write_sidecar
from pipeline.write.sidecar import SEGMENT_ROOM, Facts, embedded, exif_block, xmp_packet

FULL = FrameMetadata(
    title="summer 07",
    description="Roll summer, frame 07",
    keywords=("colour negative film", "a, b; c"),
    photographer="A. Person; and another",
    copyright="© 2024 A. Person",
    place="Plage à côté",
    camera="box",
    lens="80 mm f/2.8",
    iso=400,
    exposure_index=200,
    taken="2024-07-14",
    digitized=datetime(2024, 9, 1, 12, 30, 5),
    roll="summer",
    number="07",
    number_from="edge",
    stock="Colour 400",
    format="135",
    developed="2024-08-01",
    batch={"name": "kit 3", "rolls before": 2, "temperature_c": 37.8, "2nd": "yes"},
    scan="strip one.tif",
    page=2,
    device={"make": "flatbed"},
    profile="generic",
    look="print",
    confidence=0.97,
    density_absolute=True,
    base_density=(0.21, 0.63, 0.88),
    density_min=(0.1, 0.11, 0.12),
    density_median=(0.6, 0.7, 0.8),
    density_max=(1.5, 1.6, 1.7),
)
FACTS = Facts(width=600, height=400, ppi=1600.5, srgb=True, jpeg=True)
BROKEN = b"\xff\xd8\xff\xe1\x00\x16Exif\0\0II*\0\x08\0\0\0\x01\0\x10\x01\x02\0\xff\xd9"
DC = "{http://purl.org/dc/elements/1.1/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
OWN = f"{{{NAMESPACE}}}"


def exiftool(path: Path) -> dict:
    asked = ["exiftool", "-json", "-G1", "-struct", "-n", path]
    return json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)[0]


def parsed(packet: str) -> ET.Element:
    return ET.fromstring(packet.encode("utf-8"))


def own_text(packet: str, name: str) -> str | None:
    return parsed(packet).findtext(f".//{OWN}{name}")


@pytest.fixture(scope="module")
def xmp(tmp_path_factory):
    path = tmp_path_factory.mktemp("sidecar") / "summer_07.xmp"
    path.write_text(xmp_packet(FULL), encoding="utf-8")
    return exiftool(path)


@pytest.fixture(scope="module")
def exif(tmp_path_factory):
    path = tmp_path_factory.mktemp("exif") / "block.tif"
    path.write_bytes(exif_block(FULL, FACTS))
    return exiftool(path)


def test_standard_fields_are_read_by_another_program(xmp):
    assert xmp["XMP-dc:Title"] == "summer 07"
    assert xmp["XMP-dc:Description"] == "Roll summer, frame 07"
    assert xmp["XMP-dc:Subject"] == ["colour negative film", "a, b; c"]
    assert xmp["XMP-dc:Creator"] == ["A. Person; and another"]
    assert xmp["XMP-dc:Rights"] == "© 2024 A. Person"
    assert xmp["XMP-xmp:CreatorTool"] == f"evenroll {__version__}"
    assert xmp["XMP-tiff:Model"] == "box"
    assert xmp["XMP-exifEX:LensModel"] == "80 mm f/2.8"
    assert xmp["XMP-exifEX:PhotographicSensitivity"] == 400
    assert xmp["XMP-exifEX:SensitivityType"] == 3
    assert xmp["XMP-exif:ExposureIndex"] == 200
    assert xmp["XMP-exif:FileSource"] == 1
    assert xmp["XMP-exif:DateTimeOriginal"] == "2024:07:14"
    assert xmp["XMP-exif:DateTimeDigitized"] == "2024:09:01 12:30:05"
    assert xmp["XMP-iptcCore:Location"] == "Plage à côté"
    assert xmp["XMP-iptcExt:LocationCreated"] == [{"LocationName": "Plage à côté"}]
    # IPTC NewsCodes, controlled vocabulary 'digitalsourcetype'.
    source = "http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm"
    assert xmp["XMP-iptcExt:DigitalSourceType"] == source


def test_own_fields_are_read_by_another_program(xmp):
    own = {
        key.removeprefix("XMP-evenroll:"): value
        for key, value in xmp.items()
        if key.startswith("XMP-evenroll:")
    }
    assert own == {
        "Roll": "summer",
        "Frame": "07",
        "FrameNumberFrom": "edge",
        "Stock": "Colour 400",
        "Format": 135,
        "Taken": "2024-07-14",
        "Developed": "2024-08-01",
        "Batch": {"Name": "kit 3", "Rolls_before": 2, "Temperature_c": 37.8, "_2nd": "yes"},
        "Scan": "strip one.tif",
        "Page": 2,
        "Scanner": {"Make": "flatbed"},
        "Profile": "generic",
        "Look": "print",
        "Confidence": 0.97,
        "DensityAbsolute": True,
        "BaseDensity": [0.21, 0.63, 0.88],
        "DensityMin": [0.1, 0.11, 0.12],
        "DensityMedian": [0.6, 0.7, 0.8],
        "DensityMax": [1.5, 1.6, 1.7],
    }


def test_exif_is_read_by_another_program(exif):
    # Exif 2.32, 4.6.4 and 4.6.5.
    assert exif["IFD0:Model"] == "box"
    assert exif["IFD0:Artist"] == "A. Person; and another"
    assert exif["IFD0:Copyright"] == "© 2024 A. Person"
    assert exif["IFD0:ImageDescription"] == "Roll summer, frame 07"
    assert exif["IFD0:Software"] == f"evenroll {__version__}"
    assert exif["IFD0:XResolution"] == 1600.5
    assert exif["ExifIFD:FileSource"] == 1
    assert exif["ExifIFD:LensModel"] == "80 mm f/2.8"
    assert (exif["ExifIFD:ISO"], exif["ExifIFD:SensitivityType"]) == (400, 3)
    assert exif["ExifIFD:ExposureIndex"] == 200
    assert exif["ExifIFD:CreateDate"] == "2024:09:01 12:30:05"
    assert exif["ExifIFD:DateTimeOriginal"].split() == ["2024:07:14", ":", ":"]
    assert exif["ExifIFD:ColorSpace"] == 1
    assert (exif["ExifIFD:ExifImageWidth"], exif["ExifIFD:ExifImageHeight"]) == (600, 400)


def test_what_is_unknown_is_left_out(tmp_path):
    path = tmp_path / "bare.xmp"
    path.write_text(xmp_packet(FrameMetadata()), encoding="utf-8")
    told = {key for key in exiftool(path) if key.startswith("XMP-") and key != "XMP-x:XMPToolkit"}
    assert told == {
        "XMP-xmp:CreatorTool",
        "XMP-exif:FileSource",
        "XMP-iptcExt:DigitalSourceType",
    }
    path = tmp_path / "bare.tif"
    path.write_bytes(exif_block(FrameMetadata(), Facts(6, 4, 300.0, srgb=False)))
    bare = exiftool(path)
    assert not {"IFD0:Make", "IFD0:Model", "ExifIFD:DateTimeOriginal", "ExifIFD:ISO"} & set(bare)
    assert bare["ExifIFD:ColorSpace"] == 65535


@pytest.mark.parametrize(
    ("taken", "in_exif", "in_xmp"),
    [
        ("2024", None, "2024"),
        ("2024-07", None, "2024-07"),
        ("2024-07-14", "2024:07:14   :  :  ", "2024-07-14"),
        ("2024-07-14T09:30", "2024:07:14 09:30:00", "2024-07-14T09:30"),
        ("2024-07-14 09:30:15", "2024:07:14 09:30:15", "2024-07-14T09:30:15"),
        ("one summer", None, None),
    ],
)
def test_dates_say_no_more_than_is_known(taken, in_exif, in_xmp):
    # Exif 2.32, 4.6.5: what is unknown of a time is blank, and the text is 20 bytes with its null.
    metadata = FrameMetadata(taken=taken)
    block = exif_block(metadata, FACTS)
    assert (in_exif is None) == (b"2024:" not in block)
    assert in_exif is None or in_exif.encode() + b"\0" in block
    date = parsed(xmp_packet(metadata)).findtext(
        ".//{http://ns.adobe.com/exif/1.0/}DateTimeOriginal"
    )
    assert date == in_xmp
    assert own_text(xmp_packet(metadata), "Taken") == taken


def test_packet_has_the_wrapper_of_the_standard():
    # ISO 16684-1:2019, 7.3.2: header with byte order mark and fixed id, trailer 'w' = writable.
    packet = xmp_packet(FULL)
    assert packet.startswith('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n')
    assert packet.endswith('<?xpacket end="w"?>\n')


@settings(max_examples=60)
@given(text=st.text(max_size=80))
def test_any_text_comes_back_from_the_packet(text):
    metadata = FrameMetadata(
        title=text, keywords=(text, text), photographer=text, stock=text, batch={"name": text}
    )
    root = parsed(xmp_packet(metadata))
    clean = clean_text(text)
    for path in (f"{DC}title/{RDF}Alt/{RDF}li", f"{DC}creator/{RDF}Seq/{RDF}li"):
        assert (root.findtext(f".//{path}") or "") == clean
    words = [item.text for item in root.findall(f".//{DC}subject/{RDF}Bag/{RDF}li")]
    assert words == ([clean, clean] if clean else [])
    for path in (f"{OWN}Stock", f"{OWN}Batch/{OWN}name"):
        # A text that begins like an instruction to the library has a blank before it.
        assert (root.findtext(f".//{path}") or "").strip() == clean


@pytest.mark.parametrize(
    "text",
    [
        '<rdf:Description evil="1"/>',
        "]]> & &amp; <!-- -->",
        'type="Bag" x',
        "type=Nonsense x",
        'lang="fr" bonjour',
        '<?xpacket end="w"?>',
        "quote \" and ' and \t tab \n newline",
    ],
)
def test_markup_in_texts_stays_text(text):
    packet = xmp_packet(FrameMetadata(title=text, stock=text, description=text, place=text))
    assert parsed(packet).findtext(f".//{DC}title/{RDF}Alt/{RDF}li") == text
    assert (own_text(packet, "Stock") or "").strip() == text


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("rolls_before", "rolls_before"),
        ("rolls before", "rolls_before"),
        ("1st", "_1st"),
        ("a:b<c>", "a_b_c_"),
        ("température", "temp_rature"),
    ],
)
def test_any_key_of_a_batch_becomes_a_name(key, name):
    assert own_text(xmp_packet(FrameMetadata(batch={key: "x"})), f"Batch/{OWN}{name}") == "x"


def test_same_metadata_same_bytes():
    assert xmp_packet(FULL) == xmp_packet(FULL)
    assert exif_block(FULL, FACTS) == exif_block(FULL, FACTS)


@pytest.mark.parametrize("text", ["x", "&", "😀", '"<'])
def test_the_longest_notes_fit_into_a_segment_and_stay_whole_in_the_sidecar(text):
    long = FrameMetadata(
        **{name: text * 20000 for name in ("title", "description", "photographer", "copyright")},
        **{name: text * 20000 for name in ("camera", "lens", "place", "roll", "stock", "scan")},
        keywords=(text * 20000,) * 300,
        batch={f"{n}" * 500: text * 5000 for n in range(300)},
    )
    exif, xmp = embedded(long, FACTS)
    assert 1000 < len(exif) <= SEGMENT_ROOM
    assert 1000 < len(xmp) <= SEGMENT_ROOM
    assert parsed(xmp.decode("utf-8")).findtext(f".//{DC}title/{RDF}Alt/{RDF}li").startswith(text)
    assert own_text(xmp_packet(FrameMetadata(stock=text * 20000)), "Stock") == text * 20000


def test_notes_of_usual_length_are_embedded_whole():
    exif, xmp = embedded(FULL, FACTS)
    assert xmp.decode("utf-8") == xmp_packet(FULL)
    assert exif == exif_block(FULL, FACTS)


def test_numbers_beyond_the_fields_are_held_at_their_limits(tmp_path):
    # Exif 2.32, 4.6.5: PhotographicSensitivity 65535 means that ISOSpeed has the value.
    path = tmp_path / "block.tif"
    path.write_bytes(exif_block(FrameMetadata(iso=10**12, exposure_index=10**12), FACTS))
    exif = exiftool(path)
    assert exif["ExifIFD:ISO"] == 65535
    assert exif["ExifIFD:ISOSpeed"] == 2**32 - 1
    assert exif["ExifIFD:ExposureIndex"] == 2**31 - 1


def test_one_thread_at_a_time_uses_the_library(monkeypatch):
    inside: list[str] = []
    most: list[int] = []
    put = sidecar._put

    def watched(*arguments: object) -> None:
        inside.append("a thread")
        time.sleep(0.0005)
        most.append(len(inside))
        put(*arguments)
        inside.pop()

    monkeypatch.setattr(sidecar, "_put", watched)
    titles = [f"frame {n}" for n in range(8)]
    with ThreadPoolExecutor(8) as pool:
        packets = list(pool.map(lambda title: xmp_packet(FrameMetadata(title=title)), titles))
    assert set(most) == {1}
    found = [parsed(packet).findtext(f".//{DC}title/{RDF}Alt/{RDF}li") for packet in packets]
    assert found == titles


SPEAKS = f"""
import exiv2
from pipeline.write.metadata import FrameMetadata
from pipeline.write.sidecar import xmp_packet
if {{quiet}}:
    xmp_packet(FrameMetadata())
exiv2.ImageFactory.open({BROKEN!r}).readMetadata()
"""


@pytest.mark.parametrize("quiet", [False, True])
def test_the_library_says_nothing_on_stderr(quiet):
    # In a process of its own, since pytest takes over what would go to stderr. The library warns
    # of a directory cut short, unless it was told to keep quiet.
    done = subprocess.run(
        [sys.executable, "-c", SPEAKS.format(quiet=quiet)],
        capture_output=True,
        check=True,
        cwd=Path(sidecar.__file__).parents[2],
    )
    assert (done.stderr == b"") == quiet


def with_others(packet: str) -> str:
    """Return a packet as another program leaves it: a rating, and a list in its own namespace."""
    return packet.replace(
        '<rdf:Description rdf:about=""',
        '<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="4"/>'
        '<rdf:Description rdf:about="" xmlns:own="https://own.invalid/"><own:Tags><rdf:Seq>'
        "<rdf:li>harbour</rdf:li></rdf:Seq></own:Tags></rdf:Description>"
        '<rdf:Description rdf:about=""',
        1,
    )


def test_properties_of_others_stay_in_a_packet_made_anew(tmp_path: Path):
    path = tmp_path / "a.xmp"
    path.write_text(with_others(xmp_packet(FULL)), encoding="utf-8")
    write_sidecar(path, replace(FULL, title="winter 07", batch={}))
    told = {name.split(":")[-1]: value for name, value in exiftool(path).items()}
    assert (told["Rating"], told["Title"], told["Tags"]) == (4, "winter 07", ["harbour"])
    assert "Batch" not in told
    again = path.read_bytes()
    write_sidecar(path, replace(FULL, title="winter 07", batch={}))
    assert path.read_bytes() == again


def test_a_sidecar_that_cannot_be_read_is_not_replaced(tmp_path: Path):
    path = tmp_path / "a.xmp"
    damaged = xmp_packet(FULL)[:-200]
    path.write_text(damaged, encoding="utf-8")
    with pytest.raises(OutputProblem, match=r"a\.xmp.*can't be read as XMP.*move it away"):
        write_sidecar(path, FULL)
    assert path.read_text(encoding="utf-8") == damaged
