"""A fortnight of five recorders with every trouble of files, whose truth is known: how much is placed right unasked."""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path

import pytest
from heaps import digests

from wearbench.heap import Answers, Index, Proposal, carry_out, propose
from wearbench.simulator.heap import write_heap
from wearbench.simulator.heap_truth import HeapTruth
from wearbench.study import load_study

SPANNING = ("spanning", "re-export")


def told_by(heap: Path, **answers: object) -> Proposal:
    with Index(heap.parent / "index" / "index.sqlite") as index:
        return propose((heap,), answers=Answers(**answers), index=index)  # type: ignore[arg-type]


def wrong(found: Proposal, truth: HeapTruth) -> dict[str, str]:
    """Files that were placed, and where they do not belong.

    A proposed device or session stands for the true one that most of its files are of, each true session for one.
    """
    devices: dict[str, Counter[str | None]] = defaultdict(Counter)
    sessions: dict[str, Counter[str]] = defaultdict(Counter)
    for placing in found.placings:
        file = truth.file(placing.file.name)
        devices[placing.device][file.device] += 1
        if placing.session is not None:
            sessions[placing.session].update(held.session for held in file.sessions)
    stands_for: dict[str | None, str] = {}
    for name, votes in sorted(sessions.items(), key=lambda pair: -sum(pair[1].values())):
        best = votes.most_common(1)[0][0]
        if best not in stands_for.values():
            stands_for[name] = best
    out: dict[str, str] = {}
    for placing in found.placings:
        file = truth.file(placing.file.name)
        file = truth.file(file.same_as) if file.same_as is not None else file
        due = None if file.kind in SPANNING else file.sessions[0].session if file.sessions else "none"
        good = stands_for.get(placing.session) == due and devices[placing.device].most_common(1)[0][0] == file.device
        if not good or file.device is None:
            out[placing.file.name] = placing.place
    return out


def settled(found: Proposal, truth: HeapTruth) -> float:
    """Share of files that are where they belong, or are rightly not placed, without any question."""
    rubbish = sum(truth.file(f.name).kind == "not a recording" for f in found.not_understood)
    notes = sum(truth.file(note.file.name).kind == "not a recording" for note in found.version_notes if note.understood)
    right = len(found.placings) - len(wrong(found, truth)) + len(found.duplicates) + rubbish + notes
    return right / len(truth.files)


def zones(found: Proposal, truth: HeapTruth) -> dict[str, tuple[str | None, str | None]]:
    """Sessions for which another zone was proposed than the one they were in: what was proposed, what was true."""
    out: dict[str, tuple[str | None, str | None]] = {}
    for session in truth.sessions:
        middle = 1000 * (session.start.timestamp() + session.end.timestamp()) / 2
        (occasion,) = (o for o in found.occasions if o.start_ms <= middle <= o.end_ms)
        true = None if session.zone == "Europe/Oslo" else "+05:45"
        proposed = found.session_zones.of(occasion)
        if proposed != true:
            out[session.name] = (proposed, true)
    return out


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_fortnight_is_sorted(tmp_path: Path, seed: int):
    heap = tmp_path / "heap"
    truth = write_heap(heap, seed=seed)
    before = digests(heap)
    unasked = told_by(heap)
    assert wrong(unasked, truth) == {}
    assert settled(unasked, truth) >= 0.95
    found = told_by(heap, timezone="Europe/Oslo")
    assert wrong(found, truth) == {}
    assert settled(found, truth) >= 0.98
    assert len(found.occasions) == len(truth.sessions)
    assert zones(found, truth) == {}
    alone = [o for o in found.occasions if o.reference_ms is None]
    assert len(alone) == len(truth.band_only)
    done = carry_out(found, tmp_path / "study")
    assert done.refused == []
    assert digests(heap) == before
    loaded = load_study(tmp_path / "study")
    assert {p.slug for p in loaded.problems} <= {"participant-unnamed", "session-no-reference", "session-no-tested"}
