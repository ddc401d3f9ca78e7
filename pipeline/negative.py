"""Negative film told from slides, prints and other things with an even light colour."""

from pipeline.base import FilmBase
from pipeline.channels import least
from pipeline.kinds import Light
from pipeline.layout import Strip

# Blue less red density of a masked base: 0.44 at least over published stocks (D-min, Status M),
# less what a scanner's channels may be apart where no open gate shows.
_LEAST_ORANGE = 0.2


def is_negative(above: Light, strip: Strip, base: FilmBase, any_base: bool) -> bool:
    """Tell whether a strip is colour negative film, by what only that shows together.

    Its base is orange (unless `any_base`), nothing inside is lighter than it in any
    channel, rebate and gaps make it a fair share of the strip, and 135 film with both edges in
    view has perforations. A slide's or a print's lightest even colour fails one of these.
    """
    rows, columns = above.shape[:2]
    inner = above[rows // 5 : rows - rows // 5, columns // 40 : columns - columns // 40]
    lighter = float((least(inner) < -0.08).mean())
    share = base.area_mm2 * strip.px_per_mm**2 / (rows * columns)
    orange = any_base or base.density[2] - base.density[0] > _LEAST_ORANGE
    bare = strip.whole_width and strip.film.name == "135" and not strip.perforated
    if strip.whole_width and not strip.perforated:
        return orange and share > 0.05 and lighter < (0.0005 if bare else 0.005)
    # Reflections in the glass lighten the dense blue of an orange base here and there.
    return orange and share > 0.008 and lighter < (0.04 if strip.perforated else 0.01)
