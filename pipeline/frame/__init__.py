"""Frames on a strip, and the gaps between them.

In: density above base (h, w, 3) of a straightened strip. Out: frames as four sides (view pixels)
with kind and confidence (0 to 1), the camera's habit (mm), and what is written of a frame.

Columns are weighed first (`columns`: base in all rows or not, steps that all rows share; `seam`:
steps of most rows, up or down, where pictures touch; `bridge` leaves out a holder's bars across the
film, `veil` takes off stray light and reflections, as rebates and gaps show them). `spans` takes
the likeliest sequence of pictures, blanks, partial frames and gaps by dynamic programming; runs of
base count less the longer they are, so that black walls are no gaps, and least where the strip is
likelier to be one of dark pictures. All gates of all formats
compete, and single frames may be of another gate than the rest. `gate` places every edge by all
rows that cross it, `sides` those of all frames, in pixels as coarse as the scan is soft, and
`junction` both edges of a gap too narrow to show base; `glow` tells it from light that spreads
beyond it, `shadow` from the outer end of the gate's soft shadow, `reach` how far a picture goes on
where a holder or the scan ends first. `slopes` tells how each side turns: alike on straight film,
steadily on bowed film, apart on film seen aslant. `gate_fit` puts edges, gate size and gaps into
one linear system; its inverse and the slopes' errors say how well each corner is known, which is
the confidence: the probability that none is off by more than 0.25 mm. The likeliest sequence
without a frame tells how sure that frame is.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
