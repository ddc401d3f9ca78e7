"""The sample roll: `python -m tests.film_model.sample_roll FOLDER [TRUTH.json]`."""

import json
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from .assemble import ModelScan, make_scan
from .holder import Holder
from .roll import Camera, FrameSpec, Roll, StripSpec
from .scan_file import write_scan
from .scanner import load_scanner
from .scene import Scene

Plan = dict[str, Any]
OF_DEVICE = ("bits", "gamma", "full_well", "blur_mm")


def load_plan() -> Plan:
    """Return the plan in sample_roll.toml."""
    path = Path(__file__).parent / "sample_roll.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def planned_roll(plan: Plan) -> Roll:
    """Return the roll of a plan."""
    film = dict(plan["film"])
    camera = Camera(**film.pop("camera"))
    name = film.pop("name")
    return Roll(name, tuple(_frame(row) for row in plan["frames"]), camera=camera, **film)


def _frame(row: Plan) -> FrameSpec:
    row = dict(row)
    stops, light = row.pop("stops", 0.0), row.pop("light", "D55")
    kind = row.pop("kind", "picture")
    for key in ("crop", "tint"):
        if key in row:
            row[key] = tuple(row[key])
    scene = Scene(row.pop("scene"), **row) if "scene" in row else "grey"
    return FrameSpec(scene, stops, kind, light)


def planned_strips(plan: Plan) -> list[StripSpec]:
    """Return the roll's strips in order."""
    roll, strips, first = planned_roll(plan), [], 0
    for row in plan["strips"]:
        strips.append(StripSpec(roll, first, row["frames"], row["angle_deg"]))
        first += row["frames"]
    return strips


def sample_scans(plan: Plan) -> Iterator[ModelScan]:
    """Yield the scans of the plan, one a strip."""
    for index in range(len(plan["strips"])):
        yield sample_scan(plan, index)


def sample_scan(plan: Plan, index: int) -> ModelScan:
    """Return the scan of one strip."""
    row = plan["strips"][index]
    scanner = plan["scanner"] | {key: row[key] for key in plan["scanner"] if key in row}
    device = replace(load_scanner(scanner["name"]), **{key: scanner[key] for key in OF_DEVICE})
    holder = Holder(
        window_margin_mm=scanner["window_margin_mm"],
        end_margin_mm=scanner["end_margin_mm"],
        border_mm=scanner["border_mm"],
    )
    return make_scan(
        [planned_strips(plan)[index]],
        device,
        scanner["ppi"],
        plan["film"]["seed"] + index,
        tuple(row["gains"]),
        holder,
        dust_count=scanner["dust_count"],
    )


def record_text(plan: Plan) -> str:
    """Return the roll's record as TOML."""
    plain = {key: value for key, value in plan["record"].items() if key != "batch"}
    lines = [f"{key} = {json.dumps(value)}" for key, value in plain.items()]
    batch = [f"{key} = {json.dumps(value)}" for key, value in plan["record"]["batch"].items()]
    return "\n".join([*lines, "", "[batch]", *batch]) + "\n"


def write_sample(folder: Path, truth_path: Path | None = None) -> None:
    """Write scans and record to a folder; truths go to one file elsewhere, if asked."""
    plan = load_plan()
    truths = {}
    for index, scan in enumerate(sample_scans(plan), start=1):
        path = write_scan(folder, f"strip-{index}", scan, truth=False)
        truths[path.name] = scan.truth
    (folder / "roll.toml").write_text(record_text(plan), encoding="utf-8")
    if truth_path:
        text = json.dumps(truths, separators=(",", ":"))
        truth_path.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_sample(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None)
