"""Planner: what is needed before a session; the card to print."""

from wearbench.planner.card import Card, CardDevice, blank_card, card_of
from wearbench.planner.sheet import PAPERS, render_html, render_pdf, write_sheet

__all__ = ["PAPERS", "Card", "CardDevice", "blank_card", "card_of", "render_html", "render_pdf", "write_sheet"]
