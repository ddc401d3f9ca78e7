"""A scan as planned: strips, holder, scanner, glass, and what the crop cuts off."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from .assemble import ModelScan, make_scan
from .crop import crop_scan
from .glass import Glass
from .holder import Holder
from .random_roll import Gains
from .roll import StripSpec
from .scanner import Scanner


@dataclass(frozen=True)
class Plan:
    """What `scan` needs; crop_mm is cut off the scan at left, top, right, bottom.

    ppi, if given, stands instead of what is asked for.
    """

    strips: tuple[StripSpec, ...]
    holder: Holder
    scanner: str | Scanner
    gains: Gains = (1.0, 1.0, 1.0)
    turn_deg: int = 0
    seed: int = 0
    dust_count: int = 0
    glass: Glass | None = None
    ppi: float | None = None
    crop_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)

    def scan(self, ppi: float) -> ModelScan:
        """Make the scan."""
        ppi = self.ppi or ppi
        scan = make_scan(
            self.strips,
            self.scanner,
            ppi,
            self.seed,
            self.gains,
            self.holder,
            self.turn_deg,
            dust_count=self.dust_count,
            glass=self.glass,
        )
        if any(self.crop_mm):
            scan = crop_scan(scan, *(round(side * ppi / 25.4) for side in self.crop_mm))
        return scan

    def with_strips(self, change: Callable[[StripSpec], StripSpec]) -> "Plan":
        """Return the plan with every strip changed."""
        return replace(self, strips=tuple(change(strip) for strip in self.strips))

    def with_holder(self, **values: float | bool) -> "Plan":
        """Return the plan with other values of its holder."""
        return replace(self, holder=replace(self.holder, **values))
