"""Wrong openings by false taps: the exact rate against the machine itself, and against direct linear algebra."""

import itertools
import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from tapsig.entry import EntryParameters
from tapsig.errors import ParameterError
from tapsig.records import Gap, Label, Recording
from tapsig.risks.entries import RiskQuestion
from tapsig.risks.nuisance import (
    GapModel,
    NuisanceCount,
    PossibleEntries,
    TapFreeSegment,
    build_poisson_gaps,
    compute_openings_per_s,
    compute_possible_per_s,
    compute_starts_per_s,
    count_openings,
    count_possible_entries,
    fit_gaps,
    split_between_taps,
)

# Without waits the exact rate and the machine must agree; with them the machine may only open less often.
FREE = EntryParameters(free_failures=65535, failure_limit=0)


def simulate_openings(
    taps_per_s: float, code: tuple[int, ...], parameters: EntryParameters, *, hours: float, rng: np.random.Generator
) -> NuisanceCount:
    """Monte Carlo: Poisson false taps for `hours` through the entry machine, with its waits and lock."""
    onsets = np.sort(rng.uniform(0, hours * 3600, rng.poisson(taps_per_s * hours * 3600)))
    return count_openings(onsets, hours * 3600, parameters, length=len(code), code=code)


def poisson_interval(count: int, level: float = 0.999) -> tuple[float, float]:
    """Exact interval of a Poisson mean (Garwood 1936) by scipy's chi-square quantiles."""
    tail = (1 - level) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return low, stats.chi2.ppf(1 - tail, 2 * count + 2) / 2


@pytest.mark.parametrize(
    ("code", "taps_per_s", "parameters"),
    [
        ((2, 1), 0.6, FREE),
        ((1, 1, 2), 0.4, FREE),
        ((1, 2), 0.5, EntryParameters(wake_taps=1, awake_s=4.0, free_failures=65535, failure_limit=0)),
        ((1, 1), 0.8, EntryParameters(wake_taps=3, awake_s=6.0, free_failures=65535, failure_limit=0)),
        (
            (3,),
            1.0,
            EntryParameters(digit_pause_s=0.5, entry_silence_s=1.0, wake_taps=2, free_failures=65535, failure_limit=0),
        ),
    ],
)
def test_exact_rate_lies_in_the_interval_of_the_machine_itself(
    code: tuple[int, ...], taps_per_s: float, parameters: EntryParameters
) -> None:
    hours = 60.0
    gaps = build_poisson_gaps(taps_per_s, parameters)
    count = simulate_openings(taps_per_s, code, parameters, hours=hours, rng=np.random.default_rng(11))
    openings = 3600 * hours * compute_openings_per_s(gaps, code, parameters)
    possible = 3600 * hours * compute_possible_per_s(gaps, len(code), parameters)
    starts = 3600 * hours * compute_starts_per_s(gaps, parameters)
    assert openings > 100
    assert poisson_interval(count.opened)[0] <= openings <= poisson_interval(count.opened)[1]
    # Counts of entries are more regular than Poisson (each lasts a while), so the interval is on the safe side.
    assert poisson_interval(count.possible)[0] <= possible <= poisson_interval(count.possible)[1]
    assert poisson_interval(count.entries)[0] <= starts <= poisson_interval(count.entries)[1]


@pytest.mark.parametrize("wake_taps", [0, 1, 2, 5])
def test_starts_equal_the_left_eigenvector_of_the_chain_written_out(wake_taps: int) -> None:
    parameters = EntryParameters(wake_taps=wake_taps)
    gaps = GapModel(2.0, 0.4, 0.3, 0.2, 0.1)
    # The chain as text: state -> (gap, next state), states named as a person would.
    row = [f"woken {count}" for count in range(1, wake_taps + 1)]
    asleep = row[0] if row else "start"
    rules = {"start": ("later", "later", "start", asleep), "later": ("later", "later", "start", asleep)}
    for index, name in enumerate(row):
        full = index == wake_taps - 1
        rules[name] = (name, "start", "start", asleep) if full else (row[index + 1], asleep, asleep, asleep)
    names = list(rules)
    step = np.zeros((len(names), len(names)))
    for name, targets in rules.items():
        for share, target in zip((0.4, 0.3, 0.2, 0.1), targets, strict=True):
            step[names.index(name), names.index(target)] += share
    values, vectors = np.linalg.eig(step.T)
    stationary = np.real(vectors[:, np.argmin(abs(values - 1))])
    expected = 2.0 * (stationary / stationary.sum())[names.index("start")]
    assert compute_starts_per_s(gaps, parameters) == pytest.approx(expected, rel=1e-9)


def test_possible_entries_are_the_sum_over_every_code() -> None:
    parameters = EntryParameters(digit_max=4)
    gaps = build_poisson_gaps(0.3, parameters)
    total = sum(compute_openings_per_s(gaps, code, parameters) for code in itertools.product(range(1, 5), repeat=3))
    assert compute_possible_per_s(gaps, 3, parameters) == pytest.approx(total, rel=1e-12)


