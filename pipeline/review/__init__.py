"""One roll looked over and put right in a browser on this machine.

In: what reads the roll's notes anew, its output folder, an executor. Out: a server of one page.

Every correction goes into roll.toml as text, where the command line finds it too; nothing else is
kept but the steps, to be undone (`history.py`). The roll is then surveyed anew as the command does
it, with surveys remembered (`remembering.py`), so that page and command cannot differ. Pictures of
screen size are made of the layers' exposures, kept in memory: a change of tone costs a matrix and a
curve. Requests pass a guard: one token, one host, one origin, bounded bodies.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
