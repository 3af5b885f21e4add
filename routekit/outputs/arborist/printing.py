"""Print a page of the report as a tagged PDF.

The page is the only wording: it is read back as a tree of elements, and a layout of our own sets
that tree on paper. The tree goes to the typesetter as JSON, so text of the data never is markup
there. Only the typefaces of this folder are used, so equal pages give equal bytes on every machine.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from functools import cache
from html import unescape
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, TypeAlias

import typst
from fontTools.ttLib import TTFont

from routekit.errors import OutputError
from routekit.outputs.output_files import TREE_LAYOUT
from routekit.words.catalogue import render
from routekit.words.languages import SOURCE
from routekit.words.texts import say

Node: TypeAlias = dict[str, Any]

FACE: Final = "Source Sans Pro"
"""Typeface of the report."""

_DRAWING: Final = re.compile(r"(<svg .*?</svg>)", re.DOTALL)
_SHARED: Final = re.compile(r"<defs>(<path [^>]*/>)</defs>")
_USED: Final = '<use href="#district"/>'
"""Stands in a drawing for the lines of the district, which the page holds once."""
_VOID: Final = frozenset({"meta", "br", "hr", "link", "img", "input"})
_KEPT: Final = ("id", "href", "data-date", "data-result", "data-foot")
_SPACES: Final = re.compile(r"[ \t\n\r\f]+")
_LANGUAGE: Final = re.compile(r'<!DOCTYPE html>\s*<html lang="([\w-]+)"')
_STANDARD: Final = "ua-1"
_UNTAGGED: Final = "internal error"
"""In what the typesetter says where it is its own tagging that breaks down, and not the page."""
_KEPT_FOR: Final = 10


def print_page(page: str, layout: str = TREE_LAYOUT) -> bytes:
    """Set a page of a report on paper.

    Parameters
    ----------
    page : str
        HTML of `routekit.outputs.arborist.writer`, or of another output with such pages.
    layout : str, optional
        How it is set: a file in `routekit.outputs`.

    Returns
    -------
    bytes
        PDF 1.7, tagged to ISO 14289-1 (PDF/UA-1), but for a page on which the tagging itself breaks
        down: that is printed without tags, and a note says so. Characters that the typefaces lack
        stand as their code, and a note says so. The same page gives the same bytes.

    Raises
    ------
    OutputError
        If the page cannot be set.
    """
    shown = _Shown(_covered())
    tree = read_page(page.translate(shown))
    language = _find_language(page)
    note = render(_write_note(shown.lacking), language)
    inputs = {"page": json.dumps(tree), "language": language, "note": note}
    try:
        return _compile(layout, inputs, is_tagged=True)
    except OutputError as error:
        if _UNTAGGED not in str(error):
            raise
    untold = say(
        "This print carries no tags for screen readers: the typesetter could not tag it. The page "
        "files carry them."
    )
    told = inputs | {"note": f"{note} {render(untold, language)}".strip()}
    return _compile(layout, told, is_tagged=False)


def _compile(layout: str, inputs: dict[str, str], *, is_tagged: bool) -> bytes:
    """Set a page; without tags where the typesetter cannot tag it."""
    try:
        pdf = typst.compile(
            _read_layout(layout),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs=inputs,
            pdf_standards=[_STANDARD] if is_tagged else [],
            pdf_tags=is_tagged,
            timestamp=0,
            format="pdf",
        )
    except typst.TypstError as error:
        message = f"the report cannot be printed ({error}); report this; earlier results are kept"
        raise OutputError(message) from error
    if not isinstance(pdf, bytes):
        message = "the report cannot be printed (no PDF came back); report this"
        raise OutputError(message)
    return pdf


def _read_layout(layout: str) -> bytes:
    """Read how a page is set: what all share, then what this layout adds."""
    common = (files("routekit.outputs.arborist") / "page.typ").read_bytes()
    return common + b"\n" + (files("routekit.outputs") / layout).read_bytes()


def _find_language(page: str) -> str:
    """Find the language that a page states; English where it states none."""
    found = _LANGUAGE.match(page)
    return found.group(1) if found else SOURCE


def _write_note(lacking: Collection[str]) -> str:
    """Say which characters stand as their code; blank for none."""
    if not lacking:
        return ""
    return say(
        "The typefaces of this print lack {n} character of the data; it stands as its code, "
        "{code}. The page files show it.",
        "The typefaces of this print lack {n} characters of the data; each stands as its code, "
        "such as {code}. The page files show them.",
        n=len(lacking),
        code=min(lacking),
    )


def forget_prints() -> None:
    """Let the typesetter give back its memory after a page.

    It keeps what it laid out until ten later documents have had no use for it: a gigabyte for some
    hundred sheets, and ten of them where `screen --watch` prints a report again and again.
    """
    for number in range(_KEPT_FOR + 1):
        typst.compile(f"#{number}".encode(), font_paths=_fonts(), ignore_system_fonts=True)


def load_faces() -> None:
    """Load the typefaces of the prints before the first of them asks for them."""
    _fonts()
    _covered()


class _Shown(dict[int, str | int]):
    """How to write each character: as it is, or as its code where no typeface has it."""

    def __init__(self, covered: frozenset[int]) -> None:
        super().__init__()
        self.covered = covered
        self.lacking: set[str] = set()

    def __missing__(self, code: int) -> str | int:
        """Decide once for each character."""
        shown: str | int = code
        if code not in self.covered and chr(code) not in "\t\n\r":
            shown = f"[U+{code:04X}]"
            self.lacking.add(shown)
        self[code] = shown
        return shown


@cache
def _fonts() -> typst.Fonts:
    """Load the typefaces of this folder, and no others."""
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[_font_folder()]
    )


@cache
def _covered() -> frozenset[int]:
    """List the characters that some typeface of this folder has."""
    faces = [path for path in _font_folder().iterdir() if path.suffix in (".otf", ".ttf")]
    found: set[int] = set()
    for path in faces:
        with TTFont(path, lazy=True) as face:
            found |= set(face.getBestCmap())
    return frozenset(found)


def _font_folder() -> Path:
    """Give the folder of the typefaces."""
    return Path(str(files("routekit.outputs.arborist") / "fonts"))


def read_page(page: str) -> Node:
    """Read a page as a tree of elements.

    Parameters
    ----------
    page : str
        HTML of `routekit.outputs.arborist.writer`; only what the template writes is understood.

    Returns
    -------
    dict
        Of `body`: tag, classes, kids (texts and elements) and, where set, id and href. Drawings
        are whole: tag `svg`, source, and alt (blank for ornaments).

    Examples
    --------
    >>> read_page("<body><p class='a'>x &lt; <b>y</b></p></body>")["kids"]
    [{'tag': 'p', 'classes': ['a'], 'kids': ['x < ', {'tag': 'b', 'classes': [], 'kids': ['y']}]}]
    """
    shared = _SHARED.search(page)
    reader = _Reader(shared.group(1) if shared else "")
    body = page[page.index("<body") : page.rindex("</body>") + len("</body>")]
    for piece in _DRAWING.split(body):
        if piece.startswith("<svg "):
            reader.add_drawing(piece)
        else:
            reader.feed(piece)
            reader.close()  # hands out the text that it holds back
    (tree,) = reader.root["kids"]
    return dict(tree)


class _Reader(HTMLParser):
    """Builds the tree of a page whose elements are all closed."""

    def __init__(self, shared: str) -> None:
        super().__init__(convert_charrefs=True)
        self.shared = shared
        self.root: Node = {"tag": "", "classes": [], "kids": []}
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Open an element."""
        values = dict(attrs)
        node: Node = {"tag": tag, "classes": (values.get("class") or "").split(), "kids": []}
        node |= {name: values[name] for name in _KEPT if values.get(name)}
        self.open[-1]["kids"].append(node)
        if tag not in _VOID:
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        """Close the element that is open."""
        node = self.open.pop()
        if node["tag"] != tag:
            message = f"{node['tag']} is closed by {tag} in a page of the report"
            raise ValueError(message)

    def handle_data(self, data: str) -> None:
        """Add text, its spaces as a browser shows them."""
        text = _SPACES.sub(" ", data)
        kids = self.open[-1]["kids"]
        if text != " " or (kids and not isinstance(kids[-1], str)):
            kids.append(text)

    def add_drawing(self, source: str) -> None:
        """Add a drawing as a file of its own."""
        head = source[: source.index(">")]
        label = re.search(r'aria-label="([^"]*)"', head)
        whole = source.replace(_USED, self.shared)
        alone = whole.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        alt = unescape(label.group(1)) if label else ""
        node = {"tag": "svg", "classes": [], "source": alone, "alt": alt}
        self.open[-1]["kids"].append(node)
