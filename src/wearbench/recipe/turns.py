"""What changed between sessions: a device's firmware, its app or server, or what sessions.csv says was changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from wearbench.recipe.occasions import Occasions
from wearbench.recipe.versions import version_at
from wearbench.study import Study

__all__ = ["Turn", "turns_of"]

COLUMN: Final = "change"
"""Column of sessions.csv that names what was changed on purpose (``change.<device>`` for one device)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """One change, and on which side of it each session lies.

    Attributes
    ----------
    what : str
        "firmware", "app", "server" or "declared".
    before, after : str
        The two versions.
    first, second, unknown : tuples of int
        Places of the sessions among the occasions: before, after, and those of which it is not known.
    """

    what: str
    before: str
    after: str
    first: tuple[int, ...]
    second: tuple[int, ...]
    unknown: tuple[int, ...] = ()


def turns_of(occasions: Occasions, study: Study) -> list[Turn]:
    """Every change that sessions of a device lie on both sides of.

    Parameters
    ----------
    occasions : Occasions
    study : Study

    Returns
    -------
    list of Turn
        Of each two versions that follow one another, in order of their first session.
    """
    device = occasions.history.device
    named = {s.name: s for s in study.sessions}
    ran = [s.ran for _, s in occasions.results]
    turns = _pairs("firmware", [r.version for r in ran], [r.between for r in ran])
    for part in ("app", "server"):
        seen = sorted((v.seen_at_ms, v.version) for v in study.versions if v.device == device and v.part == part)
        versions, between = [], []
        for name, (r, _) in zip(occasions.names, occasions.results, strict=True):
            found = version_at(seen, named[name].start_ms or r.material.origin_ms)
            versions.append(found[0])
            between.append(found[1])
        turns += _pairs(part, versions, between)
    told = [
        named[name].columns.get(f"{COLUMN}.{device}") or named[name].columns.get(COLUMN) or ""
        for name in occasions.names
    ]
    return turns + _pairs("declared", told, [()] * len(told))


def _pairs(what: str, versions: Sequence[str], between: Sequence[tuple[str, ...]]) -> list[Turn]:
    order = list(dict.fromkeys(v for v in versions if v))
    return [
        Turn(
            what=what,
            before=old,
            after=new,
            first=tuple(i for i, v in enumerate(versions) if v == old),
            second=tuple(i for i, v in enumerate(versions) if v == new),
            unknown=tuple(
                i for i, (v, b) in enumerate(zip(versions, between, strict=True)) if not v and b == (old, new)
            ),
        )
        for old, new in pairwise(order)
    ]
