"""One simulated session: heart, movement, patch, pod and tested devices."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearbench.simulator.device import SimulatedDevice, simulate_device
from wearbench.simulator.parameters import SessionPlan
from wearbench.simulator.physiology import Course, cadence_course, rate_course, true_beats
from wearbench.simulator.recorder import RecordedCadence, RecordedIntervals, record_cadence, record_intervals

__all__ = ["SimulatedSession", "session_generator", "simulate_session"]


@dataclass(frozen=True, kw_only=True, slots=True)
class SimulatedSession:
    """All that was recorded in one session, and the truth behind it.

    ``beats_s`` are the true beats (float64, shape (n,)), seconds from the session's start on the reference's clock;
    ``cadence`` is the true cadence.
    """

    plan: SessionPlan
    beats_s: NDArray[np.float64]
    cadence: Course
    intervals: RecordedIntervals
    pod: RecordedCadence | None
    devices: tuple[SimulatedDevice, ...]


def session_generator(name: str, *, seed: int) -> np.random.Generator:
    """Return the random generator of a session: keyed by its name, so that order does not matter."""
    return np.random.Generator(np.random.PCG64([seed, zlib.crc32(name.encode())]))


def simulate_session(plan: SessionPlan, rng: np.random.Generator) -> SimulatedSession:
    """Simulate one session.

    Parameters
    ----------
    plan : SessionPlan
    rng : numpy.random.Generator

    Returns
    -------
    SimulatedSession
    """
    # One stream for each part, so that changing one device leaves heart and patch as they were.
    heart, movement, patch, pod, *each = rng.spawn(4 + len(plan.devices))
    beats = true_beats(rate_course(plan, heart), plan.person, heart)
    cadence = cadence_course(plan, movement)
    return SimulatedSession(
        plan=plan,
        beats_s=beats,
        cadence=cadence,
        intervals=record_intervals(beats, plan, patch),
        pod=None if plan.pod is None else record_cadence(cadence, plan, plan.pod, pod),
        devices=tuple(
            simulate_device(beats, cadence, plan, device, stream)
            for device, stream in zip(plan.devices, each, strict=True)
        ),
    )
