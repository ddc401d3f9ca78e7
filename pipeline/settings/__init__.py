"""What the user asks of a roll.

In: `roll.toml` and the command's options. Out: `Settings` (stops, densities, mm, pixels),
`RollNotes` with corrections of frames, and the `Roll` with its scans as paths.

The door is wide because the command takes the lists of choices that its options offer.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
