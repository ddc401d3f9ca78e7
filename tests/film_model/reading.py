"""Reads model scans back with the help of their truth, for tests."""

from typing import Any

import cv2
import numpy as np
import zxingcpp

from .assemble import ModelScan
from .picture import decode_srgb
from .spectra import Floats


def strip_of(scan: ModelScan) -> dict[str, Any]:
    """Return the truth of a scan's first strip."""
    return scan.truth["strips"][0]


def light(scan: ModelScan) -> Floats:
    """Return light per channel, offset taken off, about 1 in the open gate."""
    scanner = scan.truth["scanner"]
    full = np.iinfo(scan.codes.dtype).max
    codes = scan.codes / full
    signal = decode_srgb(codes) if scanner["tone"] == "srgb" else codes ** scanner["gamma"]
    return (signal - np.array(scanner["offset"])) / np.array(scanner["open_gate"])


def straightened(scan: ModelScan, v0_mm: float, v1_mm: float, px_per_mm: float = 16.0) -> Floats:
    """Return the green light of a band of the strip, read with its edge text upright."""
    strip = strip_of(scan)
    corners = np.array(strip["outline"], np.float32)[[0, 1, 3]]
    length, width = strip["length_mm"], strip["film_width_mm"]
    target = np.array([[0, -v0_mm], [length, -v0_mm], [0, width - v0_mm]], np.float32) * px_per_mm
    matrix = cv2.getAffineTransform(corners, target - np.float32(0.5))
    size = (int(length * px_per_mm), int((v1_mm - v0_mm) * px_per_mm))
    return cv2.warpAffine(
        light(scan)[..., 1].astype(np.float32), matrix, size, flags=cv2.INTER_CUBIC
    )


def read_codes(scan: ModelScan) -> list[str]:
    """Return the texts zxing-cpp reads in the rebate below the perforations, in order.

    Its reader wants a clock track before a data track and starts in the middle row, so the crop is
    centred on the clock.
    """
    crop = straightened(scan, 32.9, 34.3, 32.0)
    low, high = np.percentile(crop, 3), np.median(crop)
    grey = (np.clip((crop - low) / (high - low), 0, 1) * 255).astype(np.uint8)
    found = zxingcpp.read_barcodes(grey, formats=zxingcpp.BarcodeFormat.DXFilmEdge)
    return [code.text for code in sorted(found, key=lambda code: code.position.top_left.x)]


def patch_densities(scan: ModelScan) -> Floats:
    """Return the mean density of each patch of a chart in the first frame, 24 x 3."""
    seen = light(scan)
    reach = round(0.8 * scan.ppi / 25.4)
    densities = []
    for patch in strip_of(scan)["frames"][0]["patches"]:
        x, y = (round(c) for c in patch["centre"])
        part = seen[y - reach : y + reach + 1, x - reach : x + reach + 1]
        densities.append(-np.log10(part.mean(axis=(0, 1))))
    return np.array(densities)


def centre_of(scan: ModelScan, frame: dict[str, Any]) -> Floats:
    """Return the light in the middle of a frame."""
    x, y = np.rint(np.mean(frame["outline"], axis=0)).astype(int)
    return light(scan)[y - 2 : y + 3, x - 2 : x + 3].mean(axis=(0, 1))
