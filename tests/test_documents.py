"""The sections that README and DEVELOPERS name exist."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
HEADINGS = {
    heading
    for name in ("README.md", "benchmarks/README.md")
    for heading in re.findall(r"^#+ (.+)$", (ROOT / name).read_text(encoding="utf-8"), re.MULTILINE)
}


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_section_that_is_named_in_quotes_exists(name: str) -> None:
    text = re.sub(r"```.*?```|`[^`]*`", "", (ROOT / name).read_text(encoding="utf-8"), flags=re.DOTALL)
    named = {" ".join(quoted.split()) for quoted in re.findall(r'"([^"]+)"', text)}
    assert len(named) > 1
    assert named <= HEADINGS
