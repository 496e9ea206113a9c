"""A sheet of paper in millimetres: words that are wrapped and cut to their room, the QR code, PDF and PNG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from urllib.parse import quote

import segno
from fpdf import FPDF

from monitor.papers.letters import Face, Letters, face_at_hand
from monitor.words import DATE, US, tr, voice, when

MM_PER_POINT = 25.4 / 72.0
LINE = 1.22  # distance of lines, in heights of the letters
SHEETS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
QUIET_ZONE = 4  # modules of white round the code: ISO/IEC 18004 asks for 4 (from memory)
LEAST_MODULE_MM = 0.33  # about four dots of a 300 dpi printer; reasoning


class PaperError(ValueError):
    """A paper that cannot be made as asked: one sentence."""


def usual_sheet() -> str:
    """The paper of the country whose units are spoken: "letter" or "A4"."""
    return "letter" if voice().units == US else "A4"


class Paper:
    """Pages of one size; x and y in mm from the upper left corner, sizes of letters in points."""

    def __init__(self, width: float, height: float, printed: datetime, title: str, face: Face | None = None) -> None:
        self.width, self.height = width, height
        self._face = face_at_hand() if face is None else face
        self.letters = Letters(self._face)
        # fpdf2 turns a page by itself unless it is told that it lies.
        # "portrait" takes width and height as they are; "landscape" would change them about.
        self.pdf = FPDF(orientation="portrait", unit="mm", format=(width, height))
        self.pdf.set_auto_page_break(False)
        self.pdf.set_margin(0.0)
        self.pdf.c_margin = 0.0
        self.pdf.core_fonts_encoding = "cp1252"
        self.pdf.set_creation_date(printed)
        self.pdf.set_title(title)
        self.pdf.set_creator("Emberpail")
        if self._face.regular:
            self.pdf.add_font("paper", "", self._face.regular)
            self.pdf.add_font("paper", "B", self._face.bold)
        self.pdf.add_page()

    # ---- words ----

    def _font(self, size: float, bold: bool) -> None:
        self.pdf.set_font("paper" if self._face.regular else "helvetica", "B" if bold else "", size)

    def wide(self, text: str, size: float, bold: bool = False) -> float:
        """How wide a text is."""
        self._font(size, bold)
        return float(self.pdf.get_string_width(self.letters.printable(text)))

    def wrapped(self, text: str, width: float, size: float, bold: bool = False) -> list[str]:
        """The text in lines no wider than ``width``; a word that is too long is broken."""
        self._font(size, bold)
        lines: list[str] = []
        line = ""
        for word in self.letters.printable(text).split():
            longer = f"{line} {word}" if line else word
            if self.pdf.get_string_width(longer) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            line = word
            while self.pdf.get_string_width(line) > width and len(line) > 1:
                most = next(
                    n for n in range(len(line) - 1, 0, -1) if n == 1 or self.pdf.get_string_width(line[:n]) <= width
                )
                lines.append(line[:most])
                line = line[most:]
        return [*lines, line] if line else lines

    def cut(self, text: str, width: float, size: float, bold: bool = False) -> str:
        """The text on one line of that width, with an ellipsis where it was longer."""
        return self.at_most(text, width, size, 1, bold)[0] if text.strip() else ""

    def at_most(self, text: str, width: float, size: float, lines: int, bold: bool = False) -> list[str]:
        """The text in at most so many lines, with an ellipsis where it was longer."""
        whole = self.wrapped(text, width, size, bold)
        if len(whole) <= lines:
            return whole
        last = whole[lines - 1]
        while last and self.wide(f"{last}…", size, bold) > width:
            last = last[:-1]
        return [*whole[: lines - 1], f"{last.rstrip()}…"]

    def lines(  # noqa: PLR0917
        self, x: float, y: float, lines: Sequence[str], size: float, bold: bool = False, grey: int = 0
    ) -> float:
        """Print lines from (x, y) on; returns where the next one would begin."""
        self._font(size, bold)
        self.pdf.set_text_color(grey)
        height = line_mm(size)
        for text in lines:
            self.pdf.text(x, y + 0.78 * height, self.letters.printable(text))
            y += height
        self.pdf.set_text_color(0)
        return y

    def paragraph(  # noqa: PLR0917
        self, x: float, y: float, width: float, text: str, size: float, bold: bool = False, most: int = 99
    ) -> float:
        """Print a text wrapped; returns where the next one would begin."""
        return self.lines(x, y, self.at_most(text, width, size, most, bold), size, bold)

    # ---- lines and code ----

    def rule(  # noqa: PLR0917
        self, x1: float, y1: float, x2: float, y2: float, width: float = 0.15, grey: int = 0
    ) -> None:
        """A straight line."""
        self.pdf.set_draw_color(grey)
        self.pdf.set_line_width(width)
        self.pdf.line(x1, y1, x2, y2)

    def box(self, x: float, y: float, width: float, height: float, stroke: float = 0.3) -> None:
        """An empty rectangle."""
        self.pdf.set_draw_color(0)
        self.pdf.set_line_width(stroke)
        self.pdf.rect(x, y, width, height)

    def code(self, x: float, y: float, side: float, matrix: Sequence[Sequence[int]]) -> None:
        """A QR code with its quiet zone in a square of that side."""
        module = side / (len(matrix) + 2 * QUIET_ZONE)
        self.pdf.set_fill_color(0)
        for row, modules in enumerate(matrix):
            dark = [*(bool(value) for value in modules), False]
            begin: int | None = None
            for column, is_dark in enumerate(dark):
                if is_dark and begin is None:
                    begin = column
                elif not is_dark and begin is not None:
                    # A hair higher than the row, so that no screen shows a seam between two rows.
                    self.pdf.rect(
                        x + (QUIET_ZONE + begin) * module, y + (QUIET_ZONE + row) * module,
                        (column - begin) * module, 1.03 * module, style="F",
                    )  # fmt: skip
                    begin = None

    def bytes(self) -> bytes:
        """The finished PDF."""
        return bytes(self.pdf.output())


def line_mm(size: float) -> float:
    """Height of a line of letters of that size."""
    return size * MM_PER_POINT * LINE


def code_text(name: str, number: str, made: datetime, address: str) -> str:
    """What the QR code says: the address of the batch's page, or in words which batch it is."""
    if address:
        return f"{address.rstrip('/')}/batch/{quote(name, safe='')}"
    return tr("batch {number}, made {day}", number=number, day=when(made, DATE))


def code_matrix(text: str) -> list[list[int]]:
    """The modules of the QR code, error level M or better. PaperError when the text is too long for one."""
    try:
        code = segno.make(text, error="m", micro=False)
    except segno.DataOverflowError:
        raise PaperError(tr("The address of the batch is too long for a QR code: shorten [page] address.")) from None
    return [list(row) for row in code.matrix]


def pages_of(pdf: bytes) -> int:
    """How many pages a PDF has."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    try:
        return len(document)
    finally:
        document.close()


def as_png(pdf: bytes, dpi: float = 200.0, page: int = 0) -> bytes:
    """One page of a PDF as a PNG of so many dots per inch."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    try:
        picture = document[page].render(scale=dpi / 72.0).to_pil()
        out = io.BytesIO()
        picture.save(out, format="PNG", dpi=(dpi, dpi))
        return out.getvalue()
    finally:
        document.close()
