"""Strips or tiles that are decoded apart, and windows put together of them."""

from collections.abc import Callable

from pipeline.kinds import Codes, Span

Decode = Callable[[int], Codes]
"""Returns a piece by its number, shape (rows, columns, samples)."""


class Pieces:
    """Pieces of a picture, of which only those that a window touches are decoded.

    Those that reach out of it at its top or bottom are kept for the next, so that bands read in
    order decode each of them once. It doesn't hold its reader, which holds it: else what is kept
    would stay, of every scan that was read, until Python looks for garbage.

    Parameters
    ----------
    size, across
        Rows and columns of a piece, and how many lie side by side.
    in_order
        Promises bands from the top downwards: then those at its top are given back.
    """

    def __init__(self, size: Span, across: int, in_order: bool) -> None:
        self._size, self._across, self._in_order = size, across, in_order
        self._before: dict[int, Codes] = {}
        self._kept: dict[int, Codes] = {}

    def begin(self) -> None:
        """Begin another window."""
        self._before, self._kept = self._kept, {}

    def fill(self, codes: Codes, rows: Span, columns: Span, decode: Decode, first: int = 0) -> None:
        """Fill a window from the pieces whose numbers start at `first`."""
        high, wide = self._size
        for down in range(rows[0] // high, -(-rows[1] // high)):
            for along in range(columns[0] // wide, -(-columns[1] // wide)):
                number = first + down * self._across + along
                # Taken out, so that a row of them that is done with is given back before the next.
                piece = self._before.pop(number, None)
                piece = decode(number) if piece is None else piece
                above = down * high < rows[0] and not self._in_order
                if (down + 1) * high > rows[1] or above:
                    self._kept[number] = piece
                _paste(codes, piece, (rows[0], columns[0]), (down * high, along * wide))


def _paste(codes: Codes, piece: Codes, corner: Span, place: Span) -> None:
    """Copy the part of a piece at `place` that a window at `corner` covers."""
    top, left = max(corner[0], place[0]), max(corner[1], place[1])
    bottom = min(corner[0] + codes.shape[0], place[0] + piece.shape[0])
    right = min(corner[1] + codes.shape[1], place[1] + piece.shape[1])
    codes[top - corner[0] : bottom - corner[0], left - corner[1] : right - corner[1]] = piece[
        top - place[0] : bottom - place[0], left - place[1] : right - place[1]
    ]
