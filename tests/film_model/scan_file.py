"""Writes scans as TIFF, with their truth beside them as JSON."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from .assemble import ModelScan
from .icc import gamma_profile, srgb_profile
from .scanner import Scanner


def write_scan(
    folder: Path | str, name: str, scan: ModelScan, truth: bool = True, infrared_page: bool = False
) -> Path:
    """Write NAME.tif (deflate, predictor, resolution tags) and NAME.truth.json; return the TIFF.

    Scans with a gamma or the curve of sRGB carry a profile that says so; an infra-red plane is
    written as a fourth, unspecified sample, or as a second page.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.tif"
    codes, extra = scan.codes, None
    if scan.infrared is not None and not infrared_page:
        codes, extra = np.dstack([codes, scan.infrared]), [0]
    options: dict[str, Any] = {
        "compression": "zlib",
        "compressionargs": {"level": 9},
        "predictor": True,
        "resolution": (scan.ppi, scan.ppi),
        "resolutionunit": "INCH",
        "rowsperstrip": 64,
        "metadata": None,
        "software": False,
    }
    with tifffile.TiffWriter(path) as file:
        file.write(
            codes,
            photometric="rgb",
            planarconfig="contig",
            iccprofile=_profile(scan.scanner),
            extrasamples=extra,
            **options,
        )
        if scan.infrared is not None and infrared_page:
            file.write(scan.infrared, photometric="minisblack", **options)
    if truth:
        text = json.dumps({"scan": path.name, **scan.truth}, indent=1)
        (folder / f"{name}.truth.json").write_text(text + "\n", encoding="utf-8")
    return path


def _profile(scanner: Scanner) -> bytes | None:
    if scanner.tone == "srgb":
        return srgb_profile()
    return None if scanner.gamma == 1.0 else gamma_profile(scanner.gamma)
