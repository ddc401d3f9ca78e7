"""A roll of film: what was exposed where, and how it was cut into strips."""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .edge_print import number_text
from .film_format import FilmFormat, load_format
from .geometry import turned_rectangle
from .scene import Scene
from .scratches import Scratch
from .stock import Process


@dataclass(frozen=True)
class FrameSpec:
    """One exposure: scene, over- or under-exposure in stops, kind, light, extra gap before it.

    kind is 'picture', 'blank' (shutter never opened) or 'fogged' (light-struck across the film).
    along_mm is the gate's length where it is not the camera's: a mask put in for some frames.
    """

    scene: str | Scene = "grey"
    exposure_stops: float = 0.0
    kind: str = "picture"
    light: str = "D55"
    gap_mm: float = 0.0
    along_mm: float | None = None


@dataclass(frozen=True)
class Camera:
    """What the camera does to spacing and picture; lengths mm, flare a share of the mean light.

    gate_turn_deg is clockwise as displayed, edge text upright; gate_size_error_mm adds to the
    format's image, along and across; gate_corner_mm None is the format's own radius; blur_mm is the
    sigma of the blur of lens and emulsion together.
    """

    pitch_error_mm: float = 0.05
    gap_jitter_mm: float = 0.15
    gate_shift_mm: float = 0.0
    gate_jitter_mm: float = 0.05
    gate_softness_mm: float = 0.07
    gate_turn_deg: float = 0.0
    gate_size_error_mm: tuple[float, float] = (0.0, 0.0)
    gate_corner_mm: float | None = None
    flare: float = 0.0
    vignetting_stops: float = 0.0
    blur_mm: float = 0.0


@dataclass(frozen=True)
class LightLeak:
    """Light through a worn seal: at a place of the roll, from one edge, fading across the film."""

    at_mm: float
    width_mm: float = 12.0
    depth_mm: float = 10.0
    stops: float = 1.0
    edge: str = "top"
    layers: tuple[float, float, float] = (1.0, 0.55, 0.18)


@dataclass(frozen=True)
class Roll:
    """A whole roll; everything random about it follows from `seed`.

    leader_mm and tail_mm lie before and after the frames; light_struck_mm from the start and
    tail_struck_mm from the end are black with light. mask_share is the strength of the film's
    orange mask as a share of its usual one.
    """

    film: str = "film-a"
    frames: tuple[FrameSpec, ...] = ()
    format: str = "135"
    process: Process = field(default_factory=Process)
    camera: Camera = field(default_factory=Camera)
    first_number: int = 1
    leader_mm: float = 0.0
    light_struck_mm: float = 0.0
    tail_mm: float = 0.0
    tail_struck_mm: float = 0.0
    edge_print: bool = True
    leaks: tuple[LightLeak, ...] = ()
    seed: int = 0
    mask_share: float = 1.0

    def __post_init__(self) -> None:
        """Accept any sequence of frames."""
        object.__setattr__(self, "frames", tuple(self.frames))
        object.__setattr__(self, "leaks", tuple(self.leaks))


@dataclass(frozen=True)
class Gate:
    """Where one exposure lies: millimetres from the roll's start and from the film's top edge.

    u and v are those of the gate before it is turned about its centre.
    """

    index: int
    spec: FrameSpec
    number: str
    u0_mm: float
    u1_mm: float
    v0_mm: float
    v1_mm: float
    turn_deg: float = 0.0
    corner_mm: float = 0.0

    @property
    def size_mm(self) -> tuple[float, float]:
        """Sides along and across its own axes."""
        return self.u1_mm - self.u0_mm, self.v1_mm - self.v0_mm

    def on_strip(self, start_mm: float) -> NDArray[np.float64]:
        """Return the map, 2 x 3, from the gate's own axes (mm) to a strip that starts there."""
        centre = (self.u0_mm + self.u1_mm) / 2 - start_mm, (self.v0_mm + self.v1_mm) / 2
        return turned_rectangle(centre, self.size_mm, self.turn_deg)

    def reach_mm(self) -> tuple[float, float]:
        """Return from where to where along the roll the turned gate reaches."""
        along = turned_rectangle((0, 0), self.size_mm, self.turn_deg)[0, :2]
        half = float(np.abs(along) @ self.size_mm) / 2
        centre = (self.u0_mm + self.u1_mm) / 2
        return centre - half, centre + half


