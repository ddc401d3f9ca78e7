from tests.conftest import Run


def test_the_manual_lists_its_parts_and_shows_one(run: Run):
    parts = run("help")
    assert (parts.code, "  How to scan" in parts.out.splitlines()) == (0, True)
    shown = run("help", "how", "scan")
    assert shown.out.startswith("How to scan\n\n- 16 bits a channel")
    assert "## " not in shown.out
    wrong = run("help", "teapot")
    assert (wrong.code, "the manual has no part 'teapot'" in wrong.err) == (2, True)


def test_options_of_convert_stand_in_groups_and_all_are_told(run: Run):
    from pipeline.command.cli import convert

    told = run("convert", "--help").out
    heads = [line for line in told.splitlines() if line.endswith(":") and line[0] != " "]
    groups = ["Options:", "Scans and film:", "How pictures look:", "Files written:"]
    assert heads == [*groups, "How it runs:"]
    for option in convert.params:
        assert option.param_type_name == "argument" or option.opts[-1] in told
