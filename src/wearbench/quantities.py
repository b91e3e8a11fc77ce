"""One declaration a quantity: unit, kind, plausible range, how a reference value is formed, criteria with sources."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

__all__ = ["QUANTITIES", "Criterion", "Kind", "Quantity", "known"]

Kind = Literal["level", "intervals", "signal", "count", "category"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Criterion:
    """An acceptance figure of the trade.

    ``statistic`` names a statistic of the results; the criterion is met when it stays ``at_most`` or ``at_least``.
    ``how_sure`` is ``verified`` where the document itself was seen, ``second hand`` where a paper that uses it was.
    ``note`` says what it was written for; a source that asks for a least number of participants or pairs has them in
    ``participants`` and ``pairs``.
    """

    name: str
    statistic: str
    at_most: float | None = None
    at_least: float | None = None
    source: str
    how_sure: Literal["verified", "second hand", "from memory", "common practice", "own"]
    note: str = ""
    participants: int = 0
    pairs: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class Quantity:
    """What a column of numbers is.

    ``low`` and ``high`` bound what can be true in a person (outside is ``out_of_range``); ``sentinels`` are numbers
    that recorders write for "no value"; ``formed_from`` lists quantities a reference value may be made from, best
    first; ``state_model`` says whether half, double and cadence make sense for it.
    """

    name: str
    label: str
    unit: str
    kind: Kind
    low: float
    high: float
    sentinels: tuple[float, ...] = ()
    formed_from: tuple[str, ...] = ()
    state_model: bool = False
    log_scale: bool = False
    tolerance: float | None = None
    criteria: tuple[Criterion, ...] = ()


_OXIMETRY: Final = (
    "written for healthy adults brought to 70 to 100 % with arterial blood as the reference; beside another oximeter "
    "it is a comparison only"
)

QUANTITIES: Final[dict[str, Quantity]] = {
    q.name: q
    for q in (
        Quantity(
            name="heart_rate",
            label="heart rate",
            unit="bpm",
            kind="level",
            low=25.0,
            high=250.0,
            sentinels=(0.0, 255.0),
            formed_from=("rr", "ecg", "heart_rate"),
            state_model=True,
            log_scale=True,
            tolerance=5.0,
            criteria=(
                Criterion(
                    name="mape_10",
                    statistic="mape",
                    at_most=10.0,
                    source="CTA-2065 (2018), as read by Reece, Bunn, Choi & Navalta 2021, Technologies 9(3):46",
                    how_sure="second hand",
                    note="written for wearables, each activity and each person first; here all pairs weigh equally",
                ),
                Criterion(
                    name="readout_10_or_5",
                    statistic="within_greater",
                    at_least=1.0,
                    source="ANSI/AAMI EC13:2002/(R)2007, now in IEC 60601-2-27",
                    how_sure="from memory",
                    note="written for cardiac monitors that read a test signal, and asked of every reading",
                ),
            ),
        ),
        Quantity(name="rr", label="RR intervals", unit="ms", kind="intervals", low=200.0, high=3000.0),
        Quantity(name="ecg", label="electrocardiogram", unit="mV", kind="signal", low=-1e6, high=1e6),
        Quantity(
            name="cadence",
            label="cadence",
            unit="1/min",
            kind="level",
            low=10.0,
            high=260.0,
            sentinels=(0.0, 255.0),
            formed_from=("cadence",),
        ),
        Quantity(name="power", label="power", unit="W", kind="level", low=0.0, high=3000.0, formed_from=("power",)),
        Quantity(name="speed", label="speed", unit="m/s", kind="level", low=0.0, high=40.0, formed_from=("speed",)),
        Quantity(
            name="spo2",
            label="oxygen saturation",
            unit="%",
            kind="level",
            low=50.0,
            high=100.0,
            sentinels=(0.0, 127.0, 255.0),
            formed_from=("spo2",),
            tolerance=2.0,
            criteria=(
                Criterion(
                    name="a_rms_4",
                    statistic="rmse",
                    at_most=4.0,
                    source="ISO 80601-2-61:2017",
                    how_sure="from memory",
                    note=_OXIMETRY,
                    participants=10,
                    pairs=200,
                ),
                Criterion(
                    name="a_rms_3_5",
                    statistic="rmse",
                    at_most=3.5,
                    source="FDA guidance on pulse oximeters (2013), reflectance sensors and ear clips",
                    how_sure="from memory",
                    note=_OXIMETRY,
                    participants=10,
                    pairs=200,
                ),
            ),
        ),
        Quantity(
            name="respiration_rate",
            label="breathing rate",
            unit="1/min",
            kind="level",
            low=3.0,
            high=90.0,
            sentinels=(0.0, 255.0),
            formed_from=("respiration_rate",),
            tolerance=2.0,
        ),
        Quantity(
            name="steps",
            label="steps",
            unit="count",
            kind="count",
            low=0.0,
            high=1e7,
            formed_from=("steps",),
            criteria=(
                Criterion(
                    name="step_error_10",
                    statistic="mape",
                    at_most=10.0,
                    source="ANSI/CTA-2056 (2016), as cited in Int J Comput Appl 44(3):250-259",
                    how_sure="second hand",
                    note="written for walking on a treadmill",
                    participants=20,
                ),
            ),
        ),
    )
}


def known() -> tuple[str, ...]:
    """Names of the built-in quantities, in the order declared."""
    return tuple(QUANTITIES)
