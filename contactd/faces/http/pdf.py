"""Sheets of paper as answers."""

from __future__ import annotations

from fastapi import Response


class Pdf(Response):
    """An answer in PDF."""

    media_type = "application/pdf"


def pdf_answer(content: bytes, name: str) -> Pdf:
    """A sheet under a file's name made of what it is of; nobody keeps it, for it is of now."""
    plain = "".join(each if each.isascii() and each.isalnum() else "-" for each in name).strip("-")
    headers = {
        "Content-Disposition": f'inline; filename="{plain}.pdf"',
        "Cache-Control": "no-store",
    }
    return Pdf(content, headers=headers)
