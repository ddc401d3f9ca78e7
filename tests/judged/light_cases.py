"""Scans by how light and base show in them: gates, lamps, holders, masks, files.

Each condition draws a plan of the film model and a capture: what a lens, a screen or a file do to
its light after the model's own scanner. Some were looked at while rules were made; the others were
left out and only judged.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.film_model import (
    FrameSpec,
    ModelScan,
    Plan,
    StripSpec,
    film_names,
    random_plan,
    random_strip,
    write_scan,
)
from tests.film_model.scanner import load_scanner

Rng = np.random.Generator
Drawn = tuple[Plan, "Capture"]
Draw = Callable[[Rng], Drawn]
Use = Literal["set", "left out"]
LINEAR_SCANNERS = ("scanner-a", "scanner-b")
PPI = 160.0
# A file of 8 bits and its compression are finer than what is measured in.
JPEG_PPI = 400.0


@dataclass(frozen=True)
class Capture:
    """What happens to light after the scanner's sensor.

    falloff_stops at the corners, about a centre (x, y from -1 to 1), by the square of the distance
    or as the cosine's fourth power; tilt is the share of light
    lost from one side to the other; gains are the lamp's colour; slot_mm a hole (across, high) in
    the holder's upper border. Files are 16 bit TIFF, or JPEG of a quality with a tone: 'power'
    (gamma 2.2), 'srgb' or 'curve' (sRGB under an s-shaped curve that the file doesn't tell of).
    """

    falloff_stops: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    tilt: float = 0.0
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    slot_mm: tuple[float, float] | None = None
    quality: int | None = None
    tone: str = "power"
    cosine: bool = False

    def write(self, folder: Path, name: str, scan: ModelScan) -> Path:
        """Write the scan as captured; return its path."""
        light = self.light(scan)
        if self.quality is None:
            codes = np.rint(65535 * light).astype(np.uint16)
            return Path(write_scan(folder, name, replace(scan, codes=codes), truth=False))
        path = folder / f"{name}.jpg"
        dpi = (round(scan.ppi), round(scan.ppi))
        coded = np.rint(255 * _toned(light, self.tone)).astype(np.uint8)
        Image.fromarray(coded).save(path, quality=self.quality, dpi=dpi)
        return path

    def light(self, scan: ModelScan) -> NDArray[np.float64]:
        """Return the light (h, w, 3) that the file holds, 0 to 1."""
        light = scan.codes[..., :3] / 65535
        if self.slot_mm is not None:
            light = _slotted(light, scan, self.slot_mm)
        lamp = self.lamp(light.shape[:2])
        return np.asarray(np.clip(light * lamp[..., None] * np.array(self.gains), 0, 1))

    def lamp(self, shape: tuple[int, ...]) -> NDArray[np.float64]:
        """Return the light (h, w) that lens and lamp leave, 1 at the centre."""
        rows, columns = shape
        x = np.linspace(-1, 1, columns)[None, :]
        y = np.linspace(-1, 1, rows)[:, None]
        half = np.hypot(rows, columns) / 2
        across = (x - self.centre[0]) * columns / 2 / half
        down = (y - self.centre[1]) * rows / 2 / half
        away = across**2 + down**2
        # The fourth power of the cosine of the angle off the axis, which a plain lens leaves.
        tangent = 2.0 ** (self.falloff_stops / 2) - 1
        fallen = (
            (1 + tangent * away) ** -2.0 if self.cosine else 2.0 ** (-self.falloff_stops * away)
        )
        return np.asarray(fallen * (1 - self.tilt * (x + 1) / 2))

    @property
    def scan_gamma(self) -> float | None:
        """Return what a user would tell of the file's tone."""
        return 2.2 if self.quality is not None and self.tone == "power" else None


def _toned(light: NDArray[np.float64], tone: str) -> NDArray[np.float64]:
    if tone == "power":
        return np.asarray(light ** (1 / 2.2))
    low = light * 12.92
    srgb = np.where(light <= 0.0031308, low, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return srgb if tone == "srgb" else srgb + 0.12 * np.sin(2 * np.pi * (srgb - 0.5)) / np.pi


def _slotted(
    light: NDArray[np.float64], scan: ModelScan, size_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Return light with a hole in the holder's upper border, its edges as soft as the scanner's."""
    told, px_per_mm = scan.truth["scanner"], scan.ppi / 25.4
    across, high = (round(side * px_per_mm) for side in size_mm)
    hole = np.zeros(light.shape[:2], np.float32)
    middle = light.shape[1] // 2
    hole[1 : 1 + high, middle - across // 2 : middle + across // 2] = 1.0
    share = cv2.GaussianBlur(hole, (0, 0), 0.6)[..., None]
    rng = np.random.default_rng(light.shape[0])
    gate = np.array(told["open_gate"]) + told["offset"]
    noisy = gate * rng.normal(1.0, 0.003, light.shape)
    return np.asarray(light * (1 - share) + noisy * share)


@dataclass(frozen=True)
class LightCase:
    """One condition: its name, what it was used for, whether a gate and the tone can be known.

    `gate` is 'seen', 'none' (out of view) or 'clipped'.
    """

    name: str
    use: Use
    draw: Draw
    gate: str = "seen"
    tone_known: bool = True

    def make(self, seed: int) -> tuple[ModelScan, Capture]:
        """Return the scan of a seed and how it is captured."""
        plan, capture = self.draw(np.random.default_rng([seed, *self.name.encode()]))
        return plan.scan(PPI if capture.quality is None else JPEG_PPI), capture


def light_cases() -> tuple[LightCase, ...]:
    """Return all conditions."""
    seen, unknown = {"gate": "seen"}, {"tone_known": False}
    given: list[tuple[str, Use, Draw, dict[str, object]]] = [
        ("holder", "set", _opaque(), seen),
        ("bare light", "set", _bare(), seen),
        ("fall-off 1 stop", "set", _bare(Capture(falloff_stops=1.0)), seen),
        ("fall-off 1 stop, holder", "set", _opaque(Capture(falloff_stops=1.0)), seen),
        ("tilt 30 %", "set", _opaque(Capture(tilt=0.3)), seen),
        ("slot only, 6x6", "set", _slot("120-6x6", (8.0, 3.0)), seen),
        ("holes only", "set", _holes_only, seen),
        ("one end only", "set", _one_end, seen),
        ("no gate", "set", _no_gate("135"), {"gate": "none"}),
        ("mask x0.2", "set", _masked(0.2), seen),
        ("mask x0.5", "set", _masked(0.5), seen),
        ("mask x2", "set", _masked(2.0), seen),
        ("jpeg q80", "set", _bare(Capture(quality=80)), seen),
        ("jpeg q60, fall-off 1 stop", "set", _bare(Capture(1.0, quality=60)), seen),
        ("cool screen, jpeg q85", "set", _screen((0.75, 0.9, 1.0)), seen),
        ("grey surround", "set", _surround(0.05, 0.3), seen),
        ("gate clipped", "set", _bare(Capture(gains=(1.3, 1.3, 1.3))), {"gate": "clipped"}),
        ("mask x0.1", "left out", _masked(0.1), seen),
        ("mask x0.3, 6x6", "left out", _masked(0.3, "120-6x6"), seen),
        ("mask x2.3", "left out", _masked(2.3), seen),
        ("mask x0.2, jpeg", "left out", _masked(0.2, capture=Capture(quality=85)), seen),
        ("fall-off 1.5 stops", "left out", _bare(Capture(1.5, cosine=True)), seen),
        ("fall-off off centre", "left out", _bare(Capture(1.2, (0.4, -0.3))), seen),
        ("slot only, 6x7", "left out", _slot("120-6x7", (5.0, 2.0)), seen),
        ("slot only, 135", "left out", _slot("135", (6.0, 2.5)), seen),
        ("no gate, 6x6", "left out", _no_gate("120-6x6"), {"gate": "none"}),
        ("warm screen, jpeg q70", "left out", _screen((1.0, 0.85, 0.6), 70), seen),
        ("jpeg q95, srgb", "left out", _bare(Capture(quality=95, tone="srgb")), seen),
        ("jpeg q90, s-curve", "left out", _bare(Capture(quality=90, tone="curve")), unknown),
        ("jpeg q60, 1.5 stops", "left out", _bare(Capture(1.5, quality=60, cosine=True)), seen),
        ("white surround", "left out", _white, seen),
        ("dense pictures", "left out", _exposed(1.5, 3.0), seen),
        ("clear pictures", "left out", _exposed(-4.0, -2.5), seen),
        ("struck leader", "left out", _leader, seen),
        ("two films", "left out", _two_films, seen),
    ]
    return tuple(LightCase(name, use, draw, **more) for name, use, draw, more in given)  # type: ignore[arg-type]


def _linear(rng: Rng, format: str = "135", **how: object) -> Plan:
    """Draw a plan for a scanner whose files are linear and of 16 bits."""
    plan = random_plan(rng, format, count=int(rng.integers(2, 4)), **how)  # type: ignore[arg-type]
    return replace(plan, scanner=str(rng.choice(LINEAR_SCANNERS)))


def _unveiled(plan: Plan) -> Plan:
    """Return a plan whose scanner has neither offset nor flare.

    Where nothing opaque is in view, nothing tells of them, and the base is off by them.
    """
    scanner = plan.scanner if not isinstance(plan.scanner, str) else load_scanner(plan.scanner)
    return replace(plan, scanner=replace(scanner, offset=np.zeros(3), flare=0.0))


def _opaque(capture: Capture = Capture()) -> Draw:
    return lambda rng: (_linear(rng), capture)


def _bare(capture: Capture = Capture()) -> Draw:
    def draw(rng: Rng) -> Drawn:
        plan = _unveiled(_linear(rng, str(rng.choice(["135", "135", "120-6x6", "135-half"]))))
        around = float(rng.uniform(2, 25))
        return plan.with_holder(opaque=False, window_margin_mm=around, border_mm=0.5), capture

    return draw


def _slot(format: str, size_mm: tuple[float, float]) -> Draw:
    """Mask the film to its very edges, or a little less, and let light through a hole beside it."""

    def draw(rng: Rng) -> Drawn:
        margin = float(rng.uniform(-1.2, -0.2))
        plan = _linear(rng, format).with_holder(
            window_margin_mm=margin, end_margin_mm=margin, border_mm=6.0
        )
        if format == "135":
            plan = plan.with_holder(window_margin_mm=-5.1)
        return _level(plan), Capture(slot_mm=size_mm)

    return draw


def _level(plan: Plan) -> Plan:
    return plan.with_strips(lambda strip: replace(strip, angle_deg=strip.angle_deg / 8))


def _holes_only(rng: Rng) -> Drawn:
    return _level(_linear(rng).with_holder(window_margin_mm=-0.8, end_margin_mm=-0.8)), Capture()


def _one_end(rng: Rng) -> Drawn:
    """Let light past one end of the strip alone."""
    plan = _level(_linear(rng).with_holder(window_margin_mm=-5.0, end_margin_mm=0.0))
    shift = float(rng.uniform(1.5, 5.0) * rng.choice([-1, 1]))
    return plan.with_strips(lambda strip: replace(strip, shift_mm=(shift, 0.0))), Capture()


def _no_gate(format: str) -> Draw:
    def draw(rng: Rng) -> Drawn:
        across = -5.1 if format.startswith("135") else float(rng.uniform(-1.5, -0.5))
        return _level(_linear(rng, format).with_holder(
            window_margin_mm=across, end_margin_mm=-0.8
        )), Capture()  # fmt: skip

    return draw


def _masked(share: float, format: str = "135", capture: Capture = Capture()) -> Draw:
    def draw(rng: Rng) -> Drawn:
        plan = _linear(rng, format, mask_share=share)
        if rng.random() < 0.4:
            plan = _unveiled(plan).with_holder(opaque=False)
        return plan, capture

    return draw


def _screen(gains: tuple[float, float, float], quality: int = 85) -> Draw:
    def draw(rng: Rng) -> Drawn:
        capture = Capture(float(rng.uniform(0.2, 0.8)), gains=gains, quality=quality)
        return _bare(capture)(rng)

    return draw


def _surround(least: float, most: float) -> Draw:
    def draw(rng: Rng) -> Drawn:
        passes = float(np.exp(rng.uniform(np.log(least), np.log(most))))
        return _unveiled(_linear(rng)).with_holder(transmittance=passes), Capture()

    return draw


def _white(rng: Rng) -> Drawn:
    plan = _unveiled(_linear(rng))
    return _level(plan.with_holder(reflected=float(rng.uniform(0.4, 0.9)))), Capture()


def _exposed(least: float, most: float) -> Draw:
    def draw(rng: Rng) -> Drawn:
        def at(rng: Rng, spec: FrameSpec) -> FrameSpec:
            return replace(spec, exposure_stops=float(rng.uniform(least, most)))

        return _linear(rng, change=at), Capture()

    return draw


def _leader(rng: Rng) -> Drawn:
    plan = _linear(rng, leader_mm=40.0, light_struck_mm=float(rng.uniform(15, 38)))
    return plan.with_strips(lambda strip: replace(strip, first=0)), Capture()


def _two_films(rng: Rng) -> Drawn:
    strips: list[StripSpec] = [
        random_strip(rng, count=3, film=str(film), mask_share=float(rng.uniform(0.4, 1.3)))
        for film in rng.permutation(film_names())[:2]
    ]
    plan = replace(_linear(rng), strips=tuple(strips))
    return plan.with_holder(between_mm=float(rng.uniform(3, 8))), Capture()
