"""A self-contained page of results: text, tables and pictures in one file that needs no network and no script."""

import platform
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import metadata, resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tapsig._version import __version__


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under a caption; the first column names the row."""

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class Picture:
    """An inline SVG (made by `tapsig.report.charts`) with its caption."""

    caption: str
    svg: Markup


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with paragraphs, pictures and tables, in that order."""

    heading: str
    paragraphs: Sequence[str] = ()
    pictures: Sequence[Picture] = ()
    tables: Sequence[Table] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """What a page says: the summary first, the command that made it last."""

    title: str
    summary: Sequence[str]
    sections: Sequence[Section]
    method: Sequence[str]
    limits: Sequence[str]
    command: str
    versions: Sequence[str] = field(default_factory=lambda: list_versions())


def list_versions() -> list[str]:
    """What computed the numbers."""
    libraries = [f"{name} {metadata.version(name)}" for name in ("numpy", "scipy")]
    return [f"tapsig {__version__}", f"Python {platform.python_version()}", *libraries]


def render_page(page: Page) -> str:
    """The page as HTML; every text is escaped."""
    environment = Environment(
        loader=PackageLoader("tapsig.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = resources.files("tapsig.report").joinpath("templates", "page.css").read_text(encoding="utf-8")
    return environment.get_template("page.html").render(page=page, style=Markup(style))


def format_estimate(value: object, low: object = None, high: object = None, *, digits: int = 2) -> str:
    """A value with its interval in brackets; – where undefined.

    >>> format_estimate(0.5, 0.41, 0.6), format_estimate(float("nan"))
    ('0.50 (0.41–0.60)', '–')
    """
    if not isinstance(value, (int, float)) or value != value:
        return "–"
    text = f"{value:.{digits}f}"
    if isinstance(low, (int, float)) and isinstance(high, (int, float)) and low == low and high == high:
        between = " to " if low < 0 else "–"
        text += f" ({low:.{digits}f}{between}{high:.{digits}f})"
    return text.replace("-", "−")
