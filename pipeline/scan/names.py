"""Names of files that may be scans; apart from what reads them, which takes long to load."""

from pathlib import Path

PICTURE_SUFFIXES = frozenset({
    ".avif", ".bmp", ".heic", ".heif", ".hif", ".j2k", ".jp2", ".jpf", ".jpx", ".jxl", ".webp",
})  # fmt: skip
RAW_SUFFIXES = frozenset({
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dng", ".erf", ".fff", ".iiq", ".kdc", ".mef", ".mos",
    ".mrw", ".nef", ".nrw", ".orf", ".pef", ".raf", ".raw", ".rw2", ".rwl", ".sr2", ".srf", ".srw",
})  # fmt: skip
_USUAL_SUFFIXES = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg"})
SCAN_SUFFIXES = _USUAL_SUFFIXES | PICTURE_SUFFIXES | RAW_SUFFIXES


def is_scan_name(path: Path) -> bool:
    """Tell by its name whether a file may be a scan; hidden and temporary files are not."""
    name = path.name
    if name.startswith((".", "~", "_tmp")) or name.endswith("~"):
        return False
    return path.suffix.lower() in SCAN_SUFFIXES
