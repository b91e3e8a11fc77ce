"""How numbers, durations and states are put into words; rounding happens here and nowhere else."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

__all__ = [
    "FAILURES",
    "NOT_JUDGED",
    "STATES",
    "STATE_DID",
    "STATE_LABEL",
    "duration",
    "finite",
    "half_width",
    "join_words",
    "least_p",
    "number",
    "number_word",
    "p_words",
    "plural",
    "points",
    "share",
    "signed",
    "span_of",
    "span_words",
    "tenths",
]

STATES: Final[tuple[str, ...]] = (
    "faithful",
    "halved",
    "doubled",
    "off_ratio",
    "cadence_locked",
    "between",
    "frozen",
    "astray",
    "missing",
    "not_worn",
    "not_expected",
)
"""States in the order in which legends and tables show them."""

FAILURES: Final[tuple[str, ...]] = ("halved", "doubled", "off_ratio", "cadence_locked", "frozen", "astray")
"""States that are a failure of their own kind; ``between`` and ``missing`` are told apart."""

NOT_JUDGED: Final[tuple[str, ...]] = ("missing", "not_worn", "not_expected", "unjudged")
"""States of time that holds no judged reading."""

STATE_LABEL: Final[dict[str, str]] = {
    "faithful": "right",
    "halved": "about half",
    "doubled": "about double",
    "off_ratio": "another simple ratio",
    "cadence_locked": "stuck to cadence",
    "between": "between two modes",
    "frozen": "stuck on one value",
    "astray": "wrong otherwise",
    "missing": "no value",
    "not_worn": "not worn",
    "not_expected": "no value expected",
    "judged": "compared",
    "unjudged": "not judged",
}

STATE_DID: Final[dict[str, str]] = {
    "halved": "read about half the true {what}",
    "doubled": "read about double the true {what}",
    "off_ratio": "read another simple ratio of the true {what}",
    "cadence_locked": "agreed with the cadence rather than with the {what}",
    "between": "was between two modes",
    "frozen": "held one value while the true {what} moved",
    "astray": "was wrong in some other way",
    "missing": "gave no value",
}

_WORDS: Final = (
    *("no", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)
_MINUS: Final = "−"


def finite(value: Any) -> bool:
    """Whether a value is a number that can be shown."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def number_word(count: int) -> str:
    """Counts up to twelve as words, others in digits with thin thousands."""
    return _WORDS[count] if 0 <= count < len(_WORDS) else f"{count:,}"


def plural(count: int, word: str, *, words: bool = False) -> str:
    """``1 session``, ``12 sessions``; with ``words`` ``six sessions``."""
    shown = number_word(count) if words else f"{count:,}"
    return f"{shown} {word}" + ("" if count == 1 else "s")


