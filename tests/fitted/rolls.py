"""What rolls of like pictures turned out to be: ``python -m tests.fitted.rolls [--write]``.

Films and scanners drawn at random (tests.film_model.drawn) are exposed to photographs of even place
(tests/data/photographs.npz), as rolls of many motifs. For each, the numbers are found that render
its chart best under the generic profile, and a regression by Gaussian kernels about some of the
rolls tells them from statistics of its pictures (Williams and Seeger, Using the Nystroem method to
speed up kernel machines, 2001). It goes into profiles/rolls.toml.
"""

import argparse
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2

from pipeline.colour.belief import belief_of
from pipeline.colour.likeness import nearness, statistics
from pipeline.colour.samples import gather
from pipeline.colour.trial import CONTRAST, Trial, covariance
from pipeline.colour.unmask import from_profile, scene_light
from pipeline.profile.film import FilmProfile, find_film
from tests.film_model import chart
from tests.film_model.drawn import Drawn, drawn
from tests.film_model.spectra import Floats
from tests.film_model.stock import MID_GREY
from tests.fitted.generic import residuals
from tests.fitted.photographs import photographs
from tests.judged.motifs import Film, frame_density, motif_frames

TABLE = Path(__file__).parents[2] / "profiles" / "rolls.toml"
ABOUT = "generic"
ROLLS, KEPT, JUDGED, BELIEVED = 3000, 120, 600, 300
SOURCE = (
    "films and scanners drawn about usual ones, 71 photographs exposed on them "
    "(python -m tests.fitted.rolls)"
)
# Of ten rolls two and a half have nothing in particular (from memory); a filter is any colour.
MOTIFS = (
    "ordinary", "ordinary", "ordinary", "forest", "filter", "night", "beach", "few", "one motif",
    "lamp", "mixed light",
)  # fmt: skip
FILTER_LOG = 0.5
# Drawn films come out a fifth flatter than the profile; films and scanners of worlds drawn apart
# lie on either side of it. So slopes of all layers are raised by half of that and spread as far as
# those do (natural logs).
STEEPER_LOG = (0.12, 0.15)
# Nearness falls by exp(-NARROW) where statistics are one deviation apart on average; NOISE is what
# the numbers of one roll are trusted less by. Settled on drawn rolls of seeds that are not fitted.
NARROW, NOISE = 0.3, 0.1
# What errors of the chart weigh against numbers that lie far from the profile, as deviations.
HELD = 0.15


def film_drawn(seed: int) -> Film:
    """Return a film drawn about usual ones, on a scanner, as rolls are judged on it."""
    one, rng = drawn(seed), np.random.default_rng([seed, 11])
    slope = one.film.slope * np.exp(rng.normal(*STEEPER_LOG))
    return seen(replace(one, film=replace(one.film, slope=slope)))


def seen(one: Drawn) -> Film:
    """Return a drawn film as rolls are judged on it."""
    _, reflectances = chart.reflectances()
    film = one.film
    return Film(
        film.picture_matrix(),
        film.layer_exposures(reflectances),
        lambda exposure: one.above(np.asarray(exposure, float) / MID_GREY),
    )


def drawn_roll(seed: int, film: Film) -> list[Floats]:
    """Return densities above base of the pictures of one roll, (n, 3) each."""
    rng = np.random.default_rng([seed, 7])
    motif = MOTIFS[int(rng.integers(len(MOTIFS)))]
    tint = np.exp(rng.normal(0.0, FILTER_LOG, 3))
    frames = motif_frames(motif, rng, photographs(odd=False))
    if motif == "filter":
        frames = [replace(frame, tint=tint / tint.max()) for frame in frames]
    return [frame_density(frame, film, rng) for frame in frames]


def best_numbers(film: Film, profile: FilmProfile) -> Floats:
    """Return the numbers (n,) of a trial that render a film's chart best."""
    start, widths = from_profile(profile), np.linalg.cholesky(covariance(profile))
    above = film.above(film.patches)

    def misfit(numbers: Floats) -> Floats:
        trial = Trial(profile, widths @ numbers)
        colour = replace(start, unmask=trial.unmask, curves=trial.curves, balance=trial.balance)
        light = scene_light(above, colour)
        light = light * MID_GREY / max(float(light[21, 1]), 1e-6)
        return np.concatenate([residuals(light).ravel(), HELD * numbers])

    return np.asarray(widths @ least_squares(misfit, np.zeros(len(widths)), max_nfev=30).x)


def drawn_rolls(seeds: range, profile: FilmProfile) -> tuple[Floats, Floats]:
    """Return the statistics (m, s) of rolls and the numbers (m, n) that their films have."""
    told, numbers = [], []
    for seed in seeds:
        film = film_drawn(seed)
        samples = gather(drawn_roll(seed, film), profile)
        # A few nights show nothing.
        if not len(samples.weight):
            continue
        told.append(statistics(samples, profile))
        numbers.append(best_numbers(film, profile))
    return np.array(told), np.array(numbers)


