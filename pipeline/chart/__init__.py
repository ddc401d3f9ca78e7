"""Charts, grey cards and step wedges in a picture.

In: a small picture of densities above base (h, w, 3). Out: the 24-patch chart, grey card or wedge
in it: densities of its patches, corners in pixels, how sure (0 to 1).

Even patches with straight sides are looked for at several steepnesses of edge. Three neighbours at
right angles span a grid, which grows to all patches on it. Each 6 x 4 part of the grid, each way
round, is held against the chart's published exposures through a curve and any 3x3 matrix: on a
chart they account for over 0.96 of the densities, on tiles of any colours for 0.6 at most, so no
film need be known. A grey card is even, and what varies on it is grain, another in each channel;
what varies in all channels at the same places is a pattern.

The door is wide because chart, card and wedge are three things to look for in the same picture.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
