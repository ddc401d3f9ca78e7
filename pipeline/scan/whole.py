"""Pictures that are decoded whole: what their formats have in common."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from pipeline.kinds import Codes, Span
from pipeline.scan.container import (
    Container,
    OfColour,
    Opened,
    Page,
    Reader,
    broken,
    check_colour,
    check_decoded,
    check_dimensions,
    guarded,
    in_turn,
)
from pipeline.scan.encoding import Encoding
from pipeline.scan.tags import exif_tags, with_tags

OTHER_PICTURE = "is not the picture it says it is"


class WholeReader(OfColour):
    """Windows of a decoded picture."""

    def __init__(self, codes: Codes) -> None:
        self._codes = codes

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return np.ascontiguousarray(self._codes[slice(*rows), slice(*columns)])


class PictureReader(OfColour):
    """Windows of a picture as its library holds it, which is copied a window at a time."""

    def __init__(self, picture: Image.Image) -> None:
        self._picture = picture

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return np.array(self._picture.crop((columns[0], rows[0], columns[1], rows[1])))


def whole(decode: Callable[[Path, Page], Reader]) -> Opened:
    """Return how pictures are opened that are decoded in one piece.

    In order, only one large one is decoded and held at a time.
    """

    @contextmanager
    @wraps(decode)
    def opened(path: Path, page: Page, in_order: bool = False) -> Iterator[Reader]:
        with in_turn(page.held_bytes if in_order else 0):
            with guarded(path):
                reader = decode(path, page)
            yield reader

    return opened


def whole_reader(path: Path, page: Page, codes: Codes) -> WholeReader:
    """Return the reader of codes (rows, columns, 3 or 4), or raise if they aren't the page's."""
    if codes.shape[:2] != (page.height, page.width) or codes.shape[2] < 3:
        raise broken(path, OTHER_PICTURE)
    # The compiled loops take no arrays that can't be written to.
    return WholeReader(np.require(codes[..., :3], requirements=["W"]))


def page_of(
    path: Path,
    container: Container,
    size: tuple[int, int],
    info: dict[Any, Any],
    bits: int,
    channels: int,
    own: Encoding | None,
    notes: tuple[str, ...] = (),
    held_bytes: int = 0,
) -> Page:
    """Describe a picture that is opened but not decoded.

    `held_bytes` are those that decoding holds, where they are not as usual in its container.
    """
    check_colour(path, channels)
    width, height = size
    wanted = width * height * channels * bits // 8
    check_dimensions(path, width, height, path.stat().st_size, wanted)
    held = held_bytes or round(container.held * width * height * channels * -(-bits // 8))
    notes += check_decoded(path, held)
    page = Page(container, width, height, bits, channels, (height, width), held, notes=notes)
    tags = exif_tags(info.get("exif", b""))
    return with_tags(page, tags, info.get("icc_profile"), own, info.get("dpi"))
