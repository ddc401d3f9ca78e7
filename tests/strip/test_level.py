"""Pieces of film that are laid level."""

import numpy as np

from pipeline.strip.level import Piece
from pipeline.strip.piece import film_areas, split_abreast
from pipeline.strip.surround import open_share
from tests.strip.test_surround import LEVELS


def test_a_part_of_a_piece_has_open_gate_where_its_neighbour_lies():
    film = np.zeros((120, 300), bool)
    film[10:80, 10:270] = True
    (area,) = film_areas(film, np.zeros_like(film))
    light = np.broadcast_to(np.asarray(LEVELS.base_light, np.float32), (*film.shape, 3))
    piece = Piece(area, light.copy(), np.zeros_like(film), LEVELS, (None, "tag"))
    upper, lower = split_abreast(area, 35.0)
    share = open_share(piece.cut_out(upper).light, LEVELS)
    assert share[lower.mask].min() > 0.99
    assert share[~lower.mask].max() < 0.01