def test_rare_false_taps_open_with_the_power_of_their_number() -> None:
    # For small rates r, n taps of a code within their pauses: rate = r**n * digit_pause**(n - L) * (silence -
    # digit_pause)**(L - 1), the leading term of the exponentials. It must survive 60 decades without losing digits.
    rate = 1e-9
    openings = compute_openings_per_s(build_poisson_gaps(rate, FREE), (3, 1, 4), FREE)
    assert openings == pytest.approx(rate**8 * 1.0**5 * 2.0**2, rel=1e-6)
    asleep = EntryParameters(wake_taps=3)
    woken = compute_openings_per_s(build_poisson_gaps(rate, asleep), (3, 1, 4), asleep)
    # Three taps within 1 s of each other wake it; the entry starts between 1 s and 60 s later.
    assert woken == pytest.approx(rate**11 * 1.0**2 * 59.0 * 1.0**5 * 2.0**2, rel=1e-6)


def test_no_false_taps_never_open() -> None:
    assert compute_openings_per_s(build_poisson_gaps(0.0, FREE), (1,), FREE) == 0.0
    assert fit_gaps([TapFreeSegment(np.zeros(0), 100.0)], FREE).taps_per_s == 0.0


def test_measured_gaps_of_a_poisson_process_give_its_model_back() -> None:
    rng = np.random.default_rng(3)
    onsets = np.cumsum(rng.exponential(2.0, 50_000))
    measured = fit_gaps([TapFreeSegment(onsets, float(onsets[-1]))], FREE)
    model = build_poisson_gaps(0.5, FREE)
    for name in ("taps_per_s", "within", "between", "ending", "sleeping"):
        assert getattr(measured, name) == pytest.approx(getattr(model, name), abs=0.01)


def test_gaps_cut_off_by_a_segment_s_end_are_split_as_an_independent_library_does() -> None:
    # statsmodels.duration.survfunc.SurvfuncRight: the Kaplan-Meier estimate of gaps at least as long as each edge.
    rng = np.random.default_rng(9)
    segments = [TapFreeSegment(np.sort(rng.uniform(0, 12.0, rng.poisson(3.6))), 12.0) for _ in range(300)]
    gaps = [np.diff(np.append(one.onsets_s, 12.0)) for one in segments if one.onsets_s.size]
    ended = [np.arange(one.size) < one.size - 1 for one in gaps]
    known = SurvfuncRight(np.concatenate(gaps), np.concatenate(ended).astype(float))
    model = fit_gaps(segments, FREE)
    edges = [FREE.digit_pause_s, FREE.entry_silence_s, FREE.awake_s]
    longer = [float(np.min(known.surv_prob[known.surv_times <= edge], initial=1.0)) for edge in edges]
    shares = (model.within, model.between, model.ending, model.sleeping)
    assert shares == pytest.approx(-np.diff([1.0, *longer, 0.0]), abs=2e-3)


def test_a_rhythm_opens_what_poisson_taps_of_the_same_rate_hardly_do() -> None:
    # Bursts of 3-1-4, one every 100 s: measured gaps keep them, a Poisson process of the same rate does not.
    burst = (0.0, 0.3, 0.6, 2.0, 3.5, 3.8, 4.1, 4.4)
    bursts = [start + offset for start in np.arange(0, 10_000, 100.0) for offset in burst]
    rhythm = compute_openings_per_s(fit_gaps([TapFreeSegment(np.array(bursts), 10_000.0)], FREE), (3, 1, 4), FREE)
    poisson = compute_openings_per_s(build_poisson_gaps(len(bursts) / 10_000.0, FREE), (3, 1, 4), FREE)
    assert rhythm > 100 * poisson
    assert count_openings(bursts, 10_000.0, FREE, length=3, code=(3, 1, 4)).opened == 100


def record(taps_s: npt.ArrayLike, seconds: float, gaps: tuple[Gap, ...] = ()) -> Recording:
    labels = tuple(Label(float(tap)) for tap in np.asarray(taps_s))
    return Recording(np.zeros(int(seconds * 10)), 10.0, labels=labels, gaps=gaps)


def test_false_taps_are_counted_only_away_from_deliberate_ones() -> None:
    detected = np.array([1.0, 4.95, 5.0, 6.4, 6.6, 9.0])
    segments = split_between_taps(record([5.0], 10.0), detected)
    assert [list(np.round(segment.onsets_s, 9)) for segment in segments] == [[1.0], [0.1, 2.5]]
    assert [segment.duration_s for segment in segments] == pytest.approx([4.9, 3.5])
    [everything] = split_between_taps(record([], 10.0), detected)
    assert (everything.onsets_s.size, everything.duration_s) == (6, 10.0)


def test_what_was_not_recorded_was_not_listened_to() -> None:
    # 10 s, of which the second half comes an hour later; its deliberate tap rings over the end of the gap.
    recording = record([3604.0], 10.0, (Gap(50, 3600.0),))
    segments = split_between_taps(recording, np.array([4.0, 3605.2, 3606.0]))
    assert [segment.onsets_s.tolist() for segment in segments] == [[4.0], pytest.approx([0.5])]
    assert [segment.duration_s for segment in segments] == pytest.approx([5.0, 4.5])


