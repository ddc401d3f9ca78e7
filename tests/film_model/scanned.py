"""Small scans of single strips that the tests of the film model measure."""

from typing import Any

from tests.film_model import FrameSpec, ModelScan, Roll, StripSpec, make_scan

PPI = 250.0


def greys(count: int = 2, **roll: Any) -> Roll:
    """Return a roll of grey cards."""
    return Roll("film-a", tuple([FrameSpec("grey")] * count), **roll)


def scan_of(
    roll: Roll, count: int | None = None, ppi: float = PPI, noise: bool = False, **options: Any
) -> ModelScan:
    """Return the scan of one strip; options are the strip's or the scan's."""
    strip = {
        k: options.pop(k)
        for k in ("angle_deg", "reversed", "mirrored", "first", "trim_mm")
        if k in options
    }
    spec = StripSpec(roll, count=count or len(roll.frames), **strip)
    return make_scan([spec], ppi=ppi, noise=noise, **options)
