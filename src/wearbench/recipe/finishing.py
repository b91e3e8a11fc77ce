"""Second pass over a session, with the study's parameters: window, states, pairs, episodes, sums."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearbench.core.agreement import block_sums, pair_sums
from wearbench.core.clock import ClockFit, cross_shift, declared_clock
from wearbench.core.pairing import REASONS, Pairs, missing_spans
from wearbench.core.running import Running
from wearbench.core.states import STATES, States, runs_of
from wearbench.core.steps import ClockStep, outside_steps
from wearbench.quantities import Quantity
from wearbench.recipe.availability import Availability, availability_of
from wearbench.recipe.columns import (
    COLUMNS,
    Column,
    apply_rules,
    hand_spans,
    has_columns,
    outside,
    rule_spans,
    rules_of,
)
from wearbench.recipe.fitting import (
    SessionFit,
    Windowed,
    as_stamped_shift,
    cadence_over,
    clock_stamps,
    finite_width,
    first_clock,
    good_values,
    half_of,
    judge,
    on_one_centre,
    searches_clock,
    series_modes,
    windowed,
    without_steps,
)
from wearbench.recipe.learning import SeriesParameters, StudyParameters, in_session, predicted_shift
from wearbench.recipe.material import ReferenceMaterial, Series, SessionMaterial
from wearbench.recipe.places import BoutClock, Places, bouts_on_reference, places_of
from wearbench.recipe.proposals import Proposal, of_offset, of_start, of_steps
from wearbench.recipe.rhythms import RhythmSums, mode_not_started, rhythm_groups, rhythm_sums
from wearbench.recipe.versions import Firmware, firmware_of, same_version
from wearbench.recipe.wearing import Absent, absent_spans, propose_unworn
from wearbench.settings import Settings
from wearbench.study import DeviceConfig, Session, Study

__all__ = ["Episode", "SeriesResult", "SessionResult", "StateTime", "SumsRow", "finish_session"]

F64 = NDArray[np.float64]
B8 = NDArray[np.bool_]

MISSING = "missing"
_MENDED_BY_CLOCK = [0, *(REASONS.index(r) for r in ("no_reference", "covered_too_little", "reference_doubtful"))]
_TRUSTS = ("good", "declared", "weak", "refused")
HAND_S = 120.0
"""Devices are started and stopped by hand: so much at either end is nobody's fault."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Episode:
    """An unbroken run of one state other than faithful; seconds from the session's origin."""

    id: str
    event: str
    state: str
    also: str
    start_s: float
    end_s: float
    seconds: float
    tested_mean: float
    reference_mean: float
    ratio: float
    probability: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SumsRow:
    """Sums of one group of pairs of the session, and of its blocks of time."""

    readings: str
    clock: str
    by: str
    group: str
    sums: F64
    blocks: F64