@dataclass(frozen=True)
class RollLayout:
    """All gates of a roll, its length, and where edge number 0 would stand."""

    gates: tuple[Gate, ...]
    length_mm: float
    number_zero_at_mm: float


@lru_cache(maxsize=32)
def lay_out(roll: Roll) -> RollLayout:
    """Space the frames as a camera does: nearly periodic, never registered to the perforations."""
    form = load_format(roll.format)
    camera = roll.camera
    rng = np.random.default_rng([roll.seed, 1])
    pitch = form.pitch_mm + camera.pitch_error_mm
    along, deep = gate_size_mm(form, camera)
    corner = form.corner_mm if camera.gate_corner_mm is None else camera.gate_corner_mm
    starts, u = [], roll.leader_mm + (pitch - along) / 2
    for spec in roll.frames:
        u += spec.gap_mm
        starts.append(u)
        u += pitch + float(rng.normal(0, camera.gap_jitter_mm))
        if spec.along_mm is not None:
            u += spec.along_mm - along
    zero_at = _zero_at(roll, form, starts[0] if starts else 0.0, float(rng.uniform(2.5, 7.0)))
    gates = []
    for index, (spec, start) in enumerate(zip(roll.frames, starts, strict=True)):
        across = (form.width_mm - deep) / 2 + camera.gate_shift_mm
        across += float(rng.normal(0, camera.gate_jitter_mm))
        long = along if spec.along_mm is None else spec.along_mm
        number = _number(roll, form, index, start + long / 2, zero_at)
        gates.append(
            Gate(
                index,
                spec,
                number,
                start,
                start + long,
                across,
                across + deep,
                camera.gate_turn_deg,
                corner,
            )
        )
    return RollLayout(tuple(gates), u + roll.tail_mm, zero_at)


def gate_size_mm(form: FilmFormat, camera: Camera) -> tuple[float, float]:
    """Return the sides of a camera's gate along and across the film."""
    error = camera.gate_size_error_mm
    return form.image_mm[0] + error[0], form.image_mm[1] + error[1]


def _zero_at(roll: Roll, form: FilmFormat, first_start: float, phase: float) -> float:
    """Place the edge numbers so that the first frame's number stands a little after its start."""
    return first_start + phase - roll.first_number * form.edge.number_pitch_mm


def _number(roll: Roll, form: FilmFormat, index: int, centre: float, zero_at: float) -> str:
    """Return the number printed nearest under a frame; by order where no codes are printed."""
    if form.edge.code_module_mm is None:
        return str(roll.first_number + index)
    step = form.edge.number_pitch_mm / 2
    code_centre = zero_at + form.edge.code_after_number_mm + 15.5 * form.edge.code_module_mm
    nearest = round((centre - code_centre) / step)
    number, half = divmod(nearest, 2)
    return number_text(number, bool(half))


@dataclass(frozen=True)
class StripSpec:
    """A piece cut from a roll, and how it lies in the holder.

    first and count pick frames; trim_mm cuts more (or, negative, less) than the middle of the gap
    off either end; reversed puts it in head over heels, mirrored with its emulsion up; shift_mm
    moves it along and across its window.
    """

    roll: Roll
    first: int = 0
    count: int = 6
    angle_deg: float = 0.0
    reversed: bool = False
    mirrored: bool = False
    trim_mm: tuple[float, float] = (0.0, 0.0)
    shift_mm: tuple[float, float] = (0.0, 0.0)
    scratches: tuple[Scratch, ...] = ()

    def cuts_mm(self) -> tuple[float, float]:
        """Return where the strip starts and ends on the roll."""
        layout = lay_out(self.roll)
        gates = layout.gates
        last = min(self.first + self.count, len(gates)) - 1
        start = (
            0.0 if self.first == 0 else (gates[self.first - 1].u1_mm + gates[self.first].u0_mm) / 2
        )
        end = (
            layout.length_mm
            if last + 1 >= len(gates)
            else (gates[last].u1_mm + gates[last + 1].u0_mm) / 2
        )
        return start + self.trim_mm[0], end - self.trim_mm[1]
