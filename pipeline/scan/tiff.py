"""Pages of TIFF scans: which there are, what they say, and windows of them."""

import logging
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path

import tifffile

from pipeline.kinds import Codes, Span
from pipeline.problem import ScanProblem
from pipeline.scan.container import (
    Container,
    Page,
    broken,
    check_colour,
    check_dimensions,
    guarded,
    in_turn,
)
from pipeline.scan.encoding import linear
from pipeline.scan.tags import with_tags
from pipeline.scan.tiff_kind import LINEAR_RAW, MOSAIC, check_kind, needs_developing
from pipeline.scan.tiff_plane import Ifd, Plane, block_of, check_data

# Without a handler, Python prints the library's remarks on damaged files to stderr.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

_MOST_PAGES = 512
# NewSubfileType of TIFF 6.0, section 8: a reduced copy, or a mask of another picture.
_REDUCED_OR_MASK = 1 | 4
_GREYS = (0, 1)
# TIFF 6.0: none, LZW, JPEG, deflate (and its older number), packbits; LZMA and zstd, which
# tifffile writes. Of others, decoders take what memory a few bytes ask for.
_SCHEMES = (1, 5, 7, 8, 32773, 32946, 34925, 50000)
_ALPHA = (1, 2)
_TOLD = (
    "Make", "Model", "Software", "DateTime", "Orientation",
    "XResolution", "YResolution", "ResolutionUnit",
)  # fmt: skip
# A page with the shape of another and at most a quarter of its size is a reduced copy.
_COPY_SIZE, _COPY_SHAPE = 0.25, 0.02


def pages(path: Path) -> tuple[Page, ...]:
    """Describe every colour page of a TIFF, with the infra-red plane that goes with it.

    Reduced copies are passed over; a page of one channel that follows a colour page and has
    its size is taken for its infra-red plane.

    Raises
    ------
    ScanProblem
        The file is damaged or cut short, or holds no RGB page that can be read.
    """
    found: list[Page] = []
    grey = False
    with _file(path) as file, guarded(path):
        for directory, ifd in _directories(path, file):
            if ifd.subfiletype & _REDUCED_OR_MASK:
                continue
            if ifd.samplesperpixel == 1 and ifd.photometric in _GREYS:
                grey = True
                _add_infrared(path, found, directory, ifd)
            else:
                found.append(_describe(path, directory, ifd))
    if not found:
        if grey:
            check_colour(path, 1)
        raise broken(path, "holds no picture")
    return _without_copies(found)


def needs_no_developing(path: Path) -> bool:
    """Tell whether a TIFF holds light as it is, after DNG 1.7, chapter 3, or no raw at all."""
    with _file(path) as file, guarded(path):
        raw = [
            ifd
            for _, ifd in _directories(path, file)
            if ifd.photometric in (LINEAR_RAW, MOSAIC) and not ifd.subfiletype & _REDUCED_OR_MASK
        ]
        light = (ifd.photometric == LINEAR_RAW and not needs_developing(ifd) for ifd in raw)
        return not raw or any(light)


@contextmanager
def opened(path: Path, page: Page, in_order: bool = False) -> Iterator["TiffReader"]:
    """Open one page for reading windows; close the file at the end.

    `in_order` promises bands of rows from the top downwards, which take less memory.
    """
    with _file(path) as file:
        reader = TiffReader(path, page, file, in_order)
        with in_turn(reader.held_bytes if in_order else 0):
            yield reader


class TiffReader:
    """Windows of one open page; not to be shared by threads."""

    def __init__(
        self, path: Path, page: Page, file: tifffile.TiffFile, in_order: bool = False
    ) -> None:
        self._colour = _plane(path, file, page, page.directory, in_order)
        self._infrared, self._sample = self._colour, page.infrared_sample
        if page.infrared_directory is not None:
            self._infrared = _plane(path, file, page, page.infrared_directory, in_order)
            self._sample = 0

    @property
    def held_bytes(self) -> int:
        """Return the bytes that are decoded and held at once at the least."""
        return sum(plane.held_bytes for plane in {self._colour, self._infrared})

    def codes(self, rows: Span, columns: Span) -> Codes:
        """Return the code values of R, G and B, shape (rows, columns, 3)."""
        return self._colour.window(rows, columns, (0, 1, 2))

    def both(self, rows: Span, columns: Span) -> tuple[Codes, Codes]:
        """Return the codes of R, G and B and of the infra-red plane, decoding nothing twice."""
        if self._sample is None:
            raise ValueError("the page has no infra-red plane")
        if self._infrared is not self._colour:
            plane = self._infrared.window(rows, columns, (self._sample,))
            return self.codes(rows, columns), plane[..., 0]
        every = self._colour.window(rows, columns, (0, 1, 2, self._sample))
        return every[..., :3], every[..., 3]


_TIFF = Container(opened, in_parts=True, linear=True)


@contextmanager
def _file(path: Path) -> Iterator[tifffile.TiffFile]:
    """Open a TIFF; whatever goes wrong with it is a `ScanProblem`."""
    with ExitStack() as stack:
        with guarded(path):
            handle = stack.enter_context(path.open("rb"))
            file = stack.enter_context(tifffile.TiffFile(handle))
        yield file


