"""One scan surveyed: all that is found in it, never more than small pictures.

A file that shows one picture, and neither film edge nor perforations against light, is a strip of
one frame: its base is that of the rebate beside it, of the roll's other files, or of a picture of
clear film. That serves a strip as well whose holder shows the pictures alone (`windows`).

In: a path, the settings, what is known of the camera's habit. Out: `ScanSurvey`: strips, frames
(outline in scan pixels), samples (n, 3) and a small picture of densities above base for each.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
