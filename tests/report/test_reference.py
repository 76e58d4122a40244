"""The reference: one page without a network, no broken link, every parameter of the front door with its type."""

import html
import importlib
import inspect
import re

import pytest

import tapsig
from tapsig.report.reference import list_documented, render_docstring, render_reference
from tests.report.reader import Reader

FUNCTIONS = [one.name.removeprefix("tapsig.") for one in list_documented()["Functions"]]


def find(page: str, attribute: str) -> list[str]:
    """Every value of an attribute on an HTML page."""
    return [attributes[attribute] or "" for _, attributes in Reader(page).elements if attribute in attributes]


@pytest.fixture(scope="module")
def page() -> str:
    return render_reference()


def test_no_link_is_broken_and_none_leaves_the_page(page: str) -> None:
    links, ids = find(page, "href"), find(page, "id")
    assert len(links) > 60
    assert all(link.startswith("#") for link in links)
    assert {link.removeprefix("#") for link in links} <= set(ids)
    assert len(set(ids)) == len(ids)
    assert not find(page, "src")


def test_every_public_name_is_on_the_page(page: str) -> None:
    assert {f"tapsig.{name}" for name in tapsig.__all__ if name != "__version__"} <= set(find(page, "id"))


def test_every_example_on_the_page_is_one_that_pytest_runs() -> None:
    for members in list_documented().values():
        for one in members:
            module = getattr(one.value, "__module__", "")
            assert module.startswith("tapsig")  # --doctest-modules runs the examples of every module of the package
            assert importlib.import_module(module).__file__


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_documents_every_parameter_with_its_type_and_what_it_returns(name: str) -> None:
    function = getattr(tapsig, name)
    text = inspect.getdoc(function) or ""
    sections = re.split(r"^(\w+)\n-+$", text, flags=re.MULTILINE)
    parts = dict(zip(sections[1::2], sections[2::2], strict=True))
    described = {
        word.strip().lstrip("*"): kind
        for names, kind in re.findall(r"^(\*{0,2}\w[\w, *]*?)(?: : (.+))?$", parts["Parameters"], flags=re.MULTILINE)
        for word in names.split(",")
    }
    assert set(inspect.signature(function).parameters) <= set(described)
    typed = [word for word, kind in described.items() if kind or word == "parameters"]  # **parameters go to a detector
    assert set(described) <= set(typed)
    assert "Returns" in parts or inspect.signature(function).return_annotation in (None, "None")


def test_sections_items_lists_and_examples_are_told_apart() -> None:
    text = "Title.\n\nParameters\n----------\na : int\n    The `load`, <b>.\n"
    text += "b, c : float\n    Two:\n\n    - one\n    - two\n"
    text += "\nExamples\n--------\n>>> 1 < 2\nTrue\n"
    shown = render_docstring(text, {"load": "tapsig.load"})
    assert (
        '<dt><code>a</code> : int</dt><dd><p>The <a href="#tapsig.load"><code>load</code></a>, &lt;b&gt;.</p></dd>'
        in shown
    )
    assert "<ul><li>one</li><li>two</li></ul>" in shown
    assert "<pre>&gt;&gt;&gt; 1 &lt; 2\nTrue</pre>" in shown


def test_types_read_as_a_reader_would_write_them(page: str) -> None:
    """No privates of numpy, no marks of type variables, no quotes around names."""
    heads = [html.unescape(head) for head in re.findall(r"<h[34] [^>]*><code>(.*?)</code>", page)]
    assert "push(chunk: array) -> Detections" in heads
    for odd in ("numpy._", "Optional[", "~", "-> '"):
        assert not [head for head in heads if odd in head]
