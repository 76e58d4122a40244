"""The reference of tapsig in Python: one HTML page from signatures and docstrings, without a network or a script."""

import dataclasses
import html
import importlib
import inspect
import itertools
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy.typing as npt

import tapsig
from tapsig.detectors import CATALOGUE

RESULTS = (
    "tapsig.detections:Detection",
    "tapsig.results:Records",
    "tapsig.analysis.health:HealthReport",
    "tapsig.analysis.ringdown:RingdownResult",
    "tapsig.analysis.dead_time:DeadTimeMap",
    "tapsig.analysis.causes:CauseTable",
    "tapsig.scoring.outcomes:ScoreTable",
    "tapsig.comparison.positions:PositionStudy",
    "tapsig.fitting.fit:FittedDetector",
    "tapsig.labelling.proposal:Proposal",
    "tapsig.labelling.proposal:ProposalParameters",
    "tapsig.entry:Entry",
    "tapsig.risks.entries:RiskRow",
    "tapsig.loading:Corpus",
    "tapsig.simulation:SimulatedScene",
)
OTHERS = (
    "tapsig.converter:Converter",
    "tapsig.detectors.base:Variant",
    "tapsig.detectors.base:StreamingDetector",
    "tapsig.testing:check_detector",
)
SECTION = re.compile(r"^-{3,}$")
NAME = re.compile(r"`([^`]+)`")
ITEM = re.compile(r"^(\*{0,2}\w[\w, *]*?)(?: : (.*))?$")
STYLE = """
:root { color-scheme: light dark; --line: #8888; --link: #0b4f8a; }
@media (prefers-color-scheme: dark) { :root { --link: #7db8ee; } }
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 0 auto; padding: 0 1rem 4rem; }
a { color: var(--link); } code, pre { font-size: 0.9em; }
pre { overflow-x: auto; padding: 0.5rem; border: 1px solid var(--line); }
h2 { border-bottom: 1px solid var(--line); margin-top: 3rem; } h3 { margin-top: 2.5rem; }
h3, h4 { overflow-wrap: anywhere; } h5 { margin: 1rem 0 0.2rem; font-size: 1em; }
nav ul { columns: 12rem; padding-left: 1.2rem; } dd { margin-left: 1.5rem; } section section { margin-left: 1.5rem; }
@media print { nav { display: none; } body { max-width: none; } }
"""


@dataclass(frozen=True, slots=True)
class Documented:
    """One object of the reference: its name on the page, which is also its anchor there, and where it lives."""

    name: str
    home: str
    value: object


def list_documented() -> dict[str, tuple[Documented, ...]]:
    """What the reference holds, by section."""
    front = [_find(f"tapsig:{name}") for name in tapsig.__all__ if name != "__version__"]
    figures = tuple(one for one in front if one.name.startswith("tapsig.plot_"))
    functions = tuple(one for one in front if not isinstance(one.value, type) and one not in figures)
    classes = tuple(one for one in front if isinstance(one.value, type))
    variants = (f"{type(variant).__module__}:{type(variant).__name__}" for variant in CATALOGUE.values())
    return {
        "Functions": functions,
        "Records": classes,
        "Results": tuple(map(_find, RESULTS)),
        "Figures": figures,
        "Detectors": tuple(map(_find, variants)),
        "Beyond the front door": tuple(map(_find, OTHERS)),
    }


def _find(place: str) -> Documented:
    module, _, name = place.partition(":")
    value = getattr(importlib.import_module(module), name)
    home = f"{value.__module__}.{value.__qualname__}"
    return Documented(f"tapsig.{name}" if module == "tapsig" else name, home, value)


