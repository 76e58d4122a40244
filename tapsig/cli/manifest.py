"""What a corpus' manifest says of a recording that is named without its corpus."""

from pathlib import Path
from typing import TYPE_CHECKING

from tapsig.errors import TapsigError

if TYPE_CHECKING:
    from tapsig.loading import CorpusEntry


def find_entry(path: Path, channel: int) -> "tuple[CorpusEntry | None, list[CorpusEntry]]":
    """What a manifest in the file's folder, or the one above, says of it and of its other positions."""
    from tapsig.loading import load_corpus  # heavy rooms load when they are used

    if not path.is_file():
        return None, []
    for folder in path.resolve().parents[:2]:
        if (folder / "corpus.csv").is_file():
            try:
                entries = load_corpus(folder).entries
            except TapsigError:
                continue
            of_file = [entry for entry in entries if entry.path.samefile(path)]
            for entry in of_file:
                if entry.channel == channel:
                    return entry, [other for other in of_file if other.position not in ("", entry.position)]
    return None, []
