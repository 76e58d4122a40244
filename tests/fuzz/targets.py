"""What is fuzzed: each target takes bytes and may raise nothing but tapsig's own errors.

`TARGETS` maps a name to (function, seeds, dictionary). A function returns whether its input was read, so that a run can
tell that it did not only see refusals.
"""

import atexit
import contextlib
import io
import os
import shutil
import struct
import tempfile
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from tapsig.cli import main
from tapsig.detectors import CATALOGUE, load_detector
from tapsig.detectors.saved import render_detector
from tapsig.errors import TapsigError
from tapsig.loading import ReadOptions, load_corpus, load_labels, read_recording, write_wav
from tapsig.records import Label, Recording

FOLDER = Path(tempfile.mkdtemp(prefix="tapsig-fuzz-", dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
atexit.register(shutil.rmtree, FOLDER, ignore_errors=True)
MAX_SAMPLES_A_BYTE = 1.0
CLI_WORDS = (
    "-h --format json csv table --adc-bits 10 --fs 1000 --channel 0 --labels --detector fixed-threshold null --window"
    " 0.05 --code 3-1-4 --set dead_time_s=0.1 threshold_v=-1 nan -1 1e999  =cmd() --rejected --full-scale-v --time-unit"
    " us"
)
"""Parts of command lines; two blanks hold an empty one."""
CLI_COMMANDS = [
    words
    for words in ("agree", "corpus check", "detect", "entry", "health", "propose", "score", "export", "positions")
    if find_spec(f"tapsig.cli.{words.split()[0]}")
]


def check_recording(recording: Recording, size: int) -> None:
    """What holds for any recording that was read from `size` bytes."""
    assert recording.samples.size <= MAX_SAMPLES_A_BYTE * size
    assert np.isfinite(recording.samples).all()
    assert np.isfinite(recording.span_s)
    assert recording.fs > 0
    times = recording.times_s(np.arange(recording.samples.size))
    assert (np.diff(times) > 0).all()


def fuzz_wav(data: bytes) -> bool:
    """A WAV file, its cue points too."""
    path = FOLDER / "x.wav"
    path.write_bytes(data)
    read = False
    with contextlib.suppress(TapsigError):
        check_recording(read_recording(path)[0], len(data))
        read = True
    with contextlib.suppress(TapsigError):
        load_labels(path)
    return read


def fuzz_log(data: bytes) -> bool:
    """A CSV log: the first byte chooses how it is read."""
    path = FOLDER / "x.csv"
    path.write_bytes(data[1:])
    choice = data[0] if data else 0
    arguments = {
        "adc_bits": (None, 10)[choice & 1],
        "fs": (None, 1000.0)[choice >> 1 & 1],
        "time_unit": (None, "us", "ms", "s")[choice >> 2 & 3],
        "channel": choice >> 4 & 1,
    }
    try:
        recording, report = read_recording(path, ReadOptions(**arguments))
    except TapsigError:
        return False
    check_recording(recording, len(data))
    lines = 1 + data.count(b"\n") + data.count(b"\r") + data.count(b"\x0a\x00") + data.count(b"\x0d\x00")
    assert all(finding.line is None or 1 <= finding.line <= lines for finding in report.findings)
    return True


def fuzz_labels(data: bytes) -> bool:
    """A label file."""
    path = FOLDER / "labels.csv"
    path.write_bytes(data)
    try:
        labels = load_labels(path)
    except TapsigError:
        return False
    assert list(labels) == sorted(set(labels))
    return True


def fuzz_manifest(data: bytes) -> bool:
    """A manifest, beside one recording that it may name."""
    folder = FOLDER / "corpus"
    if not folder.exists():
        folder.mkdir()
        write_wav(folder / "a.wav", [0.0, 0.5], 8000, full_scale_v=1.0)
        (FOLDER / "outside.wav").write_bytes((folder / "a.wav").read_bytes())
    (folder / "corpus.csv").write_bytes(data)
    try:
        corpus = load_corpus(folder)
    except TapsigError:
        return False
    for entry in corpus.entries:
        assert entry.path.resolve().is_relative_to(folder.resolve())
    return bool(corpus.entries)


def fuzz_detector(data: bytes) -> bool:
    """A detector in a file; one that is read must also build and run."""
    path = FOLDER / "detector.json"
    path.write_bytes(data)
    try:
        detector = load_detector(str(path)).build(8000.0)
        detector.push(np.linspace(-1.0, 1.0, 64))
        detector.flush()
    except TapsigError:
        return False
    return True


def fuzz_cli(data: bytes) -> bool:
    """A command line of plausible and of any words; nothing outside FOLDER is written."""
    files = make_files()
    words = [*CLI_WORDS.split(" "), *files]
    argv: list[str] = [*CLI_COMMANDS[data[0] % len(CLI_COMMANDS)].split()] if data else []
    for byte in data[1:12]:
        argv.append(words[byte] if byte < len(words) else files[byte % len(files)])
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as errors:
        try:
            code = main(argv)
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 2
    assert code in (0, 1, 2), f"exit code {code} of {argv}"
    assert "Traceback" not in errors.getvalue()
    return code == 0


def make_files() -> list[str]:
    """Small files of every kind for the command line, made once."""
    folder = FOLDER / "cli"
    if not folder.exists():
        (folder / "corpus").mkdir(parents=True)
        samples = np.zeros(4000)
        samples[1000:1008] = samples[2500:2508] = 0.5
        write_wav(folder / "a.wav", samples, 2000, full_scale_v=1.0, labels=[Label(0.5), Label(1.25)])
        write_wav(folder / "corpus" / "a.wav", samples, 2000, full_scale_v=1.0)
        for place in (folder, folder / "corpus"):
            (place / "labels.csv").write_text("onset_s,kind\n0.5,tap\n1.25,tap\n")
        (folder / "corpus" / "corpus.csv").write_text(
            "recording,labels,vehicle,position,split\na.wav,labels.csv,heron,frame,test\n"
        )
        (folder / "log.csv").write_bytes(LOG_SEEDS[0][1:])
        (folder / "bad.csv").write_bytes(b"\0\xff,;\n" * 20)
        (folder / "empty.wav").touch()
        (folder / "detector.json").write_bytes(DETECTOR_SEEDS[0])
        (folder / "<b>&.csv").write_text("onset_s,kind\n0.5,<script>\n")
    return [str(folder), str(folder / "corpus"), *map(str, sorted(folder.glob("*.*"))), str(folder / "none.wav")]


def _wav_seeds() -> list[bytes]:
    path = FOLDER / "seed.wav"
    seeds = []
    for bits in (8, 16, 24, 32):
        write_wav(path, [[0.0, 0.5, -0.5], [0.25, 0.0, 1.0]], 8000, full_scale_v=1.0, bits=bits, labels=[Label(1e-4)])
        seeds.append(path.read_bytes())
    body = struct.pack("<4f", 0.5, float("nan"), 2.0, -0.25)
    seeds.append(
        b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<IHHIIHH", 16, 3, 1, 8000, 32000, 4, 32) + b"data\0\0\0\0" + body
    )
    return seeds


LOG_SEEDS = [
    b"\x01us,adc\n" + b"".join(b"%d,%d\n" % (5_000_000 + 1000 * i, 512 + i) for i in range(30)),
    b"\x03# adc_bits=10\n# fs_hz=1000\n" + b"512\n513\n" * 10,
    b"\x00time_s;volts\n" + b"".join(b"%d,%03d;1,5\n" % (i // 1000, i) for i in range(12)),
    b"\x02" + "volts\n0.5\n0.25\nnan\n1e-3\n".encode("utf-16"),
    b"\x01" + b"".join(b"12:00:%02d.000 -> %d\r\n" % (i, 512 + i) for i in range(12)),
    b"\x11t0_us,a0,t1_us,a1\n" + b"".join(b"%d,%d,%d,0x1FF\n" % (1000 * i, i, 1000 * i + 300) for i in range(12)),
    b"\x01us,adc\r\n" + b"".join(b"%d,%d,\r\n" % ((4294960000 + 1000 * i) % 2**32, 512) for i in range(20)),
]
DETECTOR_SEEDS = [
    render_detector(CATALOGUE[name]).encode()
    for name in ("fixed-threshold", "sta-lta", "random", "prominence", "ring-following", "innovation", "spectral-flux")
]
LABEL_SEEDS = [
    b"onset_s,kind\n1.5,tap\n0.25,thump\n",
    b"\xef\xbb\xbfonset_s;kind;confidence\r\n1,5;tap;0,9\r\n",
    "onset_s\n1.5\n# x\n2\n".encode("utf-16"),
]
MANIFEST_SEEDS = [
    b"recording,channel,labels,vehicle,fs_hz,adc_bits,mine\na.wav,0,,heron,8000,10,x\n",
    b'recording,split\n"a.wav",test\n../outside.wav,train\n',
]

NUMBERS = [b"0", b"-1", b"1e999", b"nan", b"4294967295", b"4294967296", b"9" * 20, b"0x", b"1_0", b"\xd9\xa1"]
TEXT_TOKENS = [b",", b";", b"\t", b"\n", b"\r", b"\r\n", b"\0", b'"', b"#", b" ", b".", *NUMBERS]
WAV_TOKENS = [*b"RIFF RF64 WAVE data LIST adtl labl ds64".split(), b"fmt ", b"cue "]
WAV_TOKENS += [b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xfe\xff", b"\1\0", b"\3\0"]
JSON_TOKENS = [*b'{ } [ ] : null true NaN Infinity "name" "parameters" 1e400'.split(), b"[" * 5000, *NUMBERS]

TARGETS: dict[str, tuple[Callable[[bytes], bool], list[bytes], list[bytes]]] = {
    "wav": (fuzz_wav, _wav_seeds(), WAV_TOKENS),
    "log": (fuzz_log, LOG_SEEDS, [*TEXT_TOKENS, b"us,adc", b"volts", b"ovf", b"nan", b"12:00:00 -> "]),
    "labels": (fuzz_labels, LABEL_SEEDS, [*TEXT_TOKENS, b"onset_s", b"kind"]),
    "manifest": (fuzz_manifest, MANIFEST_SEEDS, [*TEXT_TOKENS, b"recording", b"../", b"/", b"a.wav"]),
    "detector": (fuzz_detector, DETECTOR_SEEDS, JSON_TOKENS),
    "cli": (fuzz_cli, [bytes([i, 40, 1, 2]) for i in range(len(CLI_COMMANDS))], []),
}


def mutate(seeds: list[bytes], tokens: list[bytes], rng: np.random.Generator) -> bytes:
    """A seed with one to six changes: bytes altered, taken out or doubled, tokens put in, another seed spliced on."""
    data = bytearray(seeds[rng.integers(len(seeds))])
    for _ in range(rng.choice([1, 1, 2, 3, 6])):
        at = int(rng.integers(len(data) + 1))
        match rng.integers(7):
            case 0 if data:
                data[at % len(data)] = int(rng.integers(256))
            case 1 if data:
                data[at % len(data)] ^= 1 << int(rng.integers(8))
            case 2:
                del data[at : at + int(rng.integers(1, 9))]
            case 3:
                data[at:at] = data[at : at + int(rng.integers(1, 40))] * int(rng.integers(1, 4))
            case 4 if tokens:
                data[at:at] = tokens[rng.integers(len(tokens))]
            case 5 if digits := [place for place, byte in enumerate(data) if 48 <= byte < 58]:
                data[digits[rng.integers(len(digits))]] = 48 + int(rng.integers(10))
            case _:
                other = seeds[rng.integers(len(seeds))]
                data[at:] = other[int(rng.integers(len(other) + 1)) :]
    return bytes(data)
