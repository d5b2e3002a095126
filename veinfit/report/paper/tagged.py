"""What a printed page is made of, told in the file: headings, texts, tables and figures.

Readers that speak a page follow the structure tree, not the places of the words (ISO 32000-1,
14.7 and 14.8). The library draws pages and leaves the tree to its callers: what is drawn is
marked here, and the tree is written when the file is closed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from reportlab.graphics import shapes
from reportlab.lib.colors import Color
from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFString
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Image, Paragraph, Table

PAGES = "pages"
"""Name of the form that holds the number of pages: every page draws it."""


class Element:
    """One element of the structure tree.

    Attributes
    ----------
    role : str
        A standard structure type: ``H1``, ``P``, ``Table``, ``TR``, ``TH``, ``TD``, ``Figure``.
    alt : str
        What a figure shows, in words.
    scope : str
        Of a heading cell: ``Row`` or ``Column``.
    columns : int
        So many columns a cell spans.
    text : str
        What is written there.
    place : (int, int) or None
        Page and number of the marked content, counted from zero; None of what only holds others.
    """

    __slots__ = ("alt", "children", "columns", "place", "role", "scope", "text")

    def __init__(self, role: str, alt: str = "", scope: str = "", columns: int = 1) -> None:
        self.role, self.alt, self.scope, self.columns = role, alt, scope, columns
        self.children: list[Element] = []
        self.place: tuple[int, int] | None = None
        self.text = ""


class TaggedCanvas(Canvas):  # type: ignore[misc]
    """A canvas that notes what is drawn on it, and writes the structure tree when saved."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._open = [Element("Document")]
        self._marked: list[list[Element]] = []
        self._on_page: list[Element] = []
        self._aside = 0
        self._counts: tuple[str, float, Color] | None = None

    def begin(self, role: str, alt: str = "", scope: str = "", columns: int = 1) -> Element:
        """Open an element below the one that is open."""
        element = Element(role, alt, scope, columns)
        if not self._aside:
            self._open[-1].children.append(element)
            self._open.append(element)
        return element

    def end(self) -> None:
        """Close the element that was opened last."""
        if not self._aside:
            self._open.pop()

    @contextmanager
    def marked(self, role: str, alt: str = "") -> Iterator[Element]:
        """Mark what is drawn inside as an element of its own."""
        element = self.begin(role, alt)
        if self._aside:
            yield element
            return
        element.place = len(self._marked), len(self._on_page)
        self._on_page.append(element)
        self._code.append(f"/{role} <</MCID {element.place[1]}>> BDC")
        yield element
        self._code.append("EMC")
        self.end()

    def begin_aside(self) -> None:
        """Open what is no part of the text: lines, tints, the foot of a page."""
        if not self._aside:
            self._code.append("/Artifact BMC")
        self._aside += 1

    def end_aside(self) -> None:
        """Close what :meth:`begin_aside` opened."""
        self._aside -= 1
        if not self._aside:
            self._code.append("EMC")

    def number_of_pages(
        self, before: str, corner: tuple[float, float], font: str, size: float, colour: Color
    ) -> None:
        """Write the number of pages after a few words; it is known when the file is saved.

        ``corner`` is the upper left one of the line, all lengths in points.
        """
        self._counts = font, size, colour
        across, top = corner
        # Where the library's paragraphs have it: the line goes on beside one.
        baseline = top - size
        self.saveState()
        self.setFont(font, size)
        self.setFillColor(colour)
        self.drawString(across, baseline, before)
        self.translate(across + stringWidth(before, font, size), baseline)
        self.doForm(PAGES)
        self.restoreState()

    def _tell_number_of_pages(self) -> None:
        if self._counts is None:
            return
        font, size, colour = self._counts
        said = str(len(self._marked))
        self.beginForm(PAGES, 0, -size, stringWidth(said, font, size), size)
        self.setFont(font, size)
        self.setFillColor(colour)
        self.drawString(0, 0, said)
        self.endForm()

    def showPage(self) -> None:
        """Close the page, which keeps the key to its own elements."""
        super().showPage()
        page = self._doc.Pages.pages[-1]
        page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
        page.StructParents, page.Tabs = len(self._marked), PDFName("S")
        self._marked.append(self._on_page)
        self._on_page = []

    def save(self) -> None:
        """Write the structure tree and close the file."""
        if len(self._code):
            self.showPage()
        self._tell_number_of_pages()
        document = self._doc
        root = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        at_root = document.Reference(root)
        known: dict[int, Any] = {}
        root["K"] = self._written(self._open[0], at_root, known)
        numbers = [
            part
            for key, elements in enumerate(self._marked)
            for part in (key, PDFArray([known[id(element)] for element in elements]))
        ]
        root["ParentTree"] = PDFDictionary({"Nums": PDFArray(numbers)})
        root["ParentTreeNextKey"] = len(self._marked)
        document.Catalog.StructTreeRoot = at_root
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})
        super().save()

    def _written(self, element: Element, parent: Any, known: dict[int, Any]) -> Any:
        """Return the reference to an element that is written with all below it."""
        entry = PDFDictionary(
            {"Type": PDFName("StructElem"), "S": PDFName(element.role), "P": parent}
        )
        own = known[id(element)] = self._doc.Reference(entry)
        if element.alt:
            entry["Alt"] = PDFString(element.alt)
        if element.text:
            entry["ActualText"] = PDFString(element.text)
        told: dict[str, Any] = {}
        if element.scope:
            told["Scope"] = PDFName(element.scope)
        if element.columns > 1:
            told["ColSpan"] = element.columns
        if told:
            entry["A"] = PDFDictionary({"O": PDFName("Table"), **told})
        if element.place is None:
            entry["K"] = PDFArray([self._written(c, own, known) for c in element.children])
        else:
            page, number = element.place
            entry["Pg"] = self._doc.Reference(self._doc.Pages.pages[page])
            entry["K"] = number
        return own


