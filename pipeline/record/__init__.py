"""What is told of a roll: `roll.json`, schema 1.

In: what was measured and decided. Out: records of roll, strips, frames and findings (densities to
six decimals, outlines in scan pixel centres), and the document they make.

The door is wide because it lists the parts of that one document.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
