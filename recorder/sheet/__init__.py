"""The customer's sheet."""

from recorder.sheet.page import PAPERS, Entry, html_text, pdf_bytes
from recorder.sheet.words import say, to_do

__all__ = ["PAPERS", "Entry", "html_text", "pdf_bytes", "say", "to_do"]
