import numpy as np
import pytest

from pipeline.fault_table import CODES, QUANTITIES, fault_table, read_faults
from pipeline.film import profiles_folder
from pipeline.problem import SettingsProblem
from tests.control_cases import FAULTS

TEXT = (profiles_folder() / "process_faults.toml").read_text("utf-8")
SLICES = {"d_min": slice(0, 3), "ld": slice(3, 6), "contrast": slice(6, 9), "d_max": slice(9, 12)}


def fault_of(cause: str):
    (fault,) = [each for each in fault_table().faults if each.cause.startswith(cause)]
    return fault


@pytest.mark.parametrize("published", FAULTS, ids=lambda fault: fault.cause)
def test_directions_are_the_published_ones(published):
    """By a transcription kept apart from the table: sources.toml [fault-directions]."""
    fault = fault_of(published.cause)
    assert fault.code == published.code
    for quantity, way in published.ways.items():
        signs = np.broadcast_to(np.sign(way), 3)
        if quantity == "retained":
            assert np.sign(fault.direction[-1]) == signs[0]
            continue
        # Where HD moves with LD, or more, the contrast between them goes the same way.
        place = SLICES["contrast" if quantity == "hd" else quantity]
        found = fault.direction[place]
        assert np.sign(found[np.isfinite(found)]) == pytest.approx(signs[np.isfinite(found)])
        # What goes unnamed in the table is level in the transcription, not a way.
        assert not signs[~np.isfinite(found)].any()


def test_all_published_faults_are_there_and_each_tells_what_to_do():
    table = fault_table()
    assert len(FAULTS) == 24
    assert len(table.faults) == len(FAULTS) + 3
    assert len({fault.cause for fault in table.faults}) == len(table.faults)
    assert "Z-131" in table.source
    for fault in table.faults:
        assert fault.code in CODES
        assert fault.direction.shape == (sum(QUANTITIES.values()),)
        assert not fault.remedy.endswith(".")
        assert not fault.tell.endswith(".")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('ld = "down"', 'ld = "sideways"', "'fault[0].ld' is 'sideways', not up, down"),
        ('ld = "down"', 'ld = ["down", "up"]', "'fault[0].ld' is not one word or 3"),
        ('ld = "down"', "ld = 1", "'fault[0].ld' is 1, not up"),
        ('ld = "down"', 'lde = "down"', "'fault[0].lde' is not known"),
        ('code = "under-developed"', 'code = "odd"', "'fault[0].code' is 'odd', not one of"),
        ("most = 1.6", "most = 0", "'strength.most' is 0, not a number"),
        ("other_cause = 0.08", "", "'stray.other_cause' is missing"),
        ("[[fault]]", "[fault]", "can't be read as a process profile"),
    ],
)
def test_wrong_tables_are_refused(old, new, told, tmp_path):
    path = tmp_path / "faults.toml"
    assert old in TEXT
    path.write_text(TEXT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsProblem) as raised:
        read_faults(path)
    assert told in str(raised.value)


def test_a_fault_that_moves_nothing_is_refused(tmp_path):
    head = TEXT.split("[[fault]]")[0]
    texts = 'cause = "a"\ncode = "high-base"\ntell = "b"\nremedy = "c"\n'
    path = tmp_path / "faults.toml"
    path.write_text(f'{head}\n[[fault]]\n{texts}ld = "level"\n', encoding="utf-8")
    with pytest.raises(SettingsProblem, match="moves nothing"):
        read_faults(path)
    path.write_text(f"{head}\nfault = []\n", encoding="utf-8")
    with pytest.raises(SettingsProblem, match="'fault' is"):
        read_faults(path)
