"""Sheets for those who work from paper, as PDF. fpdf2 is imported when a sheet is made."""
