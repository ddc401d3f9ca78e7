"""Strips as a survey leaves them, made up from a few figures."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np

from pipeline.edge.chain import EdgeCode
from pipeline.edge.reading import EdgeReading
from pipeline.scan.encoding import linear
from pipeline.strip.base import FilmBase, FrameBase
from pipeline.strip.density import Illumination
from pipeline.survey.frame import FrameSurvey
from pipeline.survey.strip import StripSurvey

Triple = tuple[float, float, float]
BOX = ((0.0, 0.0), (9.0, 0.0), (9.0, 5.0), (0.0, 5.0))
ABSOLUTE = Illumination((0.0, 0.0, 0.0), (0.9, 0.9, 0.9))
RELATIVE = Illumination((0.0, 0.0, 0.0), None)
FLAT = ((-0.3, 0.0, 0.0, 0.0),) * 3


def frame(
    edge_number: str | None = None, median: float = 0.7, kind: str = "picture"
) -> FrameSurvey:
    return FrameSurvey(
        outline=BOX,
        kind=kind,
        confidence=0.9,
        edge_number=edge_number,
        base=FrameBase(FLAT, -1.0, 1.0, -1.0, 1.0, ABSOLUTE),
        samples=np.full((4, 3), median, np.float32),
        thumbnail=np.full((5, 9, 3), median, np.float16),
        least=(0.1,) * 3,
        median=(median,) * 3,
        most=(1.5,) * 3,
    )


def strip(frames: Sequence[FrameSurvey] = (), **changes: Any) -> StripSurvey:
    told: dict[str, Any] = {
        "scan": SimpleNamespace(encoding=linear("container"), device_name=None),
        "ppi": 1600.0, "ppi_from": "tag", "format": "135", "outline": BOX,
        "angle_deg": 0.0, "mirrored": False, "base": film_base(),
        "edge_codes": (), "print_density": None,
    }  # fmt: skip
    return StripSurvey(**told | changes, frames=tuple(frames))


def placed_strip(
    start: float | None,
    count: int = 6,
    film: str = "115-10",
    after: float = 0.25,
    step: float = 1.0,
    pitch: float | None = None,
    turned: bool = False,
    frames: Sequence[FrameSurvey] | None = None,
    **changes: Any,
) -> StripSurvey:
    """Return a strip that begins at a place along its film, in frames of 38 mm; 1 px is 1 mm.

    Its pictures follow each other every `pitch` frames, `step` by default, their centres `after`
    behind the start and what follows it. Without a start the edge tells the film only.
    """
    pitch = step if pitch is None else pitch
    places = [after + pitch * k for k in range(count)]
    length = 38.0 * max(pitch * count, 1.0)
    sign = -1.0 if turned else 1.0
    number = None if start is None else float(start)
    slope, left = (0.0, 0.0) if start is None else (sign / 38.0, start + (length / 38.0) * turned)
    name = film if start is None else f"{film}/{start}"
    reading = EdgeReading(
        (EdgeCode(name, number, 0.0, 0.0),),
        1,
        turned,
        slope,
        left,
        1.0,
        None,
    )
    columns = tuple(length - 38.0 * place if turned else 38.0 * place for place in places)
    told: dict[str, Any] = {
        "outline": ((0.0, 0.0), (length, 0.0), (length, 35.0), (0.0, 35.0)),
        "ppi": 25.4,
        "format": "135" if step == 1.0 else "135-half",
        "edge": reading,
        "centres_px": columns,
    }
    return strip([frame() for _ in places] if frames is None else frames, **told | changes)


def film_base(
    density: Triple = (0.21, 0.63, 0.88),
    light: Triple = (0.5, 0.2, 0.1),
    illumination: Illumination = ABSOLUTE,
) -> FilmBase:
    return FilmBase(density, (0.01, 0.01, 0.01), 100.0, light, FLAT, illumination)
