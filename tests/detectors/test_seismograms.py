"""Real recordings that nobody here made: the seismograms that ship with obspy, with published trigger times."""

import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from tapsig.detectors import detect
from tapsig.detectors.sta_lta import StaLta
from tapsig.records import Recording

obspy = pytest.importorskip("obspy")

# obspy's tutorial "Trigger/Picker", network coincidence: recursive STA/LTA on 3.5, off 1, 0.5 s/10 s, band 10–20 Hz;
# events of 27 May 2010, hours UTC.
PUBLISHED = ("2010-05-27T16:24:33.19", "2010-05-27T16:27:01.26", "2010-05-27T16:27:30.49")
STATIONS = ("BW.UH1._.SHZ", "BW.UH2._.SHZ", "BW.UH3._.SHZ", "BW.UH4._.EHZ")
TOGETHER_S = 2.0


def triggers(station: str) -> np.ndarray:
    """Trigger times of one station, seconds since 1970."""
    path = Path(obspy.__file__).parent / "signal" / "tests" / "data" / f"{station}.D.2010.147.cut.slist.gz"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # obspy's own, on reading
        trace = obspy.read(str(path))[0]
    fs = float(trace.stats.sampling_rate)
    band = signal.butter(4, (10.0, 20.0), "bandpass", fs=fs, output="sos")
    recording = Recording(signal.sosfilt(band, trace.data.astype(np.float64)), fs)
    variant = StaLta(sta_s=0.5, lta_s=10.0, on=3.5, off=1.0, floor_v=0.0, high_pass_hz=0.0)
    return trace.stats.starttime.timestamp + detect(variant, recording).onset_samples / fs


def test_sta_lta_finds_the_three_published_events_within_20_ms() -> None:
    found = [(time, station) for station in STATIONS for time in triggers(station)]
    events = []
    for time, _ in sorted(found):
        heard_by = {station for other, station in found if time <= other <= time + TOGETHER_S}
        if len(heard_by) >= 3 and (not events or time - events[-1] > 10.0):
            events.append(time)
    published = [obspy.UTCDateTime(text).timestamp for text in PUBLISHED]
    assert len(events) == 3
    assert np.abs(np.array(events) - published).max() <= 0.0201  # the list is rounded to 10 ms
