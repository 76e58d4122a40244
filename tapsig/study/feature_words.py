"""What each feature of a candidate means, in words with its unit: for the reasons that a detector gives.

"Innovation" is what prediction did not foresee. "Likely" taps are earlier candidates, each counted by its probability.
"""

from tapsig.detect.gate import ALL_FAMILIES
from tapsig.detect.history import LIKENESS

_BANDS = {"40hz": "42-83 Hz", "125hz": "125-167 Hz", "210hz": "208-292 Hz", "330hz": "333-500 Hz"}

FEATURE_WORDS: dict[str, str] = {
    "innovation_rise": "peak of the innovation over the highest of the 50 ms before, dB",
    "innovation_rise_100ms": "peak of the innovation over the highest of the 100 ms before, dB",
    "innovation_over_mean": "peak of the innovation over the mean of the 60 ms before, dB",
    "innovation_crest": "peak of the innovation over its mean from the onset on, dB",
    "innovation_fall_early": "innovation of the first 6 ms over the next 6 ms, dB",
    "innovation_fall_late": "innovation of the first 6 ms over that after 12 ms, dB",
    "innovation_width": "time that the innovation is above a tenth of its peak, ms",
    "innovation_peak_ms": "time from the onset to the peak of the innovation, ms",
    **{f"share_{band}": f"share of the power after the onset in {words}, dB" for band, words in _BANDS.items()},
    **{f"rise_{band}": f"power after the onset over that before, in {words}, dB" for band, words in _BANDS.items()},
    "fast_share": "peak of the power above 1 kHz over the highest power, dB: high for a hard contact",
    "fast_rise": "peak of the power above 1 kHz over the highest of the 50 ms before, dB",
    "fast_over_mean": "peak of the power above 1 kHz over the mean of the 60 ms before, dB",
    "fast_over_quiet": "peak of the power above 1 kHz over its quietest of late, dB",
    "fast_fall_early": "power above 1 kHz of the first 6 ms over the next 6 ms, dB",
    "fast_fall_late": "power above 1 kHz of the first 6 ms over that after 12 ms, dB",
    "fast_octave": "mean frequency above 1 kHz in the first 6 ms, log2 of Hz",
    "fast_octave_middle": "mean frequency above 1 kHz in the next 6 ms, log2 of Hz",
    "fast_octave_late": "mean frequency above 1 kHz after 12 ms, log2 of Hz",
    "level_over_noise": "peak of the innovation over its quietest of late, dB",
    "level_v_db": "peak of the innovation, dB re 1 V",
    "since_any": "time since the candidate before, log2 of ms",
    "since_loud": "time since one within 6 dB of this one, or louder, log2 of ms",
    "step_up": "level over the candidate before, dB",
    "over_loudest": "level over the loudest candidate of the last 5 s, dB",
    "count_1s": "candidates in the last second, number",
    "count_5s": "candidates in the last 5 s, number",
    "loud_1s": "candidates in the last second within 6 dB of this one, or louder, number",
    "loud_5s": "candidates in the last 5 s within 6 dB of this one, or louder, number",
    "over_usual_1s": "peak of the innovation over its usual peak of the last second, dB",
    "over_usual_10s": "peak of the innovation over its usual peak of the last 10 s, dB",
    "over_fading_peak": "peak of the innovation over the highest of late less 1 dB a second, dB",
    "score": "what the features above say by themselves, log-odds of a tap",
    "best_700ms": "score of the likeliest tap 80-700 ms before, log-odds",
    "best_since": "time since that tap, log2 of ms",
    "best_step": "level over that tap, dB",
    "best_unlike": "difference in shape from that tap, usual differences",
    "taps_4s": "likely taps in the last 4 s, number",
    "others_4s": "candidates in the last 4 s that are likely no taps, number",
    "level_4s": "level over the likely taps of the last 4 s, dB",
    "taps_30s": "likely taps in the last 30 s, number",
    "others_30s": "candidates in the last 30 s that are likely no taps, number",
    "loud_others_30s": "those of them within 6 dB of this one, or louder, number",
    "mean_score_16": "mean score of the last 16 candidates, log-odds",
    "beat": "time since the tap before over the gap before that, |log2|: 0 = an even beat",
    "noise_v_db": "quietest innovation of late, dB re 1 V",
    "age": "time since the start, up to 8 s, log2 of ms",
    "alike": "likely taps of 30 s like this one over other candidates like it, log2",
    "alike_closely": "the same of those closely like this one, log2",
    "nearest": "difference in shape from the tap most like this one, usual differences",
    **{f"off_{name}": f"{name} less its mean over the taps of 30 s, usual differences" for name in LIKENESS},
}  # fmt: skip


def list_features() -> str:
    """One line a feature, written as in a reason; what a "usual difference" is stands below."""
    lines = [
        f"  {f'{family}: {name}':<36} {FEATURE_WORDS[name]}" for family, names in ALL_FAMILIES.items() for name in names
    ]
    return "\n".join(
        ("Features, as `rejected: …` and --features name them (needs a detector that judges candidates, as tap):", "",
         *lines, "", "Innovation: what prediction did not foresee. Usual difference: how much blows on the same body"
         " differ.")
    )  # fmt: skip
