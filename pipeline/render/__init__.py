"""From light to pixels, in bands.

In: a scan, an outline (scan pixels), the base over it and a `RollColour`. Out: bands of linear
ACEScg float32 planes, then codes of 8 or 16 bits; negatives as scanned.

A frame is read in slabs of two megabytes and goes in bands of 16 rows through straightening (an
8-tap sinc in two passes, also of a picture seen aslant), colour and the reduced share picture.
Nothing of its size is held but the share picture. Loops are compiled, over dense arrays and places
(`compiled.index`). The print tone is one curve for the roll, taken on the greatest and the least
channel of the working space; the middle one keeps most of its place between them, so hues hold.
What lies outside the output space is drawn in along its own hue. Density that a scan's codes or
its noise do not resolve is told in part by the channels that are better known (`coarse`).
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