class Text(Paragraph):  # type: ignore[misc]
    """Text that is marked: a paragraph, or a heading where ``role`` says so."""

    role = "P"

    def draw(self) -> None:
        """Draw the text."""
        with self.canv.marked(self.role) as element:
            # Lines end without a space in the page's own stream: the tree holds the whole text.
            element.text = self.getPlainText()
            super().draw()


class Photo(Image):  # type: ignore[misc]
    """A picture that is marked as a figure; ``alt`` is what it shows."""

    alt = ""

    def draw(self) -> None:
        """Draw the picture."""
        with self.canv.marked("Figure", self.alt):
            super().draw()


class Plot(shapes.Drawing):  # type: ignore[misc]
    """A drawing that is marked as a figure."""

    def draw(self, *arguments: Any, **options: Any) -> None:
        """Draw it; its words for those who cannot see it are kept in the same place."""
        with self.canv.marked("Figure", getattr(self, "_alt", "")):
            super().draw(*arguments, **options)


class Layout(Table):  # type: ignore[misc]
    """Blocks beside each other: its lines and tints are no part of the text."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **{**options, "renderCB": type(self)._drawn})

    def _drawn(self, event: str, *about: Any) -> None:
        """Take what the library tells while it draws."""
        if event in ("startBG", "startLines"):
            self.canv.begin_aside()
        elif event in ("endBG", "endLines"):
            self.canv.end_aside()
        else:
            self._tell(event, about)

    def _tell(self, event: str, about: tuple[Any, ...]) -> None:
        """Tell the canvas of a row or a cell."""


class Figures(Layout):
    """A table of figures: its repeated rows and its first column are headings."""

    def _tell(self, event: str, about: tuple[Any, ...]) -> None:
        if event == "startTable":
            self.canv.begin("Table")
        elif event == "startRow":
            self.canv.begin("TR")
        elif event == "startCell":
            row, column, value = about[:3]
            head = "Column" if row < (self.repeatRows or 0) else "" if column else "Row"
            empty = isinstance(value, str)
            span = getattr(self, "_spanRanges", {}).get((column, row))
            columns = span[2] - span[0] + 1 if span else 1
            self.canv.begin("TD" if empty or not head else "TH", "", "" if empty else head, columns)
            if empty:
                self.canv.begin_aside()
            self._empty = empty
        elif event == "endCell":
            if self._empty:
                self.canv.end_aside()
            self.canv.end()
        elif event in ("endRow", "endTable"):
            self.canv.end()
