"""Frame numbers over the roll, and corrections.

In: surveyed strips and the user's `[[frames]]`. Out: strips in film order, a number for each
frame and where it is from, corrected outlines (scan pixels).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
