"""What the densities of a roll are.

In: surveyed strips and the roll's colour. Out: densities of strips and roll with standard errors,
the film's characteristic curve (density against log10 exposure), contrast, speed.

The edge print was exposed at the factory, so its density goes with development alone. Light-struck
film has the highest density, where a plateau runs from edge to edge. Every figure has a standard
error: scatter, blur, pixels, and what is not known of the scanner's dark level. Contrast is
measured only where a curve is: a wedge, a bracketed card, a chart. Without one it is a guess with
an interval for nine rolls in ten.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
