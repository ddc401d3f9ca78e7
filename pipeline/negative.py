"""Negative film told from slides, prints and other things with an even light colour."""

import numpy as np
from numpy.typing import NDArray

from pipeline.base import FilmBase
from pipeline.channels import least
from pipeline.layout import Strip

Light = NDArray[np.float32]

# Blue less red density of a masked base: 0.44 at least over published stocks (D-min, Status M),
# less what a scanner's channels may be apart where no open gate shows.
_LEAST_ORANGE = 0.2


def is_negative(above: Light, strip: Strip, base: FilmBase, any_base: bool) -> bool:
    """Tell whether a strip is colour negative film, by what only that shows together.

    Its base is orange (unless `any_base`). Without perforations in view, nothing inside is lighter
    than it in any channel, and where the whole width is in view, rebate and gaps make it a fair
    share of the strip. A print's or a photograph's lightest even colour fails one of these.
    """
    orange = any_base or base.density[2] - base.density[0] > _LEAST_ORANGE
    if strip.perforated or not orange:
        return orange
    rows, columns = above.shape[:2]
    inner = above[rows // 5 : rows - rows // 5, columns // 40 : columns - columns // 40]
    lighter = float((least(inner) < -0.08).mean())
    share = base.area_mm2 * strip.px_per_mm**2 / (rows * columns)
    return lighter < 0.005 and (share > 0.05 or not strip.whole_width)
