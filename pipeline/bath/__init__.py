"""Batches of chemistry.

In: the log of rolls developed with a batch. Out: its wear (share of fresh, with 90 % intervals),
when it is spent (rolls, days), findings, cautions.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
