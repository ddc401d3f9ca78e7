"""The barcode on the edge of 135 film: its layout, its bits, its numbers."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.kinds import Bits, Mask
from pipeline.profile import shipped


@dataclass(frozen=True)
class EdgeFormat:
    """Where the print stands on the rebate and how a code is laid out.

    Lengths are in mm. `clock` and `data` hold one character a module, 1 for a dense bar; in
    `data`, the letters p, g, f, h and x stand for the bits of product, generation, frame, half
    frame and parity; `clock_without_number` and `data_without_number` are those of print that names
    the film only. `names` holds the frame values that are printed as something else than two
    digits; values above `last_frame` come before 0. `centre_after_code` is in frames, for pictures
    that are numbered in whole frames and in half frames.
    """

    width_mm: float
    perforation_from_edge_mm: float
    pitch_mm: float
    codes_per_frame: int
    module_mm: tuple[float, float]
    clock: str
    data: str
    clock_without_number: str
    data_without_number: str
    last_frame: int
    names: tuple[tuple[int, str], ...]
    centre_after_code: tuple[float, float]

    @property
    def frame_values(self) -> int:
        """Return how many frame values the code can hold."""
        return int(2 ** self.data.count("f"))

    @property
    def steps(self) -> int:
        """Return how many numbers in steps of one code there are; 1 where codes hold none."""
        return int(2 ** sum(self.data.count(letter) for letter in "fh"))

    @property
    def numbered(self) -> bool:
        """Tell whether codes hold a frame number."""
        return "f" in self.data

    def without_number(self) -> "EdgeFormat":
        """Return the layout of print that names the film only."""
        return replace(self, clock=self.clock_without_number, data=self.data_without_number)


@cache
def load_edge_format() -> EdgeFormat:
    """Return the layout of the edge print, from profiles/formats/135-edge.toml."""
    told = shipped("formats/135-edge.toml")
    film, code, picture = told["film"], told["code"], told["picture"]
    low, high = code["module_mm"]
    return EdgeFormat(
        width_mm=film["width_mm"],
        perforation_from_edge_mm=film["perforation_from_edge_mm"],
        pitch_mm=code["pitch_mm"],
        codes_per_frame=code["codes_per_frame"],
        module_mm=(low, high),
        clock=code["clock"],
        data=code["data"],
        clock_without_number=code["without_number"]["clock"],
        data_without_number=code["without_number"]["data"],
        last_frame=code["last_frame"],
        names=tuple((int(value), name) for value, name in code["names"].items()),
        centre_after_code=(picture["centre_after_code"], picture["centre_after_code_half"]),
    )


def bits_of(track: str) -> Bits:
    """Return a track written in 0 and 1 as bits, True for a dense bar."""
    return np.array([bit == "1" for bit in track])


def field(layout: EdgeFormat, letter: str) -> NDArray[np.intp]:
    """Return the places of a field's bits in the data track, most significant first."""
    return np.array([k for k, sign in enumerate(layout.data) if sign == letter], dtype=np.intp)


def encode(layout: EdgeFormat, product: int, generation: int, step: int) -> Mask:
    """Return the data track of a code.

    `product` and `generation` are the parts of the film's code, 115 and 10 of 115-10. `step` is the
    frame number in half frames, 23 for 11A; counted on beyond the last value, it wraps, and layouts
    without a number leave it out.
    """
    values = {"p": product, "g": generation, "f": step % layout.steps // 2, "h": step % 2}
    bits = bits_of(layout.data)
    for letter, value in values.items():
        places = field(layout, letter)
        bits[places] = value >> np.arange(places.size)[::-1] & 1
    (parity,) = field(layout, "x")
    bits[parity] = np.logical_xor.reduce(bits[field(layout, "p")[0] : parity])
    return bits


def values_of(text: str) -> tuple[int, int, int]:
    """Return product, generation and number in steps of a code; the number is 0 without one."""
    film, _, frame = text.partition("/")
    product, generation = film.split("-")
    step = 2 * int(frame.removesuffix("A")) + frame.endswith("A") if frame else 0
    return int(product), int(generation), step


def code_text(layout: EdgeFormat, product: int, generation: int, step: int) -> str:
    """Return a code as zxing-cpp writes it, such as 115-10/11A; 00 is written 63, X is 62.

    Without a number it is 115-10.
    """
    if not layout.numbered:
        return f"{product}-{generation}"
    step %= layout.steps
    return f"{product}-{generation}/{step // 2}{'A' if step % 2 else ''}"


def position_of(layout: EdgeFormat, step: int) -> float:
    """Return the place of a code along the film, in frames; X and 00 are -2 and -1.

    Raises ValueError when codes of the layout hold no number.
    """
    if not layout.numbered:
        raise ValueError("codes of this layout hold no number")
    step %= layout.steps
    before_zero = step // 2 > layout.last_frame
    return step / 2 - (layout.frame_values if before_zero else 0)


def frame_name(layout: EdgeFormat, position: float) -> str | None:
    """Return the number as printed for a place along the film in frames.

    Half frames carry an A; None for a place that the film's edge doesn't number, before X and
    after the last frame value.
    """
    step = round(2 * position)
    if position_of(layout, step) * 2 != step:
        return None
    value = step // 2 % layout.frame_values
    return dict(layout.names).get(value, f"{value:02d}") + ("A" if step % 2 else "")
