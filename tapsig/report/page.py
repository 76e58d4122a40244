"""A self-contained page of results: text, tables and pictures in one file that needs no network and no script."""

import base64
import hashlib
import platform
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata, resources
from typing import TypeVar

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tapsig._version import __version__

Item = TypeVar("Item")
CAUTIONS = (
    "Doors hold airbag pressure sensors, side airbags and wiring. Do not drill, glue or route a wire near them; work to"
    " the vehicle maker's repair instructions, with the battery disconnected where they say so, or let a licensed"
    " workshop do it.",
    "A hidden entry weakens the security of a vehicle and may touch its insurance and type approval. Local law decides"
    " whether you may fit one. tapsig estimates risks; it is not a security product.",
    "A person or an animal locked in is an emergency: call the emergency services. Never let a tapped code be the only"
    " way to reach them.",
)
"""As README has them."""
SIMULATED = (
    "These recordings are simulated: computed from physics, not made on a vehicle. They show how the parts work"
    " together and say nothing about the accuracy on a real door."
)


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of text under a caption; the first column names the row. `prose`: its cells hold sentences."""

    caption: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    prose: bool = False


@dataclass(frozen=True, slots=True)
class Picture:
    """An inline SVG (by `tapsig.report.charts`), or an image element (by `drawing.embed_figure`), with its caption."""

    caption: str
    svg: Markup


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with paragraphs, numbered steps, timelines, pictures and tables, in that order.

    `beside`: on a wide screen the tables stand beside the pictures.
    """

    heading: str
    paragraphs: Sequence[str] = ()
    pictures: Sequence[Picture] = ()
    tables: Sequence[Table] = ()
    steps: Sequence[str] = ()
    timelines: Sequence[Markup] = ()
    beside: bool = False


def tabulate(
    caption: str, items: Iterable[Item], columns: Mapping[str, Callable[[Item], object]], *, prose: bool = False
) -> Table:
    """A row for each item; `columns` give each heading and what its cells show of an item."""
    rows = [[str(show(item)) for show in columns.values()] for item in items]
    return Table(caption, list(columns), rows, prose)


def note_simulated(simulated: int, recordings: int) -> list[str]:
    """What stands first on a page of which some or all recordings are simulated."""
    if not simulated:
        return []
    if simulated == recordings:
        return [SIMULATED]
    return [f"{simulated} of the {recordings} recordings are simulated: computed from physics, not made on a vehicle."]


def render_page(
    *,
    title: str,
    summary: Sequence[str],
    sections: Sequence[Section],
    method: Sequence[str],
    limits: Sequence[str],
    command: str,
    cautions: Sequence[str] = (),
) -> str:
    """The page as HTML, every text escaped: the summary first, the command that made it and versions last."""
    timelines = any(section.timelines for section in sections)
    script = read_template("samples.js", "timeline.js") if timelines else ""
    libraries = [f"{name} {metadata.version(name)}" for name in ("numpy", "scipy")]
    return render_template(
        "page.html",
        title=title,
        summary=summary,
        sections=sections,
        method=method,
        limits=limits,
        command=command,
        cautions=cautions,
        versions=[f"tapsig {__version__}", f"Python {platform.python_version()}", *libraries],
        style=read_template("page.css", *(["timeline.css"] if timelines else [])),
        script=script,
        digest=compute_digest(script),
    )


def render_template(name: str, /, **values: object) -> Markup:
    """A file of report/templates with these values; every text among them is escaped."""
    environment = Environment(
        loader=PackageLoader("tapsig.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.policies["json.dumps_kwargs"] = {"allow_nan": False}  # JSON has no NaN; the order of keys stays
    return Markup(environment.get_template(name).render(values))


def read_template(*names: str) -> Markup:
    """Styles or scripts of report/templates, one after the other."""
    folder = resources.files("tapsig.report").joinpath("templates")
    return Markup("").join(Markup(folder.joinpath(name).read_text(encoding="utf-8")) for name in names)


def compute_digest(text: str) -> str:
    """The source expression that lets just this inline text run (W3C Content Security Policy Level 3, 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
