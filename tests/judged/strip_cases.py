"""Random single scans of strips by condition, with their truth, to measure frame finding on."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.film_model import (
    Camera,
    FrameSpec,
    Holder,
    ModelScan,
    Plan,
    Process,
    Scene,
    StripSpec,
    film_names,
    load_scanner,
    random_camera,
    random_faded,
    random_glass,
    random_leaks,
    random_plan,
    random_scratches,
    random_strip,
    scanner_names,
    spaced,
    usual_gap_mm,
)
from tests.film_model.film_format import load_format

Rng = np.random.Generator
Draw = Callable[[Rng], Plan]
NIGHT_SCENES = ("street-night", "stars", "quay", "lighthouse")
FORMATS = (
    "135",
    "120-6x6",
    "120-6x4.5",
    "120-6x7",
    "120-6x9",
    "135-half",
    "135-square",
    "135-panorama",
)


@dataclass(frozen=True)
class StripCase:
    """One condition: its name, whether it is a hard one, and what draws a plan from a generator.

    A seed gives the same plan at any ppi.
    """

    name: str
    hard: bool
    draw: Draw

    def plan(self, seed: int) -> Plan:
        """Return the plan of a seed."""
        return self.draw(np.random.default_rng([seed, *self.name.encode()]))

    def make(self, seed: int, ppi: float) -> ModelScan:
        """Return the scan of a seed."""
        return self.plan(seed).scan(ppi)


def strip_cases() -> tuple[StripCase, ...]:
    """Return all cases."""
    rows: list[tuple[str, bool, Draw]] = [
        *[
            (("" if "-" in form and "135" in form else "plain ") + form, False, _plain(form))
            for form in FORMATS
        ],
        ("skew 3 deg", False, _skewed),
        ("irregular gaps", False, _irregular_gaps),
        ("overlaps", True, _overlaps),
        ("dark scenes", True, _dark_scenes),
        ("high key", False, _high_key),
        ("blanks", False, _blanks),
        ("leader", False, _leader),
        ("light leak", True, _light_leak),
        ("cut in mid-frame", True, _cut_in_mid_frame),
        ("single frame", False, lambda rng: random_plan(rng, count=1)),
        ("several strips", False, _several_strips),
        ("mirrored", False, _laid(mirrored=True)),
        ("upside down", False, _laid(reversed=True)),
        ("upright", False, _upright),
        ("touching border", True, _touching_border),
        ("perforations hidden", False, _perforations_hidden),
        ("perforations half hidden", False, _perforations_half_hidden),
        ("one side hidden", False, _one_side_hidden),
        ("bare light", False, _bare_light),
        ("dust", False, _dusty),
        ("turned gate", False, _turned_gate),
        ("odd gate", False, _odd_gate),
        ("half odd gate", False, _gate_along("135-half", 16.5, 18.5)),
        ("square odd gate", False, _gate_along("135-square", 23.0, 25.0)),
        ("half irregular gaps", False, _half_irregular_gaps),
        ("rounded corners", False, _rounded_corners),
        ("scratches", False, _scratched),
        ("glass reflections", True, _glass_reflections),
        ("dark surround", False, _surround(0.002, 0.02)),
        ("grey surround", True, _surround(0.02, 0.3)),
        ("white surround", True, _white_surround),
        ("doorway", True, _scenes("doorway", "half-black")),
        ("leafy edges", True, _scenes("leafy-edges")),
        ("high-contrast night", True, _scenes("night-sky")),
        ("half-hidden one side", False, _half_hidden_one_side),
        ("different films in one holder", False, _different_films),
        ("low ppi", False, _low_ppi),
        ("8 bit gamma", False, _eight_bit),
        ("faded", True, _faded),
    ]
    return tuple(StripCase(*row) for row in rows)


def _plain(format: str) -> Draw:
    return lambda rng: random_plan(rng, format)


def _skewed(rng: Rng) -> Plan:
    angle = float(rng.uniform(1.0, 3.0) * rng.choice([-1, 1]))
    plan = random_plan(rng).with_strips(lambda strip: replace(strip, angle_deg=angle))
    start, end = plan.strips[0].cuts_mm()
    sway = (end - start) / 2 * np.sin(np.deg2rad(abs(angle)))
    return plan.with_holder(window_margin_mm=float(sway + rng.uniform(0.5, 2.0)))


def _spaced(rng: Rng, gaps_mm: Callable[[int], Sequence[float | None]]) -> Plan:
    strip = random_strip(rng)
    strip = spaced(strip, gaps_mm(len(strip.roll.frames)))
    return replace(random_plan(rng), strips=(strip,))


def _irregular_gaps(rng: Rng) -> Plan:
    return _spaced(rng, lambda count: rng.uniform(0.3, 6.0, count).tolist())


def _overlaps(rng: Rng) -> Plan:
    def gaps(count: int) -> list[float | None]:
        lapped = rng.random(count) < 0.5
        lapped[int(rng.integers(2, count - 1))] = True
        lapped[0] = False
        return [-float(rng.uniform(0.2, 2.5)) if lap else None for lap in lapped]

    return _spaced(rng, gaps)


def _dark_scenes(rng: Rng) -> Plan:
    def darker(rng: Rng, spec: FrameSpec) -> FrameSpec:
        if rng.random() < 0.4:
            night = Scene(str(rng.choice(NIGHT_SCENES)), seed=int(rng.integers(1000)))
            return replace(spec, scene=night, exposure_stops=float(rng.uniform(-2, 0)))
        return replace(spec, exposure_stops=float(rng.uniform(-3, -2)))

    return random_plan(rng, change=darker)


def _high_key(rng: Rng) -> Plan:
    def brighter(rng: Rng, spec: FrameSpec) -> FrameSpec:
        return replace(spec, exposure_stops=float(rng.uniform(1, 3)))

    return random_plan(rng, change=brighter)


def _blanks(rng: Rng) -> Plan:
    plan = random_plan(rng, count=int(rng.integers(4, 7)))

    def blanked(strip: StripSpec) -> StripSpec:
        frames = list(strip.roll.frames)
        at_end = rng.random() < 0.4
        run = int(rng.integers(1, 3))
        last = strip.first + strip.count - 1
        if at_end:
            first = strip.first if rng.random() < 0.5 else last - run + 1
        else:
            first = int(rng.integers(strip.first + 1, last - run + 1))
        for index in range(first, first + run):
            frames[index] = replace(frames[index], kind="blank")
        return replace(strip, roll=replace(strip.roll, frames=tuple(frames)))

    return plan.with_strips(blanked)


def _leader(rng: Rng) -> Plan:
    long, struck = float(rng.uniform(5, 40)), float(rng.uniform(0.3, 0.95))
    if rng.random() < 0.5:
        plan = random_plan(rng, leader_mm=long, light_struck_mm=long * struck)
        return plan.with_strips(lambda strip: replace(strip, first=0))
    plan = random_plan(rng, tail_mm=long, tail_struck_mm=long * struck)
    return plan.with_strips(lambda strip: replace(strip, first=2))


def _light_leak(rng: Rng) -> Plan:
    def leaking(strip: StripSpec) -> StripSpec:
        return replace(strip, roll=replace(strip.roll, leaks=random_leaks(rng, strip)))

    return random_plan(rng).with_strips(leaking)


def _cut_in_mid_frame(rng: Rng) -> Plan:
    def cut(strip: StripSpec) -> StripSpec:
        form = load_format(strip.roll.format)
        ends = rng.random(2) < 0.6
        ends[int(rng.integers(2))] = True
        taken = rng.uniform(0.2, 0.8, 2) * form.image_mm[0] + usual_gap_mm(form.name) / 2
        return replace(strip, trim_mm=tuple(np.where(ends, taken, 0.0).tolist()))

    return random_plan(rng).with_strips(cut)


def _several_strips(rng: Rng) -> Plan:
    plan = random_plan(rng)
    count = int(rng.integers(2, 9))
    strips = [
        random_strip(rng, count=int(rng.integers(1, 7)), film=plan.strips[0].roll.film)
        for _ in range(count)
    ]
    return replace(plan, strips=tuple(strips)).with_holder(between_mm=float(rng.uniform(3, 10)))


def _laid(**placing: bool) -> Draw:
    return lambda rng: random_plan(rng).with_strips(lambda strip: replace(strip, **placing))


def _upright(rng: Rng) -> Plan:
    return replace(random_plan(rng), turn_deg=int(rng.choice([90, 270])))


def _touching_border(rng: Rng) -> Plan:
    """Crop the scan so that 1 to 4 of its sides lie on the film: rebate, or an end's gap or frame.

    Across, 0 to 3 mm of the rebate are lost; along, 0 to 12 mm of film.
    """
    plan = random_plan(rng)
    holder = plan.holder
    plan = plan.with_strips(lambda strip: replace(strip, angle_deg=strip.angle_deg / 3))
    lost = [rng.uniform(0, 12), rng.uniform(0, 3), rng.uniform(0, 12), rng.uniform(0, 3)]
    beside = (holder.end_margin_mm, holder.window_margin_mm) * 2
    sides = rng.random(4) < 0.4
    sides[int(rng.integers(4))] = True
    crop = [
        float(holder.border_mm + margin + part) if side else 0.0
        for side, margin, part in zip(sides, beside, lost, strict=True)
    ]
    return replace(plan, crop_mm=(crop[0], crop[1], crop[2], crop[3]))


def _hidden(rng: Rng, least_mm: float, most_mm: float) -> Plan:
    """Draw a holder that covers so much of both rebates; such a holder keeps film straight."""
    plan = random_plan(rng).with_holder(window_margin_mm=-float(rng.uniform(least_mm, most_mm)))
    angle = float(rng.uniform(-0.1, 0.1))
    return plan.with_strips(lambda strip: replace(strip, angle_deg=angle))


def _perforations_hidden(rng: Rng) -> Plan:
    return _hidden(rng, 4.85, 5.2)


def _perforations_half_hidden(rng: Rng) -> Plan:
    return _hidden(rng, 2.4, 4.4)


def _one_side_hidden(rng: Rng) -> Plan:
    """Push the film under one edge of its window."""
    return _pushed_aside(rng, 0.3, 5.0)


def _half_hidden_one_side(rng: Rng) -> Plan:
    return _pushed_aside(rng, 2.4, 4.4)


def _pushed_aside(rng: Rng, least_mm: float, most_mm: float) -> Plan:
    plan = random_plan(rng)
    covered, margin = float(rng.uniform(least_mm, most_mm)), float(rng.uniform(-1.0, 0.3))
    shift = (covered + margin) * float(rng.choice([-1, 1]))
    angle = float(rng.uniform(-0.1, 0.1))
    plan = plan.with_holder(window_margin_mm=margin)
    return plan.with_strips(lambda strip: replace(strip, angle_deg=angle, shift_mm=(0.0, shift)))


def _bare_light(rng: Rng) -> Plan:
    return random_plan(rng).with_holder(opaque=False)


def _dusty(rng: Rng) -> Plan:
    camera = random_camera(rng)
    return replace(random_plan(rng, camera=camera), dust_count=int(rng.integers(50, 500)))


def _formats(rng: Rng) -> str:
    """Draw 135 mostly, else any format."""
    return "135" if rng.random() < 0.6 else str(rng.choice(FORMATS[1:]))


def _with_camera(rng: Rng, format: str, **values: object) -> Plan:
    camera: Camera = replace(random_camera(rng), **values)  # type: ignore[arg-type]
    return random_plan(rng, format, camera=camera)


def _turned_gate(rng: Rng) -> Plan:
    turn = float(rng.uniform(0.2, 0.7) * rng.choice([-1, 1]))
    return _with_camera(rng, _formats(rng), gate_turn_deg=turn)


def _odd_gate(rng: Rng) -> Plan:
    """135: 35.3 to 36.8 mm along, 23.6 to 24.6 mm across; others by the same shares."""
    format = _formats(rng)
    along, across = load_format(format).image_mm
    size = rng.uniform([35.3, 23.6], [36.8, 24.6]) / [36.0, 24.0] * [along, across]
    error = (float(size[0] - along), float(size[1] - across))
    return _with_camera(rng, format, gate_size_error_mm=error)


def _gate_along(format: str, least_mm: float, most_mm: float) -> Draw:
    """Return what draws a camera whose gate is so long; the pitch stays as the format has it."""

    def draw(rng: Rng) -> Plan:
        along = float(rng.uniform(least_mm, most_mm)) - load_format(format).image_mm[0]
        across = float(rng.uniform(-0.4, 0.6))
        return _with_camera(rng, format, gate_size_error_mm=(along, across))

    return draw


def _half_irregular_gaps(rng: Rng) -> Plan:
    """Gates of 16.5 to 18.5 mm, each with its own gap of 0.3 to 4 mm before it."""
    plan = _gate_along("135-half", 16.5, 18.5)(rng)

    def irregular(strip: StripSpec) -> StripSpec:
        longer = strip.roll.camera.gate_size_error_mm[0]
        gaps = rng.uniform(0.3, 4.0, len(strip.roll.frames)) + longer
        return spaced(strip, gaps.tolist())

    return plan.with_strips(irregular)


def _rounded_corners(rng: Rng) -> Plan:
    format = _formats(rng)
    radius = float(rng.uniform(0, 1.5 if format.startswith("135") else 4.0))
    return _with_camera(rng, format, gate_corner_mm=radius)


def _scratched(rng: Rng) -> Plan:
    def scored(strip: StripSpec) -> StripSpec:
        start, end = strip.cuts_mm()
        width = load_format(strip.roll.format).width_mm
        return replace(strip, scratches=random_scratches(rng, end - start, width))

    return random_plan(rng, _formats(rng)).with_strips(scored)


def _glass_reflections(rng: Rng) -> Plan:
    plan = replace(random_plan(rng), glass=random_glass(rng))
    return plan.with_holder(opaque=bool(rng.random() < 0.6))


def _surround(least: float, most: float) -> Draw:
    """Return what draws a plate that lets so much light through, evenly over the logarithm."""
    return lambda rng: random_plan(rng).with_holder(
        transmittance=float(np.exp(rng.uniform(np.log(least), np.log(most))))
    )


def _white_surround(rng: Rng) -> Plan:
    """Draw a mask that lamps light from the front, 0.4 to 1.05 as bright as the open gate."""
    margin = float(rng.uniform(0.6, 2.0) if rng.random() < 0.5 else rng.uniform(-4.0, 0.0))
    plan = random_plan(rng).with_holder(
        reflected=float(rng.uniform(0.4, 1.05)), window_margin_mm=margin
    )
    return plan.with_strips(lambda strip: replace(strip, angle_deg=strip.angle_deg / 5))


def _scenes(*names: str) -> Draw:
    """Return what draws a strip two thirds of whose frames show such scenes, held level."""

    def shown(rng: Rng, spec: FrameSpec) -> FrameSpec:
        if rng.random() > 0.67:
            return spec
        scene = Scene(str(rng.choice(names)), flip=bool(rng.random() < 0.5), seed=_small_seed(rng))
        return replace(spec, scene=scene)

    return lambda rng: random_plan(rng, change=shown)


def _small_seed(rng: Rng) -> int:
    return int(rng.integers(1000))


def _different_films(rng: Rng) -> Plan:
    """Lay 2 to 6 strips of different films side by side, one in four of another 135 format."""
    films = rng.permutation(film_names())[: int(rng.integers(2, 7))]
    strips = []
    for film in films:
        format = str(rng.choice(["135-half", "135-square"])) if rng.random() < 0.25 else "135"
        contrast = (float(rng.uniform(0.8, 1.15)),) * 3
        process = Process(contrast=contrast, stain=float(rng.uniform(0, 0.05)))
        strips.append(random_strip(rng, format, film=str(film), process=process))
    holder = Holder(window_margin_mm=1.5, between_mm=float(rng.uniform(3, 10)))
    return replace(random_plan(rng), strips=tuple(strips), holder=holder)


def _low_ppi(rng: Rng) -> Plan:
    return replace(random_plan(rng, _formats(rng)), ppi=float(rng.integers(100, 151)))


def _eight_bit(rng: Rng) -> Plan:
    """Any scanner's signal in 8 bits through a gamma of 2.2 or the curve of sRGB."""
    plan = random_plan(rng)
    device = load_scanner(str(rng.choice(scanner_names())))
    tone = str(rng.choice(["power", "srgb"]))
    return replace(plan, scanner=replace(device, bits=8, container_bits=8, gamma=2.2, tone=tone))


def _faded(rng: Rng) -> Plan:
    return random_plan(rng, process=random_faded(rng))
