"""Colours of photographs, and how they lie about neutral: ``python -m tests.fitted.photographs``.

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

from pipeline.profile import shipped
from tests.film_model.picture import decode_srgb
from tests.film_model.spectra import Floats
from tests.film_model.stock import load_film

TABLE = Path(__file__).parents[1] / "data" / "photographs.npz"
COLOURS, LEAST_SIDE_PX, SMALL_SIDE_PX, LONG_SIDE_PX = 160, 250, 64, 768
FREEDOMS = (0.3, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0)
# A camera for still pictures has taken most of the light's colour out; film has not. Spread of
# daylight between frames in mired (from memory), and what glare of a lens adds, of the mean light.
LIGHT_MIRED, GLARE, USUAL_MIRED = 18.0, 0.006, 182.0
DRAWS = 3
# Exposure of pictures in stops, and the least exposure that film tells from its base: about where a
# layer is 0.06 denser (generic.toml).
STOPS, LEAST_EXPOSURE, LEAST_COLOURS = (0.2, 0.5), 0.007, 20
# Linear light, white 1: 249 of 255 in sRGB.
CLIPPED = 0.95


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


@dataclass(frozen=True)
class Pool:
    """Colours of pictures' places of like lightness (n, 2) and what each counts (n,), sum 1.

    Log10 exposure: red over blue and green over both, each over the length of its vector.
    """

    ratios: Floats
    weight: Floats


def ratios_of(logs: Floats) -> Floats:
    """Return (n, 2) the ratios of a `Pool` of log10 exposures (n, 3)."""
    red, green, blue = logs.T
    return np.stack([(red - blue) / 2**0.5, (2.0 * green - red - blue) / 6**0.5], axis=1)


def population(odd: bool) -> tuple[Pool, ...]:
    """Return the colours of photographs' parts, darkest first, in daylight of its usual spread.

    Parts are those of profiles/scenes.toml. Photographs count by the share of them that film tells
    from its base. Where a channel of a file is full its white is clipped, as film's is not: such
    colours are left out.
    """
    rng = np.random.default_rng(0)
    matrix = load_film("film-a").picture_matrix()
    shares = [part["share"] for part in shipped("scenes.toml")["colours"]["part"]]
    edges = np.append(0.0, np.cumsum(shares))
    parts: list[list[Floats]] = [[] for _ in shares]
    weights: list[list[Floats]] = [[] for _ in shares]
    for photograph in photographs(odd) * DRAWS:
        light = photograph.colours * light_tint(rng.normal(0.0, LIGHT_MIRED))
        exposure = np.maximum(light @ matrix.T, 0.0) * 2.0 ** rng.normal(*STOPS)
        glare = rng.uniform(0.0, GLARE)
        seen = exposure * (1.0 - glare) + glare * exposure.mean(axis=0)
        told = (seen.min(axis=1) > LEAST_EXPOSURE) & (photograph.colours.max(axis=1) < CLIPPED)
        if told.sum() < LEAST_COLOURS:
            continue
        logs = np.log10(seen[told])
        places = np.split(
            np.argsort(logs.sum(axis=1)), np.rint(edges[1:-1] * len(logs)).astype(int)
        )
        for pool, weight, some in zip(parts, weights, places, strict=True):
            pool.append(ratios_of(logs[some]))
            weight.append(np.full(len(some), told.mean() / len(some)))
    return tuple(
        Pool(np.concatenate(pool), np.concatenate(weight) / np.concatenate(weight).sum())
        for pool, weight in zip(parts, weights, strict=True)
    )


@dataclass(frozen=True)
class Spread:
    """Student's t in two dimensions: middle, scale matrix, freedom; mean log likelihood."""

    middle: Floats
    scale: Floats
    freedom: float
    likelihood: float


def fit_spread(pool: Pool, freedom: float) -> Spread:
    """Return the t distribution of a freedom that fits a pool best, by expectation."""
    ratios = pool.ratios
    middle, scale = np.median(ratios, axis=0), np.cov(ratios.T)
    for _ in range(200):
        off = ratios - middle
        far = np.einsum("ni,ij,nj->n", off, np.linalg.inv(scale), off)
        weight = pool.weight * (freedom + 2.0) / (freedom + far)
        middle = weight @ ratios / weight.sum()
        off = ratios - middle
        scale = np.einsum("n,ni,nj->ij", weight, off, off)
    far = np.einsum("ni,ij,nj->n", off, np.linalg.inv(scale), off)
    known = gammaln((freedom + 2.0) / 2) - gammaln(freedom / 2) - np.log(freedom * np.pi)
    known -= np.linalg.slogdet(scale)[1] / 2
    likelihood = known - pool.weight @ np.log1p(far / freedom) * (freedom + 2.0) / 2
    return Spread(middle, scale, freedom, float(likelihood))


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
    """Print how colours lie in either part of the photographs."""
    parser = argparse.ArgumentParser(prog="tests.fitted.photographs", description=main.__doc__)
    parser.add_argument("--packages", type=Path, help="folder of unpacked packages")
    words = parser.parse_args()
    if words.packages:
        write_table(words.packages)
    for odd in (False, True):
        print("left out" if odd else "used", len(photographs(odd)), "photographs")
        for place, pool in enumerate(population(odd)):
            fits = [fit_spread(pool, freedom) for freedom in FREEDOMS]
            print(
                place, *(f"freedom {fit.freedom}: {fit.likelihood:.3f}" for fit in fits), sep=", "
            )
            told = fit_spread(pool, float(shipped("scenes.toml")["colours"]["freedom"]))
            print("middle", told.middle.round(4).tolist(), "scale", told.scale.round(5).tolist())


if __name__ == "__main__":
    main()
