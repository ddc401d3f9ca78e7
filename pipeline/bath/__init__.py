"""Batches of chemistry.

In: the log of rolls developed with a batch. Out: its wear (share of fresh, with 90 % intervals),
when it is spent (rolls, days), findings, cautions.

The door is wide because the command's ten words on batches each ask for their own entry or text.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
