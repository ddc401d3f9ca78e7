"""A film model that makes test scans: scene, film, process, holder, scanner, and what is true.

It shares no code with the product, so that the two can be held against each other.
"""

from .assemble import ModelScan, make_scan
from .crop import crop_scan
from .glass import Glass, Veil, random_glass
from .holder import Holder
from .plan import Plan
from .random_roll import cut_roll, random_roll, scan_strips
from .random_strip import (
    random_camera,
    random_faded,
    random_holder,
    random_leaks,
    random_plan,
    random_scanner,
    random_strip,
    spaced,
    usual_gap_mm,
)
from .roll import Camera, FrameSpec, LightLeak, Roll, StripSpec, lay_out
from .scan_file import write_scan
from .scanner import load_scanner, scanner_names
from .scene import Scene, scene_light, scene_names
from .scratches import Scratch, random_scratches
from .stock import Process, film_names, load_film

__all__ = [
    "Camera",
    "FrameSpec",
    "Glass",
    "Holder",
    "LightLeak",
    "ModelScan",
    "Plan",
    "Process",
    "Roll",
    "Scene",
    "Scratch",
    "StripSpec",
    "Veil",
    "crop_scan",
    "cut_roll",
    "film_names",
    "lay_out",
    "load_film",
    "load_scanner",
    "make_scan",
    "random_camera",
    "random_faded",
    "random_glass",
    "random_holder",
    "random_leaks",
    "random_plan",
    "random_roll",
    "random_scanner",
    "random_scratches",
    "random_strip",
    "scan_strips",
    "scanner_names",
    "scene_light",
    "scene_names",
    "spaced",
    "usual_gap_mm",
    "write_scan",
]
