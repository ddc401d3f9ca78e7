"""The roll record: everything measured and decided, the content of `roll.json` (schema 1)."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline import __version__
from pipeline.kinds import Corners, Triple

SCHEMA = 1
SEVERITIES = ("fault", "warning", "note")


@dataclass(frozen=True)
class BaseRecord:
    """Film base of a strip: ISO 5-2 densities, or relative ones where no open gate was seen.

    `status_m` is the density in Status M, where a scanner profile was given and it is absolute.
    """

    density: Triple
    absolute: bool
    spread: Triple
    area_mm2: float
    status_m: Triple | None = None


@dataclass(frozen=True)
class PatchRecord:
    """Density above base of a control patch in the film, with its standard error.

    `how` says what it was measured on; `status_m` is the same in Status M, where a scanner
    profile was given.
    """

    density: Triple
    error: Triple
    how: str
    status_m: Triple | None = None


@dataclass(frozen=True)
class StripDensities:
    """What a strip's densities above base tell of it, None where it doesn't show it.

    `base_error` is how far the base may be off by the scanner's dark level; `range` is that of
    its pictures; `edge_print` and `d_max` (film struck by light) are control patches; `toe` and
    `shoulder` are the shares of its pictures on these parts of the curve, per channel.
    """

    base_error: Triple
    range: Triple | None = None
    edge_print: PatchRecord | None = None
    d_max: PatchRecord | None = None
    toe: Triple | None = None
    shoulder: Triple | None = None


@dataclass(frozen=True)
class ContrastRecord:
    """Neutral contrast guessed, density above base per log10 exposure; nine in ten lie inside."""

    value: Triple
    low: Triple
    high: Triple
    how: str


@dataclass(frozen=True)
class ChannelSpread:
    """How far the channels' figures differ: greatest less least, None where there are none.

    `edge_print` in density, `slope` as a share of the mean slope on greys.
    """

    edge_print: float | None
    slope: float | None


@dataclass(frozen=True)
class EdgeCodeRecord:
    """One edge barcode read, at its place in the scan (pixel centres)."""

    text: str
    x: float
    y: float


@dataclass(frozen=True)
class FilesRecord:
    """Names of the files written for a frame, relative to the output folder."""

    archive: str | None = None
    share: str | None = None
    sidecar: str | None = None


@dataclass(frozen=True)
class DensityRecord:
    """Densities above base found in a frame, per channel."""

    min: Triple
    median: Triple
    max: Triple


@dataclass(frozen=True)
class FrameRecord:
    """One frame: where it lies (scan pixel centres), what it is, what was written for it.

    `corrected` tells that the user gave its outline or kind; `found_as` is the number that
    corrections know it by, where that is another one. `exposure_stops` is what it is lightened
    against the roll; `balance` (log10 exposure), `colour_temperature_k` and `duv` (distance from
    the Planckian locus in CIE 1960 u, v) are the frame's own.
    """

    number: str
    number_from: str
    kind: str
    outline: Corners
    confidence: float
    files: FilesRecord
    density: DensityRecord
    corrected: bool = False
    found_as: str | None = None
    exposure_stops: float = 0.0
    balance: Triple | None = None
    colour_temperature_k: float | None = None
    duv: float | None = None


@dataclass(frozen=True)
class StripRecord:
    """One strip of film in one scan; `device` is the scanner's make and model, by its own tags."""

    scan: str
    page: int
    ppi: float
    ppi_from: str
    format: str
    outline: Corners
    angle_deg: float
    mirrored: bool
    base: BaseRecord
    edge_codes: tuple[EdgeCodeRecord, ...]
    frames: tuple[FrameRecord, ...]
    densities: StripDensities | None = None
    device: str | None = None


@dataclass(frozen=True)
class ColourRecord:
    """The one rendition of the roll: log10 exposure balance, curve slopes, and their origin.

    `reference` names the chart or grey card that it rests on, None where there is none. How sure a
    colour from the pictures is, is told to people, as in `RollColour`: `doubt_log_e`, and `cast`.
    """

    balance: Triple
    slopes: Triple
    how: str
    reference: str | None = None
    doubt_log_e: float | None = None
    cast: float | None = None


@dataclass(frozen=True)
class RollDensities:
    """Roll-wide densities per channel; None where nothing in the film tells.

    `contrast` is measured, `contrast_how` says on what, and `contrast_estimate` is a guess where
    it isn't. `toe_density` and `shoulder_density` bound the straight part of the curve, above
    base; `base_usual` (Status M) and `edge_print_usual` (mean of the channels) are what the film
    profile leads to expect, lowest and highest. `trust` says in sentences how far all this can be
    trusted; `signs` are the figures that findings rest on (`roll_signs`),
    `curve` the film's as measured (`curve_document`).
    """

    base: Triple | None
    range: Triple | None
    contrast: Triple | None
    edge_print: Triple | None
    base_status_m: Triple | None = None
    edge_print_error: Triple | None = None
    edge_print_status_m: Triple | None = None
    d_max: PatchRecord | None = None
    contrast_error: Triple | None = None
    contrast_how: str | None = None
    contrast_estimate: ContrastRecord | None = None
    toe: Triple | None = None
    shoulder: Triple | None = None
    toe_density: Triple | None = None
    shoulder_density: Triple | None = None
    base_usual: tuple[Triple, Triple] | None = None
    edge_print_usual: tuple[float, float] | None = None
    channel_spread: ChannelSpread | None = None
    trust: tuple[str, ...] = ()
    signs: Mapping[str, float] | None = None
    curve: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Finding:
    """One thing the densities say, with its evidence and what to do."""

    code: str
    severity: str
    confidence: float
    evidence: str
    advice: str


def by_weight(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings, the gravest first; of the same weight as they were, unknown ones last."""
    order = {severity: place for place, severity in enumerate(SEVERITIES)}
    return tuple(sorted(findings, key=lambda found: order.get(found.severity, len(order))))


@dataclass(frozen=True)
class ScanTrouble:
    """One scan that failed or needs a word; `kind` is 'problem', or 'note' for an assumption."""

    scan: str
    message: str
    kind: str = "problem"

    def bare(self) -> str:
        """Return the message without the scan's name in front, in whatever folder it lies."""
        before, found, after = self.message.partition(f"{self.scan}: ")
        return after if found and (not before or before[-1] in "/\\") else self.message

    def sentence(self) -> str:
        """Return the message with the scan's name in front, once."""
        return f"{self.scan}: {self.bare()}"


@dataclass(frozen=True)
class RollRecord:
    """A whole roll, the content of `roll.json`."""

    schema: int = field(default=SCHEMA, kw_only=True)
    evenroll: str = field(default=__version__, kw_only=True)
    roll: Mapping[str, Any]
    profile: str
    look: str
    colour: ColourRecord
    strips: tuple[StripRecord, ...]
    densities: RollDensities
    findings: tuple[Finding, ...] = ()
    problems: tuple[ScanTrouble, ...] = ()

    def frames(self) -> tuple[FrameRecord, ...]:
        """Return all frames in film order."""
        return tuple(frame for strip in self.strips for frame in strip.frames)
