"""Results of comparing positions or detectors as sentences, with their uncertainty."""

import math
from collections.abc import Mapping

from tapsig.comparison import statistics as comparison
from tapsig.comparison.detectors import VariantComparison
from tapsig.comparison.positions import Ranking
from tapsig.comparison.statistics import Difference

MAX_USEFUL_RECORDINGS = 400
"""A difference that needs more recordings than this hardly matters in use."""


def count_recordings(recordings: int, channels: int = 0) -> str:
    """Number of recordings (files) and channels, in words.

    >>> count_recordings(1), count_recordings(32, 113)
    ('1 recording', '113 channels of 32 recordings')
    """
    files = "1 recording" if recordings == 1 else f"{recordings} recordings"
    return f"{channels} channels of {files}" if channels > recordings else files


def advise(ranking: Ranking) -> str:
    """Describe a ranking: the best position, its significance, the vehicles, and the recordings still needed."""
    least = comparison.count_min_recordings(len(ranking.differences), paired=ranking.paired)
    best, *others = ranking.positions
    others = [other for other in others if not math.isnan(other.estimate.value)]
    at_once = "made at every position at once" if ranking.paired else "in all"
    if ranking.undefined:
        at_once += f" in which {ranking.criterion.words} is defined"
    if not others:
        but = "" if math.isnan(best.estimate.value) else f" but the {best.position}"
        return f"No comparison: {ranking.criterion.words} is undefined at every position{but}."
    if ranking.too_few:
        of_each = "" if ranking.paired else " of each"
        return (
            f"Too few recordings: {count_recordings(ranking.recordings)} {at_once}. Between"
            f" {len(ranking.positions)} positions, fewer than {least}{of_each} cannot reach significance at the 5 %"
            f" level. Make at least {ranking.count_more(least)} more."
        )
    pairs = [ranking.find_difference(best.position, other.position) for other in others]
    rivals = {other.position: pair for other, pair in zip(others, pairs, strict=True) if not pair.significant}
    where = f" on {_name_vehicles(ranking)}" if ranking.vehicles else ""
    at_known = "" if len(others) + 1 == len(ranking.positions) else " where it is defined"
    if not rivals:
        return (
            f"Put the sensor on the {best.position}:{where} its {ranking.criterion.words} of"
            f" {_number(best.estimate.value)} is better than at every other position{at_known}. The next is the"
            f" {others[0].position} with {_number(others[0].estimate.value)} (p = {_p(pairs[0].p_adjusted)} after"
            f" Holm).{_compare_vehicles(ranking)}"
        )
    beaten = [other.position for other in others if other.position not in rivals]
    equal = [other.position for other in others if other.estimate.value == best.estimate.value]
    start = f"the {_list([best.position, *equal])} {'rank equally first' if equal else 'ranks first'}"
    if not beaten and all(pair.estimate.low <= 0 <= pair.estimate.high for pair in pairs):
        start = f"Too few recordings, or no difference that matters: {start}"
    start = start[0].upper() + start[1:]
    text = (
        f"{start}{where} with {ranking.criterion.words} {_number(best.estimate.value)}, but over"
        f" {ranking.recordings} recordings {at_once} the difference from the {_list(list(rivals))} is not significant."
    )
    if beaten:
        text += f" It is better than the {_list(beaten)}."
    return text + _needed(ranking, rivals) + _compare_vehicles(ranking)


def _needed(ranking: Ranking, rivals: Mapping[str, Difference]) -> str:
    soon = {rival: pair.needed for rival, pair in rivals.items() if pair.needed <= MAX_USEFUL_RECORDINGS}
    if not soon:
        return f" Over {MAX_USEFUL_RECORDINGS} recordings would be needed: choose the position that is easiest to fit."
    more = ranking.count_more(max(soon.values()))
    return (
        f" About {more} more recordings would show the difference from the {_list(list(soon))}, if it is as large as"
        " observed (power 80 % for each)."
    )


def _name_vehicles(ranking: Ranking) -> str:
    names = list(ranking.vehicles)
    return f"the {names[0]}" if len(names) == 1 else f"these {len(names)} vehicles"


