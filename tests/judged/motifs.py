"""Colour of rolls by their motif, without a chart: `python -m tests.judged.motifs --seeds 0 8`.

Rolls of photographs (tests/data/photographs.npz) are exposed on films and read by scanners of the
film model as densities, with no scan drawn, so that a roll takes a moment. For each motif, on
worlds that constants were set on and on others (photographs, films and scanners), it prints

alone     CIEDE2000 of a chart under the film profile alone, mean of the rolls
solved    the same by the roll's pictures, mean and worst
greys     median C*ab of the grey row, mean of the rolls, alone and solved
worse     share of rolls that came out worse than the profile alone by more than 0.3, and by how
          much at most
doubt     standard deviation that was told, and root mean square of what greys are off, log10

Colour differences are colour-science's (ISO/CIE 11664-6), the chart's reflectances the ISO 17321-1
set, after one exposure scale.
"""

import argparse
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.colour.fit import fit_grey
from pipeline.colour.solve import solve_roll
from pipeline.colour.unmask import RollColour, from_profile, layer_exposure, scene_light
from pipeline.kinds import as_triple
from pipeline.profile.film import FilmProfile, find_film
from pipeline.profile.scanner import find_scanner, with_scanner
from pipeline.survey import EdgePrint
from tests.film_model import chart
from tests.film_model.dyes import base_dye, spectral_density
from tests.film_model.scanner import load_scanner, scanners_of
from tests.film_model.spectra import Floats, wavelengths_nm
from tests.film_model.stock import MID_GREY, Process, films_of, load_film
from tests.fitted.generic import delta_e, grey_chroma
from tests.fitted.photographs import Photograph, light_tint, photographs

SPLITS = ("used", "left-out")
GIVEN = ("edge-print", "card", "scanner")
# Bands of diodes deviate by 8 to 16 nm from their middle, those of filters by 28 and more.
BROAD_NM = 20.0
FRAMES, FEW = 20, 4
# Noise of density and glare of a lens: within what the film model's scanners and cameras have.
NOISE, GLARE = 0.006, 0.006
# Spread of a roll's usual light and of a frame's about it, in mired (from memory).
ROLL_MIRED, FRAME_MIRED = 12.0, 18.0
# Tungsten light against daylight, partly mended by lamps of several kinds (from memory).
LAMP_MIRED = 150.0
GREEN_FILTER = np.array([0.35, 0.9, 0.25])
MIDDLE_PATCH = 21
ALLOWED_WORSE = 0.3
Rng = np.random.Generator


@dataclass(frozen=True)
class Frame:
    """One picture: whose photograph, exposure in stops, warmth of its light in mired, a tint."""

    photograph: Photograph
    stops: float
    mired: float
    tint: Floats


@dataclass(frozen=True)
class Film:
    """A film as a scanner sees it: exposures of sRGB light, and densities above base of them.

    `edge_print` (3,) is the exposure of the edge print, where it is known.
    """

    to_exposure: Floats
    patches: Floats
    above: Callable[[Floats], Floats]
    edge_print: Floats | None = None


@dataclass(frozen=True)
class Judged:
    """Errors of one roll: CIEDE2000, C*ab of greys, log10 ratios of greys (2); doubt told."""

    alone: float
    solved: float
    grey_alone: float
    grey_solved: float
    off_log_e: Floats
    doubt_log_e: float


def seen_film(film: str, scanner: str) -> Film:
    """Return a film of the film model, developed as usual, as one of its scanners sees it."""
    stock, device, run = load_film(film), load_scanner(scanner), Process()
    base = device.density(spectral_density(stock, run, base_dye(stock, run)))

    def above(exposure: Floats) -> Floats:
        dye = stock.develop(np.asarray(exposure, float) / MID_GREY, run)
        return np.asarray(device.density(spectral_density(stock, run, dye)) - base)

    _, reflectances = chart.reflectances()
    printed = MID_GREY * 10.0 ** np.asarray(stock.edge_print)
    return Film(stock.picture_matrix(), stock.layer_exposures(reflectances), above, printed)


def _any(rng: Rng, pool: Sequence[Photograph], theme: str | None = None) -> Photograph:
    some = [one for one in pool if theme in (None, one.theme)]
    return some[int(rng.integers(len(some)))]


def motif_frames(motif: str, rng: Rng, pool: Sequence[Photograph]) -> list[Frame]:
    """Return the pictures of a roll of a motif; all random follows from the generator."""
    usual, same, plain = rng.normal(0.0, ROLL_MIRED), _any(rng, pool), np.ones(3)
    frames = []
    for _ in range(FEW if motif == "few" else FRAMES):
        stops, mired = rng.normal(0.2, 0.5), usual + rng.normal(0.0, FRAME_MIRED)
        theme = motif if motif in ("forest", "night", "beach") else None
        photograph = same if motif == "one motif" else _any(rng, pool, theme)
        lamp = motif == "lamp" or (motif == "mixed light" and rng.random() < 0.4)
        dark = 1.5 * (motif == "night")
        tint = GREEN_FILTER if motif == "filter" else plain
        frames.append(Frame(photograph, stops - dark, mired + LAMP_MIRED * lamp, tint))
    return frames


MOTIFS = (
    "ordinary", "few", "forest", "filter", "night", "beach", "one motif", "lamp", "mixed light",
)  # fmt: skip


