"""Pictures and their metadata on the disk, whole or not at all.

In: bands of codes (n, w, 3) and `FrameMetadata`. Out: TIFF, JPEG, PNG and XMP files.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
