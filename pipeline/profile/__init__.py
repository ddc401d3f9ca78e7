"""What is known beforehand: films, film sizes, scanners and colour spaces.

In: the TOML files of `profiles/`, by name. Out: films (slopes as density a decade of exposure,
3x3 matrices, base density), film and frame sizes (mm), scanners (3x3 matrices to Status M),
colour spaces and their ICC profiles.

The door is wide because all rooms take from this shelf, each a few names: what describes a film,
a format, a scanner or a space is four kinds of thing that have one reader and one folder.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
