"""What a comparison of positions or of detectors comes to, in plain words, and what it cannot tell."""

import dataclasses
import math
from collections.abc import Mapping, Sequence

from tapsig.comparison import statistics as comparison
from tapsig.comparison.detectors import VariantComparison
from tapsig.comparison.hearing import ChannelDelay
from tapsig.comparison.positions import Ranking
from tapsig.comparison.statistics import Difference

ENOUGH_ALIKE = 400
"""When more recordings than this would be needed, the difference hardly matters in use."""


def count_recordings(recordings: int, channels: int = 0) -> str:
    """In words, so that channels and files are not taken for each other.

    >>> count_recordings(1), count_recordings(32, 113)
    ('1 recording', '113 channels of 32 recordings')
    """
    files = "1 recording" if recordings == 1 else f"{recordings} recordings"
    return f"{channels} channels of {files}" if channels > recordings else files


def advise(ranking: Ranking) -> str:
    """A few sentences: which position, how sure, on which vehicles, and how many recordings would tell more."""
    least = comparison.count_least(len(ranking.differences), paired=ranking.paired)
    best, *others = ranking.positions
    at_once = "made at every position at once" if ranking.paired else "in all"
    if ranking.too_few:
        of_each = "" if ranking.paired else " of each"
        return (
            f"Too few to tell: {count_recordings(ranking.recordings)} {at_once}, and fewer than {least}{of_each} can"
            f" never show a difference between {len(ranking.positions)} positions at the 5 % level. Make at least"
            f" {ranking.count_more(least)} more."
        )
    if math.isnan(best.estimate.value):
        return f"Nothing to compare: {ranking.criterion.words} is undefined at every position."
    pairs = [ranking.find_difference(best.position, other.position) for other in others]
    rivals = {other.position: pair for other, pair in zip(others, pairs, strict=True) if not pair.clear}
    where = f" on {_name_vehicles(ranking)}" if ranking.vehicles else ""
    if not rivals:
        return (
            f"Put the sensor on the {best.position}:{where} its {ranking.criterion.words} of"
            f" {_number(best.estimate.value)} is better than at every other position. The nearest is the"
            f" {others[0].position} with {_number(others[0].estimate.value)} (p = {_p(pairs[0].p_adjusted)} after"
            f" Holm).{_weigh_vehicles(ranking)}"
        )
    beaten = [other.position for other in others if other.position not in rivals]
    if not beaten and all(pair.estimate.low <= 0 <= pair.estimate.high for pair in pairs):
        start = f"Too few to tell, or no difference that matters: the {best.position} comes out first"
    else:
        start = f"The {best.position} comes out first"
    text = (
        f"{start}{where} with {ranking.criterion.words} {_number(best.estimate.value)}, but {ranking.recordings}"
        f" recordings {at_once} cannot tell it from the {_list(list(rivals))}."
    )
    if beaten:
        text += f" It is better than the {_list(beaten)}."
    return text + _needed(ranking, rivals) + _weigh_vehicles(ranking)


def _needed(ranking: Ranking, rivals: Mapping[str, Difference]) -> str:
    soon = {rival: pair.needed for rival, pair in rivals.items() if pair.needed <= ENOUGH_ALIKE}
    if not soon:
        return f" To tell them apart takes over {ENOUGH_ALIKE} recordings: take the one that is easiest to fit."
    more = ranking.count_more(max(soon.values()))
    return (
        f" About {more} more recordings would tell it from the {_list(list(soon))}, if the differences are as they seem"
        " (power 80 % for each)."
    )


def _name_vehicles(ranking: Ranking) -> str:
    names = list(ranking.vehicles)
    return f"the {names[0]}" if len(names) == 1 else f"these {len(names)} vehicles"


def _weigh_vehicles(ranking: Ranking) -> str:
    """What each vehicle would say by itself: recordings of one vehicle, however many, tell of that vehicle only."""
    best, sign = ranking.positions[0].position, ranking.criterion.sign
    leads: dict[str, tuple[float, str]] = {}
    for vehicle, values in ranking.vehicles.items():
        lead = {other: sign * (values[best] - value) for other, value in values.items() if other != best}
        known = [(value, other) for other, value in lead.items() if not math.isnan(value)]
        if known:
            leads[vehicle] = min(known)
    if len(leads) < 2:
        return " Another vehicle may differ."
    against = sum(lead < 0 for lead, _ in leads.values())
    least = min(leads, key=lambda vehicle: leads[vehicle])
    rival, values = leads[least][1], ranking.vehicles[least]
    agreement = (
        f"The vehicles disagree: {against} of {len(leads)} by itself puts another place first, most of all the {least}"
        if against
        else f"Each vehicle by itself puts it first, with the smallest lead on the {least}"
    )
    return (
        f" {agreement} ({best} {_number(values[best])}, {rival} {_number(values[rival])}). Another vehicle may differ."
    )


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
    text = f"Between the best and the worst position {words} differs: {_list(parts)}."
    if any(ranking.too_few for ranking in rankings):
        return text
    first, last = rankings[0].range, rankings[-1].range
    if first > 0 and last < 0.5 * first:
        text += f" The position matters much less with {rankings[-1].detector}."
    elif last > 0 and first < 0.5 * last:
        text += f" The position matters much less with {rankings[0].detector}."
    return text


def tell_left_out(ranking: Ranking) -> str:
    """How many recordings the ranking and its scores leave out; empty without such."""
    if not ranking.left_out:
        return ""
    further = "1 further recording was" if ranking.left_out == 1 else f"{ranking.left_out} further recordings were"
    return f"{further} not made at every position and left out here; 'tapsig score' counts them"


def judge_pair(pair: VariantComparison) -> str:
    """One sentence: which of two detectors is better, or that these recordings cannot tell."""
    difference, needed = pair.difference, pair.difference.needed
    size = abs(difference.estimate.value)
    gap = (
        f"{pair.criterion.words} differs by {'–' if math.isnan(size) else f'{size:.3f}'} (p ="
        f" {difference.p_adjusted:.2g} after Holm, {count_recordings(pair.recordings)})"
    )
    if difference.clear:
        ahead, behind = pair.first, pair.second
        if difference.estimate.value * pair.criterion.sign < 0:
            ahead, behind = behind, ahead
        return f"{ahead} is better than {behind}: {gap}."
    more = f"about {needed:.0f} would tell" if needed < 1000 else "over 1000 would be needed to tell"
    return f"These recordings cannot tell {pair.first} from {pair.second}: {gap}; {more}."


def list_delay_rows(delays: Sequence[ChannelDelay]) -> list[dict[str, object]]:
    """Delays between channels as plain rows."""
    return [dataclasses.asdict(delay) for delay in delays]


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}" if abs(value) < 10 else f"{value:.0f}"


def _p(value: float) -> str:
    return "under 0.001" if value < 0.001 else f"{value:.2g}"


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
