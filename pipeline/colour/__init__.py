"""The one colour of a roll.

In: samples of density above base (n, 3) and a film profile. Out: `RollColour` (slopes, balance in
log10 exposure, matrices, exposure) and what single frames change of it (stops); a profile fitted
to a chart.

The mask is a constant of the base and a cross-talk that a 3x3 matrix in density takes out. Without
a chart, four numbers are looked for, slopes and balance of red and blue against green, that make
two things probable of the roll's exposures, times the profile's prior: most frames hold something
neutral, and scene colours as a whole are spread about neutral, more from warm to cool than from
green to magenta. Frames that are near copies share a weight. All tones count and curves start
together in the base, so a cast that changes from shadows to lights sets the slopes.

The door is wide because three rooms take from it: `render` the colour, `densities` and `roll` the
solve, the reference and the fit.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
