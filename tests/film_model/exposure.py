"""What light a strip received: pictures, edge print, fogged ends and leaks, pixel by pixel."""

from dataclasses import dataclass

import cv2
import numpy as np

from .dyes import spectral_density
from .edge_print import EdgeRasters, draw_edges
from .film_format import FilmFormat, load_format
from .geometry import (
    Pixels,
    Placement,
    Window,
    covered,
    distance_to_rectangle,
    soft_inside,
)
from .roll import Gate, LightLeak, Roll, StripSpec, gate_size_mm, lay_out
from .scene import scene_exposure, sized
from .spectra import Floats
from .stock import Film, Process, load_film, masked

LIGHT_STRUCK = 400.0
LIGHT_STRUCK_FADE_MM = 1.2
BLANK = 0.0
RENDERED_FINER = 1.35
PRINT_STEPS = 65
VISIBLE_BANDS = 33


@dataclass(frozen=True)
class ExposedFrame:
    """A gate of a strip with its picture as layer exposures (None where blank).

    placement maps the gate's own axes (mm from its first corner) to the scan.
    """

    gate: Gate
    placement: Placement
    picture: Pixels | None


@dataclass(frozen=True)
class ExposedStrip:
    """A strip ready to be scanned: its place, frames, edge print."""

    spec: StripSpec
    film: Film
    form: FilmFormat
    placement: Placement
    start_mm: float
    length_mm: float
    frames: tuple[ExposedFrame, ...]
    edges: EdgeRasters | None

    @property
    def roll(self) -> Roll:
        """The roll the strip was cut from."""
        return self.spec.roll

    def window(self) -> Window:
        """Return the window of the scan around the film."""
        return self.placement.window_of(0, 0, self.length_mm, self.form.width_mm)


def expose_strip(spec: StripSpec, placement: Placement) -> ExposedStrip:
    """Prepare the pictures and the edge print of a strip at the scale of its placement."""
    roll = spec.roll
    film = masked(load_film(roll.film), roll.mask_share)
    form, layout = load_format(roll.format), lay_out(roll)
    start, end = spec.cuts_mm()
    frames = []
    for gate in layout.gates:
        first, last = gate.reach_mm()
        if min(last, end) - max(first, start) > 0:
            picture = _picture(roll, film, gate, placement.px_per_mm)
            frames.append(ExposedFrame(gate, placement.after(gate.on_strip(start)), picture))
    edges = None
    if roll.edge_print:
        edges = draw_edges(
            film,
            form,
            end - start,
            layout.number_zero_at_mm - start,
            placement.px_per_mm,
            _print_light(film, roll.process),
        )
    return ExposedStrip(spec, film, form, placement, start, end - start, tuple(frames), edges)


def _print_light(film: Film, process: Process) -> Floats:
    """Return the light that print takes away over its exposure, as shares of a solid bar's."""
    exposure = np.linspace(0, 1, PRINT_STEPS)[:, None] * 10.0**film.edge_print
    density = spectral_density(film, process, film.develop(exposure, process))
    light = (10.0**-density)[:, :VISIBLE_BANDS].mean(axis=1)
    taken = light[0] - light[-1]
    return (light[0] - light) / taken if taken > 0 else np.linspace(0, 1, PRINT_STEPS)


def _picture(roll: Roll, film: Film, gate: Gate, px_per_mm: float) -> Pixels | None:
    """Return a frame's layer exposures near the scan's resolution, lens faults included."""
    if gate.spec.kind != "picture":
        return None
    along, across = gate_size_mm(load_format(roll.format), roll.camera)
    along = gate.spec.along_mm or along
    width, height = round(along * px_per_mm), round(across * px_per_mm)
    fine = round(RENDERED_FINER * min(width, height))
    picture = scene_exposure(film, gate.spec.scene, along / across, gate.spec.light, fine)
    picture = sized(picture, width, height)
    if roll.camera.blur_mm:
        sigma = roll.camera.blur_mm * picture.shape[1] / along
        picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    if roll.camera.vignetting_stops:
        rows, columns = picture.shape[:2]
        y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
        x = np.linspace(-1, 1, columns, dtype=np.float32)[None, :]
        falloff = (x * x + y * y) / 2
        picture = picture * np.exp2(-roll.camera.vignetting_stops * falloff)[..., None]
    if roll.camera.flare:
        share = np.float32(roll.camera.flare)
        picture = picture * (1 - share) + picture.mean(axis=(0, 1)) * share
    return (picture * 2.0**gate.spec.exposure_stops).astype(np.float32)


