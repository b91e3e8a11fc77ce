"""How often it gave a value, and what that cannot show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from wearbench.findings.finding import Said
from wearbench.findings.subject import Subject
from wearbench.wording import duration, finite, join_words, number_word, share

__all__ = ["blind_words", "rhythm_words", "say_rhythm", "shortest_s", "usual_interval_s"]


def say_rhythm(subject: Subject) -> Iterator[Said]:
    """The rhythm, or each of several, with the shortest thing that can be seen in it."""
    each = [r for r in subject.rhythms if finite(r.get("usual_s"))]
    if len(each) > 1:
        yield "rhythm", _several(each), {"rhythms": each, "method": "rhythms found from the stamps"}
        return
    said = [float(w["usual_interval_s"]) for w in subject.windows if finite(w.get("usual_interval_s"))]
    rhythm = min(said, default=None) if said else usual_interval_s(subject.pairs)
    if rhythm is None:
        return
    averaging = max((float(w["averaging_s"]) for w in subject.windows if finite(w.get("averaging_s"))), default=0.0)
    claim = f"It gave {rhythm_words(rhythm)}"
    if averaging > 1.5 * rhythm:
        claim += f", each an average over about {duration(averaging)}"
    claim += f": nothing shorter than about {duration(shortest_s(rhythm, averaging))} can be seen in it."
    yield "rhythm", claim, {"interval_s": rhythm, "averaging_s": averaging, "method": "median step between readings"}


def _several(each: list[dict[str, Any]]) -> str:
    parts = [f"{r['rhythm']} ({share(r.get('share_of_time'))} of the time compared)" for r in each]
    blind = [f"under about {duration(_shortest_of(r))} where it gave {r['rhythm']}" for r in each]
    return f"It kept {number_word(len(each))} rhythms: {join_words(parts)}. Nothing can be seen {join_words(blind)}."


def blind_words(subject: Subject) -> list[str]:
    """What a rhythm slower than a value a second cannot show: a sentence, or none."""
    each = [r for r in subject.rhythms if finite(r.get("usual_s"))]
    if len(each) > 1:
        blind = [f"under about {duration(_shortest_of(r))} where it gave {r['rhythm']}" for r in each]
        return [f"nothing can be seen {join_words(blind)}."]
    usual = usual_interval_s(subject.pairs)
    if usual is None or usual <= 1.5:
        return []
    return [f"it gave {rhythm_words(usual)}, so nothing under about {duration(shortest_s(usual, 0.0))} can be seen."]


def _shortest_of(row: Mapping[str, Any]) -> float:
    averaging = row.get("averaging_s")
    return shortest_s(float(row["usual_s"]), float(averaging) if finite(averaging) and averaging is not None else 0.0)


def rhythm_words(usual_s: float) -> str:
    """``one value a second``, ``one value a minute``, ``one value every 5 s``."""
    if abs(usual_s - 1) < 0.05:
        return "one value a second"
    if abs(usual_s - 60) < 5:
        return "one value a minute"
    return f"one value every {duration(usual_s)}"


def shortest_s(usual_s: float, averaging_s: float) -> float:
    """Shortest thing that values so often, each an average over so long, can show."""
    return max(2 * usual_s, averaging_s)


def usual_interval_s(pairs: pl.DataFrame) -> float | None:
    """Median step between readings of one session, in seconds; None with fewer than two readings."""
    if pairs.height < 2:
        return None
    step = pl.col("time").diff().over("session").dt.total_milliseconds() / 1000.0
    steps = pairs.sort("session", "time").select(step.alias("step")).filter(pl.col("step") > 0)
    value = steps["step"].median()
    return float(value) if isinstance(value, float) and value > 0 else None
