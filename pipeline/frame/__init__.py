"""Frames on a strip, and the gaps between them.

In: density above base (h, w, 3) of a straightened strip. Out: frames as rectangles (view pixels)
with kind and confidence (0 to 1), the camera's habit (mm), and what is written of a frame.

Columns are weighed first (`columns`: base in all rows or not, steps that all rows share). `spans`
takes the likeliest sequence of pictures, blanks, partial frames and gaps by dynamic programming;
runs of base count less the longer they are, so that black walls are no gaps. `gate_edge` places
every edge by all rows that cross it. `gate_fit` puts edges, gate size, gaps and turn into one
linear system; its inverse says how well each edge is known, which is the confidence: the
probability that no corner is off by more than 0.25 mm.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
