"""Dust, by the infra-red plane.

In: visible light (h, w, 3) and infra-red density (h, w) of the same pixels. Out: where dust lies,
and light mended there.

How much of red, green and blue density shows in infra-red is fitted for each strip; blue in it
means silver, and the plane is left alone. The plane is laid over the picture by a dozen squares
with the most detail. What then stands out of the noise, dims the visible too and is narrow is dust.
A dusty pixel becomes the mean of its light scaled back and of a thin plate through its
surroundings, each weighed by its likely error. Pixels outside the mask stay bit for bit.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
