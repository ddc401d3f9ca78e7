"""What the densities say of exposure, development and film.

In: densities of a surveyed roll, a record, or readings. Out: findings with confidence 0 to 1, most
likely first.

`signs` takes some 25 figures of a roll. `response` is the physics: what film, scanner, user and a
fault make of them. `hypotheses` are what may be true, `fit` how well signs fit each where all that
isn't known may be off, `model` weighs them by Bayes' theorem; signs not in view drop out. The
numbers are in `profiles/fault_signs.toml`. A good roll as aim tells film and scanner, without
one base and edge print of the film's rolls in a log of chemistry do, and an aim of another film is
found out (`shown`, `model`). `finding` words what is likelier than not, and what
can't be told apart.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
