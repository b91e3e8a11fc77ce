"""Parquet tables as an ordinary data-frame library writes them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from written import OSLO, START_MS, text

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Intervals, Layout, LayoutColumn, ReadContext, Readings, read_file

START = datetime(2031, 5, 1, 7, 0, tzinfo=UTC)


def reading(path: Path, frame: pl.DataFrame, **options: object) -> FileContent:
    frame.write_parquet(path)
    settings: dict[str, object] = {"shown": path.name, "zone": OSLO} | options
    return read_file(path, ReadContext(**settings))  # type: ignore[arg-type]


def stamps(n: int) -> list[datetime]:
    return [START + timedelta(seconds=i) for i in range(n)]


def rates(content: FileContent) -> Readings:
    (made,) = content.recordings
    assert isinstance(made, Readings)
    return made


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
def test_stamps_with_a_zone_are_instants(tmp_path: Path, unit: str) -> None:
    frame = pl.DataFrame({"Time": stamps(3), "HR (bpm)": [71, None, 255]}).with_columns(
        pl.col("Time").dt.cast_time_unit(unit).dt.convert_time_zone("America/Lima")  # type: ignore[arg-type]
    )
    content = reading(tmp_path / "a.parquet", frame)
    made = rates(content)
    assert content.format == "parquet"
    assert (made.time_ms - START_MS).tolist() == [0, 1000, 2000]
    np.testing.assert_array_equal(made.value, [71, np.nan, 255])
    assert made.source_row.tolist() == [1, 2, 3]


def test_stamps_without_a_zone_are_on_the_declared_clock(tmp_path: Path) -> None:
    naive = [datetime(2031, 5, 1, 9, 0, s) for s in range(2)]  # noqa: DTZ001
    frame = pl.DataFrame({"time": naive, "heart_rate": [70.0, 71.0]})
    assert rates(reading(tmp_path / "a.parquet", frame)).time_ms.tolist() == [START_MS, START_MS + 1000]
    with pytest.raises(FormatError) as caught:
        reading(tmp_path / "a.parquet", frame, zone=None)
    assert str(caught.value) == (
        "a.parquet:1: expected stamps with an offset or a known time zone, got stamps without an offset and no time "
        "zone; say which clock they are on with timezone in study.toml (of the study, the device or the session)"
    )


def test_text_numbers_and_date_with_time(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    written = [stamp.isoformat() for stamp in stamps(2)]
    for column in (written, [START_MS, START_MS + 1000], [START_MS / 1000, START_MS / 1000 + 1]):
        made = rates(reading(path, pl.DataFrame({"timestamp": column, "hr": [70, 71]})))
        assert (made.time_ms - START_MS).tolist() == [0, 1000]
    frame = pl.DataFrame({"date": [date(2031, 5, 1)] * 2, "time": [time(9, 0, 0), time(9, 0, 1)], "hr": [70, 71]})
    assert (rates(reading(path, frame)).time_ms - START_MS).tolist() == [0, 1000]
    frame = pl.DataFrame({"elapsed_s": [0.0, 0.25], "hr": [70, 71]})
    assert (rates(reading(path, frame, start_ms=START_MS)).time_ms - START_MS).tolist() == [0, 250]


def test_intervals_keep_their_stamps(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": stamps(3), "rr": [0.8, 0.81, None]})
    (made,) = reading(tmp_path / "a.parquet", frame).recordings
    assert isinstance(made, Intervals)
    assert made.stamp_ms is not None
    np.testing.assert_allclose(made.interval_ms, [800, 810])
    assert (made.stamp_ms - START_MS).tolist() == [0, 1000]


def test_windows(tmp_path: Path) -> None:
    frame = pl.DataFrame({"start": stamps(2), "end": [s + timedelta(seconds=8) for s in stamps(2)], "hr": [70, 71]})
    made = rates(reading(tmp_path / "a.parquet", frame))
    assert made.start_ms is not None
    assert (made.start_ms - START_MS).tolist() == [0, 1000]
    assert (made.time_ms - START_MS).tolist() == [8000, 9000]


def test_only_the_wanted_span_counts(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": stamps(100), "hr": [70] * 100})
    keep = (START_MS + 10_000, START_MS + 20_000)
    made = rates(reading(tmp_path / "a.parquet", frame, keep_ms=keep, max_readings=10))
    assert made.source_row.tolist() == list(range(11, 21))
    with pytest.raises(FormatError) as caught:
        reading(tmp_path / "a.parquet", frame, max_readings=99)
    assert str(caught.value) == (
        "a.parquet: holds more than 99 readings, the most that one recording of one session may hold (max_readings); "
        "give the session's start and end in sessions.csv so that only that stretch is read"
    )


def test_a_layout_names_columns(tmp_path: Path) -> None:
    layout = Layout(
        time=("when",), columns={"value": LayoutColumn(quantity="heart_rate", missing=("0",))}, time_format="auto"
    )
    frame = pl.DataFrame({"when": stamps(2), "value": [0, 71]})
    made = rates(reading(tmp_path / "a.parquet", frame, layout=layout))
    np.testing.assert_array_equal(made.value, [np.nan, 71])


def test_rows_without_a_stamp(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": [*stamps(2), None], "hr": [70, 71, 72]})
    content = reading(tmp_path / "a.parquet", frame)
    assert rates(content).value.tolist() == [70, 71]
    assert [r.said for r in content.repairs] == ["1 of 3 rows have no stamp that can be read, first at row 3; left out"]


def test_what_is_refused_and_why(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    context = ReadContext(shown=path.name, zone=OSLO)
    with pytest.raises(FormatError) as caught:
        reading(path, pl.DataFrame({"time": [], "hr": []}, schema={"time": pl.Datetime("ms", "UTC"), "hr": pl.Int64}))
    assert str(caught.value) == (
        "a.parquet: expected rows of readings, got a Parquet table of 0 rows; export the recording again"
    )
    with pytest.raises(FormatError) as caught:
        reading(path, pl.DataFrame({"when": [1], "hr": [70]}))
    assert str(caught.value) == (
        "a.parquet: expected a time column (time, timestamp, datetime, date and time, elapsed_s), got the headings "
        "'when', 'hr'; name the time column in a layout"
    )
    pl.DataFrame({"time": stamps(2), "hr": [70, 71]}).write_parquet(path)
    text(path, path.read_bytes()[:-20])
    with pytest.raises(FormatError) as caught:
        read_file(path, context)
    assert caught.value.slug == "parquet"
    assert str(caught.value).startswith("a.parquet: expected a whole Parquet file, got '")
    assert str(caught.value).endswith("'; copy the file again")
