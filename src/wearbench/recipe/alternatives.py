"""A series judged again under other reasonable choices, and at every corner of what clock and averaging may be.

A choice is only made otherwise where it can change something: a reference without a mended beat is not unmended, a
clock that was declared has no other end. What is the same as analysed is not computed twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import correlation_time_s, grouped_sums
from wearbench.core.clock import ClockFit
from wearbench.core.pairing import REASONS
from wearbench.core.running import Running
from wearbench.core.states import STATES, States
from wearbench.recipe.affected import least_seconds, sure_episodes
from wearbench.recipe.columns import COLUMNS, Column, apply_rules, outside, rule_spans, rules_of
from wearbench.recipe.columnset import ColumnSet
from wearbench.recipe.comparison import Comparison, paired
from wearbench.recipe.disputes import settled
from wearbench.recipe.episodes import episodes_of
from wearbench.recipe.intervalplaces import averaged, centre_moves, places_within
from wearbench.recipe.judging import judge
from wearbench.recipe.sessionresult import Alternative
from wearbench.recipe.setaside import without_set_aside
from wearbench.recipe.statetimes import value_seconds
from wearbench.recipe.windows import Windowed

__all__ = ["alternatives_of", "near_least", "without_mended"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

COVERED: Final = {"covered_half": 0.5, "covered_nearly_all": 0.95}
WIDTHS: Final = {"widths_narrower": 0.75, "widths_wider": 1.33}
SHARES: Final = {"share_lower": 0.7, "share_higher": 0.9}
FROZEN_BPM: Final = {"frozen_sooner": 3.0, "frozen_later": 8.0}
FIRST_S: Final = 120.0
FEW_S: Final = 10.0
"""Readings added by a laxer rule that count for no longer get no state: no failure that counts is so short."""

_OF_JUDGING: Final = attrgetter("late_s", "state_share", "frozen_min_s", "frozen_move_bpm")


def alternatives_of(one: Comparison, columns: ColumnSet, clock: ClockFit) -> tuple[Alternative, ...]:
    """Judge a series again under other reasonable choices.

    Parameters
    ----------
    one : Comparison
        As analysed.
    columns : ColumnSet
        What the analysis gave.
    clock : ClockFit
        Final.

    Returns
    -------
    tuple of Alternative
        The first is the analysis itself; the only one where the clock was refused or nothing could be compared.
    """
    analysed = columns.judged
    blocks = _blocks(analysed.window)
    bench = _Bench(one=one, analysed=analysed, expected=columns.expected, blocks=blocks)
    found = [bench.counted("", analysed, clock, one.averaging_s)]
    if clock.trust == "refused" or not analysed.window.pairs.used.any():
        return tuple(found)
    found += bench.of_intervals(clock, found[0])
    found += bench.beyond(clock)
    found += bench.of_reference(clock)
    if one.quantity.state_model:
        found += bench.of_states(clock)
    found += bench.without_start(clock)
    found += bench.of_columns(columns, clock)
    return tuple(found)


def _blocks(window: Windowed) -> NDArray[np.int64]:
    """Block of time of each reading, as long as differences stay alike; the same under all choices."""
    pairs = window.pairs
    used, centre = pairs.used, window.centre_s
    order = np.argsort(centre, kind="stable")
    rows = order[used[order]]
    if not rows.size:
        return np.zeros(centre.size, dtype=np.int64)
    block_s = max(60.0, 5.0 * correlation_time_s(centre[rows], (pairs.tested - pairs.reference)[rows]))
    first, last = float(centre[rows[0]]), float(centre[rows[-1]])
    whole = max(1, int((last - first) / block_s + 0.5))  # a last block shorter than half joins the one before
    return np.clip((centre - first) / block_s, 0, whole - 1).astype(np.int64)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Bench:
    """What all alternatives of a series share."""

    one: Comparison
    analysed: Column
    expected: tuple[float, float]
    blocks: NDArray[np.int64]

    def judged(
        self,
        name: str,
        clock: ClockFit,
        averaging_s: float,
        *,
        one: Comparison | None = None,
        running: Running | None = None,
        keep_doubtful: bool = False,
    ) -> Alternative:
        """One alternative: paired and judged anew."""
        one = one or self.one
        if running is not None:
            one = replace(one, reference=replace(one.reference, running=running))
        window = self._set_aside(one, paired(one, clock, keep_doubtful=keep_doubtful), clock)
        trusted = one.reference.running if keep_doubtful else one.reference.running.without_doubtful()
        states = self._states(one, window, trusted)
        column = replace(self.analysed, name=name, window=window, states=states)
        return self.counted(name, column, clock, averaging_s)

    def of_intervals(self, clock: ClockFit, base: Alternative) -> list[Alternative]:
        """Clock and averaging within their intervals, one at a time and both together.

        Both together are judged whole only where one alone brings a failure near the least that counts; else their
        pairs are enough.
        """
        places = list(places_within(self.one, clock))
        alone = [
            (p, self.judged(p.name, p.clock, p.one.averaging_s, one=p.one))
            for p in places
            if not (p.shift and p.length)
        ]
        ends = [[told for p, told in alone if bool(p.length) is averaging] for averaging in (False, True)]
        whole = near_least(base, *ends, least_s=least_seconds(self.one.study, self.one.settings))
        out = [told for _, told in alone]
        for p in places:
            if p.shift and p.length:
                judge_it = self.judged if whole else self.paired_only
                out.append(judge_it("corner", p.clock, p.one.averaging_s, one=p.one))
        return out

    def paired_only(self, name: str, clock: ClockFit, averaging_s: float, *, one: Comparison) -> Alternative:
        """One alternative of which only the pairs are told, not the states."""
        window = self._set_aside(one, paired(one, clock), clock)
        return Alternative(
            name=name,
            shift_s=clock.shift_s,
            averaging_s=averaging_s,
            seconds={},
            sure_s={},
            readings={},
            blocks=self._sums(window),
        )

    def _set_aside(self, one: Comparison, window: Windowed, clock: ClockFit) -> Windowed:
        rules = rules_of(one.study)
        if rules.any():
            spans = rule_spans(rules, one.session, origin_ms=one.origin_ms, expected=self.expected)
            window = apply_rules(window, spans, min_covered=rules.min_covered)
        return without_set_aside(one, window, one.study, clock)

    def _states(self, one: Comparison, window: Windowed, trusted: Running) -> States:
        """States anew; those of the analysis where a choice does no more than set readings aside, or add a few."""
        before, now, states = self.analysed.window.pairs, window.pairs, self.analysed.states
        if not one.quantity.state_model:
            return replace(states, state=np.where(now.used, 0, -1).astype(np.int8))
        both, added = before.used & now.used, now.used & ~before.used
        if (
            one.learned.states == self.one.learned.states
            and _OF_JUDGING(one.settings) == _OF_JUDGING(self.one.settings)
            and np.array_equal(before.start_s, now.start_s)
            and np.array_equal(before.reference[both], now.reference[both])
            and float(now.seconds[added].sum()) <= FEW_S
        ):
            return replace(states, state=np.where(now.used, states.state, -1).astype(np.int8))
        told = judge(window, trusted, one.context, one.learned.states, one.settings, averaging_s=one.averaging_s)
        return settled(told.states, window, one.reference.running)

    def counted(self, name: str, column: Column, clock: ClockFit, averaging_s: float) -> Alternative:
        """Seconds of each state, sure episodes and sums of one way of judging."""
        one, pairs, states = self.one, column.window.pairs, column.states
        worn = np.where(pairs.reason == REASONS.index("not_worn"), 0.0, value_seconds(pairs))
        every = np.bincount(states.state.astype(np.int64) + 1, weights=worn, minlength=len(STATES) + 1)
        seconds = dict(zip(("unjudged", *STATES), every.tolist(), strict=True))
        seconds["missing"] = float(np.diff(column.gone, axis=1).sum())
        sure: dict[str, float] = {}
        readings: dict[str, int] = {}
        member, episodes = episodes_of(one, column, before=0)
        held = np.bincount(member[member >= 0], minlength=len(episodes) + 1)
        certain = sure_episodes(
            episodes,
            member,
            pairs,
            sure_from=one.settings.affected_probability,
            frozen_off=one.settings.frozen_move_bpm,
        )
        for number, episode in enumerate(episodes, start=1):
            if episode.id in certain:
                sure[episode.state] = sure.get(episode.state, 0.0) + episode.seconds
                count = 2 if math.isnan(episode.probability) else int(held[number])
                readings[episode.state] = readings.get(episode.state, 0) + count
        return Alternative(
            name=name,
            shift_s=clock.shift_s,
            averaging_s=averaging_s,
            seconds={state: value for state, value in seconds.items() if value > 0},
            sure_s=sure,
            readings=readings,
            blocks=self._sums(column.window),
        )

    def _sums(self, window: Windowed) -> F64:
        """Sums of the pairs used in each block of time that holds any."""
        pairs, used = window.pairs, window.pairs.used
        sums = grouped_sums(
            pairs.tested[used],
            pairs.reference[used],
            group=self.blocks[used],
            count=int(self.blocks.max(initial=0)) + 1,
            tolerance=self.one.quantity.tolerance,
            tolerance_share=self.one.settings.tolerance_share,
        )
        some: F64 = sums[sums[:, 0] > 0]
        return some

    def beyond(self, clock: ClockFit) -> Iterator[Alternative]:
        """Half and double the averaging, further than what is known of it: pairs alone, for who calls it unfair."""
        one = self.one
        if one.series.start_s is not None or one.averaging_s <= 0:
            return
        for name, how in (("averaging_halved", "factor low"), ("averaging_doubled", "factor high")):
            moved = averaged(one, how)
            told = replace(clock, shift_s=clock.shift_s + centre_moves(one, moved))
            yield self.paired_only(name, told, moved.averaging_s, one=moved)

    def of_reference(self, clock: ClockFit) -> Iterator[Alternative]:
        """How much of a window must be covered, and whether doubtful and mended stretches count."""
        one, running = self.one, self.one.reference.running
        analysed = self.analysed.window.pairs
        for name, covered in COVERED.items():
            near = (analysed.covered < max(covered, one.settings.min_covered)) & (
                analysed.covered >= min(covered, one.settings.min_covered)
            )
            if near.any():
                other = replace(one, settings=replace(one.settings, min_covered=covered))
                yield self.judged(name, clock, one.averaging_s, one=other)
        if running.doubtful_s.size and float(running.doubtful_s[-1]) > 0:
            yield self.judged("doubtful_kept", clock, one.averaging_s, keep_doubtful=True)
            strict = replace(one, settings=replace(one.settings, max_doubtful=0.0))
            if ((analysed.doubtful > 0) & analysed.used).any():
                yield self.judged("doubtful_strict", clock, one.averaging_s, one=strict)
        if running.mended_s.size and float(running.mended_s[-1]) > 0:
            yield self.judged("unmended", clock, one.averaging_s, running=without_mended(running))

    def of_states(self, clock: ClockFit) -> Iterator[Alternative]:
        """Narrower and wider states, where a blend ends, and how far the reference must move from a held value."""
        one = self.one
        for name, factor in WIDTHS.items():
            states = replace(one.learned.states, spread=factor * one.learned.states.spread)
            other = replace(one, learned=replace(one.learned, states=states))
            yield self.judged(name, clock, one.averaging_s, one=other)
        if np.unique(self.analysed.states.state[self.analysed.states.state >= 0]).size > 1:
            for name, share in SHARES.items():
                other = replace(one, settings=replace(one.settings, state_share=share))
                yield self.judged(name, clock, one.averaging_s, one=other)
        for name, move_bpm in FROZEN_BPM.items():
            if self._may_freeze(move_bpm):
                other = replace(one, settings=replace(one.settings, frozen_move_bpm=move_bpm))
                yield self.judged(name, clock, one.averaging_s, one=other)

    def _may_freeze(self, move_bpm: float) -> bool:
        """Whether another figure can make a held value frozen, or free it."""
        if move_bpm > self.one.settings.frozen_move_bpm:
            return bool((self.analysed.states.state == STATES.index("frozen")).any())
        pairs = self.analysed.window.pairs
        seen = np.flatnonzero(pairs.used)
        if seen.size < 3:
            return False
        run = np.concatenate([[0], np.cumsum(np.diff(pairs.tested[seen]) != 0)])
        starts = np.flatnonzero(np.diff(run, prepend=-1))
        value = pairs.reference[seen]
        moved = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
        lasted = np.add.reduceat(pairs.seconds[seen], starts)
        near = (moved > move_bpm) & (moved <= self.one.settings.frozen_move_bpm)
        return bool((near & (lasted >= self.one.settings.frozen_min_s)).any())

    def without_start(self, clock: ClockFit) -> Iterator[Alternative]:
        """Without the first two minutes in which both were worn, when sensors settle."""
        analysed, until = self.analysed, self.expected[0] + FIRST_S
        if until >= self.expected[1]:
            return
        early = analysed.window.centre_s < until
        pairs = analysed.window.pairs
        reason = np.where(early & (pairs.reason == 0), REASONS.index("rule"), pairs.reason).astype(pairs.reason.dtype)
        states = replace(analysed.states, state=np.where(early, -1, analysed.states.state).astype(np.int8))
        column = replace(
            analysed,
            window=replace(analysed.window, pairs=replace(pairs, reason=reason)),
            states=states,
            gone=outside(analysed.gone, np.array([[-math.inf, until]])),
        )
        yield self.counted("without_start", column, clock, self.one.averaging_s)

    def of_columns(self, columns: ColumnSet, clock: ClockFit) -> Iterator[Alternative]:
        """Without decisions by hand, and without the declared rules either, where there are any."""
        named = dict(zip(COLUMNS, ("without_rules", "without_decisions"), strict=False))
        for column in columns.every:
            if column.name in named:
                yield self.counted(named[column.name], column, clock, self.one.averaging_s)


def near_least(
    base: Alternative, by_clock: Sequence[Alternative], by_averaging: Sequence[Alternative], *, least_s: float
) -> bool:
    """Whether a failure that counts could stop to do so if clock and averaging both move.

    Parameters
    ----------
    base : Alternative
        As analysed.
    by_clock, by_averaging : sequence of Alternative
        With one of them moved.
    least_s : float
        Seconds of a failure that count.

    Returns
    -------
    bool
        True where twice what the two take away alone, at the most, would bring a failure below that.
    """
    for state, seconds in base.sure_s.items():
        lost = 0.0
        for moved in (by_clock, by_averaging):
            lost += max([0.0, *(seconds - a.sure_s.get(state, 0.0) for a in moved)])
        if seconds >= least_s > seconds - 2.0 * lost:
            return True
    return False


def without_mended(running: Running) -> Running:
    """The same reference with mended intervals taken out as gaps."""
    keep = np.diff(running.mended_s, prepend=running.mended_s[:1]) <= 0

    def without(column: F64) -> F64:
        out: F64 = np.cumsum(np.where(keep, np.diff(column, prepend=column[:1]), 0.0))
        return out

    return replace(
        running,
        amount=without(running.amount),
        covered_s=without(running.covered_s),
        mended_s=np.zeros_like(running.mended_s),
        doubtful_s=without(running.doubtful_s),
    )
