"""Both decoders on recordings of bursts, whose codes and exposure can be counted by hand."""

from collections.abc import Sequence

import numpy as np
import pytest

import tapsig
from tapsig.detectors.tap import Tap
from tapsig.entry import EntryParameters
from tapsig.records import Label, Recording
from tapsig.risks.entries import estimate_risk
from tapsig.risks.nuisance import YEAR_HOURS
from tapsig.risks.openings import observe_openings

FS = 8000
SPAN_S = 130.0


def make_taps(code: Sequence[int], start_s: float) -> list[float]:
    """Taps 0.4 s apart within a digit; the next digit begins 1.6 s after the last one."""
    taps_s, at_s = [], start_s
    for digit in code:
        taps_s += [at_s + 0.4 * tap for tap in range(digit)]
        at_s = taps_s[-1] + 1.6
    return taps_s


def record(bursts_s: Sequence[float], *, labels_s: Sequence[float] = (), span_s: float = SPAN_S) -> Recording:
    samples = np.random.default_rng(0).normal(0, 1e-4, int(span_s * FS))
    burst = np.sin(2 * np.pi * 300 * np.arange(200) / FS) * np.exp(-np.arange(200) / 40)
    for at_s in bursts_s:
        samples[int(at_s * FS) : int(at_s * FS) + burst.size] += 0.5 * burst
    return Recording(samples, FS, labels=tuple(map(Label, labels_s)), position="frame", scene="quiet")


def test_false_taps_must_wake_the_machine_on_either_decoder() -> None:
    """With wake-up taps, 60 s awake are the memory before exposure begins, in place of the 3 s of silence."""
    code_s = make_taps((1, 1, 1), 70.0)
    row_s = [69.0 - 1.6, 69.0 - 1.2, 69.0 - 0.8]  # three in a row, and a digit pause until 70 s
    for bursts_s, wake_taps, hours, codes in (
        (code_s, 0, SPAN_S - 3 - 33, 1),
        (code_s, 3, SPAN_S - 60 - 33, 0),
        ([*row_s, *code_s], 3, SPAN_S - 60 - 33, 1),
    ):
        _, idle = observe_openings(record(bursts_s), Tap(), EntryParameters(wake_taps=wake_taps))
        assert idle.hours * 3600 == pytest.approx(hours)
        assert (idle.count_passing(float("nan")), idle.count_passing(0.0)) == (codes, codes)


def test_a_code_of_as_many_taps_as_evidence_keeps_is_tried_without_its_longer_neighbours() -> None:
    taps_s = make_taps((9, 9, 9, 8, 1), 5.0)  # 36 taps
    [trial], _ = observe_openings(record(taps_s, labels_s=taps_s, span_s=40.0), Tap())
    assert trial.code == (9, 9, 9, 8, 1)
    # One tap less at any of four places; one more would be 37 taps.
    assert len(trial.near_ratios[0]) == 4
    assert trial.log_ratio > 0


def test_the_risk_of_tap_has_both_decoders() -> None:
    """One code tapped, and 1-1-1 by nobody; the other detectors have the rule alone."""
    tapped_s, false_s = make_taps((2, 1, 1), 10.0), make_taps((1, 1, 1), 60.0)
    recording = record([*tapped_s, *false_s], labels_s=tapped_s)
    assert "accepted" in [entry.verdict.value for entry in tapsig.decode(recording, code="1-1-1")]
    rows = estimate_risk(["tap", "fixed-threshold"], [recording])
    assert [(row.detector, row.decoder) for row in rows] == [
        ("fixed-threshold", "rule"),
        ("tap", "rule"),
        ("tap", "evidence"),
    ]
    exposure_s = SPAN_S - (tapped_s[-1] + 1.5) - 3 - 33
    for row in rows[1:]:
        assert (row.entries, row.opened, row.possible_codes) == (1, 1, 1)
        assert row.exposure_h * 3600 == pytest.approx(exposure_s)
        assert row.per_year_seen == pytest.approx(YEAR_HOURS * 3600 / exposure_s / 729)
        assert row.failures_per_day == pytest.approx(86400 / exposure_s)
    # Garwood 1936: the exact one-sided 95 % limit of a Poisson mean is 4.7439 at a count of 1.
    assert rows[2].per_year_bound == pytest.approx(4.7439 * YEAR_HOURS * 3600 / exposure_s / 729, rel=1e-4)
    assert rows[1].per_year_gaps > 0
    assert np.isnan([rows[2].success_model, rows[2].per_year_poisson, rows[2].per_year_gaps]).all()


@pytest.mark.parametrize("given", [{"length": 17}, {"parameters": EntryParameters(digit_pause_s=0.8)}])
def test_what_evidence_cannot_decide_is_judged_by_the_rule_alone(given: dict[str, object]) -> None:
    rows = estimate_risk(["tap"], [record([])], **given)  # type: ignore[arg-type]
    assert [row.decoder for row in rows] == ["rule"]
