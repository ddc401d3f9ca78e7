"""A strip over which another one lies, as the film model draws both."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.settings.settings import Settings
from pipeline.survey.scan import survey_scan
from tests.film_model import Holder, random_plan, write_scan


def test_pictures_where_strips_cross_are_doubted_and_it_is_told(tmp_path):
    plan = random_plan(np.random.default_rng(5), "135", 4)
    bare = Holder(opaque=False, border_mm=30.0)
    scan = replace(plan, holder=bare, scanner="scanner-a", turn_deg=0, gains=(1.0, 1.0, 1.0)).scan(
        150.0
    )
    height, width = scan.codes.shape[:2]
    gate = np.asarray(scan.truth["scanner"]["open_gate"])
    light = scan.codes / (65535 * gate)
    middle = (width / 2, height / 2)
    turned = cv2.getRotationMatrix2D(middle, 80.0, 1.0)
    turned[0, 2] += 0.2 * width
    over = cv2.warpAffine(light, turned, (width, height), borderValue=(1.0, 1.0, 1.0))
    codes = np.rint(65535 * gate * light * over).astype(np.uint16)
    path = Path(write_scan(tmp_path, "crossed", replace(scan, codes=codes)))
    found = survey_scan(path, Settings())
    assert any("lies across a strip" in note for note in found.notes)
    both = ((over < 0.95) & (light < 0.95)).all(axis=2)
    covered = 0
    for frame in found.strips[0].frames:
        plane = np.zeros((height, width), np.uint8)
        cv2.fillPoly(plane, [np.round(frame.outline).astype(np.int32)], 1)
        if both[plane > 0].mean() > 0.1:
            covered += 1
            assert frame.confidence <= 0.5
    assert covered
    assert max(frame.confidence for frame in found.strips[0].frames) > 0.9
