"""The scale of a strip and its kind of film."""

from dataclasses import dataclass

from pipeline.profile import FilmSize, film_sizes

_WIDTH_SLACK_MM = 1.4
_SAME_WIDTH_MM = 0.8
_TAG_TOLERANCE = 0.01
_LONG_STRIP = 4.6
_HIDDEN_REBATE_MM = 1.0


@dataclass(frozen=True)
class FilmScale:
    """Pixels a millimetre, where they come from, and the kind of film."""

    px_per_mm: float
    scale_from: str
    film: FilmSize


def film_scale(
    told_px_per_mm: float | None,
    told_by: str,
    width_px: float,
    length_px: float,
    both_edges: bool,
    pitch_px: float | None,
) -> FilmScale | None:
    """Return scale and kind of film, or None if a scale given by the user fits no film.

    Parameters
    ----------
    told_px_per_mm, told_by
        Scale from the file's tag ('tag') or the user ('option'), if there is one.
    width_px, length_px
        What shows of the strip across and along the film.
    both_edges
        Whether both film edges are in view.
    pitch_px
        Pitch of the perforations, if they are in view.

    Notes
    -----
    Perforations stand 4.750 mm apart (ISO 1007) and film shrinks by less than 0.3 %: a tag that
    differs by more than 1 % is wrong, one that differs less may round and is kept.
    """
    sizes = film_sizes()
    narrow, wide = sizes["135"], sizes["120"]
    if told_px_per_mm is not None and told_by == "option":
        film = _fitting(width_px / told_px_per_mm, both_edges, pitch_px is not None)
        return None if film is None else FilmScale(told_px_per_mm, told_by, film)
    if pitch_px is not None:
        seen = pitch_px / (narrow.perforation_pitch_mm or 1.0)
        if told_px_per_mm is not None and abs(told_px_per_mm / seen - 1) <= _TAG_TOLERANCE:
            return FilmScale(told_px_per_mm, told_by, narrow)
        return FilmScale(seen, "perforations", narrow)
    if told_px_per_mm is not None:
        film = _fitting(width_px / told_px_per_mm, both_edges, False)
        if film is not None:
            return FilmScale(told_px_per_mm, told_by, film)
    # Both edges of 135 film in view show its perforations, too.
    if both_edges or length_px < _LONG_STRIP * width_px:
        return FilmScale(width_px / wide.width_mm, "guess", wide)
    return FilmScale(width_px / (narrow.image_across_mm + _HIDDEN_REBATE_MM), "guess", narrow)


def _fitting(width_mm: float, both_edges: bool, perforated: bool) -> FilmSize | None:
    """Return the kind of film that may show so much of its width."""
    for film in film_sizes().values():
        if perforated and film.perforation_pitch_mm is None:
            continue
        least = film.width_mm - _SAME_WIDTH_MM if both_edges else film.least_visible_mm
        if least <= width_mm <= film.width_mm + _WIDTH_SLACK_MM:
            return film
    return _fitting(width_mm, False, perforated) if both_edges else None
