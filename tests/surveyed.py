"""Strips as a survey leaves them, made up from a few figures."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.base import FilmBase
from pipeline.density import Illumination
from pipeline.frame_survey import FrameSurvey
from pipeline.render import FrameBase
from pipeline.survey import StripSurvey

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
        "scan": None, "ppi": 1600.0, "ppi_from": "tag", "format": "135", "outline": BOX,
        "angle_deg": 0.0, "mirrored": False, "base": film_base(), "illumination": ABSOLUTE,
        "edge_codes": (), "print_density": None, "edge_position": None,
    }  # fmt: skip
    return StripSurvey(**told | changes, frames=tuple(frames))


def film_base(density: Triple = (0.21, 0.63, 0.88), light: Triple = (0.5, 0.2, 0.1)) -> FilmBase:
    return FilmBase(density, (0.01, 0.01, 0.01), 100.0, light, FLAT)