def join_words(words: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return ", ".join(words[:-1]) + " and " + words[-1]


def _decimals(value: float, uncertainty: float | None) -> int:
    """Decimals so that the standard error shows two figures at most and the value three."""
    scale = uncertainty if uncertainty and uncertainty > 0 and math.isfinite(uncertainty) else None
    if scale is None:
        size = abs(value)
        return 0 if size >= 100 else 1 if size >= 1 else 2 if size >= 0.1 or size == 0 else min(6, 1 - _exponent(size))
    error = scale / 2
    digits = -_exponent(error) + (1 if error / 10 ** _exponent(error) < 3 else 0)
    most = 2 - _exponent(abs(value)) if value else 6
    return max(0, min(6, digits, most, 2 if error >= 0.005 else 6))


def _exponent(value: float) -> int:
    return math.floor(math.log10(value))


def number(value: Any, *, uncertainty: float | None = None, decimals: int | None = None) -> str:
    """Format a value for reading; a dash where there is none.

    Parameters
    ----------
    value : float or None
    uncertainty : float or None
        Half-width of the interval; decides the decimals.
    decimals : int or None
        Decides them outright.
    """
    if not finite(value):
        return "–"
    places = _decimals(float(value), uncertainty) if decimals is None else decimals
    text = f"{abs(float(value)):,.{places}f}"
    negative = value < 0 and any(c in "123456789" for c in text)
    return (_MINUS if negative else "") + text


def signed(value: Any, *, uncertainty: float | None = None) -> str:
    """Like :func:`number`, with a plus sign before positive values."""
    text = number(value, uncertainty=uncertainty)
    positive = finite(value) and value > 0 and any(c in "123456789" for c in text)
    return ("+" if positive else "") + text


def half_width(statistic: Mapping[str, Any]) -> float | None:
    """Half the length of a statistic's interval, or None where it has none."""
    low, high = statistic.get("low"), statistic.get("high")
    return (high - low) / 2 if finite(low) and finite(high) and low is not None and high is not None else None


def span_words(statistic: Mapping[str, Any], *, unit: str = "", with_sign: bool = False) -> str:
    """``3.1 bpm (95 % interval 2.2 to 4.0)``, or the value with the reason why it has no interval."""
    show = signed if with_sign else number
    wide = half_width(statistic)
    text = show(statistic.get("value"), uncertainty=wide) + (f" {unit}" if unit else "")
    if wide is not None:
        low, high = (show(statistic.get(k), uncertainty=wide) for k in ("low", "high"))
        return f"{text} (95 % interval {low} to {high})"
    why = str(statistic.get("why") or "").removesuffix(": no interval can be given")
    return f"{text} (no interval: {why})" if why else f"{text} (no interval)"


def share(value: Any) -> str:
    """A share of one as per cent; never rounded to all or nothing when it is neither."""
    if not finite(value):
        return "–"
    percent = 100.0 * float(value)
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    if percent < 0.1:
        return "under 0.1 %"
    if percent > 99.9:
        return "over 99.9 %"
    if percent < 1 or percent > 99:
        return f"{percent:.1f} %"
    return f"{percent:.0f} %"


def p_words(value: Any) -> str:
    """A p: ``p = 0.34``, ``p = 0.012``, ``p under 0.001``; what is above 0.05 is never rounded to it."""
    if not finite(value):
        return "p –"
    p = float(value)
    if p < 0.001:
        return "p under 0.001"
    text = f"{p:.{2 if p >= 0.1 else 3}f}".rstrip("0").rstrip(".")
    return "p = 0.051" if p > 0.05 and text == "0.05" else f"p = {text}"


def least_p(value: Any) -> str:
    """The smallest p there could be, in two figures: ``0.029``, ``0.00013``."""
    return f"{float(value):.2g}" if finite(value) else "–"


def points(value: Any) -> str:
    """A difference of shares in points of per cent, signed: ``−15``, ``+0.4``."""
    if not finite(value):
        return "–"
    percent = 100.0 * float(value)
    text = f"{abs(percent):.0f}" if abs(percent) >= 9.95 else f"{abs(percent):.1f}"
    if not text.strip("0."):
        return "0"
    return ("+" if percent > 0 else _MINUS) + text


def tenths(value: Any) -> str:
    """A difference with one decimal, signed: ``−12.1``, ``+0.4``, ``0.0``."""
    text = number(value, decimals=1)
    return f"+{text}" if finite(value) and value > 0 and any(c in "123456789" for c in text) else text


def span_of(statistic: Mapping[str, Any], show: Callable[[Any], str]) -> str:
    """``19 % to 57 %``, in the given form."""
    return f"{show(statistic.get('low'))} to {show(statistic.get('high'))}"


def duration(seconds: Any) -> str:
    """``48 s``, ``8 min 10 s``, ``41 min``, ``2 h 05 min``, ``3 d 4 h``."""
    if not finite(seconds):
        return "–"
    whole = round(float(seconds))
    if whole == 0 and seconds > 0:
        return "under 1 s"
    if whole < 60:
        return f"{whole} s"
    if whole < 1200:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest:02d} min" if rest else f"{hours} h"
    days, hours = divmod(round(minutes / 60), 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