def _directories(path: Path, file: tifffile.TiffFile) -> Iterator[tuple[tuple[int, ...], Ifd]]:
    """Yield the directories of the chain and of the sub-chains, each once.

    The chain is walked here since the library's own count runs on for ever in a circle.
    """
    seen: set[int] = set()
    for index in count():
        try:
            ifd: Ifd = file.pages[index]
        except IndexError:
            break
        if ifd.offset in seen or index >= _MOST_PAGES:
            raise broken(path, "has a chain of pages that runs in a circle")
        seen.add(ifd.offset)
        yield (index,), ifd
        for below, offset in enumerate((ifd.subifds or ())[:_MOST_PAGES]):
            if offset in seen:
                raise broken(path, "has a chain of pages that runs in a circle")
            yield (index, below), ifd.pages[below]
    _check_end(path, file)


def _check_end(path: Path, file: tifffile.TiffFile) -> None:
    """Raise if the chain of pages stops at a page that isn't there."""
    end = file.pages.next_page_offset
    if end is None:
        return
    file.filehandle.seek(end)
    if any(file.filehandle.read(file.tiff.offsetsize)):
        raise broken(path, "is cut short: a page it points to is missing")


def _plane(
    path: Path,
    file: tifffile.TiffFile,
    page: Page,
    directory: tuple[int, ...],
    in_order: bool,
) -> Plane:
    """Return the pixels of the directory at a place in the chain."""
    with guarded(path):
        ifd: Ifd = file.pages[directory[0]]
        for below in directory[1:]:
            ifd = ifd.pages[below]
        if (ifd.imagewidth, ifd.imagelength) != (page.width, page.height):
            raise ScanProblem(path, "has changed since it was looked at", "start again")
        return Plane(path, ifd, in_order)


def _describe(path: Path, directory: tuple[int, ...], ifd: Ifd) -> Page:
    """Describe one colour page, or raise if it can't be read."""
    check_kind(path, ifd)
    held = _check_stored(path, ifd)
    fourth = ifd.samplesperpixel == 4
    alpha = fourth and _extra(ifd) in _ALPHA
    page = Page(
        container=_TIFF,
        width=ifd.imagewidth,
        height=ifd.imagelength,
        bits=ifd.bitspersample,
        samples=ifd.samplesperpixel,
        block=block_of(ifd),
        floating=ifd.dtype.kind == "f",
        directory=directory,
        infrared_sample=3 if fourth and not alpha else None,
        infrared_bits=ifd.bitspersample,
        notes=held + (("its fourth channel is tagged as transparency: ignored",) if alpha else ()),
    )
    own = linear("container", "linear sensor light") if ifd.photometric == LINEAR_RAW else None
    exif = ifd.tags.valueof("ExifTag")
    tags = {tag.name: tag.value for tag in ifd.tags if tag.name in _TOLD}
    tags |= exif if isinstance(exif, dict) else {}
    return with_tags(page, tags, ifd.tags.valueof("InterColorProfile"), own)


def _check_stored(path: Path, ifd: Ifd) -> tuple[str, ...]:
    """Return notes on what pixels take, or raise if they can't be read or are not all there."""
    bits = ifd.bitspersample
    readable = isinstance(bits, int) and ifd.dtype is not None and ifd.imagedepth == 1
    if not readable or ifd.dtype.kind not in "uf" or (ifd.dtype.kind == "u" and bits > 16):
        raise ScanProblem(
            path,
            f"has samples of {bits} bits that are neither floats nor 1 to 16 bits without a sign",
            "save it as a TIFF of 16 bits without a sign",
        )
    if ifd.compression not in _SCHEMES:
        raise ScanProblem(
            path,
            f"is compressed in a way unknown here (scheme {int(ifd.compression)})",
            "save it uncompressed or with deflate",
        )
    wanted = ifd.imagewidth * ifd.imagelength * ifd.samplesperpixel * ifd.dtype.itemsize
    # Many strips or tiles may claim the same bytes.
    stored = min(sum(ifd.databytecounts), ifd.parent.filehandle.size)
    check_dimensions(path, ifd.imagewidth, ifd.imagelength, stored, wanted)
    return check_data(path, ifd, ifd.parent.filehandle.size)


def _add_infrared(path: Path, found: list[Page], directory: tuple[int, ...], ifd: Ifd) -> None:
    """Give a page of one channel to the last page of its size, as its infra-red plane."""
    size = (ifd.imagewidth, ifd.imagelength)
    fitting = [k for k, page in enumerate(found) if (page.width, page.height) == size]
    last = found[fitting[-1]] if fitting else None
    if last and last.infrared_directory is None and last.infrared_sample is None:
        _check_stored(path, ifd)
        found[fitting[-1]] = replace(
            last,
            block=block_of(ifd, last.block),
            infrared_directory=directory,
            infrared_bits=ifd.bitspersample,
        )
    elif found:
        note = f"its page {directory[0] + 1} has one channel and goes with no picture: ignored"
        found[-1] = replace(found[-1], notes=(*found[-1].notes, note))


def _without_copies(found: list[Page]) -> tuple[Page, ...]:
    """Drop small pages with the shape of the largest, which are copies to look at."""
    largest = max(found, key=lambda page: page.width * page.height)
    return tuple(page for page in found if not _is_copy(page, largest))


def _is_copy(page: Page, largest: Page) -> bool:
    """Tell whether a page is a reduced copy by its size and shape."""
    skew = abs(page.width * largest.height - page.height * largest.width)
    # Reducing rounds each side to whole pixels.
    rounding = largest.width + largest.height
    same_shape = skew <= max(_COPY_SHAPE * page.height * largest.width, rounding)
    return same_shape and page.width <= _COPY_SIZE * largest.width


def _extra(ifd: Ifd) -> int:
    """Return what the fourth sample is said to be; 0, unspecified, where nothing is said."""
    value = ifd.tags.valueof(338, 0)
    return int(value[0] if isinstance(value, tuple) else value)
