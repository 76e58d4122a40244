"""A small labelled example, simulated, with a script and a notebook for each of three users."""

import json
import re
from importlib import resources
from pathlib import Path

import numpy as np

from tapsig.loading.files import check_target, make_folder, replace_file

USERS = ("maker", "researcher", "developer")
SHIPPED = ("door.wav", "door.labels.csv", "rain.wav", "rain.labels.csv", "corpus.csv", "README.txt")
HEADER_BYTES = 44
"""Of a WAV file of whole samples without other chunks, as the shipped ones are."""
CELL = re.compile(r"^# %%(?: \[(\w+)\])?\n", re.MULTILINE)


def write_quickstart(folder: str | Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write the example to `folder`, which is made if need be.

    Parameters
    ----------
    folder : str or Path
        Where to write.
    force : bool
        Replace files that exist.

    Returns
    -------
    tuple of Path
        What was written: recordings, labels, a manifest, and a script and a notebook for each of USERS.

    Raises
    ------
    ParameterError
        For a file that exists when not `force`, or one in the place of the folder.
    """
    folder = Path(folder)
    files = render_quickstart()
    make_folder(folder)
    for name in files:
        check_target(folder / name, force=force, option="DIR")
    for name, content in files.items():
        replace_file(folder / name, content)
    return tuple(folder / name for name in files)


def render_quickstart() -> dict[str, bytes]:
    """The files of the example, name -> content."""
    place = resources.files("tapsig.quickstart").joinpath("files")
    files = {name: place.joinpath(name).read_bytes() for name in SHIPPED}
    files["counts.txt"] = _render_counts(files["door.wav"])
    for user in USERS:
        script = place.joinpath(f"{user}.txt").read_text(encoding="utf-8")
        files[f"{user}.py"] = script.encode()
        files[f"{user}.ipynb"] = render_notebook(script).encode()
    return files


def _render_counts(wav: bytes) -> bytes:
    """Channel 1 of a WAV file of 10 bits as a serial log: a count a line, 0 to 1023."""
    frames = np.frombuffer(wav[HEADER_BYTES:], "<i2").reshape(-1, 2)
    return "".join(f"{count}\n" for count in (frames[:, 1] >> 6) + 512).encode()


def render_notebook(script: str) -> str:
    """A notebook (nbformat 4.5) of a script whose cells begin with `# %%`, or `# %% [markdown]` for a text.

    >>> json.loads(render_notebook("# %% [markdown]\\n# A text\\n# %%\\nprint(1)\\n"))["cells"][1]["source"]
    ['print(1)']
    """
    _, *parts = CELL.split(script)
    cells = [
        _make_cell(number, kind, text) for number, (kind, text) in enumerate(zip(parts[::2], parts[1::2], strict=True))
    ]
    language = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    document = {"cells": cells, "metadata": language, "nbformat": 4, "nbformat_minor": 5}
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _make_cell(number: int, kind: str | None, text: str) -> dict[str, object]:
    cell: dict[str, object] = {"id": f"cell-{number}", "metadata": {}}
    if kind == "markdown":
        text = re.sub("^# ?", "", text, flags=re.MULTILINE)
        return cell | {"cell_type": "markdown", "source": text.strip().splitlines(keepends=True)}
    source = text.strip().splitlines(keepends=True)
    return cell | {"cell_type": "code", "execution_count": None, "outputs": [], "source": source}
