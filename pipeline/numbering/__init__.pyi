from .corrections import Recut as Recut
from .corrections import recut as recut
from .numbers import FrameNumber as FrameNumber
from .numbers import film_code as film_code
from .numbers import in_film_order as in_film_order
from .numbers import number_roll as number_roll
from .numbers import with_roll_numbers as with_roll_numbers
from .twice import film_notes as film_notes