# The owner taps every so many seconds, which leaves stretches of 1.6 s less; a code can begin in all but 36 s of each.
@pytest.mark.parametrize("every_s", [40.0, 60.0, 120.0, None])
def test_codes_seen_in_cut_listening_come_at_the_exact_rate_and_the_bound_covers_it(every_s: float | None) -> None:
    taps_per_s, seconds, tries = 0.4, 3600.0 * 12, 25
    exact = 3600 * compute_possible_per_s(build_poisson_gaps(taps_per_s, FREE), 3, FREE)
    recording = record([] if every_s is None else np.arange(0.0, seconds, every_s), seconds)
    rng = np.random.default_rng(8)
    hours, possible, covered = 0.0, 0, 0
    for _ in range(tries):
        detected = np.sort(rng.uniform(0, seconds, rng.poisson(taps_per_s * seconds)))
        watch = count_possible_entries(split_between_taps(recording, detected), FREE, length=3)
        hours, possible = watch.hours + hours, watch.possible + possible
        # Garwood's one-sided 95 % limit by scipy. Codes come more regularly than Poisson: it covers 95 % or more.
        covered += stats.chi2.ppf(0.95, 2 * watch.possible + 2) / 2 >= exact * watch.hours
    assert poisson_interval(possible)[0] <= exact * hours <= poisson_interval(possible)[1]
    assert stats.binomtest(covered, tries, 0.95, alternative="less").pvalue > 0.001


def test_a_machine_that_sleeps_between_codes_is_watched_at_the_exact_rate() -> None:
    parameters = EntryParameters(wake_taps=2, awake_s=6.0, digit_max=3, free_failures=65535, failure_limit=0)
    exact = 3600 * compute_possible_per_s(build_poisson_gaps(0.5, parameters), 2, parameters)
    rng = np.random.default_rng(9)
    seconds = 3600.0 * 100
    detected = np.sort(rng.uniform(0, seconds, rng.poisson(0.5 * seconds)))
    recording = record(np.arange(0.0, seconds, 40.0), seconds)
    watch = count_possible_entries(split_between_taps(recording, detected), parameters, length=2)
    assert watch.possible > 100
    assert poisson_interval(watch.possible)[0] <= exact * watch.hours <= poisson_interval(watch.possible)[1]


@pytest.mark.parametrize("every_s", [3.5, 10.0, 37.0])
def test_stretches_too_short_for_the_longest_code_show_nothing(every_s: float) -> None:
    watch = count_possible_entries(
        split_between_taps(record(np.arange(0.0, 3600.0, every_s), 3600.0), np.arange(0.0, 3600.0, 1.7)), FREE, length=3
    )
    assert (watch.hours, watch.possible, watch.segments) == (0.0, 0, ())
    # By hand: 3 s of silence before, then digits of 9 taps 1 s apart, 3 s to the next and after the last.
    assert RiskQuestion(FREE).min_segment_s == 3 + 3 * (8 + 3)


def watched(counts: npt.ArrayLike, hours: npt.ArrayLike) -> PossibleEntries:
    return PossibleEntries((), np.asarray(hours, dtype=np.float64), np.asarray(counts, dtype=np.float64))


@pytest.mark.parametrize("count", [0, 1, 7])
def test_the_limit_of_a_single_segment_and_of_equal_ones_is_garwoods(count: int) -> None:
    limit = stats.chi2.ppf(0.95, 2 * count + 2) / 2
    assert watched([count], [2.0]).compute_upper(0.95) == pytest.approx(limit / 2.0)
    four = stats.chi2.ppf(0.95, 8 * count + 2) / 2
    assert watched([count] * 4, [2.0] * 4).compute_upper(0.95) == pytest.approx(four / 8.0)


def test_the_limit_covers_segments_that_differ_where_that_of_one_pooled_count_does_not() -> None:
    """A gamma mixture of Poisson counts (negative binomial): 14 segments, mean 4 an hour, standard deviation 4.5."""
    rng = np.random.default_rng(3)
    tries, covered, pooled = 400, 0, 0
    for _ in range(tries):
        seen = watched(rng.poisson(rng.gamma(1.0, 4.0, 14)), np.ones(14))
        covered += seen.compute_upper(0.95) >= 4.0
        pooled += stats.chi2.ppf(0.95, 2 * seen.possible + 2) / 2 >= 4.0 * seen.hours
    assert covered / tries > 0.9
    assert pooled / tries < 0.85


def test_a_tolerance_shares_that_do_not_add_up_and_no_rate_are_refused() -> None:
    with pytest.raises(ParameterError, match="count_openings"):
        build_poisson_gaps(0.1, EntryParameters(tolerance=2.0))
    with pytest.raises(ParameterError, match="add up to 1"):
        GapModel(1.0, 0.5, 0.5, 0.5, 0.0)
    with pytest.raises(ParameterError, match="taps_per_s"):
        build_poisson_gaps(math.nan, FREE)