def render_reference() -> str:
    """The page.

    Returns
    -------
    str
        HTML that needs no other file; every name in it that the page documents is a link.
    """
    sections = list_documented()
    links: dict[str, str] = {}
    for one in (one for members in sections.values() for one in members):
        for word in (one.name, one.name.removeprefix("tapsig."), one.home.rpartition(".")[2]):
            links.setdefault(word, one.name)
    parts = [_render_contents(sections)]
    for title, members in sections.items():
        entries = "".join(_render(one, links) for one in members)
        parts.append(f'<section id="{_slug(title)}"><h2>{html.escape(title)}</h2>{entries}</section>')
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>tapsig {tapsig.__version__}: reference</title><style>{STYLE}</style>"
        f"<h1>tapsig {tapsig.__version__}: reference</h1>{''.join(parts)}</html>\n"
    )


def _slug(title: str) -> str:
    return "section-" + re.sub(r"\W+", "-", title.lower())


def _render_contents(sections: Mapping[str, tuple[Documented, ...]]) -> str:
    lists = (
        f'<li><a href="#{_slug(title)}">{html.escape(title)}</a><ul>'
        + "".join(f'<li><a href="#{one.name}"><code>{html.escape(one.name)}</code></a></li>' for one in members)
        + "</ul></li>"
        for title, members in sections.items()
    )
    return f"<nav><ul>{''.join(lists)}</ul></nav>"


def _render(one: Documented, links: Mapping[str, str]) -> str:
    home = "" if one.home == one.name else f"<p>Home: <code>{html.escape(one.home)}</code></p>"
    members = "".join(
        f"<section>{_render_head('h4', f'{one.name}.{name}', name, member)}{_render_text(member, links)}</section>"
        for name, member in _list_members(one.value)
    )
    head = _render_head("h3", one.name, one.name, one.value)
    return f"<section>{head}{home}{_render_text(one.value, links)}{members}</section>"


def _render_head(level: str, anchor: str, name: str, value: object) -> str:
    return f'<{level} id="{anchor}"><code>{html.escape(name + _signature(value))}</code></{level}>'


def _render_text(value: object, links: Mapping[str, str]) -> str:
    return render_docstring(inspect.getdoc(value) or "", links)


def _list_members(value: object) -> Iterator[tuple[str, object]]:
    """Public methods and properties that the package itself defines and documents, in order."""
    if not isinstance(value, type):
        return
    seen = {field.name for field in dataclasses.fields(value)} if dataclasses.is_dataclass(value) else set()
    for kind in value.__mro__:
        if not kind.__module__.startswith("tapsig."):
            continue
        for name, member in vars(kind).items():
            known = inspect.isfunction(member) or isinstance(member, (property, classmethod))
            public = not name.startswith("_") or name == "__getitem__"
            if known and public and name not in seen and inspect.getdoc(member):
                seen.add(name)
                yield name, member


def _signature(value: object) -> str:
    """A signature without the modules of its types, with an array of numpy as `array`; nothing for a property."""
    try:
        found = inspect.signature(getattr(value, "__func__", value))  # type: ignore[arg-type]
    except (TypeError, ValueError):  # what cannot be called; an exception of C
        return ""
    parameters = [
        one.replace(default=_Short(one.default)) if one.default is not inspect.Parameter.empty else one
        for one in found.parameters.values()
        if one.name not in ("self", "cls")
    ]
    text = str(found.replace(parameters=parameters))
    for given, shown in ((npt.ArrayLike | None, "array | None"), (npt.ArrayLike, "array")):
        text = text.replace(inspect.formatannotation(given), shown)
    text = re.sub(r"Optional\[(Literal\[.*?\])\]", r"\1 | None", text)
    text = re.sub(r"-> '(.*)'$", r"-> \1", text).replace("~", "")
    text = re.sub(r"numpy\.ndarray\[(?:[^\[\]]|\[[^\[\]]*\])*\]", "array", text)
    return re.sub(r"\b(?:[a-z_]\w*\.)+(?=[A-Z])", "", text)


class _Short:
    """A default value, shown in a few characters."""

    def __init__(self, value: object) -> None:
        self._value = value

    def __repr__(self) -> str:
        text = "…" if "factory" in repr(self._value) else repr(self._value)
        return text if len(text) <= 40 else "…"


