"""One self-contained page on which a person checks and corrects labels: from disk, without a network."""

import base64
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from tapsig.errors import LabelError, ParameterError
from tapsig.records import TAP, Label, Recording
from tapsig.report.page import SIMULATED, compute_digest, read_template, render_template
from tapsig.units import check_range

KINDS = (TAP, "step", "thump", "slam", "rain", "hail", "rattle", "music", "brush", "rebound", "unsure")
MOST_SAMPLES = 1 << 23  # 17 minutes at 8 kHz; a page of about 25 MB
SCRIPTS = ("samples.js", "review_data.js", "review_marks.js", "review_view.js", "review_page.js")


def build_page(
    recording: Recording,
    marks: Mapping[Label, float | None],
    *,
    name: str,
    targets_s: Sequence[float] = (),
    save_name: str = "labels.csv",
    save_url: str | None = None,
    doubtful_below: float = 0.8,
    part: bool = False,
    simulated: bool = False,
) -> str:
    """The review page as HTML. Times on it, of marks and of `targets_s`, are those of the recording's file.

    Parameters
    ----------
    marks : labels with the confidence that each is a tap (0 to 1); None once a person has decided.
    name : what the page calls the recording and its channel; shown as text whatever it holds.
    targets_s : onsets to which a mark snaps; where there are none near, it snaps to the sharpest rise.
    save_name : file name of the download.
    part : the recording is a part of its file; marks outside it are kept as they are.
    simulated : the page says first that it shows a simulation.
    save_url : where to send the labels instead; only `ReviewServer` gives one.

    Raises ParameterError for a recording that holds no samples or too many for one page, and LabelError for a mark
    outside the recording.
    """
    if not 0 < recording.samples.size <= MOST_SAMPLES:
        raise ParameterError(
            f"{name} holds {recording.samples.size} samples; a page takes 1 to {MOST_SAMPLES}:"
            " choose a part with --from and --to"
        )
    end_s = recording.start_s + recording.span_s
    for mark in marks:
        if mark.onset_s > end_s and not part:
            raise LabelError(
                f"{name}: a label lies at {mark.onset_s:.3f} s, the recording ends at {end_s:.3f} s;"
                " are these the labels of another recording?"
            )
    centred = recording.samples - float(np.median(recording.samples))
    volts_per_step = max(float(np.abs(centred).max()), 1e-9) / 32767.0
    steps = np.rint(centred / volts_per_step).astype("<i2")
    document = {
        "fs": recording.fs,
        "volts_per_step": volts_per_step,
        "gaps": [
            *([[0, recording.start_s]] if recording.start_s else []),
            *([gap.sample, gap.duration_s] for gap in recording.gaps),
        ],
        "marks": [
            {"onset_s": mark.onset_s, "kind": mark.kind, "confidence": sure}
            for mark, sure in sorted(marks.items(), key=lambda item: item[0].onset_s)
        ],
        "targets_s": [round(float(target), 6) for target in targets_s],
        "doubtful_below": check_range("doubtful_below", doubtful_below, 0.0, 1.0),
        "kinds": [*KINDS, *sorted({mark.kind for mark in marks} - {*KINDS})],
        "save_name": Path(save_name).name,
        "save_url": save_url,
    }
    script, style = read_template(*SCRIPTS), read_template("review.css")
    reach = "self" if save_url else "none"
    policy = (
        f"default-src 'none'; script-src '{compute_digest(script)}'; style-src '{compute_digest(style)}';"
        f" connect-src '{reach}'; base-uri 'none'; form-action 'none'"
    )
    return render_template(
        "review.html",
        name=name,
        heading="Proposed labels" if any(sure is not None for sure in marks.values()) else "Labels",
        simulated=SIMULATED if simulated else "",
        policy=policy,
        style=style,
        script=script,
        data=document,
        samples=base64.b64encode(steps.tobytes()).decode("ascii"),
    )
