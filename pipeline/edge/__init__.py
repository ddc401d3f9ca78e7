"""The film's edge print.

In: the rebates of a straightened strip (light, pixels per mm). Out: barcodes, frame numbers along
the film, which way up it lies, and the density of the edge print above base.

A code is believed where others along the strip agree with it.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