def render_docstring(text: str, links: Mapping[str, str]) -> str:
    """A numpydoc docstring as HTML: sections, items with types, lists, examples; names in backticks become links.

    >>> render_docstring("One line, see `other`.", {"other": "other"})
    '<p>One line, see <a href="#other"><code>other</code></a>.</p>'
    """
    lines, parts = text.splitlines(), []
    title, start = "", 0
    for k, line in enumerate(lines):
        if SECTION.match(line.strip()) and k and lines[k - 1].strip():
            parts.append(_render_section(title, lines[start : k - 1], links))
            title, start = lines[k - 1].strip(), k + 1
    parts.append(_render_section(title, lines[start:], links))
    return "".join(parts)


def _render_section(title: str, lines: list[str], links: Mapping[str, str]) -> str:
    head = f"<h5>{html.escape(title)}</h5>" if title else ""
    if title not in ("Parameters", "Returns", "Raises"):
        return head + _render_blocks(lines, links)
    groups: list[list[str]] = []
    for line in lines:
        if line and not line.startswith(" "):  # a name at the margin begins an item
            groups.append([])
        if groups:
            groups[-1].append(line)
    items = list(itertools.takewhile(_is_item, groups))
    shown = "".join(_render_item(group, links) for group in items)
    # Prose may follow at the margin, such as `Raises … for …`.
    return f"{head}<dl>{shown}</dl>" + _render_blocks(itertools.chain(*groups[len(items) :]), links)


def _is_item(group: list[str]) -> bool:
    """Whether the first line names something: `name : what`, or a type alone with its text below."""
    match = ITEM.match(group[0])
    return match is not None and (match[2] is not None or len([line for line in group if line.strip()]) > 1)


def _render_item(lines: list[str], links: Mapping[str, str]) -> str:
    match = ITEM.match(lines[0])
    name, kind = (match[1], match[2] or "") if match else (lines[0], "")
    body = _render_blocks(inspect.cleandoc("\n".join(["", *lines[1:]])).splitlines(), links)
    typed = f" : {_link(_mark_types(kind, links), links)}" if kind else ""
    shown = f"<code>{html.escape(name)}</code>" if typed else _link(_mark_types(name, links), links)
    return f"<dt>{shown}{typed}</dt><dd>{body}</dd>"


def _mark_types(text: str, links: Mapping[str, str]) -> str:
    """The text of a type with the names that the page documents between backticks."""
    return re.sub(r"(?<!`)\b[A-Z]\w+\b(?!`)", lambda word: f"`{word[0]}`" if word[0] in links else word[0], text)


def _render_blocks(lines: Iterable[str], links: Mapping[str, str]) -> str:
    """Paragraphs, lists and examples, which blank lines divide."""
    text = "\n".join(lines).strip("\n")
    parts: list[str] = []
    for block in re.split(r"\n\s*\n", text) if text else []:
        if block.lstrip().startswith(">>>"):
            parts.append(f"<pre>{html.escape(inspect.cleandoc(block))}</pre>")
        elif block.lstrip().startswith("- "):
            items = re.split(r"^\s*- ", block, flags=re.MULTILINE)[1:]
            parts.append("<ul>" + "".join(f"<li>{_link(item.strip(), links)}</li>" for item in items) + "</ul>")
        else:
            parts.append(f"<p>{_link(block.strip(), links)}</p>")
    return "".join(parts)


def _link(text: str, links: Mapping[str, str]) -> str:
    """Escaped text; what stands in backticks is code, and a link where the page documents it."""

    def replace(match: re.Match[str]) -> str:
        word = match[1]  # escaped already
        anchor = links.get(word.removesuffix("()"))
        code = f"<code>{word}</code>"
        return f'<a href="#{html.escape(anchor)}">{code}</a>' if anchor else code

    return NAME.sub(replace, html.escape(text))