def frame_density(frame: Frame, film: Film, rng: Rng) -> Floats:
    """Return densities above base (160, 3) of a picture's colours."""
    codes = frame.photograph.colours
    light = codes[rng.integers(len(codes), size=len(codes))] * frame.tint * light_tint(frame.mired)
    exposure = np.maximum(light @ film.to_exposure.T, 0.0) * 2.0**frame.stops
    glare = rng.uniform(0.0, GLARE)
    seen = exposure * (1.0 - glare) + glare * exposure.mean(axis=0) + 1e-4
    return film.above(seen) + rng.normal(0.0, NOISE, seen.shape)


def chart_errors(film: Film, colour: RollColour) -> tuple[float, float, Floats]:
    """Return mean CIEDE2000, C*ab of greys, and log10 ratios of the middle grey to green (2)."""
    above = film.above(film.patches)
    light = scene_light(above, colour)
    light = light * MID_GREY / max(light[MIDDLE_PATCH, 1], 1e-6)
    logs = np.log10(layer_exposure(above[MIDDLE_PATCH], colour))
    return float(delta_e(light).mean()), grey_chroma(light), logs[[0, 2]] - logs[1]


def seen_print(film: Film, rng: Rng) -> EdgePrint | None:
    """Return the edge print of a film as it is measured, with the noise of densities."""
    if film.edge_print is None:
        return None
    density = film.above(film.edge_print[None])[0] + rng.normal(0.0, NOISE, 3)
    return EdgePrint(as_triple(density), (NOISE,) * 3)


def bands_of(scanner: str) -> str:
    """Return the scanner profile that a user would name for a scanner: narrow bands or broad."""
    weights, nm = load_scanner(scanner).weights, wavelengths_nm()
    middle = (weights * nm).sum(axis=1) / weights.sum(axis=1)
    square = (weights * (nm - middle[:, None]) ** 2).sum(axis=1) / weights.sum(axis=1)
    return "broad-band" if np.median(square) > BROAD_NM**2 else "narrow-band"


def judged_roll(
    motif: str, split: str, seed: int, profile: FilmProfile, given: Collection[str] = ()
) -> Judged:
    """Return what comes of one roll of a motif on a film and a scanner of a split.

    `given` are of GIVEN: the film's edge print is in view, its profile is balanced by a grey card
    on another roll of it, the kind of scanner is named.
    """
    rng = np.random.default_rng([seed, *motif.encode(), *split.encode()])
    names = str(rng.choice(films_of(split))), str(rng.choice(scanners_of(split)))
    film = seen_film(*names)
    if "scanner" in given:
        profile = with_scanner(profile, find_scanner(bands_of(names[1])))
    if "card" in given:
        profile = fit_grey(film.above(film.patches[MIDDLE_PATCH]), profile)
    frames = motif_frames(motif, rng, photographs(odd=split == "left-out"))
    densities = [frame_density(frame, film, rng) for frame in frames]
    printed = seen_print(film, rng) if "edge-print" in given else None
    solved = solve_roll(densities, profile, printed)
    alone, grey_alone, _ = chart_errors(film, from_profile(profile))
    error, grey, off = chart_errors(film, solved)
    return Judged(alone, error, grey_alone, grey, off, solved.doubt_log_e or 0.0)


def row_of(rolls: Sequence[Judged]) -> str:
    """Return the figures of a motif on one split."""
    alone, solved = (np.array([getattr(r, n) for r in rolls]) for n in ("alone", "solved"))
    grey_alone, grey = (np.mean([getattr(r, n) for r in rolls]) for n in _GREYS)
    off = np.sqrt(np.mean([roll.off_log_e**2 for roll in rolls]))
    doubt = np.sqrt(np.mean([roll.doubt_log_e**2 for roll in rolls]))
    worse = solved - alone
    return (
        f"{alone.mean():5.1f} {solved.mean():5.1f} {solved.max():5.1f}  "
        f"{grey_alone:5.1f} {grey:5.1f}  "
        f"{np.mean(worse > ALLOWED_WORSE):5.0%} {worse.max():+5.1f}  "
        f"{doubt:.3f} {off:.3f}"
    )


_GREYS = ("grey_alone", "grey_solved")
_HEAD = "alone solved worst   greys alone, solved  worse      doubt off"


def table(
    motifs: Sequence[str], seeds: range, profile: FilmProfile, given: Collection[str] = ()
) -> Mapping[str, str]:
    """Return the lines of the table by motif and split."""
    return {
        f"{motif:12} {split:9}": row_of(
            [judged_roll(motif, split, s, profile, given) for s in seeds]
        )
        for motif in motifs
        for split in SPLITS
    }


def main() -> None:
    """Judge rolls of all motifs and print a table."""
    parser = argparse.ArgumentParser(
        prog="tests.judged.motifs",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--motifs", nargs="+", default=MOTIFS, choices=MOTIFS)
    parser.add_argument("--seeds", type=int, nargs=2, default=(0, 8), metavar=("FIRST", "END"))
    parser.add_argument("--profile", default="generic")
    parser.add_argument("--given", nargs="+", default=(), choices=GIVEN, help="what else is known")
    words = parser.parse_args()
    print(f"{'':22} {_HEAD}")
    for motif in words.motifs:
        lines = table([motif], range(*words.seeds), find_film(words.profile), words.given)
        for name, figures in lines.items():
            print(name, figures, flush=True)


if __name__ == "__main__":
    main()
