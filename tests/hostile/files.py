"""Files of every kind that evenroll reads, mutated: flipped bits, cuts, nonsense in their tags."""

import contextlib
import io
import random
import re
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import pillow_heif
import tifffile
from numpy.typing import NDArray
from PIL import Image

from pipeline.command.cli import main
from pipeline.profile.folder import profiles_folder
from tests.film_model import FrameSpec, Roll, StripSpec, make_scan, write_scan
from tests.hostile.tables import AIM_CSV, LOG_CSV, READINGS_CSV, cells_changed, values_changed

PPI = 150.0
# TIFF 6.0, section 2: offsets of what a header and an entry hold.
_WORDS = {"II": "<", "MM": ">"}
_EVIL_NUMBERS = (0, 1, 2, 3, 7, 8, 255, 65535, 65536, 2**24, 2**31 - 1, 2**31, 2**32 - 1)
_EVIL_VALUES = (
    "nan", "inf", "-inf", "1e400", "-1", "0", "1e-320", "9" * 400, "true", "[]", "{}", "''",
    "[[[[1]]]]", "'\\u0000'", '"\\u001b[2J"', "'../../etc/passwd'", "'/dev/zero'",
    "'<script>alert(1)</script>'", "'&lt;x>]]>'", "1979-05-27", "07:32:00",
    "{a = {b = {c = nan}}}", "[nan, 1, 'x']", '"\\uffff\\U0010ffff\\u202e"', "'/dev/zero.toml'",
    "[{frame = '11'}]", "'" + "x" * 3000 + "'", "1_0.5e+3", "0x7fffffffffffffff", "[1, 2]",
    "'C:\\aux'", "'none'", '"""\n\n"""', "[1e308, 1e308, 1e308]",
)  # fmt: skip

ROLL_TOML = """\
id = "sarrow-07"
film = "colour negative 200"
iso = 200
camera = "mechanical rangefinder"
date = "2025-05-17"
developed = 2025-05-24
expected_frames = 3
notes = "north & south"
shelf = "B"
profile = "generic"
scanner_profile = "narrow-band"
look = "print"
exposure = 0.3
black = 0.01
white = [0.98, 0.99, 1.0]
gamma = 1.1
balance = [0.0, 0.01, -0.01]
base = 0.9
format = "135"
first_number = "07"
ppi = 150
scan_gamma = 1.0
archive = "tiff"
archive_size = 200
archive_packing = "deflate"
share_size = 100
share_quality = 90
inset_mm = 0.1
border_mm = 0.0
even_exposure = false
dust = "on"

[batch]
name = "spring powder kit"
mixed = "2025-05-03"
rolls_before = 5
temperature_c = 38.0

[[frames]]
number = "07"
left_mm = 0.4
exposure = 0.2

[[frames]]
number = "08"
neutral = [0.5, 0.25]
colour_temperature_k = 3200
duv = 0.004

[reference]
frame = "07"
grey = [0.4, 0.4, 0.6, 0.6]
"""


