import json
from itertools import chain
from pathlib import Path

from pipeline.review import shown

SCHEMA = json.loads((Path(__file__).parents[1] / "data" / "roll.schema.json").read_text("utf-8"))
# Of the count of frames nothing is seen in any one of them.
NOWHERE = {"normal", "frame-count"}


def test_every_finding_is_shown_where_it_is_read_from():
    codes = set(SCHEMA["$defs"]["finding"]["properties"]["code"]["enum"])
    assert set(chain(*shown._SEEN_IN.values())) == codes - NOWHERE
