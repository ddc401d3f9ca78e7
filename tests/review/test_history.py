import pytest

from pipeline.problem import OutputProblem
from pipeline.review.history import HISTORY_NAME, History


def test_steps_are_undone_and_done_again_and_stand_on_the_disk(tmp_path):
    history = History(tmp_path, None)
    assert (history.to_undo, history.to_redo) == (None, None)
    history.add("a = 1\n", "one")
    history.add("a = 2\n", "two")
    assert (history.to_undo, history.before.text) == ("two", "a = 1\n")
    history.move(-1)
    assert (history.to_undo, history.to_redo) == ("one", "two")

    again = History(tmp_path, "a = 1\n")
    assert (again.to_undo, again.to_redo, again.after.text) == ("one", "two", "a = 2\n")
    again.move(-1)
    assert again.now is not None
    assert again.now.text is None
    again.add("a = 3\n", "three")
    assert (again.to_undo, again.to_redo) == ("three", None)
    assert History(tmp_path, "a = 3\n").to_undo == "three"


def test_what_was_changed_elsewhere_meanwhile_is_a_step_of_its_own(tmp_path):
    History(tmp_path, None).add("a = 1\n", "one")
    history = History(tmp_path, "a = 9\n")
    assert history.to_undo == "changed outside of this page"
    assert history.before.text == "a = 1\n"


def test_a_line_cut_short_is_passed_over_and_takes_no_other_with_it(tmp_path):
    history = History(tmp_path, None)
    history.add("a = 1\n", "one")
    file = tmp_path / HISTORY_NAME
    file.write_bytes(file.read_bytes() + b'{"at": 2, "text": "a = ')
    again = History(tmp_path, "a = 1\n")
    assert again.to_undo == "one"
    again.add("a = 2\n", "two")
    assert History(tmp_path, "a = 2\n").to_undo == "two"


@pytest.mark.parametrize("data", [b"\xff\xfe", b"[]\n1\nnull\n", b'{"at": 5}\n{"at": "x"}\n'])
def test_a_file_that_is_none_of_ours_is_begun_anew(tmp_path, data):
    (tmp_path / HISTORY_NAME).write_bytes(data)
    history = History(tmp_path, "a = 1\n")
    assert history.now is not None
    assert history.now.text == "a = 1\n"
    assert history.to_undo is None


def test_a_folder_that_has_gone_is_told(tmp_path):
    with pytest.raises(OutputProblem):
        History(tmp_path / "gone", None)
