"""Physiology and device model behind the demo, the tests and the truth benches; all of it invented."""

from wearbench.simulator.camp import camp_plans, write_bench, write_demo
from wearbench.simulator.heap import write_heap
from wearbench.simulator.heap_truth import HeapTruth
from wearbench.simulator.parameters import (
    Bout,
    ClockError,
    DevicePlan,
    Failure,
    Person,
    PodPlan,
    ReferencePlan,
    SessionPlan,
    Spell,
)
from wearbench.simulator.session import SimulatedSession, session_generator, simulate_session
from wearbench.simulator.writer import write_study

__all__ = [
    "Bout",
    "ClockError",
    "DevicePlan",
    "Failure",
    "HeapTruth",
    "Person",
    "PodPlan",
    "ReferencePlan",
    "SessionPlan",
    "SimulatedSession",
    "Spell",
    "camp_plans",
    "session_generator",
    "simulate_session",
    "write_bench",
    "write_demo",
    "write_heap",
    "write_study",
]
