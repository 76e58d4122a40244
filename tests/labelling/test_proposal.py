"""Proposals agree with what really happened, and what does not is flagged."""

from functools import cache

import librosa
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from tapsig.errors import ParameterError
from tapsig.labelling.proposal import Proposal, ProposalParameters, as_label_rows, propose_onsets
from tapsig.labelling.transients import compute_innovation, fit_burg
from tapsig.loading import load_corpus
from tapsig.records import Gap, Label, Recording
from tapsig.simulation import POSITIONS, simulate_scene
from tests.fakes import DEMO

FS, SURE = 8000.0, ProposalParameters().doubtful_below


AUTOREGRESSION = [1.0, -1.6, 0.9]  # x[n] = 1.6 x[n-1] - 0.9 x[n-2] + noise[n]


def ring(times_s: list[float], *, fs: float = FS, seconds: float = 6.0, seed: int = 0) -> Recording:
    """Closed form: each tap starts the same four damped modes at its onset; a little noise."""
    t = np.arange(int(seconds * fs)) / fs
    volts = 0.001 * np.random.default_rng(seed).standard_normal(t.size)
    for onset in times_s:
        since = np.maximum(t - onset, 0.0)
        for hz, decay, size in ((63.0, 5.0, 0.3), (121.0, 9.0, 0.2), (187.0, 14.0, 0.25), (402.0, 40.0, 0.2)):
            volts += size * np.exp(-decay * since) * np.sin(2 * np.pi * hz * since)
    return Recording(volts, fs, labels=tuple(Label(onset) for onset in times_s))


@cache
def quiet() -> list[tuple[Recording, tuple[Proposal, ...]]]:
    """The test vehicles in quiet at all positions: nothing was fitted to them."""
    return [
        (recording, propose_onsets(recording))
        for vehicle in ("crane", "ibex")
        for seed in (1, 2)
        for recording in simulate_scene(vehicle, "quiet", duration_s=40.0, fs=FS, seed=seed).recordings.values()
    ]


def errors_s(recording: Recording, proposals: tuple[Proposal, ...]) -> np.ndarray:
    onsets = np.array([proposal.onset_s for proposal in proposals])
    return np.array([onsets[np.argmin(np.abs(onsets - tap))] - tap for tap in recording.taps_s])


@pytest.mark.parametrize("fs", [1000.0, 2000.0, 8000.0, 44100.0])
def test_a_clean_step_is_proposed_on_the_step(fs: float) -> None:
    # The truth is the index at which the step was put.
    samples = 1e-4 * np.random.default_rng(0).standard_normal(int(4 * fs))
    samples[int(fs) :] += 0.5
    steepest = max(propose_onsets(Recording(samples, fs)), key=lambda proposal: proposal.rise_db)
    assert abs(steepest.onset_s - 1.0) <= max(1e-9, 0.0002 if fs > 16000 else 0.0)


@pytest.mark.slow
def test_of_the_demo_corpus_s_quiet_taps_99_percent_are_proposed_within_5_ms() -> None:
    # Truth: the simulator's own contact times.
    corpus = load_corpus(DEMO).select(scene="quiet")
    joined = np.concatenate([errors_s(recording, propose_onsets(recording)) for recording in corpus])
    assert joined.size > 400
    assert np.mean(np.abs(joined) <= 0.005) >= 0.99


@pytest.mark.parametrize("position", POSITIONS)
def test_in_quiet_99_percent_of_taps_are_proposed_within_5_ms(position: str) -> None:
    # Truth: the simulator's own contact times, which the proposal never sees.
    errors = np.concatenate([errors_s(*pair) for pair in quiet() if pair[0].position == position])
    assert errors.size > 100
    assert np.mean(np.abs(errors) <= 0.005) >= 0.99


def test_what_is_not_within_5_ms_of_a_tap_is_flagged_as_doubtful() -> None:
    sure = [
        float(np.abs(recording.taps_s - proposal.onset_s).min())
        for recording, proposals in quiet()
        for proposal in proposals
        if proposal.confidence >= SURE
    ]
    assert len(sure) > 400
    assert np.mean(np.array(sure) > 0.005) <= 0.01


def test_the_doubtful_ones_are_few_enough_to_step_through() -> None:
    kept = [row for _, proposals in quiet() for row in as_label_rows(proposals)]
    assert sum(sure < SURE for _, _, sure in kept) < 0.5 * len(kept)


@pytest.mark.parametrize("scene", ["rain", "handling", "truck"])
def test_among_nuisances_the_sure_ones_are_taps(scene: str) -> None:
    found = []
    for recording in simulate_scene("badger", scene, duration_s=40.0, fs=FS, seed=9).recordings.values():
        for proposal in propose_onsets(recording):
            if proposal.confidence >= SURE:
                found.append(np.abs(recording.taps_s - proposal.onset_s).min() <= 0.025)
    assert len(found) > 20
    assert np.mean(found) >= 0.85


