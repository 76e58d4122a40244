"""Each topic of the benchmarks replaces its own section of the README and no other."""

from pathlib import Path

import pytest

from benchmarks import sections


def test_a_section_is_added_then_replaced_and_the_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    sections.write_section("Speed", "first", "command a", path=path)
    sections.write_section("Detection", r"kept \1 \g<0>", "command b", path=path)
    before = path.read_text(encoding="utf-8")
    sections.write_section("Speed", "second", "command a", path=path)
    after = path.read_text(encoding="utf-8")
    assert "first" not in after
    assert after == before.replace("first", "second")
    assert after.startswith("# Benchmarks")
    assert r"kept \1 \g<0>" in after


def test_a_section_says_when_where_and_how_it_was_made(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    sections.write_section("Speed", "table", "python -m benchmarks.speed", path=path)
    text = path.read_text(encoding="utf-8")
    assert "`python -m benchmarks.speed` on 20" in text
    assert "numba" in text


def test_what_is_published_is_printed_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "README.md"
    sections.publish("Speed", "command a", "Words.", [{"room": "core", "share": 0.5}], "More.", path=path)
    body = "Words.\n\n```\nroom  share\n----  -----\ncore    0.5\n```\n\nMore."
    assert capsys.readouterr().out == f"{body}\n"
    assert f"\n\n{body}\n<!-- end Speed -->" in path.read_text(encoding="utf-8")
