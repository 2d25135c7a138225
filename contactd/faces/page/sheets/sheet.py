"""A printed sheet: heading, facts, tables, boxes to fill in, and the notice at the foot."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import Safe, moment

FONTS = Path(__file__).parent.parent / "static" / "vendor" / "dejavu-fonts-ttf"
MARGIN_MM = 14.0
INK, SOFT, RULE = (20, 20, 20), (95, 95, 95), (170, 170, 170)


def told(instant: float | None, safe: Safe) -> str:
    """``2026-11-25 10:03:04Z``, or ``not known``."""
    return "not known" if instant is None else moment(instant, safe)


class Sheet:
    """One document, laid out from top to bottom on A4."""

    def __init__(self, title: str, subtitle: str, basis: str, notice: str = "") -> None:
        from fpdf import FPDF

        # fontTools tells of each table that it leaves out: no news for an operator's log.
        logging.getLogger("fontTools.subset").setLevel(logging.ERROR)
        banner = notice

        class Page(FPDF):
            """Says at the foot of every page what the sheet rests on, and that it advises."""

            def header(self) -> None:
                if banner:
                    self.set_font("Print", "B", 10)
                    self.cell(0, 6, banner, border=1, align="C", new_x="LMARGIN", new_y="NEXT")
                    self.ln(2)

            def footer(self) -> None:
                self.set_y(-19)
                self.set_font("Print", "", 7.5)
                self.set_text_color(*SOFT)
                self.multi_cell(0, 3.6, f"{NOTICE}\n{basis}", new_x="LMARGIN", new_y="NEXT")
                self.cell(0, 3.6, f"Page {self.page_no()} of {{nb}}", align="R")
                self.set_text_color(*INK)

        self.pdf = Page(format="A4")
        self.pdf.add_font("Print", "", FONTS / "print.ttf")
        self.pdf.add_font("Print", "B", FONTS / "print-bold.ttf")
        self.pdf.set_margins(MARGIN_MM, MARGIN_MM)
        self.pdf.set_auto_page_break(True, 24)
        self.pdf.set_title(title)
        self.pdf.set_creator("contactd")
        self.pdf.add_page()
        self._text(title, 16, bold=True, line_mm=8)
        self._text(subtitle, 10, colour=SOFT)
        self.rule()

    def _text(
        self,
        text: str,
        size: float,
        bold: bool = False,
        colour: tuple[int, int, int] = INK,
        line_mm: float | None = None,
    ) -> None:
        self.pdf.set_font("Print", "B" if bold else "", size)
        self.pdf.set_text_color(*colour)
        line_mm = size * 0.46 if line_mm is None else line_mm
        self.pdf.multi_cell(0, line_mm, text, new_x="LMARGIN", new_y="NEXT", align="L")
        self.pdf.set_text_color(*INK)

    def rule(self) -> None:
        """A line across the page."""
        self.pdf.ln(1.5)
        self.pdf.set_draw_color(*RULE)
        self.pdf.line(MARGIN_MM, self.pdf.y, self.pdf.w - MARGIN_MM, self.pdf.y)
        self.pdf.ln(1.5)

    def heading(self, text: str) -> None:
        """A heading within the sheet."""
        self.pdf.ln(2.5)
        self._text(text, 11, bold=True, line_mm=6)

    def says(self, text: str) -> None:
        """A sentence."""
        self._text(text, 9)

    def warns(self, text: str) -> None:
        """A sentence that must not be passed over: framed and bold."""
        self.pdf.set_font("Print", "B", 9)
        self.pdf.set_draw_color(*INK)
        self.pdf.multi_cell(0, 5.5, text, border=1, new_x="LMARGIN", new_y="NEXT")
        self.pdf.ln(1)

    def facts(self, pairs: Iterable[tuple[str, str]]) -> None:
        """Names and what they are, line by line."""
        for name, text in pairs:
            self.pdf.set_font("Print", "", 9)
            self.pdf.set_text_color(*SOFT)
            self.pdf.cell(34, 5, name)
            self.pdf.set_text_color(*INK)
            self.pdf.set_font("Print", "B", 9)
            self.pdf.multi_cell(0, 5, text, new_x="LMARGIN", new_y="NEXT", align="L")

    def table(
        self, headings: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]
    ) -> None:
        """A table; ``widths`` are shares of the page's width."""
        self.pdf.set_font("Print", "", 8)
        self.pdf.set_draw_color(*RULE)
        layout: Any = "SINGLE_TOP_LINE"
        with self.pdf.table(
            col_widths=tuple(widths),
            borders_layout=layout,
            line_height=4.4,
            padding=0.5,
            text_align="LEFT",
        ) as table:
            for row in (headings, *rows):
                cells = table.row()
                for text in row:
                    cells.cell(text)

    def boxes(self, labels: Sequence[str], height_mm: float = 11.0) -> None:
        """Boxes to be filled in by hand, side by side."""
        wide = (self.pdf.w - 2 * MARGIN_MM) / len(labels)
        if self.pdf.y + height_mm > self.pdf.h - 26:
            self.pdf.add_page()
        self.pdf.set_font("Print", "", 7.5)
        self.pdf.set_draw_color(*INK)
        top = self.pdf.y + 1
        for index, label in enumerate(labels):
            left = MARGIN_MM + index * wide
            self.pdf.rect(left, top, wide, height_mm)
            self.pdf.set_xy(left + 1, top + 0.5)
            self.pdf.cell(wide - 2, 4, label)
        self.pdf.set_xy(MARGIN_MM, top + height_mm + 1)

    def finish(self) -> bytes:
        """The PDF's bytes."""
        return bytes(self.pdf.output())
