"""Fits what faults do to the signs of a roll: `python -m tests.fitted.diagnosis --rolls 12000`.

Writes the fitted tables of profiles/fault_signs.toml; what is chosen by hand stays as it stands.
"""

import argparse
import pickle
import tomllib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.diagnosis.model import terms
from pipeline.diagnosis.signs import SIGNS
from pipeline.profile.folder import profiles_folder
from tests.fitted.fault_bank import FaultyRoll, faulty_rolls

FEW_FRAMES = 14
FAR = 4.0
MARK = "# Fitted: everything below is written by tests.fitted.diagnosis.\n"


def fitted(rolls: Sequence[FaultyRoll]) -> tuple[NDArray[np.float64], ...]:
    """Return coefficients of the means, and covariances of films and of content.

    The spread about the means is split by the number of pictures: what is of the film does not
    grow less with more of them. Rolls too dense to show all signs are left out.
    """
    rolls = [roll for roll in rolls if roll.signs.known().all()]
    signs = np.array([roll.signs.values for roll in rolls])
    frames = np.array([roll.signs.frames for roll in rolls])
    rows = np.array([terms(roll.family, roll.degree, roll.log_exposure) for roll in rolls])
    coefficients = np.linalg.lstsq(rows, signs, rcond=None)[0]
    left = signs - rows @ coefficients
    # A few rolls of a single odd scene would widen the bell for all.
    bound = FAR * np.median(np.abs(left), axis=0) * 1.4826
    left = np.clip(left, -bound, bound)
    few = frames < FEW_FRAMES
    share_few, share_many = (1.0 / frames[few]).mean(), (1.0 / frames[~few]).mean()
    cov_few, cov_many = np.cov(left[few].T), np.cov(left[~few].T)
    content = _positive((cov_few - cov_many) / (share_few - share_many))
    return coefficients, _positive(cov_many - content * share_many), content


def _positive(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    values, axes = np.linalg.eigh((matrix + matrix.T) / 2.0)
    return np.asarray((axes * np.maximum(values, 1e-6)) @ axes.T)


def _rows(matrix: NDArray[np.float64]) -> str:
    lines = (", ".join(f"{value:.5g}" for value in row) for row in matrix)
    return "[\n" + "".join(f"  [{line}],\n" for line in lines) + "]\n"


def written(
    text: str, coefficients: NDArray[np.float64], film: NDArray[np.float64],
    content: NDArray[np.float64],
) -> str:  # fmt: skip
    """Return the profile's text with new fitted tables."""
    widened = tomllib.loads(text)["film"]["widened"]
    head = text.split(MARK)[0]
    return (
        f"{head}{MARK}\n[film]\nwidened = {widened}\ncovariance = {_rows(film)}\n"
        f"[content]\ncovariance = {_rows(content)}\n[mean]\ncoefficients = {_rows(coefficients)}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rolls", type=int, default=12000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kept", type=Path, nargs="*", help="pickled rolls to use instead")
    chosen = parser.parse_args()
    if chosen.kept:
        rolls = [roll for path in chosen.kept for roll in pickle.loads(path.read_bytes())]
    else:
        rolls = faulty_rolls(chosen.rolls, chosen.seed)
    path = profiles_folder() / "fault_signs.toml"
    text = written(path.read_text("utf-8"), *fitted(rolls))
    assert tomllib.loads(text)["signs"] == list(SIGNS)
    path.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
