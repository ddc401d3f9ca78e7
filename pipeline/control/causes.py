"""Published directions of process faults, and how well each accounts for a control strip."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.check import Closed, Text, Wrong, one_of, read, read_profile, then, within
from pipeline.control.limits import control_limits
from pipeline.control.series import BLUE, Deviation
from pipeline.kinds import Float64
from pipeline.profile import profiles_folder

# What a control strip shows and in how many channels, from red on; retained silver is blue only.
QUANTITIES = {"d_min": 3, "ld": 3, "contrast": 3, "d_max": 3, "yellow": 2, "retained": 1}
CODES = (
    "under-developed", "over-developed", "high-base", "retained-silver", "colour-crossover",
)  # fmt: skip
UNNAMED = "unnamed"
_Way = tuple[str, float]
# How strongly a channel moves and its sign, by the file's words; what is not named is NaN.
_UNTOLD: _Way = ("plain", math.nan)
_WAYS: dict[str, _Way] = {
    "level": ("plain", 0.0),
    UNNAMED: _UNTOLD,
    **{
        f"{strength} {word}".removeprefix("plain "): (strength, sign)
        for strength in ("plain", "slightly", "most")
        for word, sign in (("up", 1.0), ("down", -1.0))
    },
}
_SIZES = 40
# Part of all readings that are slips, and how far, in action limits, they may lie off.
_SLIPS, _SLIP = 0.02, 8.0
_LOG_2PI = math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Stray:
    """How far real deviations stray from the directions; shares are of the fault's size."""

    reading_density: Annotated[float, within(0.001, 0.1)]
    amount_share: Annotated[float, within(0.05, 2.0)]
    channel_share: Annotated[float, within(0.01, 2.0)]
    level_share: Annotated[float, within(0.01, 2.0)]
    unnamed_share: Annotated[float, within(0.05, 2.0)]
    size_lowest: Annotated[float, within(0.1, 5.0)]
    size_highest: Annotated[float, within(5.0, 100.0)]
    other_cause: Annotated[float, within(0.001, 0.5)]


def _ways(channels: int, told: Any) -> tuple[_Way, ...]:
    words = told if isinstance(told, list) else [told] * channels
    if len(words) != channels:
        raise Wrong(f"is not one word or {channels}")
    for word in words:
        if word not in list(_WAYS):
            raise Wrong(f"is {word!r}, not up, down, slightly up, most up and so on, level")
    return tuple(_WAYS[word] for word in words)


_Size = Annotated[float, within(0.05, 5.0)]
_Three = Annotated[tuple[_Way, ...], read(partial(_ways, 3))]


@dataclass(frozen=True)
class Fault(Closed):
    """One fault: how each quantity's channels move, how strongly and to which side.

    `tell` says what parts it from others, `remedy` what to do, an imperative without a full stop.
    """

    cause: Text
    code: Annotated[str, one_of(CODES)]
    tell: Text
    remedy: Text
    d_min: _Three = 3 * (_UNTOLD,)
    ld: _Three = 3 * (_UNTOLD,)
    contrast: _Three = 3 * (_UNTOLD,)
    d_max: _Three = 3 * (_UNTOLD,)
    yellow: Annotated[tuple[_Way, ...], read(partial(_ways, 2))] = 2 * (_UNTOLD,)
    retained: Annotated[tuple[_Way, ...], read(partial(_ways, 1))] = (_UNTOLD,)

    @property
    def ways(self) -> tuple[_Way, ...]:
        """Return how the channels of QUANTITIES move, one after the other."""
        return tuple(way for name in QUANTITIES for way in getattr(self, name))


def _moving(fault: Fault) -> Fault:
    if not any(abs(sign) > 0.0 for _, sign in fault.ways):
        raise Wrong("moves nothing")
    return fault


def _some(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    if not faults:
        raise Wrong("is no list of faults")
    return faults


@dataclass(frozen=True)
class _Strength:
    plain: _Size
    slightly: _Size
    most: _Size


@dataclass(frozen=True)
class FaultTable:
    """All faults, how strong their ways are, and how far real deviations stray from them."""

    source: Text
    strength: _Strength
    stray: Stray
    fault: Annotated[tuple[Annotated[Fault, then(_moving)], ...], then(_some)]

    def direction(self, fault: Fault) -> Float64:
        """Return a fault's direction (15,): above zero is up, 1 plainly so, NaN not named."""
        strengths = vars(self.strength)
        return np.array([strengths[strength] * sign for strength, sign in fault.ways])


@cache
def fault_table(path: Path | None = None) -> FaultTable:
    """Return the faults of a TOML file, by default those that come with evenroll.

    Raises
    ------
    SettingsProblem
        If it can't be read, or a value is missing or makes no sense.
    """
    path = path or profiles_folder() / "process_faults.toml"
    return read_profile(FaultTable, path, "process profile")


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


def rank_causes(found: Deviation) -> Causes:
    """Return the faults by how well their directions account for a strip's deviations.

    In action limits, a fault of size a moves each quantity by a times its direction; how much is
    not published, so each quantity strays by a share of a, its channels mostly together, besides
    the error of reading. The likelihood is the mean over sizes spaced evenly in their logarithm
    (Bayes' rule with a flat prior on the size's order of magnitude); patches that were not read
    have no say.
    """
    from scipy.special import softmax

    table = fault_table()
    observed, error = _features(found, table.stray)
    directions = [table.direction(fault) for fault in table.fault]
    logs = [_log_likelihood(observed, error, way, table.stray) for way in (*directions, None)]
    counts = Counter(fault.code for fault in table.fault)
    other = table.stray.other_cause
    prior = [(1.0 - other) / len(counts) / counts[fault.code] for fault in table.fault]
    *shares, left = softmax(np.array(logs) + np.log([*prior, other])).tolist()
    ranked = [
        Cause(fault, share, _match(observed, direction))
        for fault, share, direction in zip(table.fault, shares, directions, strict=True)
    ]
    ranked.sort(key=lambda cause: (-cause.probability, -cause.match))
    return Causes(tuple(ranked), left)


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


def _log_likelihood(
    observed: Float64, error: Float64, direction: Float64 | None, stray: Stray
) -> float:
    """Return the logarithm of the mean likelihood, over sizes, of what was read under a fault.

    Without a direction it is something else: any quantities move any way, channel by channel,
    each as likely much as little.
    """
    from scipy.special import logsumexp

    sizes = np.geomspace(stray.size_lowest, stray.size_highest, _SIZES)[:, None]
    logs = np.zeros(_SIZES)
    for part in _parts(observed):
        read, noise = observed[part], np.diag(error[part] ** 2)
        if direction is None:
            ways = [
                (np.zeros(len(part)), share**2 * np.eye(len(part)))
                for share in (stray.level_share, 1.0)
            ]
        else:
            ways = [_reach(direction[part], stray)]
        blocks = [
            _block(read - sizes * centre, sizes[..., None] ** 2 * shares + noise, read)
            for centre, shares in ways
        ]
        logs += logsumexp(blocks, axis=0) - math.log(len(blocks))
    return float(logsumexp(logs)) - math.log(_SIZES)


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
