"""Files in: recordings, labels, corpora. Nothing is guessed, and nothing is lost without a finding that says so."""

from tapsig.load.corpus import Corpus, CorpusEntry, load_corpus
from tapsig.load.findings import LoadReport, Stretch
from tapsig.load.labels import load_labels, write_labels
from tapsig.load.recording import load_recording, read_recording
from tapsig.load.wav import WavInfo, read_wav_blocks, read_wav_info, write_cue_labels, write_wav
from tapsig.records import Finding

__all__ = [
    "Corpus", "CorpusEntry", "Finding", "LoadReport", "Stretch", "WavInfo", "load_corpus", "load_labels",
    "load_recording", "read_recording", "read_wav_blocks", "read_wav_info", "write_cue_labels", "write_labels",
    "write_wav",
]  # fmt: skip
