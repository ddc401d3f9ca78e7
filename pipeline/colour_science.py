"""The colour-science library, imported where it is used, for it takes long to load."""

import warnings
from functools import cache
from types import ModuleType


@cache
def colour_science() -> ModuleType:
    """Return the library, without its warning that it can't draw without a plotting library."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    module: ModuleType = colour
    return module
