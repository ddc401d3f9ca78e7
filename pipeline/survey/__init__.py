"""One scan surveyed: all that is found in it, never more than small pictures.

In: a path, the settings, what is known of the camera's habit. Out: `ScanSurvey`: strips, frames
(outline in scan pixels), samples (n, 3) and a small picture of densities above base for each.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
