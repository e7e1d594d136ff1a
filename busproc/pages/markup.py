"""Elements of a page, and numbers as they stand in it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from xml.etree.ElementTree import Element, tostring

STYLE = Path(__file__).with_name("house.css")
"""How every page looks."""

NOTHING = "–"  # en dash, for what has no value


def make(tag: str, *content: Element | str | Iterable[Element], **attributes: object) -> Element:
    """Make an element; `class_` stands for `class`, `a_b` for `a-b`. What is text stays text in the page."""
    element = Element(
        tag, {name.rstrip("_").replace("_", "-"): str(value) for name, value in attributes.items()}
    )
    for each in content:
        if isinstance(each, str):
            _add_text(element, each)
        else:
            for inner in [each] if isinstance(each, Element) else each:
                element.append(inner)
    return element


def _add_text(element: Element, text: str) -> None:
    if len(element):
        element[-1].tail = (element[-1].tail or "") + text
    else:
        element.text = (element.text or "") + text


def as_html(root: Element) -> str:
    """The page as text."""
    return f"<!DOCTYPE html>\n{tostring(root, encoding='unicode', method='html')}\n"


def shown(value: float | None, digits: int = 1, *, signed: bool = False) -> str:
    """A number with a true minus sign."""
    if value is None:
        return NOTHING
    text = f"{value:{'+' if signed else ''}.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", "−")


def clock(seconds: float) -> str:
    """Time in minutes and seconds."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def table(caption: str, heads: Iterable[Element], rows: Iterable[Element], name: str) -> Element:
    """A table that can be scrolled sideways, by keys too, where the page is narrower."""
    title = make("caption", caption, id=name)
    inner = make("table", title, make("thead", heads), make("tbody", rows))
    return make("div", inner, class_="scroll", role="region", aria_labelledby=name, tabindex=0)


def column_heads(names: Iterable[str]) -> Element:
    """The row over a table."""
    return make("tr", [make("th", name, scope="col") for name in names])


def row(head: str, cells: Iterable[str]) -> Element:
    """A row of a table of numbers."""
    return make("tr", make("th", head, scope="row"), [make("td", cell) for cell in cells])


def under_details(summary: str, *content: Element) -> Element:
    """What is shown when it is asked for."""
    return make("details", make("summary", summary), *content)
