"""The count of calls in the scripts of the quickstart."""

from benchmarks import first_hour


def test_calls_of_tapsig_are_counted_and_no_others() -> None:
    program = (
        "import tapsig\ndoor = tapsig.load('a')\nprint(tapsig.detect(door), door.taps_s)\nx = tapsig.Gap\nlen([])\n"
    )
    assert first_hour.count_calls(program) == 2  # load and detect, counted by hand