def fit_rolls(told: Floats, numbers: Floats) -> dict[str, Floats]:
    """Return the middle and spread of statistics, kept rolls' places, what they add, the usual."""
    middle, spread = told.mean(axis=0), told.std(axis=0)
    places = (told - middle) / spread
    kept = places[np.random.default_rng(0).choice(len(places), KEPT, replace=False)].round(2)
    usual, scale = numbers.mean(axis=0), numbers.std(axis=0)
    near, own = nearness(places, kept, NARROW), nearness(kept, kept, NARROW)
    adds = np.linalg.solve(near.T @ near + NOISE * own, near.T @ ((numbers - usual) / scale))
    return {
        "middle": middle,
        "spread": spread,
        "places": kept,
        "adds": adds * scale,
        "usual": usual,
    }


@dataclass(frozen=True)
class Doubt:
    """How far off the law is among drawn rolls, and what is added far from all (both (n, n))."""

    near: Floats
    far: Floats


def fit_doubt(off: Floats, share: Floats, numbers: Floats) -> Doubt:
    """Return how far off a law is, from what it is off (m, n) at shares (m,) of nearness.

    What is far from all drawn rolls is told as badly as by the usual numbers alone, times what
    held-out rolls show.
    """
    usual = np.cov(numbers.T)
    squared = np.einsum("mi,ij,mj->m", off, np.linalg.inv(usual), off) / off.shape[1]
    steepness = max(0.0, np.cov(squared, 1.0 - share)[0, 1] / np.var(1.0 - share))
    near = off.T @ off / len(off) - steepness * (1.0 - share).mean() * usual
    values, ways = np.linalg.eigh(near)
    least = 0.1 * np.linalg.eigvalsh(off.T @ off / len(off)).min()
    return Doubt((ways * np.maximum(values, least)) @ ways.T, steepness * usual)


def belief_off(seeds: range, profile: FilmProfile) -> float:
    """Return how many times as far as it tells the belief is off in what strong colours tell.

    The middle over drawn rolls of its error's length in what it tells, over that of as many
    independent numbers: a few rolls are far off whatever is told.
    """
    far = []
    for seed in seeds:
        film = film_drawn(seed)
        samples = gather(drawn_roll(seed, film), profile)
        if len(samples.weight):
            belief = belief_of(samples, profile)
            off = (belief.mean - best_numbers(film, profile))[CONTRAST:]
            told = belief.covariance[CONTRAST:, CONTRAST:]
            far.append(float(off @ np.linalg.inv(told) @ off))
    return math.sqrt(float(np.median(far)) / float(chi2.median(len(off))))


def _rows(values: Floats, form: str) -> str:
    """Return an array as TOML, a row a line."""
    if values.ndim == 1:
        return "[" + ", ".join(form % value for value in values) + "]"
    return "[\n" + "".join(f"  {_rows(row, form)},\n" for row in values) + "]"


def text_of(law: dict[str, Floats], doubt: Doubt, off: float) -> str:
    """Return the law and its doubt as the text of profiles/rolls.toml."""
    return f"""\
# What drawn rolls' pictures were like, and what their films turned out to be about the generic
# profile: a regression on {ROLLS} rolls.
about = "{ABOUT}"
source = "{SOURCE}"

# Statistics of a roll: their middles over the drawn rolls, and one standard deviation.
[statistics]
middle = {_rows(law["middle"], "%.4g")}
spread = {_rows(law["spread"], "%.4g")}

# How much nearness falls per squared deviation, the noise of one roll, and the usual numbers.
[law]
narrow = {NARROW}
noise = {NOISE}
usual = {_rows(law["usual"], "%.4f")}
# Covariance of what the numbers of other rolls were off among these, and what far ones add.
near = {_rows(doubt.near, "%.5f")}
far = {_rows(doubt.far, "%.5f")}
# How many times as far as it tells the belief from single colours was off on other rolls, in what
# colours tell by how strong they are.
belief_off = {off:.2f}

# Rolls that others are told by: statistics in deviations, and the numbers that they add.
[rolls]
places = {_rows(law["places"], "%.2f")}
adds = {_rows(law["adds"], "%.4f")}
"""


def main() -> None:
    """Fit the law, print how far off it is on rolls that were not fitted, and write it."""
    parser = argparse.ArgumentParser(prog="tests.fitted.rolls", description=main.__doc__)
    parser.add_argument("--write", action="store_true", help="write profiles/rolls.toml")
    words = parser.parse_args()
    profile = find_film(ABOUT)
    law = fit_rolls(*drawn_rolls(range(100, 100 + ROLLS), profile))
    told, numbers = drawn_rolls(range(20000, 20000 + JUDGED), profile)
    places = (told - law["middle"]) / law["spread"]
    near, kept = nearness(places, law["places"], NARROW), law["places"]
    own = nearness(kept, kept, NARROW) + NOISE * np.eye(KEPT)
    share = np.einsum("mk,kl,ml->m", near, np.linalg.inv(own), near)
    off = law["usual"] + near @ law["adds"] - numbers
    print("usual numbers alone", np.sqrt(((numbers - law["usual"]) ** 2).mean(axis=0)).round(4))
    print("told by rolls alike", np.sqrt((off**2).mean(axis=0)).round(4))
    doubt = fit_doubt(off, share, numbers)
    print(
        "near", np.sqrt(np.diag(doubt.near)).round(4), "far", np.sqrt(np.diag(doubt.far)).round(4)
    )
    believed = belief_off(range(30000, 30000 + BELIEVED), profile)
    print("what strong colours tell is off by", round(believed, 2), "times what it tells")
    if words.write:
        TABLE.write_text(text_of(law, doubt, believed), encoding="utf-8")


if __name__ == "__main__":
    main()
