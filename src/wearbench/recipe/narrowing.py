"""What of a study each step is given, so that nothing else can bear on its result.

A step's result is kept under a hash of what the step is given. Whatever is taken away here can change without the step
being done again; and since it is taken away in every run, kept results or none, no result can come to depend on it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from wearbench.recipe.fitting import SessionFit
from wearbench.recipe.learning import StudyParameters
from wearbench.recipe.material import SessionMaterial
from wearbench.settings import Settings
from wearbench.study import UNNAMED, Decision, Session, Study, Wear, acting

__all__ = ["for_finishing", "for_reading", "of_session"]

_NEVER: Final = ("interval", "resamples", "workers", "cache_mb")
_READING_NEVER: Final = (*_NEVER, "tolerance_share")
_NOT_OF_A_STEP: Final = ("look", "criterion")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def for_reading(study: Study, session: Session) -> Study:
    """What reading and fitting a session starts from.

    Parameters
    ----------
    study : Study
    session : Session

    Returns
    -------
    Study
        The session first, without what only explains it (participant, activity, bouts, firmware, columns); of the
        others their times and zones, where exports span them; of the decisions those that move the session's clocks.
    """
    own = replace(
        session,
        participant=UNNAMED,
        activity=None,
        firmware=None,
        firmware_by={},
        wear_site_by={},
        columns={},
        bouts=(),
    )
    devices = {name: replace(device, firmware=None, wear_site=None) for name, device in study.config.devices.items()}
    decisions = _of_session(study.decisions, session, kinds=("clock",))
    narrow = _plain(study, settings=_without(study.config.settings, _READING_NEVER))
    return replace(
        narrow,
        config=replace(narrow.config, devices=devices),
        sessions=(own, *(_around(study) if study.spanning else ())),
        decisions=decisions,
        wear=(),
        versions=(),
    )


def for_finishing(study: Study, session: Session, material: SessionMaterial) -> Study:
    """What the second pass over a session starts from.

    Parameters
    ----------
    study : Study
    session : Session
    material : SessionMaterial
        Its recordings, from whose time rows of wear.csv may be about it.

    Returns
    -------
    Study
        Without files; of the other sessions how they spell firmware, of the decisions those that are about the session
        or about all of them, and whether any leaves out readings elsewhere.
    """
    decisions = _of_session(study.decisions, session)
    if acting(study.decisions) and not acting(decisions):
        # The columns of a study differ everywhere if they do anywhere.
        decisions = (*decisions, Decision(made=_EPOCH, kind="leave_out", session=""))
    spelt = {(s.firmware, tuple(s.firmware_by.items())): s for s in study.sessions if s.name != session.name}
    others = [
        Session(name="", firmware=s.firmware, firmware_by=s.firmware_by)
        for s in spelt.values()
        if s.firmware or s.firmware_by
    ]
    return replace(
        _plain(study, settings=_without(study.config.settings, _NEVER)),
        sessions=(replace(session, recordings=()), *others),
        spanning=(),
        decisions=decisions,
        wear=_near(study.wear, material, spare_ms=study.spare_ms),
    )


def of_session(parameters: StudyParameters, fit: SessionFit) -> StudyParameters:
    """Parameters of the series that a session has, with what other sessions say of its clock where that matters.

    Parameters
    ----------
    parameters : StudyParameters
    fit : SessionFit

    Returns
    -------
    StudyParameters
    """
    series = {}
    for one in fit.fits:
        learned = parameters.series.get((one.device, one.quantity))
        if learned is not None:
            known = one.clock.trust in ("good", "declared")
            own = tuple(w for w in learned.walk if w.session == fit.name and (w.strange or not known))
            series[one.device, one.quantity] = replace(
                learned, walk=own, biases=((fit.name, learned.bias_in(fit.name)),)
            )
    return replace(parameters, series=series)


def _plain(study: Study, *, settings: Settings) -> Study:
    """Without what no step looks at: titles, criteria, people, problems, the folder's own place."""
    return replace(
        study,
        folder=Path(),
        config=replace(study.config, title="", criteria=(), settings=settings),
        participants={},
        problems=(),
    )


def _without(settings: Settings, names: tuple[str, ...]) -> Settings:
    plain = Settings()
    return replace(settings, **{name: getattr(plain, name) for name in names})


def _of_session(
    decisions: tuple[Decision, ...], session: Session, *, kinds: tuple[str, ...] | None = None
) -> tuple[Decision, ...]:
    """Decisions about a session, or about all, that were not taken back."""
    revoked = {d.revokes for d in decisions if d.kind == "revoke"}
    return tuple(
        d
        for d in decisions
        if d.kind not in (*_NOT_OF_A_STEP, "revoke")
        and d.id not in revoked
        and d.session in (None, session.name)
        and (kinds is None or d.kind in kinds)
    )


def _around(study: Study) -> list[Session]:
    """The other sessions, as far as an export that spans them is read: from when to when, and in which zones."""
    timed = [s for s in study.sessions if s.start_ms is not None and s.end_ms is not None]
    starts = [s.start_ms for s in timed if s.start_ms is not None]
    ends = [s.end_ms for s in timed if s.end_ms is not None]
    whole = [Session(name="", start_ms=min(starts), end_ms=max(ends))] if timed else []
    zones = dict.fromkeys(s.zone for s in study.sessions)
    return [*whole, *(Session(name="", zone=zone) for zone in sorted(zones, key=str))]


def _near(wear: tuple[Wear, ...], material: SessionMaterial, *, spare_ms: int) -> tuple[Wear, ...]:
    """Rows of wear.csv that can be about a recording, on its clock or on the reference's.

    Where both say when they started, no clock is looked for further off than ``spare_ms``; what a row says of the
    reference's time lies, on the device's clock, no further from its readings than the reference is long.
    """
    known = [*(s.start_known for s in material.tested), *(r.start_known for r in material.references)]
    if not all(known):
        return wear
    longest_s = max((r.last_s - r.first_s for r in material.references), default=0.0)
    margin_s = spare_ms / 1000.0 + longest_s
    spans = [(float(s.stamp_s.min()), float(s.stamp_s.max())) for s in material.tested if s.time_s.size]
    spans += [(r.first_s, r.last_s) for r in material.references]
    edges = [
        (material.origin_ms + 1000.0 * (low - margin_s), material.origin_ms + 1000.0 * (high + margin_s))
        for low, high in spans
    ]
    return tuple(row for row in wear if any(row.start_ms <= high and row.end_ms >= low for low, high in edges))
