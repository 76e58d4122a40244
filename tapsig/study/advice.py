"""What the comparison of positions comes to, in plain words, and what it cannot tell."""

import dataclasses
import math
from collections.abc import Sequence

from tapsig.study import comparison
from tapsig.study.hearing import ChannelDelay
from tapsig.study.positions import Ranking

ENOUGH_ALIKE = 400
"""When more recordings than this would be needed, the difference hardly matters in use."""


def is_too_few(ranking: Ranking) -> bool:
    """Whether so few recordings can never show a difference, however large."""
    return ranking.paired and ranking.recordings < comparison.count_least(len(ranking.differences))


def advise(ranking: Ranking) -> str:
    """One or two sentences: which position, how sure, and how many recordings would tell more."""
    least = comparison.count_least(len(ranking.differences))
    best, *others = ranking.positions
    at_once = "made at every position at once" if ranking.paired else "in all"
    if is_too_few(ranking):
        return (
            f"Too few to tell: there are {ranking.recordings} recordings {at_once}, and fewer than {least} can never"
            f" show a difference between {len(ranking.positions)} positions at the 5 % level. Make at least"
            f" {least - ranking.recordings} more{_further(ranking)}."
        )
    if math.isnan(best.estimate.value):
        return f"Nothing to compare: {ranking.criterion.words} is undefined at every position."
    pairs = [ranking.find_difference(best.position, other.position) for other in others]
    open_pairs = [pair for pair in pairs if not pair.clear]
    if not open_pairs:
        nearest = pairs[0]
        return (
            f"Put the sensor on the {best.position}: its {ranking.criterion.words} of {_number(best.estimate.value)}"
            f" is better than at every other position. The nearest is the {nearest.second} with"
            f" {_number(others[0].estimate.value)} (p = {_p(nearest.p_adjusted)} after Holm)."
        )
    rivals = [pair.second if pair.first == best.position else pair.first for pair in open_pairs]
    beaten = [other.position for other in others if other.position not in rivals]
    if not beaten and all(pair.estimate.low <= 0 <= pair.estimate.high for pair in open_pairs):
        start = f"Too few to tell, or no difference that matters: the {best.position} comes out first"
    else:
        start = f"The {best.position} comes out first"
    text = (
        f"{start} with {ranking.criterion.words} {_number(best.estimate.value)}, but {ranking.recordings} recordings"
        f" {at_once} cannot tell it from the {_list(rivals)}."
    )
    if beaten:
        text += f" It is better than the {_list(beaten)}."
    return text + _needed(ranking, [pair.needed for pair in open_pairs])


def _needed(ranking: Ranking, needed: list[float]) -> str:
    known = [value for value in needed if math.isfinite(value)]
    soonest = min(known, default=math.inf)
    if soonest > ENOUGH_ALIKE:
        return f" To tell them apart takes over {ENOUGH_ALIKE} recordings: take the one that is easiest to fit."
    more = max(1, math.ceil(soonest) - ranking.recordings)
    return f" About {more} more recordings would tell, if the differences are as they seem (power 80 %)."


def _further(ranking: Ranking) -> str:
    """How many would do, when even a large difference needs more than the least."""
    best = ranking.positions[0].position
    pairs = (pair for pair in ranking.differences if best in (pair.first, pair.second))
    known = [pair.needed for pair in pairs if math.isfinite(pair.needed)]
    least = comparison.count_least(len(ranking.differences))
    if not known or min(known) <= least or min(known) > ENOUGH_ALIKE:
        return ""
    return f"; by the differences seen so far, about {math.ceil(min(known)) - ranking.recordings} more would tell"


def compare_detectors(rankings: tuple[Ranking, ...]) -> str:
    """How much the position matters under each detector; empty for one detector."""
    if len(rankings) < 2:
        return ""
    words = rankings[0].criterion.words
    parts = [
        f"with {ranking.detector} {_number(ranking.range)} ({ranking.positions[0].position}"
        f" {_number(ranking.positions[0].estimate.value)}, {ranking.positions[-1].position}"
        f" {_number(ranking.positions[-1].estimate.value)})"
        for ranking in rankings
    ]
    first, last = rankings[0].range, rankings[-1].range
    text = f"Between the best and the worst position {words} differs: {_list(parts)}."
    if first > 0 and last < 0.5 * first:
        text += f" The position matters much less with {rankings[-1].detector}."
    elif last > 0 and first < 0.5 * last:
        text += f" The position matters much less with {rankings[0].detector}."
    return text


def list_delay_rows(delays: Sequence[ChannelDelay]) -> list[dict[str, object]]:
    """Delays between channels as plain rows."""
    return [dataclasses.asdict(delay) for delay in delays]


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}" if abs(value) < 10 else f"{value:.0f}"


def _p(value: float) -> str:
    return "under 0.001" if value < 0.001 else f"{value:.2g}"


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
