"""Second pass over a session, with the study's parameters: window, states, pairs, episodes, sums."""

from __future__ import annotations

import math

import numpy as np

from wearbench.core.clock import ClockFit
from wearbench.recipe.alternatives import alternatives_of
from wearbench.recipe.availability import Availability, availability_of
from wearbench.recipe.clocks import owned
from wearbench.recipe.columnset import columns_of
from wearbench.recipe.comparison import Comparison
from wearbench.recipe.contextclock import context_on_reference
from wearbench.recipe.delays import DelayFit
from wearbench.recipe.disputes import disputes_of, kept_of, with_doubtful
from wearbench.recipe.episodes import episodes_of
from wearbench.recipe.finalclock import final_clock
from wearbench.recipe.fitting import SessionFit
from wearbench.recipe.groupsums import groups_of, sums_of, sums_otherwise
from wearbench.recipe.judging import cadence_over
from wearbench.recipe.learning import StudyParameters, in_session
from wearbench.recipe.marks import Marked, agreed_clock
from wearbench.recipe.material import FileNote, SessionMaterial
from wearbench.recipe.places import BoutClock, bouts_on_reference, clock_owners, places_of
from wearbench.recipe.remarks import proposals_of, warnings_of
from wearbench.recipe.responserows import responses_of
from wearbench.recipe.rhythms import rhythm_groups, rhythm_sums
from wearbench.recipe.sessionresult import SeriesResult, SessionResult
from wearbench.recipe.splitting import Split, declared_otherwise, split_clock
from wearbench.recipe.statetimes import column_times, flow_of, share_blocks, state_times
from wearbench.recipe.trimming import trimmed
from wearbench.recipe.versions import firmware_of
from wearbench.recipe.windows import half_of, series_modes
from wearbench.settings import Settings
from wearbench.study import Study

__all__ = ["finish_session"]


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
    clocks = _bout_clocks(material, fit, parameters, study, settings)
    material = context_on_reference(material, clocks, study.config, settings)
    session, said = bouts_on_reference(
        session,
        clocks,
        {device.name: device.label for device in study.config.devices.values()},
        owners=clock_owners(study.config.devices),
        origin_ms=material.origin_ms,
    )
    results: list[SeriesResult] = []
    unpaired: list[Availability] = []
    count = 0
    for series in material.tested:
        device, quantity = owned(study.config, series.device), study.config.all_quantities[series.quantity]
        reference = material.reference_for(series.quantity)
        key = (series.device, series.quantity)
        first = next((f for f in fit.fits if (f.device, f.quantity) == key), None)
        if reference is None or first is None or key not in parameters.series:
            told = availability_of(
                series, quantity, session, settings, origin_ms=material.origin_ms, hold_s=device.hold_s or 0.0
            )
            unpaired.append(told)
            continue
        modes, main = series_modes(series, reference)
        learned, lengths = in_session(parameters.series[key], modes, main, device)
        one = Comparison(
            series=series,
            reference=reference,
            context=material.context,
            device=device,
            quantity=quantity,
            session=session,
            origin_ms=material.origin_ms,
            study=study,
            settings=settings,
            learned=learned,
            modes=modes,
            main=main,
            lengths=lengths,
            steps=first.steps,
            thirds=parameters.thirds.get(series.quantity),
            marked=first.marked,
            within_s=first.within_s,
        )
        results.append(_finished(one, first.clock, before=count))
        count += len(results[-1].episodes) + len(results[-1].disputed)
    return SessionResult(
        material=material,
        results=tuple(results),
        unpaired=tuple(unpaired),
        session=session,
        warnings=said,
        thirds=dict(parameters.thirds),
    )


def _bout_clocks(
    material: SessionMaterial, fit: SessionFit, parameters: StudyParameters, study: Study, settings: Settings
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
        split = split_clock(
            one.clock, one.marked, learned.delay, settings, half_s=half, after_stamp_s=series.after_stamp_s
        )
        back = split.offset_s - one.clock.shift_s
        out[one.device] = BoutClock(fit=one.clock, back_s=back, stamp_s=series.stamp_s, moved_s=series.moved_s)
    return out


def _split(one: Comparison, clock: ClockFit, marked: Marked) -> tuple[Split, tuple[FileNote, ...]]:
    """Clock and delay of a series, and what its marks give to say."""
    learned, averaging = one.learned, one.learned.averaging
    nothing = DelayFit(delay_s=0.0, low_s=math.nan, high_s=math.nan, how="none assumed")
    split = split_clock(
        clock,
        marked,
        learned.delay if one.quantity.state_model or learned.delay_s is not None else nothing,
        one.settings,
        half_s=one.half_s,
        averaging_width_s=averaging.high_s - averaging.low_s if one.half_s else 0.0,
        after_stamp_s=one.series.after_stamp_s,
        unknown=learned.delay_how,
    )
    return split, marked.notes + declared_otherwise(split, marked, one.device)


def _finished(one: Comparison, first: ClockFit, *, before: int) -> SeriesResult:
    """All that is reported of a series; ``before`` episodes of its session have their numbers."""
    clock, marked = agreed_clock(
        final_clock(one, first), one.marked, one.settings, label=one.device.label, half_s=one.half_s
    )
    one = trimmed(one, clock)
    series, device, learned = one.series, one.device, one.learned
    split, notes = _split(one, clock, marked)
    columns = columns_of(one, clock)
    judged = columns.judged
    pairs, centre_s = judged.window.pairs, judged.window.centre_s
    places = places_of(one.session, one.origin_ms, centre_s)
    at_ms = one.session.start_ms or one.origin_ms
    ran = firmware_of(one.study, one.session, device.name, series.facts, at_ms=at_ms)
    episode, episodes = episodes_of(one, judged, before=before)
    kept = with_doubtful(one, judged, clock)
    groups = groups_of(one, pairs, places, firmware=ran.version) + rhythm_groups(learned, one.modes)
    sums = sums_of(one, judged, groups) + sums_otherwise(one, judged, clock)
    times = state_times(one, judged, firmware=ran.version)
    for column in columns.every:
        everything = np.ones(pairs.tested.size, dtype=np.bool_)
        sums += sums_of(one, column, [("column", column.name, everything)])
        times += column_times(one, column)
    blocks_faithful, blocks_judged = share_blocks(judged)
    proposals = proposals_of(one, columns, clock, offset_s=split.offset_s)
    return SeriesResult(
        device=series.device,
        quantity=series.quantity,
        unit=one.quantity.unit,
        reference_device=one.reference.device,
        firmware=ran.version,
        wear_site=one.study.wear_site(one.session, device.name) or "",
        clock=clock,
        averaging_s=one.averaging_s,
        series=series,
        pairs=pairs,
        states=judged.states,
        cadence=cadence_over(one.context, pairs.start_s, pairs.end_s),
        places=places,
        episode=episode,
        episodes=episodes,
        sums=sums,
        state_times=times,
        flow=flow_of(one, judged, columns.expected),
        blocks_faithful=blocks_faithful,
        blocks_judged=blocks_judged,
        split=split,
        notes=notes,
        warnings=warnings_of(one, columns, clock, places=places, ran=ran, proposals=proposals),
        proposals=proposals,
        rhythms=rhythm_sums(learned, one.modes, pairs),
        ran=ran,
        responses=responses_of(one, judged, clock, split),
        disputed=disputes_of(one, judged, kept, before=before + len(episodes)),
        doubtful=kept_of(judged, kept) if one.quantity.state_model else None,
        alternatives=alternatives_of(one, columns, clock) if one.settings.choices else (),
    )
