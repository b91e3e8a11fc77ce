"""Round trips: what Python's own datetime, float and csv write is read back exactly."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from written import reading

from wearbench.formats import Readings
from wearbench.formats.numbers import cells_of, parse_numbers
from wearbench.formats.stamps import NAIVE, parse_stamps
from wearbench.formats.stamps import UTC as WITH_OFFSET
from wearbench.formats.zones import to_utc

FEW = settings(
    max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MOMENTS = st.datetimes(min_value=datetime(1970, 1, 2), max_value=datetime(2149, 1, 1))  # noqa: DTZ001


def whole_ms(moment: datetime) -> int:
    """Milliseconds since 1970, microseconds rounded half up."""
    micros = (moment - EPOCH) // timedelta(microseconds=1)
    return (micros + 500) // 1000


@FEW
@given(st.lists(st.tuples(MOMENTS, st.integers(-14 * 4, 14 * 4)), min_size=1, max_size=20))
def test_iso_stamps_with_offsets(moments: list[tuple[datetime, int]]) -> None:
    aware = [m.replace(tzinfo=timezone(timedelta(minutes=15 * quarters))) for m, quarters in moments]
    stamps = parse_stamps(cells_of([moment.isoformat() for moment in aware]))
    assert (stamps.state == WITH_OFFSET).all()
    assert stamps.ms.tolist() == [whole_ms(moment) for moment in aware]


@FEW
@given(
    st.lists(MOMENTS, min_size=1, max_size=20),
    st.sampled_from(
        [
            ("%Y-%m-%d %H:%M:%S.%f", None),
            ("%d.%m.%Y %H:%M:%S", None),
            ("%d/%m/%Y %I:%M:%S %p", True),
            ("%m/%d/%Y %I:%M:%S %p", False),
            ("%d %B %Y %H:%M", None),
            ("%b %d, %Y %H:%M:%S", None),
            ("%Y%m%dT%H%M%S", None),
        ]
    ),
)
def test_other_ways_of_writing(moments: list[datetime], way: tuple[str, bool | None]) -> None:
    pattern, day_first = way
    texts = [moment.strftime(pattern) for moment in moments]
    # what Python reads back is what the text holds; years are padded to four digits from 1970 on
    expected = [whole_ms(datetime.strptime(text, pattern).replace(tzinfo=UTC)) for text in texts]
    stamps = parse_stamps(cells_of(texts), day_first=day_first)
    assert (stamps.state == NAIVE).all()
    assert stamps.ms.tolist() == expected


@FEW
@given(st.text(alphabet="0123456789-/:. TZAPM+", max_size=25))
def test_no_text_is_a_stamp_that_it_is_not(text: str) -> None:
    stamps = parse_stamps(cells_of([text, text + " "]))
    assert stamps.state[0] == stamps.state[1]


ZONES = ["Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca", "Asia/Kathmandu", "UTC"]


@FEW
@given(st.sampled_from(ZONES), st.integers(0, 365 * 24), st.integers(5, 900))
def test_local_stamps_of_a_steady_recording(name: str, hour: int, step_s: int) -> None:
    zone = ZoneInfo(name)
    first = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=hour)
    instants = [first + timedelta(seconds=i * step_s) for i in range(300)]
    wall = [int((i.astimezone(zone).replace(tzinfo=UTC) - EPOCH).total_seconds()) * 1000 for i in instants]
    found = to_utc(np.array(wall, dtype=np.int64), zone=zone, near_ms=whole_ms(first))
    assert found.utc_ms.tolist() == [whole_ms(i) for i in instants]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("Europe/Oslo", datetime(2031, 10, 26, 1, tzinfo=UTC)),
        ("America/St_Johns", datetime(2031, 11, 2, 4, 30, tzinfo=UTC)),
        ("Australia/Lord_Howe", datetime(2031, 4, 5, 15, tzinfo=UTC)),
    ],
)
def test_every_start_around_a_repeated_stretch(name: str, change: datetime) -> None:
    zone = ZoneInfo(name)
    for before in range(-100, 100, 7):
        instants = [change + timedelta(minutes=before + i) for i in range(150)]
        wall = [int((i.astimezone(zone).replace(tzinfo=UTC) - EPOCH).total_seconds()) * 1000 for i in instants]
        found = to_utc(np.array(wall, dtype=np.int64), zone=zone, near_ms=whole_ms(instants[0]))
        assert found.utc_ms.tolist() == [whole_ms(i) for i in instants]


@FEW
@given(
    st.lists(
        st.one_of(
            st.integers(-(10**17), 10**17).map(str),
            st.floats(allow_nan=False, allow_infinity=False).map(repr),
            st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**9), max_value=10**9).map(str),
            st.sampled_from(["+5", "-.5", "5.", "1e3", "007", "0.1", "-0"]),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_numbers_are_the_nearest_floats(texts: list[str]) -> None:
    value, bad = parse_numbers(cells_of(texts))
    assert not bad.any()
    assert value.tolist() == [float(text) for text in texts]
    commas, bad = parse_numbers(cells_of([text.replace(".", ",") for text in texts]), decimal=",")
    assert not bad.any()
    assert commas.tolist() == value.tolist()


@FEW
@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 10**7),
            st.one_of(st.none(), st.integers(30, 220)),
            st.text(alphabet='abc ,;|"\t', max_size=6),
        ),
        min_size=1,
        max_size=30,
        unique_by=lambda row: row[0],
    ),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    newline=st.sampled_from(["\n", "\r\n"]),
)
def test_tables_as_the_csv_module_writes_them(
    tmp_path: Path, rows: list[tuple[int, int | None, str]], delimiter: str, newline: str
) -> None:
    rows = sorted(rows)
    if all(rate is None for _, rate, _ in rows):
        rows[0] = (rows[0][0], 70, rows[0][2])
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=newline)
    writer.writerow(["note", "Elapsed (s)", "HR (bpm)"])
    for second, rate, note in rows:
        writer.writerow([note, second, "" if rate is None else rate])
    content = reading(tmp_path / "a.csv", out.getvalue())
    (made,) = content.recordings
    assert isinstance(made, Readings)
    assert made.time_ms.tolist() == [second * 1000 for second, _, _ in rows]
    expected = np.array([np.nan if rate is None else rate for _, rate, _ in rows])
    np.testing.assert_array_equal(made.value, expected)
    assert made.source_row.tolist() == list(range(2, len(rows) + 2))