class Originals:
    """Good files of every kind, made once from one strip of the film model."""

    def __init__(self, folder: Path) -> None:
        frames = [FrameSpec("chart"), FrameSpec("coffee")]
        strip = StripSpec(Roll("film-a", frames, format="135", first_number=11, seed=5), 0, 2)
        folder.mkdir(parents=True, exist_ok=True)
        scan = make_scan(
            [strip], scanner="scanner-a", ppi=PPI, seed=5, infrared=True, dust_count=20
        )
        self.infrared: NDArray[np.uint16] = np.asarray(scan.infrared)
        scan = replace(scan, infrared=None)
        self.good = Path(write_scan(folder, "good", scan))
        self.picture: NDArray[np.uint16] = tifffile.imread(self.good)
        self.record = self._record(folder)
        self.log = self._log(folder)
        self.tiffs = tuple(path.read_bytes() for path in self._tiffs(folder))
        self.png = bytes(imagecodecs.png_encode(self.picture))
        self.jpeg = self._jpeg(folder)
        self.others = self._others(folder)
        profiles = profiles_folder()
        self.film = (profiles / "films" / "generic.toml").read_text("utf-8")
        self.scanner = (profiles / "scanners" / "narrow-band.toml").read_text("utf-8")

    def _tiffs(self, folder: Path) -> list[Path]:
        """Write the picture in all the ways that a TIFF may hold it."""
        picture, icc = self.picture, _icc()
        grey = picture[..., 0]
        ways: list[dict[str, object]] = [
            {"software": "scan <b>&", "iccprofile": icc},
            {"compression": "zlib", "predictor": 2, "rowsperstrip": 16},
            {"compression": "lzw", "predictor": 2, "tile": (64, 64)},
            {"planarconfig": "separate", "byteorder": ">"},
            {"bigtiff": True, "compression": "packbits"},
            {"floating": True},
            {"compression": "zstd", "subifds": 1},
            {"infrared": True},
            {"infrared": True, "compression": "zlib", "predictor": 2, "tile": (32, 48)},
            {"infrared": True, "compression": "lzw", "planarconfig": "separate"},
            {"infrared": "page", "compression": "zlib", "rowsperstrip": 40},
            {"compression": "jpeg", "subsampling": (1, 1), "tile": (64, 64), "eight_bits": True},
            {"tile": (128, 16), "byteorder": ">"},
        ]
        paths = []
        for number, way in enumerate(ways):
            path = folder / f"way-{number}.tif"
            options = dict(way)
            opening = {key: options.pop(key) for key in ("bigtiff", "byteorder") if key in options}
            data = (picture / np.float32(65535)) if options.pop("floating", False) else picture
            infrared = options.pop("infrared", False)
            second = self.infrared if infrared else grey
            if infrared is True:
                data, options["extrasamples"] = np.dstack([data, self.infrared]), [0]
            if options.pop("eight_bits", False):
                data = _eight_bits(picture)
            if options.get("planarconfig") == "separate":
                data = np.moveaxis(data, 2, 0)
            with tifffile.TiffWriter(path, **opening) as tiff:
                tiff.write(
                    data, photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH", **options
                )
                tiff.write(second, photometric="minisblack", compression="zlib")
            paths.append(path)
        return paths

    def _others(self, folder: Path) -> dict[str, bytes]:
        """Return the picture in formats that are decoded whole, and as it lies, by name."""
        small = _eight_bits(self.picture)
        bmp, webp, raw, j2k = (folder / f"good.{kind}" for kind in ("bmp", "webp", "dng", "j2k"))
        Image.fromarray(small).save(j2k, tile_size=(128, 128))
        Image.fromarray(small).save(bmp, dpi=(PPI, PPI))
        Image.fromarray(small).save(webp, lossless=True)
        heif = io.BytesIO()
        pillow_heif.from_pillow(Image.fromarray(small)).save(heif, quality=90)
        write_mosaic(raw, self.picture)
        return {
            "bad.bmp": bmp.read_bytes(),
            "bad.webp": webp.read_bytes(),
            "bad.heic": heif.getvalue(),
            "bad.avif": bytes(imagecodecs.avif_encode(small, level=95, speed=10)),
            "bad.jp2": bytes(imagecodecs.jpeg2k_encode(self.picture, level=0, reversible=True)),
            "bad.j2k": j2k.read_bytes(),
            "bad.jxl": bytes(imagecodecs.jpegxl_encode(self.picture, lossless=True, effort=1)),
            "bad.dng": raw.read_bytes(),
        }

    def _record(self, folder: Path) -> str:
        """Return the record of a run with the good scan."""
        words = ["convert", str(self.good), "-o", str(folder / "out"), "--archive", "none"]
        _done([*words, "--share-size", "64", "--workers", "1"])
        return (folder / "out" / "roll.json").read_text("utf-8")

    def _log(self, folder: Path) -> bytes:
        """Return the file of a log of batches."""
        table, log = folder / "log.csv", folder / "bath.sqlite"
        table.write_text(LOG_CSV, "utf-8")
        _done(["bath", "import", str(table), "--log", str(log)])
        return log.read_bytes()

    def _jpeg(self, folder: Path) -> bytes:
        path = folder / "good.jpg"
        exif = Image.Exif()
        exif[271], exif[305], exif[306] = "maker <i>", "soft", "2025:01:01 10:00:00"
        Image.fromarray(_eight_bits(self.picture)).save(
            path, exif=exif, icc_profile=_icc(), dpi=(PPI, PPI)
        )
        return path.read_bytes()


def write_mosaic(path: Path, picture: NDArray[np.uint16]) -> None:
    """Write a raw picture of one colour a pixel, of the usual pattern of four (DNG 1.7)."""
    rows, columns = (side // 2 * 2 for side in picture.shape[:2])
    plane = picture[:rows, :columns, 1].copy()
    plane[::2, ::2] = picture[:rows:2, :columns:2, 0]
    plane[1::2, 1::2] = picture[1:rows:2, 1:columns:2, 2]
    matrix = [1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1]
    tags = [
        (271, 2, 0, "Bench", True), (272, 2, 0, "Bench", True),
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, (0, 1, 1, 2), True),
        (50706, 1, 4, (1, 4, 0, 0), True), (50708, 2, 0, "Bench", True),
        (50721, 10, 9, tuple(matrix), True), (50778, 3, 1, 21, True),
    ]  # fmt: skip
    tifffile.imwrite(path, plane, photometric=32803, metadata=None, extratags=tags)


