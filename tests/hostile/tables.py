"""Tables of readings, logs of batches and records of rolls, mutated: cells, lines, values."""

import copy
import json
import random
from typing import Any

READINGS_CSV = """\
date,batch,strip,patch,red,green,blue,log exposure
,,aim,D-min,0.23,0.62,0.90,
,,aim,LD,0.70,1.10,1.39,
,,aim,HD,1.58,2.04,2.43,
2025-05-03T18:30,spring,1,D-min,0.24,0.63,0.91,
2025-05-03T18:30,spring,1,LD,0.72,1.13,1.42,
2025-05-03T18:30,spring,1,HD,1.62,2.09,2.50,
2025-05-03T18:30,spring,1,yellow,,,2.75,
17.05.2025,spring,2,D-min,0.26,0.65,0.94,
17.05.2025,spring,2,LD,0.78,1.20,1.49,
17.05.2025,spring,2,HD,1.70,2.21,2.62,
,,7,edge print,0.80,1.25,1.60,
,,7,base,0.22,0.60,0.88,
,,w,step 1,0.25,0.65,0.92,-3.0
,,w,step 2,0.30,0.70,1.00,-2.5
,,w,step 3,0.55,0.98,1.30,-2.0
,,w,step 4,0.85,1.30,1.65,-1.5
,,w,step 5,1.15,1.62,2.00,-1.0
,,w,step 6,1.45,1.94,2.35,-0.5
"""
AIM_CSV = """\
strip;patch;red;green;blue
reference;D-min;0,23;0,62;0,90
reference;LD;0,70;1,10;1,39
reference;HD;1,58;2,04;2,43
reference;edge print;0,80;1,25;1,60
"""
LOG_CSV = """\
kind,batch,roll,mixed,volume_ml,life_rolls,life_days,temperature_c,time_s,developed,film,\
edge_print_red,edge_print_green,edge_print_blue,notes
batch,spring,,2025-05-03,1000,16,60,38,195,,,,,,"powder, water"
roll,spring,1,,,,,38,195,2025-05-04,colour 200,0.80,1.25,1.60,
roll,spring,2,,,,,38,200,2025-05-11,colour 200,0.79,1.24,1.58,
roll,spring,3,,,,,38,205,2025-05-18,colour 200,0.77,1.21,1.55,
roll,spring,4,,,,,38,210,2025-05-25,colour 200,0.76,1.20,1.53,
"""
_EVIL_CELLS = (
    "nan", "inf", "-inf", "1e400", "-1e308", "1e308", "-1", "0", "1e-320", "9" * 400, "", " ",
    "0,5", "1.234,5", "--", '"', '"""', "a\nb", "\0", "\x1b[2J", "\u202e", "=1+1", "<b>&amp;",
    "step 99999999999999999999", "step", "aim", "LD", "yellow", "2025-02-30", "0000-00-00",
    "9999-12-31T23:59:59.999999", "31.12.9999", "0001-01-01", "x" * 5000, "../..", "/dev/zero",
    "½", "٣", "1_0", "0x10", "true", "3:75", "99:99:99", "batch", "roll", "spot", "wedge",
)  # fmt: skip
_EVIL_VALUES: tuple[Any, ...] = (
    None, True, 0, -1, 1e308, -1e308, 1e-320, float("nan"), float("inf"), 10**400, "", "x" * 3000,
    "\x1b[2J", "\0", "\ud800", "../../x", "/dev/zero", "<script>", [], {}, [[]], [1, 2], [None] * 3,
    {"a": {"b": []}}, [1e308] * 3, [[1, 2], [3]], "2025-02-30", "nan", 2**63, -(2**63), 0.5,
)  # fmt: skip


def cells_changed(text: str, dice: random.Random) -> bytes:
    """Put nonsense into a table: cells, columns, lines, separators, the coding of its text."""
    lines = text.splitlines()
    comma = ";" if ";" in lines[0] else ","
    for _ in range(dice.choice((1, 1, 1, 2, 5))):
        at, kind = dice.randrange(len(lines)), dice.randrange(10)
        cells = lines[at].split(comma)
        if kind < 5:
            cells[dice.randrange(len(cells))] = dice.choice(_EVIL_CELLS)
        elif kind == 5:
            cells = cells[: dice.randrange(len(cells) + 1)]
        elif kind == 6:
            cells += [dice.choice(_EVIL_CELLS)] * dice.choice((1, 2, 2000))
        lines[at] = comma.join(cells)
        if kind == 7:
            lines.insert(at, lines[dice.randrange(len(lines))])
        elif kind == 8 and len(lines) > 1:
            del lines[at]
        elif kind == 9:
            lines[at:at] = [lines[at]] * dice.choice((2, 3000))
    coding = dice.choice(("utf-8",) * 6 + ("utf-16", "utf-8-sig", "latin-1", "cp037"))
    return dice.choice(("\n", "\n", "\r\n", "\r")).join(lines).encode(coding, "replace")


def _places(value: Any, found: list[tuple[Any, Any]]) -> list[tuple[Any, Any]]:
    """Return containers and keys of all that a document holds."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value)
    for key, part in list(pairs):
        found.append((value, key))
        if isinstance(part, dict | list):
            _places(part, found)
    return found


def values_changed(text: str, dice: random.Random) -> bytes:
    """Put nonsense into a JSON document: other values, keys gone, parts at other places."""
    document = json.loads(text)
    for _ in range(dice.choice((1, 1, 1, 2, 6))):
        places = _places(document, [])
        if not places:
            break
        holder, key = dice.choice(places)
        kind = dice.randrange(6)
        if kind < 4:
            holder[key] = copy.deepcopy(dice.choice(_EVIL_VALUES))
        elif kind == 4:
            del holder[key]
        else:
            other, name = dice.choice(places)
            holder[key] = copy.deepcopy(other[name])
    if dice.random() < 0.05:
        return b"[" * 100_000
    return json.dumps(document).encode()
