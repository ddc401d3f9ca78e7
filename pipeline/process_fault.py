"""From the deviations of a control strip to ranked causes, by published directions of faults."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.control import BLUE, Deviation
from pipeline.control_limits import ControlLimits, control_limits
from pipeline.fault_table import QUANTITIES, Fault, FaultTable, fault_table
from pipeline.kinds import Float64

_SIZES = 40
# Part of all readings that are slips, and how far, in action limits, they may lie off.
_SLIPS, _SLIP = 0.02, 8.0
_LOG_2PI = math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Cause:
    """One fault and how well it accounts for a strip.

    `probability` is among all faults and 'something else', beforehand equal for every code;
    `match` is the cosine between the deviations and the published direction, -1 to 1.
    """

    fault: Fault
    probability: float
    match: float


@dataclass(frozen=True)
class Causes:
    """All causes, the most probable first; `other` is the probability that it is none of them."""

    ranked: tuple[Cause, ...]
    other: float

    def by_code(self) -> dict[str, float]:
        """Return the probability of each finding code, the highest first."""
        codes: dict[str, float] = {}
        for cause in self.ranked:
            codes[cause.fault.code] = codes.get(cause.fault.code, 0.0) + cause.probability
        return dict(sorted(codes.items(), key=lambda item: -item[1]))


def rank_causes(
    found: Deviation, limits: ControlLimits | None = None, table: FaultTable | None = None
) -> Causes:
    """Return the faults by how well their directions account for a strip's deviations.

    In action limits, a fault of size a moves each quantity by a times its direction; how much is
    not published, so each quantity strays by a share of a, its channels mostly together, besides
    the error of reading. The likelihood is the mean over sizes spaced evenly in their logarithm
    (Bayes' rule with a flat prior on the size's order of magnitude); patches that were not read
    have no say.
    """
    limits, table = limits or control_limits(), table or fault_table()
    observed, error = _features(found, limits, table)
    logs = [_likelihood(observed, error, fault.direction, table) for fault in table.faults]
    logs.append(_other_likelihood(observed, error, table))
    counts = Counter(fault.code for fault in table.faults)
    other = table.stray.other_cause
    prior = [(1.0 - other) / len(counts) / counts[fault.code] for fault in table.faults]
    chance = np.array(logs) + np.log([*prior, other])
    probability = np.exp(chance - chance.max())
    probability /= probability.sum()
    ranked = [
        Cause(fault, float(share), _match(observed, fault.direction))
        for fault, share in zip(table.faults, probability, strict=False)
    ]
    ranked.sort(key=lambda cause: (-cause.probability, -cause.match))
    return Causes(tuple(ranked), float(probability[-1]))


def _features(
    found: Deviation, limits: ControlLimits, table: FaultTable
) -> tuple[Float64, Float64]:
    """Return deviations (15,) and their errors of reading, in action limits; NaN is not read."""
    action = {name: limit.action for name, limit in limits.of.items()}
    action |= dict.fromkeys(("d_max", "yellow"), action["retained"])
    values: list[float] = []
    errors: list[float] = []
    for name, channels in QUANTITIES.items():
        triple = found.of(name)
        part = triple[:channels] if channels > 1 else triple[BLUE:]
        values += [value / action[name] for value in part]
        # A difference of two patches has the error of both.
        patches = 2 if name in ("contrast", "retained") else 1
        error = table.stray.reading_density * math.sqrt(patches) / action[name]
        errors += [error] * channels
    return np.array(values), np.array(errors)


def _likelihood(observed: Float64, error: Float64, direction: Float64, table: FaultTable) -> float:
    """Return the logarithm of the mean likelihood, over sizes, of what was read under a fault."""
    stray, sizes = table.stray, _sizes(table)
    logs = np.zeros(_SIZES)
    for part in _parts(observed):
        way = direction[part]
        named = np.isfinite(way)
        centre = np.nan_to_num(way)
        amount = np.where(named, stray.amount_share * centre, stray.unnamed_share)
        alone = stray.channel_share / stray.amount_share * np.abs(amount)
        alone = np.where(centre == 0.0, np.where(named, stray.level_share, alone), alone)
        # The channels of a quantity stray together, and a little each.
        cover = _cover(np.outer(amount, amount) + np.diag(alone**2), sizes, error[part])
        logs += _block(observed[part] - sizes[:, None] * centre, cover, observed[part])
    return _log_mean(logs)


def _other_likelihood(observed: Float64, error: Float64, table: FaultTable) -> float:
    """Return the same for something else: any quantities move any way, channel by channel."""
    sizes = _sizes(table)
    logs = np.zeros(_SIZES)
    for part in _parts(observed):
        seen = np.broadcast_to(observed[part], (_SIZES, len(part)))
        ways = [
            _block(seen, _cover(share**2 * np.eye(len(part)), sizes, error[part]), observed[part])
            for share in (table.stray.level_share, 1.0)
        ]
        logs += np.logaddexp(*ways) - math.log(2.0)
    return _log_mean(logs)


def _sizes(table: FaultTable) -> Float64:
    return np.geomspace(table.stray.size_lowest, table.stray.size_highest, _SIZES)


def _parts(observed: Float64) -> Iterator[NDArray[np.intp]]:
    """Yield the places of the channels read of each quantity that was read at all."""
    first = 0
    for channels in QUANTITIES.values():
        part = np.arange(first, first + channels)
        first += channels
        part = part[np.isfinite(observed[part])]
        if len(part):
            yield part


def _cover(shares: Float64, sizes: Float64, error: Float64) -> Float64:
    """Return covariances (sizes, k, k): shares (k, k) of the size, and the error of reading."""
    cover: Float64 = sizes[:, None, None] ** 2 * shares + np.diag(error**2)
    return cover


def _log_mean(logs: Float64) -> float:
    highest = float(logs.max())
    return highest + math.log(float(np.exp(logs - highest).mean()))


def _block(off: Float64, cover: Float64, observed: Float64) -> Float64:
    """Return log likelihoods (sizes,) of one quantity, normal with a few slips among readings."""
    count = off.shape[1]
    _, log_det = np.linalg.slogdet(cover)
    distance = np.einsum("si,si->s", off, np.linalg.solve(cover, off[..., None])[..., 0])
    normal = -0.5 * (distance + log_det + count * _LOG_2PI)
    far = float(observed @ observed) / _SLIP**2
    slip = -0.5 * (far + count * (_LOG_2PI + 2.0 * math.log(_SLIP)))
    logs: Float64 = np.logaddexp(math.log1p(-_SLIPS) + normal, math.log(_SLIPS) + slip)
    return logs


def _match(observed: Float64, direction: Float64) -> float:
    """Return the cosine between deviations and a direction, over what is named and read."""
    named = np.isfinite(direction) & np.isfinite(observed)
    length = float(np.linalg.norm(observed[named]) * np.linalg.norm(direction[named]))
    return float(observed[named] @ direction[named]) / length if length else 0.0
