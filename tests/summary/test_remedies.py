"""What is advised against errors does what it says when it is done, and every cause has words."""

import dataclasses
import inspect
import re

import numpy as np
import pytest

from tapsig.analysis import causes
from tapsig.analysis.causes import CauseTable, ErrorCause, find_causes
from tapsig.detectors.features import TABLE
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.detectors.prominence import Prominence
from tapsig.records import Label, Recording
from tapsig.summary.remedies import (
    FALSE_WORDS,
    FAMILY_WORDS,
    MISS_WORDS,
    NUISANCE,
    RINGING,
    Change,
    advise_errors,
    count_errors,
    find_changes,
)
from tests.fakes import ring_down

FS = 4000.0
TAPS = [1.0, 1.6, 2.2, 4.0, 4.6, 6.0]


def make(t60_s: float, *, height: float = 1.0, taps: list[float] = TAPS) -> Recording:
    rng = np.random.default_rng(0)
    time_s = np.arange(8 * int(FS)) / FS
    samples = 1e-3 * rng.standard_normal(time_s.size)
    for tap in taps:
        samples += height * ring_down(time_s, tap, 150.0, t60_s, wave=np.sin)
    return Recording(samples, FS, labels=tuple(map(Label, taps)))


@pytest.mark.parametrize("variant", [FixedThreshold(0.1, 0.1), FixedThreshold(3.0, 0.1), Prominence(rise_db=34.0)])
def test_a_change_leaves_the_errors_that_it_says(variant: FixedThreshold | Prominence) -> None:
    recordings = [make(0.9)]
    changes = find_changes(variant, recordings)
    assert changes
    for change in changes.values():
        assert count_errors(variant, recordings) == change.before
        other = dataclasses.replace(variant, **{change.parameter: change.value})
        assert count_errors(other, recordings) == change.after
        assert sum(change.after) < sum(change.before)


def test_ringing_asks_for_a_longer_dead_time_that_is_shorter_than_the_pause_between_taps() -> None:
    changes = find_changes(FixedThreshold(0.1, 0.1), [make(0.9)])
    # 20 dB down in a third of T60: 0.3 s (T60 is the time for 60 dB)
    assert changes[RINGING].value in (0.25, 0.3, 0.35)
    assert changes[RINGING].after == (0, 0)
    advice = advise_errors(find_causes(FixedThreshold(0.1, 0.1), [make(0.9)]), changes)
    assert advice[0].cause == "ring-down"
    assert re.search(r"lengthen the dead time to (250|300|350) ms: 0 false instead of \d+", advice[0].remedy)


def test_a_threshold_above_every_tap_is_to_be_lowered() -> None:
    change = find_changes(FixedThreshold(3.0, 0.3), [make(0.3)])[NUISANCE]
    assert change.before == (0, 6)
    assert change.after == (0, 0)
    assert change.describe().startswith("lower the threshold to ")


def test_where_no_dead_time_helps_the_advice_says_so() -> None:
    table = CauseTable("fixed-threshold", (ErrorCause("false", "ring-down", 1.0, 20.0, 1.0),), 1, 1, 10.0)
    [advice] = advise_errors(table, {}, shortest_gap_s=0.25)
    assert advice.remedy.startswith("no dead time up to the shortest gap between taps, 250 ms, helps")


def test_a_change_is_advised_only_against_errors_that_it_removes() -> None:
    table = CauseTable("x", (ErrorCause("miss", "under threshold", 1.0, 20.0, 15.0),), 1, 0, 10.0)
    worse = Change("threshold_v", 0.5, (9, 1), (0, 2))
    assert "threshold" not in advise_errors(table, {NUISANCE: worse})[0].remedy
    better = Change("threshold_v", 0.05, (9, 1), (9, 0))
    assert advise_errors(table, {NUISANCE: better})[0].remedy == (
        "lower the threshold to 0.05 V: 9 false as before, 0 missed instead of 1"
    )


def test_every_cause_that_the_rules_name_has_words() -> None:
    # The rules as they are documented: `cause` at the head of each numbered line.
    rules = inspect.getdoc(causes) or ""
    false, miss = rules.split("False detections")[1].split("Misses, of the tap")
    named = {
        kind: set(re.findall(r"`([^`]+)`", " ".join(re.findall(r"^\d+\. (.*)$", text, re.MULTILINE))))
        for kind, text in (("false", false), ("miss", miss))
    }
    assert set(FALSE_WORDS) <= named["false"]
    assert set(MISS_WORDS) <= named["miss"]
    for kind, causes_of in named.items():
        for cause in causes_of:
            word = cause.replace("…", "rain")
            [advice] = advise_errors(CauseTable("d", (ErrorCause(kind, word, 1.0, 0.0, 0.0),), 1, 1, 1.0), {})
            assert len(advice.words) > 15
            assert len(advice.remedy) > 10


def test_every_family_that_rejects_a_candidate_has_words() -> None:
    assert set(FAMILY_WORDS) == {feature.family for feature in TABLE}
