"""What the camera saw: photographs, painted and rendered scenes, the chart, as scene light."""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from . import chart, painted
from .geometry import Pixels
from .picture import linear_picture, picture_names
from .rendered.views import render, rendered_names
from .spectra import Floats
from .stock import MID_GREY, Film

CHART_HEIGHT_PX = 720
PAINTED_HEIGHT_PX = 480
CARD_REFLECTANCE = 0.035
CHART_IN_SCENE = "chart-in-scene"
BEHIND_CHART = ("coffee", "temple", "flower", "table", "house", "quay", "cat")


@dataclass(frozen=True)
class Scene:
    """A scene by name, and how the camera was held.

    crop is (centre x, centre y, size), shares of the picture, size 1 the largest crop of the
    frame's shape; turned holds the camera upright; gain and tint multiply linear light; seed picks
    a variant of a painted or rendered scene.
    """

    name: str
    crop: tuple[float, float, float] = (0.5, 0.5, 1.0)
    flip: bool = False
    turned: bool = False
    gain: float = 1.0
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    seed: int = 0


def scene_names() -> list[str]:
    """Return all scene names: the chart, the photographs, the painted scenes."""
    return ["chart", CHART_IN_SCENE, *picture_names(), *painted.painted_names()]


def as_scene(scene: "str | Scene") -> Scene:
    """Accept a bare name for a scene."""
    return Scene(scene) if isinstance(scene, str) else scene


def scene_light(scene: "str | Scene", aspect: float, short_px: int = PAINTED_HEIGHT_PX) -> Pixels:
    """Return a scene as linear sRGB (white 1, mid-grey 0.18), of the given width / height.

    short_px is the shorter side of rendered scenes; the others have a size of their own.
    """
    scene = as_scene(scene)
    upright = replace(scene, turned=False)
    if scene.turned:
        return np.ascontiguousarray(np.rot90(scene_light(upright, 1 / aspect, short_px)))
    if scene.name == "chart":
        _, _, srgb = chart.reference_colours()
        grey = np.full(3, MID_GREY)
        drawn = chart.draw(srgb, grey * CARD_REFLECTANCE / MID_GREY, grey, aspect, CHART_HEIGHT_PX)
        return (drawn * scene.gain).astype(np.float32)
    if scene.name == CHART_IN_SCENE:
        drawn = scene_light("chart", aspect)
        behind = scene_light(background(scene), aspect)
        light = _held(behind, drawn, scene, aspect)
    elif scene.name in picture_names():
        light = _cropped(linear_picture(scene.name), scene.crop, aspect)
    elif scene.name in rendered_names():
        size = (round(short_px / min(aspect, 1.0)), round(short_px * max(aspect, 1.0)))
        light = render(scene.name, size, scene.seed)
    else:
        size = (PAINTED_HEIGHT_PX, round(PAINTED_HEIGHT_PX * aspect))
        light = painted.paint(scene.name, size, scene.seed)
    if scene.flip:
        light = light[:, ::-1]
    factor = np.asarray(scene.tint, np.float32) * np.float32(scene.gain)
    return np.ascontiguousarray(light * factor)


def background(scene: Scene) -> Scene:
    """Return the scene that a chart is held in, by its seed."""
    return Scene(BEHIND_CHART[scene.seed % len(BEHIND_CHART)], scene.crop)


def _held(behind: Pixels, drawn: Floats, scene: Scene, aspect: float) -> Pixels:
    """Return a scene with the chart held in it; the scene is brought to the chart's size."""
    size = (drawn.shape[1], drawn.shape[0])
    large = cv2.resize(np.ascontiguousarray(behind, np.float32), size)
    return chart.paste(large, drawn, chart.placed(scene.seed, aspect))


def _cropped(light: Pixels, crop: tuple[float, float, float], aspect: float) -> Pixels:
    """Cut the largest window of an aspect, shrunk by the crop's size, and kept inside."""
    height, width = light.shape[:2]
    tall = min(height, width / aspect) * crop[2]
    wide = tall * aspect
    x0 = np.clip(crop[0] * width - wide / 2, 0, width - wide)
    y0 = np.clip(crop[1] * height - tall / 2, 0, height - tall)
    return light[int(y0) : int(y0) + round(tall), int(x0) : int(x0) + round(wide)]


def scene_exposure(
    film: Film,
    scene: "str | Scene",
    aspect: float,
    light: str = "D55",
    short_px: int = PAINTED_HEIGHT_PX,
) -> Pixels:
    """Return layer exposures of a scene, mid-grey in D55 = 1; short_px as in `scene_light`.

    Pictures and painted scenes reach the film through a spectral basis of linear sRGB, the chart
    through the reflectances of its patches.
    """
    scene = as_scene(scene)
    if scene.name == "chart":
        if scene.turned:
            upright = replace(scene, turned=False)
            return np.rot90(scene_exposure(film, upright, 1 / aspect, light))
        drawn = _chart_exposure(film, aspect, light) * scene.gain
        return (drawn / MID_GREY).astype(np.float32)
    if scene.name == CHART_IN_SCENE and not scene.turned:
        behind = scene_exposure(film, background(scene), aspect, light)
        drawn = _chart_exposure(film, aspect, light) / MID_GREY
        return _held(behind, drawn, scene, aspect) * np.float32(scene.gain)
    matrix = film.picture_matrix(light) / MID_GREY
    return scene_light(scene, aspect, short_px) @ matrix.T.astype(np.float32)


def _chart_exposure(film: Film, aspect: float, light: str) -> Floats:
    _, reflectances = chart.reflectances()
    flat = np.ones(reflectances.shape[1])
    patches = film.layer_exposures(reflectances, light)
    card, surround = (film.layer_exposures(flat * r, light) for r in (CARD_REFLECTANCE, MID_GREY))
    return chart.draw(patches, card, surround, aspect, CHART_HEIGHT_PX)


def sized(light: Pixels, width: int, height: int) -> Pixels:
    """Bring a picture near a size: area average where it shrinks, unchanged where it would grow."""
    rows, columns = light.shape[:2]
    if rows <= height or columns <= width:
        return np.ascontiguousarray(light, dtype=np.float32)
    return cv2.resize(
        np.ascontiguousarray(light, np.float32), (width, height), interpolation=cv2.INTER_AREA
    )
