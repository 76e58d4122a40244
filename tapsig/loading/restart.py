"""Stamps that go back: after a counter's wrap, a restart of the controller, or in a corrupted line."""

import numpy as np

from tapsig.errors import RecordingError
from tapsig.loading.lines import Table
from tapsig.units import FloatArray, IntArray

WRAP_S = 0.1  # a counter continues at once after a wrap, a restart takes longer (common practice, no source)
WRAP_PERIODS = 20
MAX_STEPS_BACK, MAX_BACK_SHARE = 10_000, 0.05
SHORT_WRAP, SHORT_SHARE = 65536.0, 0.8


def correct_steps_back(raw: FloatArray, unit_s: float, wrap: float | None, table: Table) -> tuple[FloatArray, IntArray]:
    """Stamps that ascend, and the samples of the table that they belong to.

    A wrapped counter is unwrapped (`wrap` is its period, None = never). A corrupted stamp is left out with its line.
    Everything after a restart is left out, since the time in between is unknown. Raises RecordingError if that is most
    of the log, or if stamps go back in too many places.
    """
    ticks, kept = raw.copy(), np.arange(raw.size)
    period = float(np.median(np.abs(np.diff(ticks[: 1 << 16]))))
    near = max(WRAP_S / unit_s, WRAP_PERIODS * period)
    handled, most = 0, min(MAX_STEPS_BACK, max(10, round(MAX_BACK_SHARE * raw.size)))
    while (back := np.flatnonzero(ticks[1:] < ticks[:-1])).size:
        handled += back.size
        if handled > most:
            raise RecordingError(
                f"{table.source}: its time stamps go back in over {most} places, one is line"
                f" {table.line_of(int(kept[back[0] + 1]))}; is the time column right?"
            )
        drop: list[int] = []
        for step in map(int, back):
            before, after = int(kept[step]), int(kept[step + 1])
            texts_between = np.any((table.texts > before) & (table.texts <= after))  # as after a restart
            if wrap is not None and not texts_between and 0 <= ticks[step + 1] + wrap - ticks[step] <= near:
                ticks[step + 1 :] += wrap
                table.note("counter-wrap", f"the counter wraps at {wrap:.0f}; the time goes on", after)
                continue
            spoilt = _spoilt(ticks, step, near)
            if spoilt is None:
                _note_restart(ticks, step, table, after)
                ticks, kept = ticks[: step + 1], kept[: step + 1]
                break
            drop.append(spoilt)
            message = f"the stamp {ticks[spoilt]:.15g} does not fit its neighbours; line left out"
            table.note("spoilt-stamp", message, int(kept[spoilt]))
        ticks, kept = np.delete(ticks, drop), np.delete(kept, drop)
    return ticks, kept


def unwrap_short_counter(raw: FloatArray) -> FloatArray | None:
    """Stamps of a counter of 16 bits, made to ascend; None where they are no such stamps.

    The criteria: none is over 65535, and with 65536 added nearly every step back is a typical step forward.
    """
    steps = np.diff(raw)
    back = steps < 0
    if not back.any() or raw.min() < 0 or raw.max() >= SHORT_WRAP or np.any(raw % 1.0):
        return None
    usual = float(np.median(steps[~back])) if not back.all() else 0.0
    over = steps[back] + SHORT_WRAP
    if np.count_nonzero(over <= max(3.0 * usual, usual + 1.0)) < SHORT_SHARE * over.size:
        return None
    return raw + SHORT_WRAP * np.concatenate([[0.0], np.cumsum(back)])


def _spoilt(ticks: FloatArray, step: int, near: float) -> int | None:
    """Which of the samples `step` and `step + 1` has a corrupted stamp; None if stamps continue from the lower value.

    It is the one without which its neighbours ascend, by a short step if possible.
    """
    before, after = ticks[step], ticks[step + 1]
    left = ticks[step - 1] if step else -np.inf
    right = ticks[step + 2] if step + 2 < ticks.size else np.inf
    if after >= left and after - left <= near:
        return step
    if right >= before and right - before <= near:
        return step + 1
    if after >= left and step:
        return step
    if right >= before and step + 2 < ticks.size:
        return step + 1
    return step if step == 0 else None


def _note_restart(ticks: FloatArray, step: int, table: Table, sample: int) -> None:
    rest = ticks.size - step - 1
    what = f"the clock restarts, from {ticks[step]:.15g} to {ticks[step + 1]:.15g}: the time in between is unknown"
    if rest > step + 1:
        raise RecordingError(
            f"{table.place(sample)}: {what}, and most samples come after it ({rest} of {ticks.size});"
            " put the lines from there on into a file of their own"
        )
    message = f"{what}; {rest} samples from there on left out: put them into a file of their own"
    table.note("clock-restart", message, sample, count=rest)