def _compare_vehicles(ranking: Ranking) -> str:
    """Whether each vehicle by itself gives the same best position; recordings of one vehicle describe only that one."""
    best, sign = ranking.positions[0].position, ranking.criterion.sign
    leads: dict[str, tuple[float, str]] = {}
    for vehicle, values in ranking.vehicles.items():
        lead = {other: sign * (values[best] - value) for other, value in values.items() if other != best}
        known = [(value, other) for other, value in lead.items() if not math.isnan(value)]
        if known:
            leads[vehicle] = min(known)
    if len(leads) < 2:
        return " Other vehicles may differ."
    against = sum(lead < 0 for lead, _ in leads.values())
    least = min(leads, key=lambda vehicle: leads[vehicle])
    rival, values = leads[least][1], ranking.vehicles[least]
    agreement = (
        f"The vehicles disagree: on {against} of {len(leads)} another position ranks first, most clearly on the {least}"
        if against
        else f"It ranks first on each vehicle, with the smallest lead on the {least}"
    )
    return (
        f" {agreement} ({best} {_number(values[best])}, {rival} {_number(values[rival])}). Other vehicles may differ."
    )


def _describe_range(ranking: Ranking) -> str:
    best, worst = ranking.positions[0], ranking.positions[-1]
    if ranking.range == 0.0:
        return f"with {ranking.detector} not at all ({_number(best.estimate.value)} at every position)"
    return (
        f"with {ranking.detector} {_number(ranking.range)} ({best.position} {_number(best.estimate.value)},"
        f" {worst.position} {_number(worst.estimate.value)})"
    )


def compare_detectors(rankings: tuple[Ranking, ...]) -> str:
    """Describe how much the position matters under each detector; empty for one detector."""
    if len(rankings) < 2:
        return ""
    words = rankings[0].criterion.words
    if all(ranking.range == 0.0 for ranking in rankings):
        return f"No position is better or worse by {words} with any detector."
    parts = [_describe_range(ranking) for ranking in rankings]
    text = f"Between the best and the worst position {words} differs: {_list(parts)}."
    if any(ranking.too_few for ranking in rankings):
        return text
    less, more = sorted((rankings[0], rankings[-1]), key=lambda ranking: ranking.range)
    return text + (f" The position matters much less with {less.detector}." if less.range < 0.5 * more.range else "")


def describe_left_out(ranking: Ranking) -> str:
    """Describe how many recordings the ranking and its scores leave out; empty without such."""
    parts = []
    if ranking.left_out:
        further = "1 further recording was" if ranking.left_out == 1 else f"{ranking.left_out} further recordings were"
        parts.append(f"{further} not made at every position: left out here, and counted by 'tapsig score'")
    if ranking.undefined:
        more = "1 more recording" if ranking.undefined == 1 else f"{ranking.undefined} more recordings"
        parts.append(f"Not counted: {more} in which {ranking.criterion.words} is undefined at every position")
    return ". ".join(parts)


def describe_pair(pair: VariantComparison) -> str:
    """One sentence: which of two detectors is better, or why that cannot be said."""
    difference, needed = pair.difference, pair.difference.needed
    size = abs(difference.estimate.value)
    if math.isnan(size):
        values = zip((pair.first, pair.second), pair.values, strict=True)
        undefined = _list([name for name, estimate in values if math.isnan(estimate.value)])
        return f"No comparison of {pair.first} and {pair.second}: {pair.criterion.words} of {undefined} is undefined."
    digits = 3 if size < 100.0 else 0
    gap = (
        f"{pair.criterion.words} differs by {size:.{digits}f} (p = {difference.p_adjusted:.2g} after Holm,"
        f" {count_recordings(pair.recordings)})"
    )
    if difference.significant:
        ahead, behind = pair.first, pair.second
        if difference.estimate.value * pair.criterion.sign < 0:
            ahead, behind = behind, ahead
        return f"{ahead} is better than {behind}: {gap}."
    more = f"about {needed:.0f}" if needed < 1000 else "over 1000"
    more = "these are too few to show any" if math.isnan(needed) else f"{more} recordings would be needed"
    return f"The difference between {pair.first} and {pair.second} is not significant: {gap}; {more}."


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}" if abs(value) < 10 else f"{value:.0f}"


def _p(value: float) -> str:
    return "under 0.001" if value < 0.001 else f"{value:.2g}"


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
