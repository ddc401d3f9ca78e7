"""The one colour of a roll.

In: samples of density above base (n, 3) and a film profile. Out: `RollColour` (slopes, balance in
log10 exposure, matrices, exposure) and what single frames change of it (stops); a profile fitted
to a chart.

The mask is a constant of the base and a cross-talk that a 3x3 matrix in density takes out. Without
a chart, a few numbers are looked for: slopes and balance of red and blue against green, the slope
of all, and how far the matrix strays in the ways in which films and scanners differ (`trial.py`).
They have a normal spread about the profile. Colours of photographs lie about neutral, with heavy
tails, in their darker and in their lighter half (profiles/scenes.toml): numbers that bring a roll's
colours to lie so are probable. Colours that come out paler or stronger than photographs' tell of
the matrix, a cast that changes from shadows to lights of the slopes, since curves start together in
the base. The pictures of a roll may share a cast that is no film's; how probable that is follows
from the same evidence (`belief.py`), and from the edge print, which no subject or lamp has tinted
(`neutral.py`). What whole rolls tell beyond single colours, a regression on drawn rolls knows
(`likeness.py`, profiles/rolls.toml): how far tones go, of which ratios of colours tell little, by
how far densities do. The result is the mean of what both make probable, and is told with its
standard deviation. Frames that are near copies share a weight (`samples.py`).

The door is wide because four rooms take from it: `render` and `review` the colour, `densities` and
`roll` the solve, the reference and the fit.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