def _done(words: list[str]) -> None:
    """Run the command for what it writes; raise unless it says that all is done."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        try:
            main(words)
        except SystemExit as left:
            if left.code:
                raise RuntimeError(f"the command ended with {left.code}: {words}") from left


def _eight_bits(picture: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Return linear codes as codes of 8 bits with a tone curve."""
    return np.rint((picture / 65535) ** (1 / 2.2) * 255).astype(np.uint8)


def _icc() -> bytes:
    from pipeline.profile.space import find_space, icc_profile

    return icc_profile(find_space("srgb"))


def flipped(data: bytes, dice: random.Random) -> bytes:
    """Flip a few bits, mostly near the start, where a file describes itself."""
    out = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 8, 64))):
        reach = len(out) if dice.random() < 0.3 else min(len(out), 1024)
        out[dice.randrange(reach)] ^= 1 << dice.randrange(8)
    return bytes(out)


def cut(data: bytes, dice: random.Random) -> bytes:
    """Cut short, anywhere or near either end."""
    size = dice.choice((dice.randrange(len(data)), dice.randrange(64), len(data) - 1))
    return data[:size]


def overwritten(data: bytes, dice: random.Random) -> bytes:
    """Overwrite a run of bytes with zeros, ones or noise."""
    out = bytearray(data)
    size = dice.choice((1, 2, 4, 16, 512))
    at = dice.randrange(len(out))
    run = dice.choice((b"\0" * size, b"\xff" * size, dice.randbytes(size)))
    out[at : at + size] = run[: len(out) - at]
    return bytes(out)


def doubled(data: bytes, dice: random.Random) -> bytes:
    """Put a piece of the file in again somewhere else."""
    start = dice.randrange(len(data))
    piece = data[start : start + dice.choice((1, 12, 100, 4000))]
    at = dice.randrange(len(data))
    return data[:at] + piece + data[at:]


def _entries(data: bytes) -> list[tuple[int, str, int]]:
    """Return place, byte order and size of every entry of a TIFF's first directories."""
    order = _WORDS.get(data[:2].decode("ascii", "replace"), "<")
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    entry, word = (20, "Q") if big else (12, "I")
    found = []
    place = struct.unpack_from(order + word, data, 8 if big else 4)[0]
    for _ in range(4):
        if not place or place + 8 > len(data):
            break
        counted = struct.unpack_from(order + ("Q" if big else "H"), data, place)[0]
        start = place + (8 if big else 2)
        found += [(start + k * entry, order, entry) for k in range(min(counted, 60))]
        end = start + min(counted, 60) * entry
        found.append((end, order, 0))
        if end + 8 > len(data):
            break
        place = struct.unpack_from(order + word, data, end)[0]
    return found


def tags_changed(data: bytes, dice: random.Random) -> bytes:
    """Write nonsense into entries of a TIFF's directories: type, count, value, next directory."""
    out = bytearray(data)
    entries = [each for each in _entries(data) if each[0] + 20 <= len(out)]
    if not entries:
        return flipped(data, dice)
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        place, order, size = dice.choice(entries)
        number = dice.choice((*_EVIL_NUMBERS, place, len(data), dice.randrange(2**32)))
        if not size:
            # Where the next directory is: a circle, or nowhere.
            struct.pack_into(order + "I", out, place, dice.choice((8, place, number)))
        elif (part := dice.randrange(4)) == 0:
            struct.pack_into(order + "H", out, place + 2, dice.choice((0, 1, 2, 5, 7, 12, 13, 99)))
        elif part == 1:
            struct.pack_into(order + "H", out, place, dice.choice((256, 257, 273, 330, 34665, 279)))
        else:
            at = place + 4 + (4 if part == 3 else 0)
            struct.pack_into(order + "I", out, at, number)
    return bytes(out)


def samples_changed(data: bytes, dice: random.Random) -> bytes:
    """Make samples of an uncompressed float TIFF infinite, no numbers, huge or tiny."""
    out = bytearray(data)
    value = dice.choice((np.nan, np.inf, -np.inf, 3e38, -3e38, 1e-45, -1.0))
    packed = struct.pack("<f", value)
    whole = dice.random() < 0.2
    start = len(out) // 4 // 4 * 4
    for at in range(start, len(out) - 8, 4 if whole else dice.choice((4000, 400000))):
        out[at : at + 4] = packed
    return bytes(out)


