"""The first start after installation: the two large kernels of `tap` are compiled side by side."""

import subprocess
import sys
from pathlib import Path

from tapsig.detect.base import Variant

COMPILE = "from tapsig.detect.tap import Tap; Tap().build(8000.0).compile_gate()"
_beside: list["subprocess.Popen[bytes]"] = []  # kept, so that nobody complains that it still runs when we have ended


def compile_beside(variant: Variant) -> None:
    """Let another process compile the gate of `tap`, unless it has been, while this one compiles the core and runs it.

    Both keep what they compile in the same cache, where this process finds the gate when the first candidates come; if
    the other is late or fails, this one compiles the gate itself.
    """
    if variant.name != "tap":
        return
    from tapsig.detect.gate import judge  # heavy, and needed now

    stats = getattr(judge, "stats", None)  # None with NUMBA_DISABLE_JIT: then nothing is compiled
    if stats is not None and not any(Path(stats.cache_path).glob("gate.judge-*.nbi")):
        _beside.append(subprocess.Popen([sys.executable, "-c", COMPILE], stdin=subprocess.DEVNULL,
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
