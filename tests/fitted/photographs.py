"""Colours of photographs, and how neutral scenes are: ``python -m tests.fitted.photographs``.

Source: sources.toml [photographs]. `tests/data/photographs.npz` holds a random 160 colours of each,
no picture. Photographs of even place are there to fit on, those of odd place to judge on. With
`--packages FOLDER`, which holds the packages unpacked, the table is made again.
"""

import argparse
import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.special import gammaln

from tests.film_model.picture import decode_srgb
from tests.film_model.spectra import Floats
from tests.film_model.stock import load_film

TABLE = Path(__file__).parents[1] / "data" / "photographs.npz"
COLOURS, LEAST_SIDE_PX, SMALL_SIDE_PX, LONG_SIDE_PX = 160, 250, 64, 768
# Student's t by which neutrals are looked for, the width of a picture's neutrals in log10 ratios,
# and that of its freedom tried.
WIDTH_LOG_E, ROUNDS, FREEDOMS = 0.06, 8, (1.0, 1.5, 2.0, 3.0, 5.0)
# A camera for still pictures has taken most of the light's colour out; film has not. Spread of
# daylight between frames in mired (from memory), and what glare of a lens adds, of the mean light.
LIGHT_MIRED, GLARE, USUAL_MIRED = 18.0, 0.006, 182.0
DRAWS = 3


@dataclass(frozen=True)
class Photograph:
    """Linear sRGB colours (160, 3) of one photograph, white 1; theme 'any' or its one motif."""

    name: str
    theme: str
    colours: Floats


@cache
def photographs(odd: bool | None = None) -> tuple[Photograph, ...]:
    """Return the photographs of even or of odd place, or all."""
    table = np.load(TABLE)
    every = [
        Photograph(str(name), str(theme), decode_srgb(codes / 255.0))
        for name, theme, codes in zip(table["name"], table["theme"], table["codes"], strict=True)
    ]
    return tuple(every if odd is None else every[int(odd) :: 2])


def light_tint(mired: float) -> Floats:
    """Return what light so many mired warmer than usual adds to sRGB, green 1.

    Wien's law at the sRGB primaries' dominant wavelengths, about 0.61, 0.55 and 0.465 um.
    """
    logs = -14388.0 / np.array([0.61, 0.55, 0.465]) * mired * 1e-6 / np.log(10.0)
    return np.asarray(10.0 ** (logs - logs[1]))


def neutral_places(logs: Floats) -> Floats:
    """Return where neutrals lie in the darker and in the lighter half (4,) of log10 exposures.

    The same law as `pipeline.colour.neutral` has, written apart: red over blue and green over both,
    each over the length of its vector, of the darker half and of the lighter.
    """
    order = np.argsort(logs.mean(axis=1))
    red, green, blue = logs.T
    ratios = np.stack([(red - blue) / 2**0.5, (2.0 * green - red - blue) / 6**0.5], axis=1)
    places = []
    for half in np.array_split(order, 2):
        place = np.zeros(2)
        for _ in range(ROUNDS):
            apart = ((ratios[half] - place) ** 2).sum(axis=1) / WIDTH_LOG_E**2
            weight = (1.0 + apart) ** -1.5
            place = weight @ ratios[half] / weight.sum()
        places.append(place)
    return np.concatenate(places)


def population(odd: bool) -> Floats:
    """Return the places of neutrals (n, 4) of photographs in daylight of its usual spread."""
    rng = np.random.default_rng(0)
    matrix, places = load_film("film-a").picture_matrix(), []
    for _ in range(DRAWS):
        for photograph in photographs(odd):
            light = photograph.colours * light_tint(rng.normal(0.0, LIGHT_MIRED))
            exposure = np.maximum(light @ matrix.T, 0.0)
            glare = rng.uniform(0.0, GLARE)
            seen = exposure * (1.0 - glare) + glare * exposure.mean(axis=0) + 1e-3
            places.append(neutral_places(np.log10(seen)))
    return np.array(places)


@dataclass(frozen=True)
class Spread:
    """Student's t in four dimensions: middle, scale matrix, freedom; mean log likelihood."""

    middle: Floats
    scale: Floats
    freedom: float
    likelihood: float


