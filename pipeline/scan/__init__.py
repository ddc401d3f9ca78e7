"""A picture file as linear light.

In: a TIFF, PNG, JPEG, HEIF, AVIF, JPEG 2000, JPEG XL, WebP, BMP or camera raw file.
Out: its description, windows of codes (h, w, 3) or of
linear light float32 with 1.0 = full scale, and the small picture (`Proxy`, about 200 pixels per
inch of film) that surveys work on.

TIFF strips and tiles and tiles of JPEG 2000 are decoded as they are asked for, BMP is read as it
lies. JPEG, PNG and strips above 16 MB are decoded row by row, from the top down: best for who
promises to read them so (`opened(scan, in_order=True)`), as going back starts them again. Of
camera raw the mosaic is held and developed band by band, if it is the usual one of 2 x 2 pixels.
Other raw and pictures of phones and of the web are decoded whole, one at a time, and a JPEG in
several passes holds its coefficients; a note tells what that takes if it is more than 400 MB. It
may take half of the machine's memory; a file above 512 MB may not unfold more than 200 times.

The door is wide because readers of codes, of light and of small pictures each take their part.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
