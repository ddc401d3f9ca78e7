"""A film model that makes test scans: scene, film, process, holder, scanner, and what is true.

It shares no code with the product, so that the two can be held against each other.
"""

from .assemble import ModelScan, make_scan
from .holder import Holder
from .random_roll import cut_roll, random_roll, scan_strips
from .roll import Camera, FrameSpec, LightLeak, Roll, StripSpec, lay_out
from .scan_file import write_scan
from .scanner import load_scanner, scanner_names
from .scene import Scene, scene_light, scene_names
from .stock import Process, film_names, load_film

__all__ = [
    "Camera",
    "FrameSpec",
    "Holder",
    "LightLeak",
    "ModelScan",
    "Process",
    "Roll",
    "Scene",
    "StripSpec",
    "cut_roll",
    "film_names",
    "lay_out",
    "load_film",
    "load_scanner",
    "make_scan",
    "random_roll",
    "scan_strips",
    "scanner_names",
    "scene_light",
    "scene_names",
    "write_scan",
]