def chunks_changed(data: bytes, dice: random.Random) -> bytes:
    """Put nonsense into a PNG with checksums that hold (PNG, third edition, 5.3)."""
    head, at = data[:8], 8
    chunks: list[tuple[bytes, bytes]] = []
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += 12 + size
    kind = dice.randrange(4)
    if kind == 0:
        numbers = [dice.choice((0, 1, 2**15, 2**20, 2**31 - 1)) for _ in range(2)]
        tail = bytes([dice.choice((8, 16, 3)), dice.choice((0, 2, 3, 6)), 0, 0, dice.randrange(2)])
        chunks[0] = (b"IHDR", struct.pack(">II", *numbers) + tail)
    elif kind == 1:
        name = dice.choice((b"gAMA", b"pHYs", b"eXIf", b"iCCP", b"tEXt", b"zTXt", b"sRGB", b"acTL"))
        chunks.insert(1, (name, dice.choice((b"", b"\0" * 9, b"\xff" * 9, dice.randbytes(60)))))
    elif kind == 2:
        # A bomb: a little deflate that unfolds to a lot.
        bomb = zlib.compress(bytes(1 << 26), 9)
        chunks.insert(1, dice.choice(((b"iCCP", b"x\0\0" + bomb), (b"zTXt", b"x\0\0" + bomb))))
    else:
        dice.shuffle(chunks)
    return head + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in chunks
    )


def lines_changed(text: str, dice: random.Random) -> bytes:
    """Put nonsense into a TOML file: values, keys, lines, bytes."""
    lines = text.splitlines()
    for _ in range(dice.choice((1, 1, 2, 3))):
        at = dice.randrange(len(lines))
        kind = dice.randrange(6)
        if kind <= 2 and (told := re.match(r"[\w.]+ *= *", lines[at])):
            lines[at] = told[0] + dice.choice(_EVIL_VALUES)
        elif kind == 3:
            lines.insert(
                at, f"{dice.choice(('x', 'lok', 'a.b.c', '_'))} = {dice.choice(_EVIL_VALUES)}"
            )
        elif kind == 4:
            del lines[at]
        else:
            lines.insert(
                at, dice.choice(("[frames]", "[[batch]]", "[" * 5000, "= 3", "a=" + "[" * 999))
            )
    data = "\n".join(lines).encode("utf-8", "replace")
    return flipped(data, dice) if dice.random() < 0.2 else data


BYTES: tuple[Callable[[bytes, random.Random], bytes], ...] = (flipped, cut, overwritten, doubled)


def mutated(originals: Originals, dice: random.Random) -> dict[str, bytes]:
    """Return one bad input: its kind of file by the name it is to have, and its bytes."""
    kinds = ("tiff",) * 8 + ("png", "png", "jpeg", "roll", "roll", "film", "scanner")
    kinds += ("other",) * 7
    tables = ("readings", "readings", "aim", "log", "record", "record", "bath")
    kind = dice.choice((*kinds, *tables))
    if kind == "tiff":
        way = dice.randrange(len(originals.tiffs))
        ways = (*BYTES, tags_changed, tags_changed, tags_changed, tags_changed)
        change = dice.choice(ways + (samples_changed,) * 6 if way == 5 else ways)
        return {"bad.tif": change(originals.tiffs[way], dice)}
    if kind == "png":
        return {"bad.png": dice.choice((*BYTES, *(chunks_changed,) * 4))(originals.png, dice)}
    if kind == "other":
        name = dice.choice(tuple(originals.others))
        return {name: dice.choice(BYTES)(originals.others[name], dice)}
    if kind == "jpeg":
        return {"bad.jpg": dice.choice(BYTES)(originals.jpeg, dice)}
    if kind == "roll":
        return {"roll.toml": lines_changed(ROLL_TOML, dice)}
    if kind in ("readings", "aim", "log"):
        table = {"readings": READINGS_CSV, "aim": AIM_CSV, "log": LOG_CSV}[kind]
        data = cells_changed(table, dice)
        return {f"{kind}.csv": dice.choice(BYTES)(data, dice) if dice.random() < 0.15 else data}
    if kind == "record":
        data = values_changed(originals.record, dice)
        return {"roll.json": dice.choice(BYTES)(data, dice) if dice.random() < 0.15 else data}
    if kind == "bath":
        return {"bath.sqlite": dice.choice(BYTES)(originals.log, dice)}
    text = originals.film if kind == "film" else originals.scanner
    return {f"{kind}.toml": lines_changed(text, dice)}
