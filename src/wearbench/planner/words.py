"""The words of a session card, once, for paper and page."""

from __future__ import annotations

from typing import Any, Final

from wearbench.planner.card import Card, CardDevice
from wearbench.wording import number_word

__all__ = ["sheet_words"]

LONGEST: Final = {"title": 100, "label": 40, "short": 30, "file": 48}
ROLE_WORDS: Final = {"reference": "reference", "tested": "under test", "context": "context"}


def sheet_words(card: Card) -> dict[str, Any]:
    """Everything that is printed, in the order of the day.

    Parameters
    ----------
    card : Card

    Returns
    -------
    dict
        Texts, and pairs of (what to do, how); what is None is a line to fill in.
    """
    every = _every(len(card.devices) + len(card.left_out) if card.title is not None else 0)
    labels = [device.label for device in card.devices if device.label]
    return {
        "kicker": "Session card",
        "title": _clipped(card.title or "One session, worn together", "title"),
        "fields": [
            ("Session", _clipped(card.session, "short"), 2),
            ("Participant (code, no name)", _clipped(card.participant, "short"), 3),
            ("Date", None, 2),
            ("Activity, place", _clipped(card.activity, "short"), 4),
            ("Time zone", _clipped(card.zone, "short"), 3),
        ],
        "before": {
            "head": "Before",
            "ticks": [
                ("Well enough today?", "If anything in the box holds, leave the session for another day."),
                ("Charge and sync", f"{every} devices with their apps, so that their clocks are set."),
                ("Wet the strap:", "both electrodes. A patch or an optical sensor: clean, dry, unbroken skin."),
                ("Photograph the version screen", f"of {every} devices and of their apps."),
                ("Put on", f"{every} devices as their makers say; fill in the table."),
            ],
        },
        "care": {
            "head": "Care comes first",
            "parts": [
                (
                    "Not today",
                    "if you are feverish, unwell or injured. Ask a doctor first if you have a heart or lung condition, "
                    "an implanted device, medicine that changes the heart rate, are pregnant, or were told not to "
                    "exert yourself.",
                ),
                (
                    "Stop at once",
                    "and call for help at chest pain or pressure, faintness, unusual breathlessness, a racing or "
                    "irregular heartbeat, or sudden weakness. At pain, numbness, burning or a rash under a device, "
                    "take it off.",
                ),
            ],
            "fields": [("Emergency number", None, 3), ("Who knows where you are", None, 4)],
            "small": "Rules of your ethics board, club or clinic and the word of licensed staff go before this card.",
        },
        "start": {
            "head": f"Start {every}, and note when",
            "clock": "All times on this card are by the clock of:",
            "clocks": _clocks(labels),
            "other": "another:",
            "columns": ["Device", "Worn at", "Version", "Fit (ring one)", "Started (h:min:s)", "Stopped"],
            "fits": ["loose", "snug", "tight"],
            "known": "last known",
            "today": "today",
            "rows": [_row(device) for device in card.devices],
            "left_out": _left_out(card),
            "skin": "Skin under the devices (ring):",
            "skins": ["dry", "damp", "lotion", "hair", "tattoo", "cold"],
            "air": "Air",
            "unit": "°C",
        },
        "grip": {
            "head": "Give the clocks a grip",
            "steps": [("2 min", "sit still"), ("30 s", "brisk"), ("2 min", "sit still")],
            "why": "The rise and the fall let the clocks find each other. Brisk: steps, a fast walk, strong strokes.",
            "skip": "Skip the brisk part if you are unwell or were told not to exert yourself; sit still instead.",
            "began": "Began",
        },
        "bouts": {
            "head": "The session, bout by bout",
            "columns": ["Bout", "What was done", "How hard", "Start", "End", "Anything odd"],
        },
        "again": {
            "head": f"The grip once more, then stop {every}",
            "after": [("Note the stops", "in the table of devices."), ("Look at the skin", "under every device.")],
        },
        "odd": {
            "head": "Anything odd",
            "hint": "slipped, loosened, paused, restarted, no signal, phone out of reach, clock or zone changed",
        },
        "tonight": {
            "head": f"Tonight: export {every}",
            "ticks": [(_clipped(d.label, "label") or "Device", _files(d)) for d in card.devices],
            "after": ("Keep the raw files as they come", "and this card with them."),
        },
        "small": "For research and consumer testing; not for diagnosis or treatment. Prepared with wearbench.",
    }


def _every(devices: int) -> str:
    """``both``, ``all three``; ``all`` where the number is not known."""
    return "both" if devices == 2 else f"all {number_word(devices)}" if devices > 2 else "all"


def _clocks(labels: list[str]) -> list[str]:
    """Devices whose clock may be the one that is read: as many as stand on a line."""
    while len(labels) > 1 and sum(len(label) + 6 for label in labels) > 74:
        labels = labels[:-1]
    return [str(_clipped(label, "label")) for label in labels] or ["the reference", "a device under test"]


def _row(device: CardDevice) -> dict[str, str | None]:
    known = device.firmware
    if known is not None and device.firmware_seen is not None:
        known = f"{known} ({device.firmware_seen})"
    return {
        "label": _clipped(device.label, "label"),
        "role": ROLE_WORDS[device.role],
        "wear_site": _clipped(device.wear_site, "short"),
        "firmware": _clipped(known, "short"),
    }


def _files(device: CardDevice) -> str | None:
    """The files of a device, the first two in full."""
    if not device.files:
        return None
    more = f" and {len(device.files) - 2} more" if len(device.files) > 2 else ""
    return ", ".join(str(_clipped(file, "file")) for file in device.files[:2]) + more


def _left_out(card: Card) -> str | None:
    if not card.left_out:
        return None
    names = ", ".join(str(_clipped(label, "short")) for label in card.left_out[:2])
    more = f" and {len(card.left_out) - 2} more" if len(card.left_out) > 2 else ""
    return f"No room for {names}{more}: note them overleaf."


def _clipped(text: str | None, kind: str) -> str | None:
    """A text cut at the length there is room for, on one line."""
    if not text:
        return None
    line = "".join(sign for sign in " ".join(text.split()) if sign.isprintable())
    return line if len(line) <= LONGEST[kind] else line[: LONGEST[kind] - 1].rstrip() + "…"
