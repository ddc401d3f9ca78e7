"""What a person looks at.

In: the record of a roll and its small pictures (h, w, 3) uint8. Out: the page, contact sheets,
the table of measurements, drawings (SVG, PNG).

The door is wide because each drawing is asked for by name, so that only what is drawn is loaded.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