def test_a_second_tap_in_the_ringing_of_the_first_is_timed_to_a_millisecond() -> None:
    recording = ring([1.0, 1.12, 1.9, 2.05, 3.3, 3.42])
    assert np.abs(errors_s(recording, propose_onsets(recording))).max() <= 0.001


@pytest.mark.parametrize("fs", [1000.0, 3333.0, 16000.0, 44100.0])
def test_any_sample_rate_serves(fs: float) -> None:
    recording = ring([1.0, 1.25, 2.5, 2.8], fs=fs, seconds=4.0)
    assert np.abs(errors_s(recording, propose_onsets(recording))).max() <= 0.003


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(3), np.zeros(4000), np.full(4000, 2.5)])
def test_silence_proposes_nothing(samples: np.ndarray) -> None:
    assert propose_onsets(Recording(samples, FS)) == ()


def test_a_gap_is_no_onset_and_later_onsets_count_it() -> None:
    whole = ring([1.0, 1.3, 4.0, 4.3])
    cut, lost = int(2.0 * FS), 7.5
    gapped = Recording(whole.samples, FS, gaps=(Gap(cut, lost),))
    onsets = np.array([p.onset_s for p in propose_onsets(gapped) if p.similarity > 0.9])
    assert np.abs(onsets - np.array([1.0, 1.3, 4.0 + lost, 4.3 + lost])).max() <= 0.001


@given(st.integers(0, 2**32 - 1), st.integers(0, 5000))
@settings(max_examples=20)  # each is a whole recording
def test_noise_of_any_length_gives_confidences_within_bounds_and_onsets_within_the_recording(seed: int, n: int) -> None:
    recording = Recording(np.random.default_rng(seed).standard_normal(n), 2000.0)
    for proposal in propose_onsets(recording):
        assert 0.0 <= proposal.confidence <= 1.0
        assert 0.0 <= proposal.onset_s <= recording.duration_s


def test_a_blow_and_its_rebound_are_proposed_once() -> None:
    for recording, proposals in quiet():
        onsets = [proposal.onset_s for proposal in proposals]
        assert np.diff(onsets).min() >= ProposalParameters().apart_s, recording.source


def test_level_and_bias_do_not_matter() -> None:
    recording = ring([1.0, 1.3, 2.0])
    other = Recording(0.01 * recording.samples + 2.5, FS)
    one, two = (np.array([(p.onset_s, p.confidence) for p in propose_onsets(item)]) for item in (recording, other))
    np.testing.assert_allclose(one, two, atol=1e-6)


def test_a_rate_too_low_is_refused() -> None:
    with pytest.raises(ParameterError, match="400 Hz"):
        propose_onsets(Recording(np.zeros(800), 400.0))


@pytest.mark.parametrize("name", ["apart_s", "rise_db", "doubtful_below"])
def test_parameters_out_of_range_are_refused(name: str) -> None:
    with pytest.raises(ParameterError, match=name):
        ProposalParameters(**{name: -1.0})


def test_rows_leave_out_the_unlikely_and_call_the_less_likely_unsure() -> None:
    proposals = tuple(Proposal(float(i), sure, 10.0, 0.9, 20.0, 1.0) for i, sure in enumerate((0.05, 0.3, 0.95)))
    assert as_label_rows(proposals, keep=0.1) == [(1.0, "unsure", 0.3), (2.0, "tap", 0.95)]


def test_burg_filters_equal_an_independent_library() -> None:
    # librosa.lpc is Burg's method too, one block at a time; both should find a = (1, −1.6, 0.9).
    samples = lfilter([1.0], AUTOREGRESSION, np.random.default_rng(0).standard_normal(20000))
    blocks = samples.reshape(10, 2000)
    expected = [librosa.lpc(block, order=8) for block in blocks]
    np.testing.assert_allclose(fit_burg(blocks, 8), expected, rtol=0, atol=1e-9)
    np.testing.assert_allclose(fit_burg(samples[None], 2)[0], AUTOREGRESSION, atol=0.01)


def test_the_innovation_of_a_known_process_is_its_noise_and_its_impulses() -> None:
    # AR(2) driven by unit noise with three impulses of 12 σ: the whitened signal exceeds 6 MAD just there.
    noise = np.random.default_rng(0).standard_normal(20000)
    noise[[5000, 9000, 15000]] += 12.0
    found = compute_innovation(lfilter([1.0], AUTOREGRESSION, noise), order=2, block=2000)
    spread = 1.4826 * np.median(np.abs(found))
    assert np.flatnonzero(np.abs(found) > 6 * spread).tolist() == [5000, 9000, 15000]
    assert np.std(found - noise) < 0.1
