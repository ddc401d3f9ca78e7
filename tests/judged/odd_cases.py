"""Strips that went wrong in the camera or the holder, and files that tell little, at random."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from tests.film_model import (
    FrameSpec,
    ModelScan,
    Plan,
    Scene,
    StripSpec,
    load_scanner,
    random_camera,
    random_plan,
    random_strip,
    scanner_names,
    spaced,
    write_scan,
)
from tests.film_model.film_format import load_format
from tests.film_model.icc import srgb_profile

Rng = np.random.Generator
Draw = Callable[[Rng], Plan]
Change = Callable[[ModelScan], ModelScan]
Write = Callable[[Path, ModelScan], Path]
FORMATS = ("135", "135-half", "120-6x6", "120-6x4.5", "120-6x7", "120-6x9")
# Cells of a sensor take in all light that falls on them: so many points of the model a side.
CELLS = 4


def unchanged(scan: ModelScan) -> ModelScan:
    """Return a scan as it is."""
    return scan


def as_tiff(stem: Path, scan: ModelScan) -> Path:
    """Write a scan as the film model does."""
    return write_scan(stem.parent, stem.name, scan, truth=False)


@dataclass(frozen=True)
class OddCase:
    """One condition: its name, what draws a plan, what befalls the scan, how it is written."""

    name: str
    draw: Draw
    change: Change = unchanged
    write: Write = as_tiff

    def scan(self, seed: int, ppi: float) -> ModelScan:
        """Return the scan of a seed."""
        rng = np.random.default_rng([seed, *self.name.encode()])
        return self.change(self.draw(rng).scan(ppi))


def odd_cases() -> tuple[OddCase, ...]:
    """Return all cases."""
    return (
        OddCase("touching pictures", _gaps(0.0, 0.15)),
        OddCase("uneven bars", _gaps(0.0, 4.0)),
        OddCase("half an advance", _half_advance),
        OddCase("double exposure", _twice, without_second),
        OddCase("first picture half struck", _struck_first),
        OddCase("black among others", _black),
        OddCase("white, soft gate", _white),
        OddCase("two frames", lambda rng: random_plan(rng, count=2)),
        OddCase("strips that touch", _touching),
        OddCase("skew 5 deg", _skewed),
        OddCase("rebate covered", _covered(5.3, 5.45)),
        OddCase("half, rebate covered", _covered(5.3, 5.45, "135-half")),
        OddCase("ends under the holder", _ends_covered),
        OddCase("24x32", _gate("135", 32.0, 34.5)),
        OddCase("6x8", _gate("120-6x7", 76.0, 82.0)),
        OddCase("6x12", _gate("120-6x9", 112.0, 118.0)),
        OddCase("upside down, mirrored", _turned),
        OddCase("wrong ppi told", _any_format, write=told_72_ppi),
        OddCase("no ppi told", _linear, write=told_no_ppi),
        OddCase("8 bit jpeg", _eight_bit, write=as_jpeg),
        OddCase("70 ppi", _finer(_any_format), averaged),
        OddCase("70 ppi, dark", _finer(_dark), averaged),
        OddCase("600 ppi", lambda rng: replace(_any_format(rng), ppi=600.0)),
    )


def without_second(scan: ModelScan) -> ModelScan:
    """Leave frames out of the truth that lie on the one before: they look like one picture."""
    for strip in scan.truth["strips"]:
        starts = [one["u_mm"][0] for one in strip["frames"]]
        apart = np.diff(starts, prepend=-np.inf) > 1.0
        strip["frames"] = [one for one, own in zip(strip["frames"], apart, strict=True) if own]
    return scan


def averaged(scan: ModelScan) -> ModelScan:
    """Return a scan whose pixels are means of `CELLS` by `CELLS` of its own."""
    rows, columns = (size // CELLS for size in scan.codes.shape[:2])
    cells = scan.codes[: CELLS * rows, : CELLS * columns].reshape(rows, CELLS, columns, CELLS, 3)
    for strip in scan.truth["strips"]:
        for one in (strip, *strip["frames"]):
            one["outline"] = ((np.asarray(one["outline"]) + 0.5) / CELLS - 0.5).tolist()
    ppi = scan.truth["ppi"] = scan.ppi / CELLS
    codes = np.rint(cells.mean(axis=(1, 3))).astype(scan.codes.dtype)
    return replace(scan, codes=codes, ppi=ppi)


def told_72_ppi(stem: Path, scan: ModelScan) -> Path:
    """Write a scan with the resolution that much software writes where it knows none."""
    return as_tiff(stem, replace(scan, ppi=72.0))


def told_no_ppi(stem: Path, scan: ModelScan) -> Path:
    """Write a linear scan without resolution."""
    file = stem.with_suffix(".tif")
    tifffile.imwrite(file, scan.codes, photometric="rgb", metadata=None)
    return file


def as_jpeg(stem: Path, scan: ModelScan) -> Path:
    """Write a scan of 8 bits as a JPEG."""
    file, ppi = stem.with_suffix(".jpg"), round(scan.ppi)
    picture = Image.fromarray(scan.codes)
    picture.save(file, "JPEG", quality=80, icc_profile=srgb_profile(), dpi=(ppi, ppi))
    return file


def _any_format(rng: Rng) -> Plan:
    return random_plan(rng, str(rng.choice(FORMATS)))


def _linear(rng: Rng) -> Plan:
    return replace(_any_format(rng), scanner="scanner-a")


def _eight_bit(rng: Rng) -> Plan:
    device = load_scanner(str(rng.choice(scanner_names())))
    coarse = replace(device, bits=8, container_bits=8, gamma=2.2, tone="srgb")
    return replace(random_plan(rng), scanner=coarse)


def _finer(draw: Draw) -> Draw:
    return lambda rng: replace(draw(rng), ppi=70.0 * CELLS)


def _dark(rng: Rng) -> Plan:
    def darker(rng: Rng, spec: FrameSpec) -> FrameSpec:
        return replace(spec, exposure_stops=float(rng.uniform(-3, -1.5)))

    return random_plan(rng, change=darker)


def _gaps(least_mm: float, most_mm: float) -> Draw:
    def draw(rng: Rng) -> Plan:
        strip = random_strip(rng)
        gaps = rng.uniform(least_mm, most_mm, len(strip.roll.frames)).tolist()
        return replace(random_plan(rng), strips=(spaced(strip, gaps),))

    return draw


def _one_gap(rng: Rng, gap_mm: float) -> Plan:
    """Return a plan with this gap at one place within its strip."""
    strip = random_strip(rng)
    gaps: list[float | None] = [None] * len(strip.roll.frames)
    gaps[int(rng.integers(strip.first + 1, strip.first + strip.count))] = gap_mm
    return replace(random_plan(rng), strips=(spaced(strip, gaps),))


def _half_advance(rng: Rng) -> Plan:
    return _one_gap(rng, -float(rng.uniform(8.0, 24.0)))


def _twice(rng: Rng) -> Plan:
    return _one_gap(rng, float(rng.uniform(-0.1, 0.1)) - load_format("135").image_mm[0])


def _struck_first(rng: Rng) -> Plan:
    """Strike the leader and 8 to 24 mm of the first picture with light."""
    leader = float(rng.uniform(3, 30))
    struck = leader + float(rng.uniform(8, 24))
    plan = random_plan(rng, leader_mm=leader, light_struck_mm=struck)
    return plan.with_strips(lambda strip: replace(strip, first=0))


def _black(rng: Rng) -> Plan:
    """Expose a third of the frames so little that next to nothing shows."""

    def darker(rng: Rng, spec: FrameSpec) -> FrameSpec:
        return replace(spec, exposure_stops=-5.0) if rng.random() < 0.33 else spec

    return random_plan(rng, change=darker)


def _white(rng: Rng) -> Plan:
    def brighter(rng: Rng, spec: FrameSpec) -> FrameSpec:
        scene = Scene(str(rng.choice(["grey", "half-black"])), seed=int(rng.integers(1000)))
        return replace(spec, scene=scene, exposure_stops=float(rng.uniform(1, 3)))

    def soft(strip: StripSpec) -> StripSpec:
        camera = replace(strip.roll.camera, gate_softness_mm=float(rng.uniform(0.1, 0.4)))
        return replace(strip, roll=replace(strip.roll, camera=camera))

    return random_plan(rng, change=brighter).with_strips(soft)


def _touching(rng: Rng) -> Plan:
    plan = random_plan(rng)
    film = plan.strips[0].roll.film
    counts = rng.integers(3, 7, int(rng.integers(2, 5))).tolist()
    strips = tuple(
        replace(random_strip(rng, film=film, count=count), angle_deg=0.0) for count in counts
    )
    between = float(rng.uniform(0.0, 0.4))
    holder = replace(plan.holder, opaque=False, window_margin_mm=0.0, between_mm=between)
    return replace(plan, strips=strips, holder=holder)


def _skewed(rng: Rng) -> Plan:
    angle = float(rng.uniform(4, 5) * rng.choice([-1, 1]))
    plan = random_plan(rng).with_strips(lambda strip: replace(strip, angle_deg=angle))
    return plan.with_holder(opaque=False, window_margin_mm=12.0)


def _covered(least_mm: float, most_mm: float, format: str = "135") -> Draw:
    """Return what draws a window that leaves the pictures alone, or 0.05 mm more."""

    def draw(rng: Rng) -> Plan:
        margin = -float(rng.uniform(least_mm, most_mm))
        angle = float(rng.uniform(-0.02, 0.02))
        plan = random_plan(rng, format).with_holder(window_margin_mm=margin)
        return plan.with_strips(lambda strip: replace(strip, angle_deg=angle))

    return draw


def _ends_covered(rng: Rng) -> Plan:
    """Push both ends under the holder, 2 to 9 mm of them: frames are cut with no end in view."""
    plan = random_plan(rng).with_holder(end_margin_mm=-float(rng.uniform(2.0, 9.0)))
    return plan.with_strips(lambda strip: replace(strip, angle_deg=0.0))


def _gate(format: str, along_mm: float, pitch_mm: float) -> Draw:
    """Return what draws cameras whose gate and pitch are those of no format of the model."""

    def draw(rng: Rng) -> Plan:
        form = load_format(format)
        camera = replace(
            random_camera(rng),
            gate_size_error_mm=(along_mm - form.image_mm[0], float(rng.uniform(-0.2, 0.3))),
            pitch_error_mm=pitch_mm - form.pitch_mm,
        )
        return random_plan(rng, format, count=int(rng.integers(2, 5)), camera=camera)

    return draw


def _turned(rng: Rng) -> Plan:
    return random_plan(rng).with_strips(lambda one: replace(one, reversed=True, mirrored=True))