@dataclass(frozen=True, kw_only=True, slots=True)
class StateTime:
    """Seconds in a state; ``state`` is also "missing", "not_worn", "not_expected" or "unjudged"."""

    by: str
    group: str
    state: str
    seconds: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SeriesResult:
    """Everything about one tested series in one session; arrays have the length of the series."""

    device: str
    quantity: str
    unit: str
    reference_device: str
    firmware: str
    wear_site: str
    clock: ClockFit
    offset_s: float
    offset_is: str
    averaging_s: float
    delay_s: float
    series: Series
    pairs: Pairs
    states: States
    cadence: F64
    places: Places
    episode: NDArray[np.int32]
    episodes: tuple[Episode, ...]
    sums: tuple[SumsRow, ...]
    state_times: tuple[StateTime, ...]
    flow: dict[str, float]
    blocks_faithful: F64
    blocks_judged: F64
    warnings: tuple[str, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    rhythms: tuple[RhythmSums, ...] = ()
    ran: Firmware = field(default_factory=lambda: Firmware(version="", how="unknown"))


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionResult:
    """Everything about one session; ``session`` has its bouts on the reference's clock."""

    material: SessionMaterial
    results: tuple[SeriesResult, ...] = ()
    unpaired: tuple[Availability, ...] = ()
    session: Session | None = None
    warnings: tuple[str, ...] = ()
    thirds: dict[str, tuple[float, float]] = field(default_factory=dict)


def finish_session(
    material: SessionMaterial, fit: SessionFit, parameters: StudyParameters, study: Study, settings: Settings
) -> SessionResult:
    """Second pass over one session: window and states with the study's parameters, then all that is reported.

    Parameters
    ----------
    material : SessionMaterial
    fit : SessionFit
        The first pass of the same session.
    parameters : StudyParameters
    study : Study
    settings : Settings

    Returns
    -------
    SessionResult
    """
    session = next(s for s in study.sessions if s.name == material.name)
    session, said = bouts_on_reference(
        session,
        _bout_clocks(material, fit, parameters, study),
        {device.name: device.label for device in study.config.devices.values()},
        origin_ms=material.origin_ms,
    )
    results: list[SeriesResult] = []
    unpaired: list[Availability] = []
    count = 0
    for series in material.tested:
        reference = material.reference_for(series.quantity)
        key = (series.device, series.quantity)
        first = next((f for f in fit.fits if (f.device, f.quantity) == key), None)
        if reference is None or first is None or key not in parameters.series:
            unpaired.append(
                availability_of(
                    series,
                    study.config.all_quantities[series.quantity],
                    session,
                    settings,
                    origin_ms=material.origin_ms,
                    hold_s=study.config.devices[series.device].hold_s or 0.0,
                )
            )
            continue
        result = _series(
            series,
            reference,
            first.clock,
            first.steps,
            parameters.series[key],
            parameters,
            material,
            session,
            study,
            settings,
            count,
        )
        count += len(result.episodes)
        results.append(result)
    return SessionResult(
        material=material,
        results=tuple(results),
        unpaired=tuple(unpaired),
        session=session,
        warnings=said,
        thirds=dict(parameters.thirds),
    )


def _bout_clocks(
    material: SessionMaterial, fit: SessionFit, parameters: StudyParameters, study: Study
) -> dict[str, BoutClock]:
    """Clocks of the first pass, so that a bout has the same edges for all devices of the session."""
    out: dict[str, BoutClock] = {}
    for one in fit.fits:
        learned = parameters.series.get((one.device, one.quantity))
        series = next((s for s in material.tested if (s.device, s.quantity) == (one.device, one.quantity)), None)
        if learned is None or series is None or one.device in out:
            continue
        device = study.config.devices[one.device]
        half = 0.0 if series.start_s is not None else half_of(device) * learned.of_rhythm(one.usual_s).averaging_s
        back = (learned.delay_s or 0.0) - half + series.after_stamp_s
        out[one.device] = BoutClock(fit=one.clock, back_s=back)
    return out


def _clock(
    series: Series,
    reference: ReferenceMaterial,
    first: ClockFit,
    learned: SeriesParameters,
    device: DeviceConfig,
    quantity: Quantity,
    settings: Settings,
    *,
    session: str,
    origin_ms: int,
) -> ClockFit:
    averaging = learned.averaging.averaging_s
    if not searches_clock(device, quantity):
        return first
    if device.clock == "shared" and learned.delay_s is not None:
        shift = as_stamped_shift(device, averaging_s=averaging, delay_s=learned.delay_s)
        return declared_clock(shift_s=shift, at_s=first.at_s, method="shared clock, delay estimated over the study")

    def again(start: float | None) -> ClockFit:
        return first_clock(
            device, quantity, series, reference, settings, averaging_s=averaging, shape=learned.averaging.shape,
            start_s=start, seed=settings.seed,
        )  # fmt: skip

    if first.trust in ("weak", "refused"):
        # With the device's own averaging known, a session that hardly moves may show its clock after all.
        second = again(None)
        if second.trust == "good":
            return second
        if _TRUSTS.index(second.trust) < _TRUSTS.index(first.trust) or finite_width(second) < finite_width(first):
            first = second

    predicted = None
    if first.trust in ("weak", "refused"):
        predicted = predicted_shift(learned, session=session, origin_ms=origin_ms)
    if predicted is not None:
        shift, spread = predicted
        own = again(shift)
        width = max(0.5 * finite_width(own), 0.1)
        # Own evidence and the neighbours', each weighed by what it knows.
        weight = 1.0 / spread**2, (1.0 / width**2 if abs(own.shift_s - shift) <= 3 * (spread + width) else 0.0)
        centre = (weight[0] * shift + weight[1] * own.shift_s) / sum(weight)
        half = 1.96 / math.sqrt(sum(weight))
        return replace(
            own,
            shift_s=centre,
            low_s=centre - half,
            high_s=centre + half,
            trust="weak",
            method="borrowed from neighbouring sessions of the device, with what this one shows",
            why=first.why,
            half_shifts_s=(centre, centre),
            candidates=first.candidates,
        )
    if first.trust == "refused":
        return _refused_clock(series, reference, first, device, quantity, averaging)
    fine = again(first.shift_s)
    trust = first.trust if first.trust == "weak" or fine.trust == "good" else "weak"
    return replace(fine, trust=trust, why=first.why or fine.why, candidates=first.candidates or fine.candidates)


def _refused_clock(
    series: Series,
    reference: ReferenceMaterial,
    first: ClockFit,
    device: DeviceConfig,
    quantity: Quantity,
    averaging_s: float,
) -> ClockFit:
    """As stamped if the stamps are among the answers that fit; else unknown, and nothing is paired."""
    near = as_stamped_shift(device, averaging_s=averaging_s, delay_s=device.delay_s or 0.0)
    if any(abs(c.shift_s - near) <= 20.0 for c in first.candidates) or _stamps_will_do(
        series, reference.running, near, averaging_s, first, quantity
    ):
        return replace(
            first, shift_s=near, drift_ppm=0.0, low_s=-math.inf, high_s=math.inf, trust="weak",
            method="as stamped: the data cannot tell, and the stamps are among the answers that fit",
            half_shifts_s=(near, near),
        )  # fmt: skip
    return first


def _stamps_will_do(
    series: Series, running: Running, near: float, averaging_s: float, first: ClockFit, quantity: Quantity
) -> bool:
    from wearbench.core.clock import tolerant_loss
    from wearbench.core.running import values_over

    if not first.candidates:
        return False
    good = good_values(series, quantity)
    centre = series.time_s[good] + near
    window = values_over(running, centre - 0.5 * averaging_s, centre + 0.5 * averaging_s)
    seen = window.covered >= 0.5
    if int(seen.sum()) < 0.5 * seen.size or seen.size == 0:
        return False
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = tolerant_loss(np.log(series.value[good][seen] / window.value[seen]), scale=0.035)
    return float(np.nanmean(loss)) <= first.candidates[0].loss + 0.02


def _series(
    series: Series,
    reference: ReferenceMaterial,
    first: ClockFit,
    steps: tuple[ClockStep, ...],
    learned: SeriesParameters,
    parameters: StudyParameters,
    material: SessionMaterial,
    session: Session,
    study: Study,
    settings: Settings,
    episodes_before: int,
) -> SeriesResult:
    device = study.config.devices[series.device]
    quantity = study.config.all_quantities[series.quantity]
    modes, main = series_modes(series, reference)
    learned, lengths = in_session(learned, modes, main, device)
    averaging = learned.averaging.averaging_s
    hold = device.hold_s or 0.0
    clock = _clock(
        without_steps(on_one_centre(series, lengths), steps), reference, first, learned, device, quantity, settings,
        session=session.name, origin_ms=material.origin_ms,
    )  # fmt: skip
    if steps and clock.trust == "good":
        clock = replace(clock, trust="weak", why="the clock steps inside the recording; see the proposals")
    running = reference.running

    def pair(**how: object) -> Windowed:
        return windowed(
            series,
            running,
            quantity,
            settings,
            clock=clock,
            lengths=lengths,
            hold_s=hold,
            **how,  # type: ignore[arg-type]
        )

    unruled = pair()
    rules = rules_of(study)
    expected = _expected(series, reference, session, material.origin_ms, _in_place(unruled, series, steps), quantity)
    ruled, by_rule = unruled, np.zeros((0, 2))
    if clock.trust != "refused" and rules.any():
        by_rule = rule_spans(rules, session, origin_ms=material.origin_ms, expected=expected)
        ruled = apply_rules(unruled, by_rule, min_covered=rules.min_covered)
    by_hand = np.concatenate([by_rule, hand_spans(study, session, series, clock, origin_ms=material.origin_ms)])
    undecided = replace(study, decisions=())
    columns: list[Column] = []
    absent: dict[str, Absent] = {}

    def column(name: str, start: Windowed, decided: Study, cut: F64) -> Column:
        left = _off_clock(_leave_out(start, series, session, decided, material, clock), series, steps)
        same = next((c for c in columns if np.array_equal(c.window.pairs.reason, left.pairs.reason)), None)
        if same is not None:
            states = same.states
        elif quantity.state_model and clock.trust != "refused":
            states = judge(
                left, running.without_doubtful(), material.context, learned.states, settings, averaging_s=averaging
            ).states
        else:
            states = _no_states(left.pairs, judged=not quantity.state_model)
        gone = _missing(series, _in_place(left, series, steps), quantity, settings, expected, hold)
        absent[name] = absent_spans(
            decided, session, series, clock, origin_ms=material.origin_ms, expected=expected, silent=gone
        )
        gone = outside(outside(gone, cut), absent[name].every)
        columns.append(Column(name=name, window=left, states=states, gone=gone))
        return columns[-1]

    judged = column("plus decisions", ruled, study, by_hand)
    window, states, gone = judged.window, judged.states, judged.gone
    pairs = window.pairs
    cadence = cadence_over(material.context, pairs.start_s, pairs.end_s)
    places = places_of(session, material.origin_ms, window.centre_s)
    in_place = _in_place(window, series, steps)
    ran = firmware_of(study, session, device.name, series.facts, at_ms=session.start_ms or material.origin_ms)
    firmware = ran.version
    away = absent[judged.name]
    episode, episodes = _episodes(session.name, episodes_before, window, states, gone, away, quantity)
    thirds = parameters.thirds.get(series.quantity)
    groups = _groups(places, pairs, firmware, thirds) + rhythm_groups(learned, modes)
    sums = _sums(series, pairs, states, groups, window, quantity, settings, pair, clock, device, averaging, learned)
    times = _state_times(pairs, states, window, gone, away, session, material.origin_ms, firmware, thirds)
    if has_columns(study):
        column("everything", unruled, undecided, np.zeros((0, 2)))
        column("declared rules", ruled, undecided, by_rule)
        for one in sorted(columns, key=lambda c: COLUMNS.index(c.name)):
            whole = [("column", one.name, np.ones(pairs.tested.size, dtype=np.bool_))]
            sums += _sums(
                series, one.window.pairs, one.states, whole, one.window, quantity, settings, None, clock, device,
                averaging, learned,
            )  # fmt: skip
            spent = _state_times(
                one.window.pairs,
                one.states,
                one.window,
                one.gone,
                absent[one.name],
                session,
                material.origin_ms,
                "",
                None,
            )
            times += tuple(replace(t, by="column", group=one.name) for t in spent if t.by == "all")
    blocks_faithful, blocks_judged = _share_blocks(pairs, states, window, gone)
    delay = learned.delay_s or 0.0
    own_window = series.start_s is not None
    half = 0.0 if own_window else {"ending": 0.5, "starting": -0.5}.get(device.stands_for, 0.0) * averaging
    flow = _flow(expected, reference, pairs, away)
    warnings = _warnings(series, reference, clock, expected, in_place, device, open_end=session.end_ms is None)
    offset = clock.shift_s + half + delay + series.after_stamp_s
    about = {"device": series.device, "quantity": series.quantity, "origin_ms": material.origin_ms}
    zone = device.zone or session.zone
    proposals = _proposals(series, reference, clock, steps, offset, zone, about)
    proposals += propose_unworn(
        series, quantity, clock, known=away, expected=expected, zone=zone, origin_ms=material.origin_ms, steps=steps
    )
    warnings += tuple(f"{device.label}: {p.said}" for p in proposals)
    if ran.how == "sessions.csv" and ran.file and not same_version(ran.version, ran.file):
        said = f"sessions.csv says firmware {ran.version}, its file {ran.file}; the first is used"
        warnings += (f"{device.label}: {said}",)
    not_started = mode_not_started(learned, modes, main, places.activities)
    warnings += () if not_started is None else (f"{device.label} {not_started}",)
    return SeriesResult(
        device=series.device,
        quantity=series.quantity,
        unit=quantity.unit,
        reference_device=reference.device,
        firmware=firmware,
        wear_site=study.wear_site(session, device.name) or "",
        clock=clock,
        offset_s=offset,
        offset_is="clock" if learned.delay_s is not None or not quantity.state_model else "clock_minus_delay",
        averaging_s=averaging,
        delay_s=delay,
        series=series,
        pairs=pairs,
        states=states,
        cadence=cadence,
        places=places,
        episode=episode,
        episodes=episodes,
        sums=sums,
        state_times=times,
        flow=flow,
        blocks_faithful=blocks_faithful,
        blocks_judged=blocks_judged,
        warnings=warnings,
        proposals=proposals,
        rhythms=rhythm_sums(learned, modes, pairs),
        ran=ran,
    )


def _no_states(pairs: Pairs, *, judged: bool) -> States:
    n = pairs.tested.size
    state = np.where(pairs.used & judged, 0, -1).astype(np.int8)
    return States(
        state=state,
        ratio=np.full(n, np.nan),
        also_cadence=np.zeros(n, dtype=np.bool_),
        probability=np.full(n, np.nan),
    )


def _leave_out(
    window: Windowed, series: Series, session: Session, study: Study, material: SessionMaterial, clock: ClockFit
) -> Windowed:
    """Apply the person's decisions and a clock that nothing could tell."""
    reason = window.pairs.reason.copy()
    if clock.trust == "refused":
        reason[reason == 0] = REASONS.index("clock_unknown")
    revoked = {d.revokes for d in study.decisions if d.kind == "revoke"}
    for decision in study.decisions:
        if decision.kind not in ("leave_out", "wear") or decision.id in revoked or decision.session != session.name:
            continue
        if decision.start is None or decision.end is None:
            continue
        low = decision.start.timestamp() - material.origin_ms / 1000.0
        high = decision.end.timestamp() - material.origin_ms / 1000.0
        if decision.on == "reference":
            hit = (window.pairs.end_s > low) & (window.pairs.start_s < high)
        elif decision.device in (None, series.device) and decision.quantity in (None, series.quantity):
            hit = (series.stamp_s >= low) & (series.stamp_s <= high)
        else:
            continue
        name = "not_worn" if decision.kind == "wear" else "left_out"
        reason[hit & (reason == 0)] = REASONS.index(name)
    for wear in study.wear:
        if wear.device in (series.device,) and wear.what in ("off", "charging"):
            at = series.stamp_s * 1000.0 + material.origin_ms
            hit = (at >= wear.start_ms) & (at <= wear.end_ms)
            reason[hit & (reason == 0)] = REASONS.index("not_worn")
    return replace(window, pairs=replace(window.pairs, reason=reason))


def _off_clock(window: Windowed, series: Series, steps: tuple[ClockStep, ...]) -> Windowed:
    """Set aside the readings that are on another clock than the rest; nobody has decided to move them."""
    if not steps:
        return window
    reason = window.pairs.reason.copy()
    stepped = ~outside_steps(clock_stamps(series), steps)
    reason[stepped & np.isin(reason, _MENDED_BY_CLOCK)] = REASONS.index("clock_unknown")
    return replace(window, pairs=replace(window.pairs, reason=reason))


def _proposals(
    series: Series,
    reference: ReferenceMaterial,
    clock: ClockFit,
    steps: tuple[ClockStep, ...],
    offset_s: float,
    zone: tzinfo | None,
    about: dict[str, Any],
) -> tuple[Proposal, ...]:
    if series.time_s.size == 0 or not (series.start_known and reference.start_known):
        return ()
    first, last = float(series.time_s[0]), float(series.time_s[-1])
    if clock.trust == "refused":
        return of_start(tested_s=first, reference_s=reference.first_s, zone=zone, **about)
    stepped = of_steps(steps, zone=zone, first_s=first, last_s=last, **about)
    if clock.trust == "declared" or not math.isfinite(clock.high_s - clock.low_s):
        return stepped
    return stepped + of_offset(clock, offset_s=offset_s, zone=zone, **about)


def _in_place(window: Windowed, series: Series, steps: tuple[ClockStep, ...]) -> Windowed:
    """Windows where they would lie on one clock: when the device gave values can be told whatever its stamps say."""
    if not steps:
        return window
    stamp_s = clock_stamps(series)
    move = np.zeros(stamp_s.size)
    for step in steps:
        move[(stamp_s >= step.from_s - 1e-6) & (stamp_s <= step.to_s + 1e-6)] = step.shift_s
    pairs = replace(window.pairs, start_s=window.pairs.start_s + move, end_s=window.pairs.end_s + move)
    return replace(window, pairs=pairs, centre_s=window.centre_s + move)


def _expected(
    series: Series,
    reference: ReferenceMaterial,
    session: Session,
    origin_ms: int,
    window: Windowed,
    quantity: Quantity,
) -> tuple[float, float]:
    """From when to when the device was expected to give values, on the reference's clock."""
    good = np.flatnonzero(good_values(series, quantity))
    low, high = reference.first_s, reference.last_s
    if session.start_ms is not None:
        low = max(low, (session.start_ms - origin_ms) / 1000.0)
    elif good.size:
        first = float(window.pairs.start_s[good[0]])
        low = first if first - low <= HAND_S else low
    if session.end_ms is not None:
        high = min(high, (session.end_ms - origin_ms) / 1000.0)
    elif good.size:
        last = float(window.pairs.end_s[good[-1]])
        high = last if high - last <= HAND_S else high
    return low, max(low, high)


def _missing(
    series: Series,
    window: Windowed,
    quantity: Quantity,
    settings: Settings,
    expected: tuple[float, float],
    hold_s: float,
) -> F64:
    """Stretches without a value, on the reference's clock, shape (m, 2)."""
    if window.pairs.reason.size and bool(np.all(window.pairs.reason == REASONS.index("clock_unknown"))):
        return np.zeros((0, 2))
    good = good_values(series, quantity)
    usual = np.maximum(window.usual_s, hold_s / settings.reading_counts_for)
    if not good.any():
        return missing_spans(np.zeros(0), np.zeros(0), first_s=expected[0], last_s=expected[1])
    # A reading stands at its window's centre: half a window at either end is not missing.
    half = 0.5 * (window.pairs.end_s - window.pairs.start_s)[good]
    return missing_spans(
        window.centre_s[good],
        usual[good],
        first_s=min(expected[0] + float(half[0]), expected[1]),
        last_s=max(expected[1] - float(half[-1]), expected[0]),
        most=settings.reading_counts_for,
    )


def _seconds(pairs: Pairs) -> F64:
    """What each reading counts for; none without a value."""
    return np.where(np.isfinite(pairs.tested), pairs.seconds, 0.0)


def _episodes(
    session: str,
    before: int,
    window: Windowed,
    states: States,
    gone: F64,
    absent: Absent,
    quantity: Quantity,
) -> tuple[NDArray[np.int32], tuple[Episode, ...]]:
    pairs = window.pairs
    member = np.full(pairs.tested.size, -1, dtype=np.int32)
    found: list[tuple[float, float, str, NDArray[np.int64] | None]] = []
    judged = np.flatnonzero(states.state >= 0)
    if quantity.state_model and judged.size:
        seconds = _seconds(pairs)
        centre = window.centre_s
        kind = states.state[judged].astype(np.int64)
        # A pause in the readings, or a stretch that could not be judged, breaks a run.
        pause = np.diff(centre[judged]) > seconds[judged[:-1]] * 1.01 + 1e-6
        piece = np.concatenate([[0], np.cumsum((np.diff(kind) != 0) | pause)])
        runs = runs_of(piece.astype(np.int64))
        for first, stop in zip(runs.first.tolist(), runs.stop.tolist(), strict=True):
            members = judged[first:stop]
            if kind[first] == 0:
                continue
            start = float(centre[members[0]])
            end = float(centre[members[-1]] + seconds[members[-1]])
            found.append((start, end, STATES[kind[first]], members))
        for name, spans in ((MISSING, gone), ("not_worn", absent.not_worn), ("not_expected", absent.not_expected)):
            found += [(float(a), float(b), name, None) for a, b in spans]
    found.sort(key=lambda f: (f[0], f[1]))
    out: list[Episode] = []
    event, last_end = 0, -math.inf
    touch = 1.5 * float(np.median(window.usual_s)) + 1e-6 if window.usual_s.size else 0.0
    for number, (start, end, state, index) in enumerate(found, start=before + 1):
        if start - last_end > touch:
            event = number
        last_end = max(last_end, end)
        if index is None:
            tested = reference = ratio = probability = math.nan
            also, seconds_total = "", end - start
        else:
            member[index] = number
            weight = _seconds(pairs)[index]
            weight = weight / weight.sum() if weight.sum() > 0 else np.full(index.size, 1.0 / index.size)
            tested = float(np.dot(weight, pairs.tested[index]))
            reference = float(np.dot(weight, pairs.reference[index]))
            ratio = tested / reference if reference else math.nan
            probability = float(states.probability[index].mean())
            also = "cadence_locked" if float(states.also_cadence[index].mean()) >= 0.5 else ""
            seconds_total = float(_seconds(pairs)[index].sum())
        out.append(
            Episode(
                id=f"{session}-E{number}",
                event=f"{session}-V{event}",
                state=state,
                also=also,
                start_s=start,
                end_s=end,
                seconds=seconds_total,
                tested_mean=tested,
                reference_mean=reference,
                ratio=ratio,
                probability=probability,
            )
        )
    return member, tuple(out)


THIRD_NAMES = ("lowest third", "middle third", "highest third")


def _groups(
    places: Places, pairs: Pairs, firmware: str, thirds: tuple[float, float] | None
) -> list[tuple[str, str, B8]]:
    everything = np.ones(pairs.tested.size, dtype=np.bool_)
    groups: list[tuple[str, str, B8]] = [("all", "all", everything)]
    groups += [("activity", name, places.activity == name) for name in places.activities]
    if firmware:
        groups.append(("firmware", firmware, everything))
    if thirds is not None:
        with np.errstate(invalid="ignore"):
            cell = (pairs.reference >= thirds[0]).astype(int) + (pairs.reference >= thirds[1])
        groups += [("reference_third", THIRD_NAMES[i], cell == i) for i in range(3)]
    return groups


def _sums(
    series: Series,
    pairs: Pairs,
    states: States,
    groups: list[tuple[str, str, B8]],
    window: Windowed,
    quantity: Quantity,
    settings: Settings,
    pair: object,
    clock: ClockFit,
    device: DeviceConfig,
    averaging_s: float,
    learned: SeriesParameters,
) -> tuple[SumsRow, ...]:
    rows: list[SumsRow] = []

    def add(readings: str, which: str, by: str, group: str, chosen: Pairs, mask: B8) -> None:
        if not mask.any():
            return
        tested, reference = chosen.tested[mask], chosen.reference[mask]
        middle = 0.5 * (chosen.start_s + chosen.end_s)[mask]
        order = np.argsort(middle, kind="stable")
        terms = {"tolerance": quantity.tolerance, "tolerance_share": settings.tolerance_share}
        rows.append(
            SumsRow(
                readings=readings,
                clock=which,
                by=by,
                group=group,
                sums=pair_sums(tested, reference, **terms),  # type: ignore[arg-type]
                blocks=block_sums(tested[order], reference[order], time_s=middle[order], **terms),  # type: ignore[arg-type]
            )
        )

    used = pairs.used
    faithful = used & (states.state == 0)
    for by, group, mask in groups:
        add("all", "fitted", by, group, pairs, used & mask)
        if quantity.state_model:
            add("faithful", "fitted", by, group, pairs, faithful & mask)
    if not quantity.state_model or not callable(pair):
        return tuple(rows)
    kept = pair(keep_doubtful=True).pairs
    manual = np.isin(pairs.reason, [REASONS.index(r) for r in ("left_out", "not_worn", "rule", "clock_unknown")])
    add("all", "fitted", "doubtful_reference", "kept", kept, kept.used & ~manual)
    if clock.trust != "refused" and searches_clock(device, quantity):
        crossed = pair(shift_s=cross_shift(clock, series.time_s)).pairs
        add("all", "cross_fitted", "all", "all", crossed, crossed.used & ~manual)
    near = (
        0.0
        if series.start_s is not None
        else as_stamped_shift(device, averaging_s=averaging_s, delay_s=learned.delay_s or 0.0)
    )
    stamped = pair(shift_s=np.full(series.time_s.size, near)).pairs
    hand = np.isin(pairs.reason, [REASONS.index(r) for r in ("left_out", "not_worn", "rule")])
    add("all", "declared", "all", "all", stamped, stamped.used & ~hand)
    return tuple(rows)


def _state_times(
    pairs: Pairs,
    states: States,
    window: Windowed,
    gone: F64,
    absent: Absent,
    session: Session,
    origin_ms: int,
    firmware: str,
    thirds: tuple[float, float] | None,
) -> tuple[StateTime, ...]:
    seconds = np.where(pairs.reason == REASONS.index("not_worn"), 0.0, _seconds(pairs))
    places = places_of(session, origin_ms, window.centre_s)
    silent = {}
    for name, spans in ((MISSING, gone), ("not_worn", absent.not_worn), ("not_expected", absent.not_expected)):
        pieces, lengths = _pieces(spans)
        silent[name] = (places_of(session, origin_ms, pieces), lengths)
    out: list[StateTime] = []

    def add(by: str, group: str, mask: B8, *, activity: str | None = None) -> None:
        for code in range(-1, len(STATES)):
            total = float(seconds[mask & (states.state == code)].sum())
            if total > 0:
                out.append(StateTime(by=by, group=group, state="unjudged" if code < 0 else STATES[code], seconds=total))
        if by == "reference_third":
            return
        for name, (where, lengths) in silent.items():
            lost = float(lengths.sum() if activity is None else lengths[where.activity == activity].sum())
            if lost > 0:
                out.append(StateTime(by=by, group=group, state=name, seconds=lost))

    everything = np.ones(seconds.size, dtype=np.bool_)
    add("all", "all", everything)
    add("session", session.name, everything)
    if firmware:
        add("firmware", firmware, everything)
    every = (*places.activities, *(name for where, _ in silent.values() for name in where.activities))
    for name in dict.fromkeys(every):
        add("activity", name, places.activity == name, activity=name)
    if thirds is not None:
        with np.errstate(invalid="ignore"):
            cell = (pairs.reference >= thirds[0]).astype(int) + (pairs.reference >= thirds[1])
        for i, name in enumerate(THIRD_NAMES):
            add("reference_third", name, (cell == i) & np.isfinite(pairs.reference))
    return tuple(out)


def _pieces(spans: F64, *, length_s: float = 5.0) -> tuple[F64, F64]:
    """Cut stretches into pieces short enough to belong to one bout: middles and lengths."""
    middles: list[F64] = []
    lengths: list[F64] = []
    for a, b in spans:
        n = max(1, math.ceil((b - a) / length_s))
        edges = np.linspace(a, b, n + 1)
        middles.append(0.5 * (edges[1:] + edges[:-1]))
        lengths.append(np.diff(edges))
    if not middles:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(middles), np.concatenate(lengths)


def _share_blocks(
    pairs: Pairs, states: States, window: Windowed, gone: F64, *, block_s: float = 120.0
) -> tuple[F64, F64]:
    """Faithful and all judged or missing seconds in blocks of time, for a single session's interval."""
    seconds = _seconds(pairs)
    pieces, lengths = _pieces(gone)
    every = np.concatenate([window.centre_s, pieces])
    if every.size == 0:
        return np.zeros(0), np.zeros(0)
    origin = float(every.min())
    block = np.floor((window.centre_s - origin) / block_s).astype(np.int64)
    lost = np.floor((pieces - origin) / block_s).astype(np.int64)
    n = int(max(block.max(initial=0), lost.max(initial=0))) + 1
    judged = np.zeros(n) + np.bincount(block, weights=np.where(states.state >= 0, seconds, 0.0), minlength=n)
    judged += np.bincount(lost, weights=lengths, minlength=n)
    faithful = np.zeros(n) + np.bincount(block, weights=np.where(states.state == 0, seconds, 0.0), minlength=n)
    keep = judged > 0
    return faithful[keep], judged[keep]


def _flow(
    expected: tuple[float, float], reference: ReferenceMaterial, pairs: Pairs, absent: Absent
) -> dict[str, float]:
    running = reference.running

    def inside(column: F64) -> float:
        return float(np.interp(expected[1], running.knot_s, column) - np.interp(expected[0], running.knot_s, column))

    # What was not worn is no part of it, values or none.
    seconds = np.where(pairs.reason == REASONS.index("not_worn"), 0.0, _seconds(pairs))
    hand = pairs.reason == REASONS.index("left_out")
    worn = expected[1] - expected[0] - float(np.diff(absent.every, axis=1).sum())
    gave = min(worn, float(seconds.sum()))
    return {
        "worn": worn,
        "reference_trustworthy": max(0.0, min(worn, inside(running.covered_s) - inside(running.doubtful_s))),
        "gave_values": gave,
        "left_out_by_rule": float(seconds[(pairs.reason != 0) & ~hand].sum()),
        "left_out_by_hand": float(seconds[hand].sum()),
        "judged": min(gave, float(seconds[pairs.reason == 0].sum())),
    }


def _warnings(
    series: Series,
    reference: ReferenceMaterial,
    clock: ClockFit,
    expected: tuple[float, float],
    window: Windowed,
    device: DeviceConfig,
    *,
    open_end: bool,
) -> tuple[str, ...]:
    out: list[str] = []
    if clock.trust == "refused":
        out.append(f"{device.label}: clock not told ({clock.why}); its readings are not paired in this session")
    elif clock.trust == "weak":
        out.append(f"{device.label}: clock weak ({clock.why or 'wide interval'}): {clock.method}")
    if window.centre_s.size and clock.trust != "refused":
        early = expected[1] - float(window.centre_s[-1])
        if early > HAND_S:
            out.append(
                f"{device.label} stops {early / 60:.0f} min before the reference; counted as missing (give the"
                " session's end in sessions.csv if it was taken off)"
            )
        late = float(window.centre_s[-1]) - reference.last_s
        if late > HAND_S and open_end:
            # Where the session's end is known, what comes after it is another occasion's.
            out.append(f"the reference stops {late / 60:.0f} min before {device.label}; that time cannot be judged")
    return tuple(out)