def fit_spread(places: Floats, freedom: float) -> Spread:
    """Return the t distribution of a freedom that fits places (n, 4) best, by expectation."""
    middle, scale = np.median(places, axis=0), np.cov(places.T)
    count, size = places.shape
    for _ in range(200):
        off = places - middle
        far = np.einsum("ni,ij,nj->n", off, np.linalg.inv(scale), off)
        weight = (freedom + size) / (freedom + far)
        middle = weight @ places / weight.sum()
        off = places - middle
        scale = np.einsum("n,ni,nj->ij", weight, off, off) / count
    far = np.einsum("ni,ij,nj->n", off, np.linalg.inv(scale), off)
    known = gammaln((freedom + size) / 2) - gammaln(freedom / 2)
    known -= size / 2 * np.log(freedom * np.pi) + np.linalg.slogdet(scale)[1] / 2
    likelihood = float((known - (freedom + size) / 2 * np.log1p(far / freedom)).mean())
    return Spread(middle, scale, freedom, likelihood)


def _pictures(folder: Path) -> Iterator[tuple[str, Image.Image]]:
    """Yield the photographs and drawings of packages by name: JPEG files, WebP in resource files.

    Of a resource file they are numbered as they lie in it.
    """
    for path in sorted(folder.rglob("*.rcc")):
        held, at, count = path.read_bytes(), 0, 0
        while (at := held.find(b"RIFF", at)) >= 0:
            if held[at + 8 : at + 12] != b"WEBP":
                at += 4
                continue
            size = struct.unpack("<I", held[at + 4 : at + 8])[0] + 8
            image = Image.open(io.BytesIO(held[at : at + size]))
            at += size
            if min(image.size) >= LEAST_SIDE_PX and image.mode == "RGB":
                yield f"{path.stem}-{count}", image
                count += 1
    for path in sorted(folder.rglob("*.jpg")):
        yield path.stem, Image.open(path).convert("RGB")


def _codes(image: Image.Image, rng: np.random.Generator) -> Floats:
    """Return some colours (160, 3) of a picture made small in linear light, as sRGB codes."""
    image.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX))
    linear = decode_srgb(np.asarray(image, float) / 255.0)
    step = max(1, min(linear.shape[:2]) // SMALL_SIDE_PX)
    rows, columns = (side // step for side in linear.shape[:2])
    blocks = linear[: rows * step, : columns * step].reshape(rows, step, columns, step, 3)
    small = blocks.mean(axis=(1, 3)).reshape(-1, 3)
    some = small[rng.choice(len(small), COLOURS, replace=False)]
    codes = np.where(some <= 0.0031308, 12.92 * some, 1.055 * some ** (1 / 2.4) - 0.055)
    return np.rint(codes * 255.0).astype(np.uint8)


def write_table(folder: Path) -> None:
    """Make the colours anew of the photographs that the table names."""
    table = np.load(TABLE)
    found, rng = dict(_pictures(folder)), np.random.default_rng(0)
    codes = [_codes(found[name], rng) for name in table["name"].tolist()]
    np.savez_compressed(TABLE, name=table["name"], theme=table["theme"], codes=np.array(codes))


def main() -> None:
    """Print the spread of neutral places of either part of the photographs."""
    parser = argparse.ArgumentParser(prog="tests.fitted.photographs", description=main.__doc__)
    parser.add_argument("--packages", type=Path, help="folder of unpacked packages")
    words = parser.parse_args()
    if words.packages:
        write_table(words.packages)
    for odd in (False, True):
        places = population(odd)
        fits = [fit_spread(places, freedom) for freedom in FREEDOMS]
        print("left out" if odd else "used", len(photographs(odd)), "photographs")
        print(*(f"freedom {fit.freedom}: {fit.likelihood:.3f}" for fit in fits), sep=", ")
        best = max(fits, key=lambda fit: fit.likelihood)
        print("middle", best.middle.round(3).tolist())
        print("scale", best.scale.round(5).tolist())


if __name__ == "__main__":
    main()
