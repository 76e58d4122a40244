"""Serial logs as a small controller writes them, with their typical faults."""

from dataclasses import dataclass

import numpy as np

from tapsig.errors import ParameterError
from tapsig.units import FloatArray, IntArray, check_range

COUNTER_WRAP_US = 2**32
BOOT_TEXT = ("\x00\x00ets boot: rst cause 2, mode 3", "piezo logger 0.3, A0", "settling...")


@dataclass(frozen=True, slots=True)
class SerialLog:
    """How a logger writes, and its faults.

    Parameters
    ----------
    style : its header, "us,adc" or "ms,adc": the unit of its time stamps.
    jitter_s : standard deviation of the sampling instants.
    gaps : stretches as (start_s, duration_s) without lines.
    dropped : share of single lines that are lost.
    torn : number of lines that are cut short or merged with the next one.
    first_us : the counter at the first sample; near 2**32 it wraps.
    """

    style: str
    jitter_s: float = 2e-5
    gaps: tuple[tuple[float, float], ...] = ()
    dropped: float = 0.0
    torn: int = 0
    first_us: int = 1_203_448

    def __post_init__(self) -> None:
        if self.style not in ("us,adc", "ms,adc"):
            raise ParameterError(f"style is {self.style!r}; it must be 'us,adc' or 'ms,adc'")
        check_range("dropped", self.dropped, 0.0, 0.5)
        check_range("jitter_s", self.jitter_s, 0.0, 1.0)


def sample_instants(duration_s: float, rate_hz: float, log: SerialLog, rng: np.random.Generator) -> FloatArray:
    """Sampling instants in seconds from the first one, without lost lines and gaps."""
    count = int(duration_s * rate_hz)
    late = np.abs(log.jitter_s * rng.standard_normal(count))
    late[0] = 0.0
    times = np.arange(count) / rate_hz + late
    kept = rng.random(count) >= log.dropped
    kept[:2] = True
    for start, length in log.gaps:
        kept &= (times < start) | (times >= start + length)
    return np.asarray(times[kept])


def render_log(
    times_s: FloatArray, counts: IntArray, log: SerialLog, rng: np.random.Generator, *, preamble: tuple[str, ...] = ()
) -> str:
    """The text of a log: preamble, the controller's boot text, header, and a line for each count."""
    if log.style == "us,adc":
        stamps = (log.first_us + np.round(times_s * 1e6).astype(np.int64)) % COUNTER_WRAP_US
    else:
        stamps = log.first_us // 1000 + np.floor(times_s * 1e3).astype(np.int64)
    lines = [f"{stamp},{count}" for stamp, count in zip(stamps, counts, strict=True)]
    for place in rng.choice(np.arange(10, len(lines) - 10), log.torn, replace=False):
        # Two merged lines, or one without its end: the effect of a full buffer.
        lines[place] = lines[place] + lines[place + 1] if rng.random() < 0.5 else lines[place][:-2] + "\ufffd,"
    head = [*(f"# {line}" for line in preamble), *BOOT_TEXT, log.style]
    return "\r\n".join([*head, *lines]) + "\r\n"
