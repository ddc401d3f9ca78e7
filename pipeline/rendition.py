"""What the pictures of a roll are to be like: look, tone, levels, and the form of their files."""

from dataclasses import dataclass

from pipeline.look import Levels
from pipeline.print_tone import PrintTone
from pipeline.settings import Settings
from pipeline.space import Space, find_space


@dataclass(frozen=True)
class Rendition:
    """What all pictures of a roll are to be like.

    `tone` is the roll's as far as the user's levels leave it; sizes are pixels of the longer side,
    None as scanned; `share` is the format of pictures to share.
    """

    look: str
    levels: Levels
    tone: PrintTone
    archive_space: str
    archive_packing: str
    archive_size: int | None
    share: str
    share_quality: int
    share_size: int | None

    def archive_form(self) -> tuple[Space, str]:
        """Return the space of archive files and the type of their samples."""
        if self.look == "linear":
            return find_space("acescg"), "float32"
        if self.look == "log":
            return find_space("acescct"), "uint16"
        return find_space(self.archive_space), "uint16"


def rendition_of(settings: Settings, tone: PrintTone) -> Rendition:
    """Return what a roll's pictures are to be like by the user's settings and the roll's tone.

    Where the user gives a black or white point, it overrules the tone.
    """
    plain, none = PrintTone(), Levels()
    return Rendition(
        look=settings.look,
        levels=Levels(settings.black or none.black, settings.white or none.white, settings.gamma),
        tone=PrintTone(
            tone.contrast if settings.white is None else plain.contrast,
            tone.black if settings.black is None else plain.black,
        ),
        archive_space=settings.archive_space,
        archive_packing=settings.archive_packing,
        archive_size=settings.archive_size,
        share=settings.share,
        share_quality=settings.share_quality,
        share_size=settings.share_size,
    )