def strip_exposure(strip: ExposedStrip, window: Window) -> Pixels:
    """Return layer exposures (mid-grey = 1) over a window of the scan, edge print left out."""
    shape = (window.y1 - window.y0, window.x1 - window.x0, 3)
    exposure = np.full(shape, BLANK, np.float32)
    for frame in strip.frames:
        if frame.picture is not None:
            _add_picture(exposure, strip, frame, window)
    _add_fog(exposure, strip, window)
    return exposure


def _add_picture(
    exposure: Pixels, strip: ExposedStrip, frame: ExposedFrame, window: Window
) -> None:
    gate, soft = frame.gate, strip.roll.camera.gate_softness_mm
    along, across = gate.size_mm
    local = frame.placement.window_of(-soft, -soft, along + soft, across + soft).within(window)
    if local.empty or frame.picture is None:
        return
    u, v = frame.placement.to_film(local)
    inside = soft_inside(distance_to_rectangle(u, v, 0, 0, along, across, gate.corner_mm), soft)
    rows, columns = frame.picture.shape[:2]
    scale = np.array([columns / along, rows / across])
    to_gate = frame.placement.inverse
    at = to_gate[:, :2] @ np.array([local.x0, local.y0]) + to_gate[:, 2]
    matrix = np.column_stack([to_gate[:, :2] * scale[:, None], at * scale - 0.5])
    sampled = cv2.warpAffine(
        frame.picture,
        matrix,
        (local.x1 - local.x0, local.y1 - local.y0),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    exposure[local.slices_in(window)] += np.maximum(sampled, 0) * inside[..., None]


def _add_fog(exposure: Pixels, strip: ExposedStrip, window: Window) -> None:
    """Add light that reached the film outside the camera's gate."""
    spans = [
        (f.gate.u0_mm - strip.start_mm, f.gate.u1_mm - strip.start_mm)
        for f in strip.frames
        if f.gate.spec.kind == "fogged"
    ]
    if strip.roll.light_struck_mm > max(strip.start_mm, 0.0):
        spans.append((-strip.length_mm, strip.roll.light_struck_mm - strip.start_mm))
    struck_from = lay_out(strip.roll).length_mm - strip.roll.tail_struck_mm - strip.start_mm
    if strip.roll.tail_struck_mm > 0 and struck_from < strip.length_mm:
        spans.append((struck_from, 2 * strip.length_mm))
    if not spans and not strip.roll.leaks:
        return
    u, v = strip.placement.to_film(window)
    for u0, u1 in spans:
        within = np.clip(np.minimum(u - u0, u1 - u) / LIGHT_STRUCK_FADE_MM, -9, 0)
        exposure += (LIGHT_STRUCK * np.power(np.float32(10), within))[..., None]
    for leak in strip.roll.leaks:
        exposure += _leak_light(leak, u + strip.start_mm, v, strip.form.width_mm)


def _leak_light(leak: LightLeak, u: Pixels, v: Pixels, width_mm: float) -> Pixels:
    depth = v if leak.edge == "top" else width_mm - v
    light = np.exp(
        -(((u - leak.at_mm) / leak.width_mm) ** 2) - np.maximum(depth, 0) / leak.depth_mm
    )
    return (light * 2.0**leak.stops)[..., None] * np.asarray(leak.layers, np.float32)


def film_coverage(strip: ExposedStrip, window: Window) -> Pixels:
    """Return the share of each pixel that film covers: 0 beside it and in its perforations."""
    scale = np.float32(strip.placement.px_per_mm)
    u, v = strip.placement.to_film(window)
    cover = covered(scale * distance_to_rectangle(u, v, 0, 0, strip.length_mm, strip.form.width_mm))
    for hole in perforations(strip):
        local = strip.placement.window_of(*hole).within(window)
        if not local.empty:
            part = local.slices_in(window)
            corner = strip.form.perforation.corner_mm if strip.form.perforation else 0.0
            cover[part] *= 1 - covered(
                scale * distance_to_rectangle(u[part], v[part], *hole, corner)
            )
    return cover


def perforations(strip: ExposedStrip) -> list[tuple[float, float, float, float]]:
    """Return the holes (u0, v0, u1, v1) that touch the strip, top row then bottom row."""
    shape = strip.form.perforation
    if shape is None:
        return []
    first = int(np.floor(strip.start_mm / shape.pitch_mm)) - 1
    count = int(strip.length_mm / shape.pitch_mm) + 3
    holes = []
    for v0 in (shape.from_edge_mm, strip.form.width_mm - shape.from_edge_mm - shape.across_mm):
        for index in range(first, first + count):
            u0 = index * shape.pitch_mm - strip.start_mm
            if u0 + shape.along_mm > 0 and u0 < strip.length_mm:
                holes.append((u0, v0, u0 + shape.along_mm, v0 + shape.across_mm))
    return holes
