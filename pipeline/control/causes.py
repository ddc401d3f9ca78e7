"""How well each fault's published directions account for a control strip: Bayes' theorem."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.control.fault_table import QUANTITIES, Fault, Stray, fault_table
from pipeline.control.limits import control_limits
from pipeline.control.series import BLUE, Deviation
from pipeline.kinds import Float64

_SIZES = 40
# Part of all readings that are slips, and how far, in action limits, they may lie off.
_SLIPS, _SLIP = 0.005, 8.0
_LOG_2PI = math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Cause:
    """One fault and how well it accounts for a strip.

    `probability` is among all faults, 'something else' and a process in control; beforehand it is
    equal for every code. `match` is the cosine between the deviations and the published direction,
    -1 to 1.
    """

    fault: Fault
    probability: float
    match: float


@dataclass(frozen=True)
class Causes:
    """All causes, the most probable first.

    `other` is the probability that it is none of them, `normal` that nothing is wrong.
    """

    ranked: tuple[Cause, ...]
    other: float
    normal: float

    @property
    def unclear(self) -> float:
        """Return how probable it is, if something is wrong, that it is none of the causes."""
        return self.other / max(1.0 - self.normal, 1e-12)

    def by_code(self) -> dict[str, float]:
        """Return the probability of each finding code, the highest first."""
        codes: dict[str, float] = {}
        for cause in self.ranked:
            codes[cause.fault.code] = codes.get(cause.fault.code, 0.0) + cause.probability
        return dict(sorted(codes.items(), key=lambda item: -item[1]))


def rank_causes(found: Deviation, aim_is_first: bool = False) -> Causes:
    """Return the faults by how well their directions account for a strip's deviations.

    In action limits, a fault of size a moves each quantity by a times its direction; how much is
    not published, so each quantity strays by a share of a, its channels mostly together, besides
    what a process in control strays by and the error of reading. Both count twice where the first
    strip stands for the aim. The likelihood is the mean over sizes spaced evenly in their logarithm
    (Bayes' rule with a flat prior on the size's order of magnitude); patches that were not read
    have no say.
    """
    from scipy.special import softmax

    table = fault_table()
    stray = table.stray
    observed, error = _features(found, stray)
    read = _Read(observed, error, stray, 2.0 if aim_is_first else 1.0)
    directions = [table.direction(fault) for fault in table.fault]
    logs = [read.log_likelihood(way) for way in (*directions, None)]
    counts = Counter(fault.code for fault in table.fault)
    wrong, other = 1.0 - stray.normal, stray.other_cause
    prior = [wrong * (1.0 - other) / len(counts) / counts[fault.code] for fault in table.fault]
    logs.append(read.log_in_control())
    chances = softmax(np.array(logs) + np.log([*prior, wrong * other, stray.normal]))
    *shares, left, normal = chances.tolist()
    ranked = [
        Cause(fault, share, _match(observed, direction))
        for fault, share, direction in zip(table.fault, shares, directions, strict=True)
    ]
    ranked.sort(key=lambda cause: (-cause.probability, -cause.match))
    return Causes(tuple(ranked), left, normal)


def _features(found: Deviation, stray: Stray) -> tuple[Float64, Float64]:
    """Return deviations (15,) and their errors of reading, in action limits; NaN is not read."""
    action = {name: limit.action for name, limit in control_limits().of.items()}
    action |= dict.fromkeys(("d_max", "yellow"), action["retained"])
    values: list[float] = []
    errors: list[float] = []
    for name, channels in QUANTITIES.items():
        triple = found.of(name)
        part = triple[:channels] if channels > 1 else triple[BLUE:]
        values += [value / action[name] for value in part]
        # A difference of two patches has the error of both.
        patches = 2 if name in ("contrast", "retained") else 1
        errors += [stray.reading_density * math.sqrt(patches) / action[name]] * channels
    return np.array(values), np.array(errors)


@dataclass(frozen=True)
class _Read:
    """Deviations (15,) in action limits as read, and what they are off by without any fault.

    `times` is how often chance had its say: once in the strip, twice if the aim is such a strip.
    """

    observed: Float64
    error: Float64
    stray: Stray
    times: float

    def log_in_control(self) -> float:
        """Return the log likelihood of what was read if chance alone is at work."""
        parts = _parts(self.observed)
        return sum(float(_normal(self.observed[None, p], self._chance(p))[0]) for p in parts)

    def log_likelihood(self, direction: Float64 | None) -> float:
        """Return the log of the mean likelihood, over sizes, of what was read under a fault.

        Without a direction it is something else: any quantities move any way, channel by channel,
        each as likely much as little.
        """
        from scipy.special import logsumexp

        stray = self.stray
        sizes = np.geomspace(stray.size_lowest, stray.size_highest, _SIZES)[:, None]
        logs = np.zeros(_SIZES)
        for part in _parts(self.observed):
            read, noise, one = self.observed[part], self._chance(part), np.eye(len(part))
            if direction is None:
                ways = [(np.zeros(len(part)), s**2 * one) for s in (stray.level_share, 1.0)]
            else:
                ways = [_reach(direction[part], stray)]
            blocks = [
                _block(read - sizes * centre, sizes[..., None] ** 2 * shares + noise, read)
                for centre, shares in ways
            ]
            logs += logsumexp(blocks, axis=0) - math.log(len(blocks))
        return float(logsumexp(logs)) - math.log(_SIZES)

    def _chance(self, part: NDArray[np.intp]) -> Float64:
        """Return the covariance (k, k) of channels of one quantity without any fault."""
        one, stray = np.eye(len(part)), self.stray
        process = stray.control_share**2 + stray.control_channel**2 * one
        chance: Float64 = self.times * (process + np.diag(self.error[part] ** 2))
        return chance


def _reach(direction: Float64, stray: Stray) -> tuple[Float64, Float64]:
    """Return where a quantity's channels (k,) go at size 1, and the covariance (k, k) of that.

    They stray together, and a little each.
    """
    named = np.isfinite(direction)
    centre = np.nan_to_num(direction)
    amount = np.where(named, stray.amount_share * centre, stray.unnamed_share)
    alone = stray.channel_share / stray.amount_share * np.abs(amount)
    alone = np.where(named & (centre == 0.0), stray.level_share, alone)
    return centre, np.outer(amount, amount) + np.diag(alone**2)


def _parts(observed: Float64) -> Iterator[NDArray[np.intp]]:
    """Yield the places of the channels read of each quantity that was read at all."""
    first = 0
    for channels in QUANTITIES.values():
        part = np.arange(first, first + channels)
        first += channels
        part = part[np.isfinite(observed[part])]
        if len(part):
            yield part


def _normal(off: Float64, cover: Float64) -> Float64:
    """Return log densities (n,) of the normal law about nought, for covariances (n or 1, k, k)."""
    _, log_det = np.linalg.slogdet(cover)
    solved = np.linalg.solve(cover, off[..., None])[..., 0]
    logs: Float64 = -0.5 * ((off * solved).sum(axis=-1) + log_det + off.shape[-1] * _LOG_2PI)
    return logs


def _block(off: Float64, cover: Float64, observed: Float64) -> Float64:
    """Return log likelihoods (sizes,) of one quantity, normal with a few slips among readings."""
    far = float(observed @ observed) / _SLIP**2
    slip = -0.5 * (far + off.shape[1] * (_LOG_2PI + 2.0 * math.log(_SLIP)))
    told = math.log1p(-_SLIPS) + _normal(off, cover)
    logs: Float64 = np.logaddexp(told, math.log(_SLIPS) + slip)
    return logs


def _match(observed: Float64, direction: Float64) -> float:
    """Return the cosine between deviations and a direction, over what is named and read."""
    named = np.isfinite(direction) & np.isfinite(observed)
    length = float(np.linalg.norm(observed[named]) * np.linalg.norm(direction[named]))
    return float(observed[named] @ direction[named]) / length if length else 0.0
