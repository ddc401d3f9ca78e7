"""What the densities say of exposure, development and film.

In: densities of a surveyed roll, a record, or readings. Out: findings with confidence 0 to 1, most
likely first.

`signs` takes some 25 figures of a roll. `model` knows their means as polynomials of exposure and
of a fault's degree, and their covariance in two parts, that of films and scanners and that of what
was photographed. It weighs a grid of hypotheses by Bayes' theorem; signs not in view drop out. The
numbers are in `profiles/fault_signs.toml`, fitted by `python -m tests.fitted.diagnosis`. With an
aim the film's own part is taken from a good roll.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
