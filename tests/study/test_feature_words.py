"""Every feature that a reason can name is explained, and nothing else."""

from tapsig.detect.gate import ALL_FEATURES
from tapsig.study.feature_words import FEATURE_WORDS, list_features


def test_every_feature_has_words() -> None:
    assert tuple(FEATURE_WORDS) == ALL_FEATURES
    assert max(map(len, list_features().splitlines())) <= 120
