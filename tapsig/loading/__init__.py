"""Files in: recordings, labels, corpora. Nothing is guessed, and nothing is lost without a finding that says so."""

from tapsig.loading.corpus import Corpus, CorpusEntry, load_corpus
from tapsig.loading.findings import LoadReport
from tapsig.loading.labels import load_labels, write_labels
from tapsig.loading.read_options import ReadOptions
from tapsig.loading.recording import load_recording, read_recording
from tapsig.loading.riff import read_wav_info
from tapsig.loading.wav import read_wav_blocks
from tapsig.loading.wav_writing import write_cue_labels, write_wav

__all__ = [
    "Corpus",
    "CorpusEntry",
    "LoadReport",
    "ReadOptions",
    "load_corpus",
    "load_labels",
    "load_recording",
    "read_recording",
    "read_wav_blocks",
    "read_wav_info",
    "write_cue_labels",
    "write_labels",
    "write_wav",
]
