"""Delimited text in the shapes exports come in; every reading is invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from written import START_MS, reading

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Intervals, Layout, LayoutColumn, Readings, Signal, recognise

DAY = 86_400_000


def found(content: FileContent) -> dict[str, Readings]:
    return {made.quantity: made for made in content.recordings if isinstance(made, Readings)}


def said(content: FileContent) -> list[str]:
    return [repair.said for repair in content.repairs]


def seconds(content: FileContent) -> list[float]:
    """Seconds from START_MS of the first recording's readings."""
    made = content.recordings[0]
    assert isinstance(made, Readings)
    return ((made.time_ms - START_MS) / 1000).tolist()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "band.csv"


@pytest.mark.parametrize(
    ("heading", "quantity", "unit"),
    [
        ("heart_rate", "heart_rate", "bpm"),
        ("Heart Rate", "heart_rate", "bpm"),
        ("HEARTRATE", "heart_rate", "bpm"),
        ("hr", "heart_rate", "bpm"),
        ("HR [bpm]", "heart_rate", "bpm"),
        ("bpm", "heart_rate", "bpm"),
        ("heart_rate_bpm", "heart_rate", "bpm"),
        ("Heart rate (1/min)", "heart_rate", "bpm"),
        ("cadence", "cadence", "1/min"),
        ("Cadence (rpm)", "cadence", "1/min"),
        ("steps", "steps", "count"),
        ("SpO2", "spo2", "%"),
        ("SpO2 (%)", "spo2", "%"),
        ("power_w", "power", "W"),
        ("Speed [m/s]", "speed", "m/s"),
        ("respiration_rate", "respiration_rate", "1/min"),
        ("energy_kcal", "energy_kcal", "kcal"),
        ("distance_m", "distance_m", "m"),
    ],
)
def test_headings(path: Path, heading: str, quantity: str, unit: str) -> None:
    content = reading(path, f"Time,{heading}\n2031-05-01T09:00:00,71\n")
    (made,) = content.recordings
    assert isinstance(made, Readings)
    assert (made.quantity, made.unit, made.value.tolist()) == (quantity, unit, [71.0])


def test_units_are_converted(path: Path) -> None:
    content = reading(path, "time,speed (km/h),cadence [Hz]\n2031-05-01T09:00:00,36,1.5\n")
    made = found(content)
    assert made["speed"].value.tolist() == pytest.approx([10.0], rel=1e-15)
    assert made["cadence"].value.tolist() == [90.0]


def test_own_quantities(path: Path) -> None:
    content = reading(path, "time,Skin temp (degC)\n2031-05-01T09:00:00,33.1\n", own_quantities={"skin_temp": "degC"})
    assert (found(content)["skin_temp"].unit, found(content)["skin_temp"].value.tolist()) == ("degC", [33.1])


@pytest.mark.parametrize(
    "stamp",
    [
        "2031-05-01T09:00:00",
        "2031-05-01 09:00:00",
        "2031-05-01T09:00",
        "2031-05-01T07:00:00Z",
        "2031-05-01T07:00:00.000Z",
        "2031-05-01 09:00:00+02:00",
        "2031-05-01 09:00:00 +0200",
        "2031-05-01T02:00:00.0-05",
        "2031/05/01 09:00:00",
        "2031.5.1 9:00:00",
        "20310501T090000",
        "20310501090000",
        "01.05.2031 09:00:00",
        "1.5.2031, 09:00:00",
        "1 May 2031 09:00:00",
        "May 1, 2031 9:00:00 AM",
        "Thu, 01 May 2031 07:00:00 GMT",
        "Thu May  1 09:00:00 2031",
        "01-May-2031 09:00:00.000",
        "2031-05-01 09:00:00 am",
        "2031-05-01 9:00 a.m.",
        "1935385200",
        "1935385200.0",
        "1935385200000",
        "1935385200000000",
        "1935385200000000000",
    ],
)
def test_stamps(path: Path, stamp: str) -> None:
    content = reading(path, f"time;heart_rate\n{stamp};71\n")
    assert seconds(content) == [0.0]


def test_fractions_are_kept_to_the_millisecond(path: Path) -> None:
    rows = {"09:00:00.5": 0.5, "09:00:00.123": 0.123, "09:00:00.1234": 0.123, "09:00:00.123500": 0.124}
    rows |= {"09:00:59.999999": 60.0, "09:00:59,25": 59.25}
    for clock, expected in rows.items():
        assert seconds(reading(path, f"time;hr\n2031-05-01T{clock};71\n")) == [expected]


def test_twelve_hour_clock_with_am_and_pm(path: Path) -> None:
    clocks = ["11:59:59 AM", "12:00:00 PM", "12:59:59 PM", "1:00:00 PM", "11:59:59 PM"]
    rows = "\n".join(f"5/13/2031 {clock},70" for clock in clocks)
    start = START_MS + 12 * DAY + 3 * 3_600_000 - 1000  # 11:59:59 on the 13th
    made = found(reading(path, "Date time,HR\n" + rows + "\n"))["heart_rate"]
    assert ((made.time_ms - start) // 1000).tolist() == [0, 1, 3600, 3601, 43_200]
    narrow = rows.replace(" AM", "\u202fAM").replace(" PM", "\u202fPM")  # the narrow blank some exports write
    assert found(reading(path, "Date time,HR\n" + narrow))["heart_rate"].time_ms.tolist() == made.time_ms.tolist()


def test_twelve_hour_clock_that_does_not_say_so(path: Path) -> None:
    clocks = ["11:59:59", "12:00:00", "12:59:59", "1:00:00", "11:59:59"]
    dated = reading(path, "time,hr\n" + "".join(f"2031-05-01T{clock},70\n" for clock in clocks))
    assert np.diff(found(dated)["heart_rate"].time_ms // 1000).tolist() == [1, 3599, 1, 39_599]
    assert seconds(dated)[0] == 3 * 3600 - 1  # in the morning: noon follows on the same date
    assert said(dated) == [
        "the hours run from 1 to 12 and start again once without AM or PM, first at line 5; read as a 12-hour clock"
    ]
    bare = "time,hr\n" + "".join(f"{clock},70\n" for clock in clocks)
    evening = reading(path, bare, start_ms=START_MS + 15 * 3_600_000)
    assert seconds(evening)[0] == 15 * 3600 - 1
    assert np.diff(seconds(evening)).tolist() == [1, 3599, 1, 39_599]
    stamps = ["01T11:59:59", "02T12:00:00", "02T12:59:59", "02T01:00:00"]
    night = reading(path, "time,hr\n" + "".join(f"2031-05-{stamp},70\n" for stamp in stamps))
    assert np.diff(seconds(night)).tolist() == [1, 3599, 1]
    assert seconds(night)[0] == 15 * 3600 - 1  # in the evening: midnight follows


def test_day_and_month_are_told_by_the_file(path: Path) -> None:
    day_first = reading(path, "time,hr\n01/05/2031 09:00:00,70\n13/05/2031 09:00:00,71\n")
    month_first = reading(path, "time,hr\n05/01/2031 09:00:00,70\n05/13/2031 09:00:00,71\n")
    assert seconds(day_first) == seconds(month_first) == [0.0, 12 * 86_400.0]
    assert day_first.facts["date_order"] == "day first"
    assert month_first.facts["date_order"] == "month first"
    same = reading(path, "time,hr\n05/05/2031 09:00:00,70\n")
    assert seconds(same) == [4 * 86_400.0]


def test_date_and_time_in_two_columns(path: Path) -> None:
    content = reading(path, "Date,Time,HR\n01.05.2031,09:00:00,70\n01.05.2031,09:00:01,71\n")
    assert seconds(content) == [0.0, 1.0]
    assert content.facts["time_column"] == "Date + Time"


@pytest.mark.parametrize(
    ("heading", "cells"),
    [
        ("elapsed_s", ("0", "0.25", "60")),
        ("Elapsed time [s]", ("0", "0.25", "60")),
        ("time [ms]", ("0", "250", "60000")),
        ("time_ms", ("0", "250", "60000")),
        ("elapsed", ("0:00:00", "0:00:00.250", "0:01:00")),
    ],
)
def test_elapsed_times(path: Path, heading: str, cells: tuple[str, ...]) -> None:
    text = f"{heading},hr\n" + "".join(f"{cell},70\n" for cell in cells)
    content = reading(path, text, start_ms=START_MS)
    assert seconds(content) == [0.0, 0.25, 60.0]
    unplaced = found(reading(path, text))["heart_rate"]
    assert (unplaced.start_known, unplaced.time_ms.tolist()) == (False, [0, 250, 60_000])
    layout = Layout(start="2031-05-01T09:00:00")
    assert seconds(reading(path, text, layout=layout, start_ms=0)) == [0.0, 0.25, 60.0]


@pytest.mark.parametrize(
    ("heading", "stamp"),
    [
        ("Time (UTC)", "2031-05-01 07:00:00"),
        ("timestamp_utc", "2031-05-01 07:00:00"),
        ("utc", "2031-05-01 07:00"),
        ("GMT time", "2031-05-01 07:00:00"),
        ("Time (UTC+5:30)", "2031-05-01 12:30:00"),
        ("Phone timestamp UTC-3", "2031-05-01 04:00:00"),
        ("Time (UTC)", "2031-05-01T09:00:00+02:00"),
    ],
)
def test_a_heading_that_names_its_offset(path: Path, heading: str, stamp: str) -> None:
    assert seconds(reading(path, f"{heading},hr\n{stamp},70\n")) == [0.0]
    assert seconds(reading(path, f"{heading},hr\n{stamp},70\n", zone=None)) == [0.0]


def test_of_two_time_columns_the_one_with_an_offset(path: Path) -> None:
    text = "local_time,utc_time,hr\n2031-05-01T09:00:00,2031-05-01T07:00:00,70\n"
    content = reading(path, text, zone=None)
    assert seconds(content) == [0.0]
    assert content.facts["time_column"] == "utc_time"


@pytest.mark.parametrize(("first", "last"), [("start", "end"), ("Start time", "End time"), ("startDate", "endDate")])
def test_readings_with_a_window_of_their_own(path: Path, first: str, last: str) -> None:
    text = (
        f"{first},{last},hr\n2031-05-01T09:00:00,2031-05-01T09:01:00,70\n"
        "2031-05-01T09:01:00,2031-05-01T09:01:05,71\n,2031-05-01T09:02:00,72\n"
    )
    made = found(reading(path, text))["heart_rate"]
    assert made.start_ms is not None
    assert made.end_ms is not None
    assert ((made.start_ms - START_MS) // 1000).tolist() == [0, 60, 120]
    assert ((made.end_ms - START_MS) // 1000).tolist() == [60, 65, 120]
    assert made.time_ms.tolist() == made.end_ms.tolist()


def test_a_stopwatch_counts_minutes_before_it_counts_hours(path: Path) -> None:
    text = "elapsed,hr\n59:58,70\n59:59.5,71\n1:00:00,72\n"
    assert seconds(reading(path, text, start_ms=START_MS)) == [3598.0, 3599.5, 3600.0]
    layout = Layout(time=("elapsed",), time_format="%M:%S")
    clock = reading(path, "elapsed,hr\n00:58,70\n00:59,71\n", layout=layout)
    assert found(clock)["heart_rate"].time_ms.tolist() == [58_000, 59_000]


def test_elapsed_over_a_day_and_a_start_column(path: Path) -> None:
    text = "elapsed,hr,begun\n0:00:00,70,2031-05-01T07:00:00Z\n26:00:00,71,\n"
    content = reading(path, text, layout=Layout(start_column="begun"))
    assert seconds(content) == [0.0, 26 * 3600.0]


def test_times_of_day_turn_over_at_midnight(path: Path) -> None:
    text = "time,hr\n23:59:58,70\n23:59:59,71\n00:00:00,72\n00:00:01,73\n"
    content = reading(path, text, start_ms=START_MS + 15 * 3_600_000 - 60_000)
    assert seconds(content) == [53_998.0, 53_999.0, 54_000.0, 54_001.0]
    assert said(content) == [
        "the time of day starts again once, first at line 4; read as the next day",
        "4 of 4 stamps are times of day without a date; the first is taken as 2031-05-01T23:59:58, nearest to the "
        "session's start",
    ]
    content = reading(path, text)
    assert content.recordings[0].start_known is False
    assert said(content)[1] == (
        "4 of 4 stamps are times of day without a date; placed by the clock search unless sessions.csv gives the "
        "session's start"
    )


def test_two_rows_around_midnight(path: Path) -> None:
    content = reading(path, "time,hr\n23:59:59,70\n00:00:00,71\n", start_ms=START_MS)
    assert np.diff(seconds(content)).tolist() == [1.0]


def test_the_repeated_hour_is_told_apart_by_order(path: Path) -> None:
    # Oslo's clocks go back on 2031-10-26 at 03:00 (01:00 UTC)
    clocks = ["01:59:59", "02:00:00", "02:59:59", "02:00:00", "02:59:59", "03:00:00"]
    content = reading(path, "time,hr\n" + "".join(f"2031-10-26T{clock},70\n" for clock in clocks))
    times = found(content)["heart_rate"].time_ms
    assert np.diff(times // 1000).tolist() == [1, 3599, 1, 3599, 1]
    assert said(content) == ["4 of 6 stamps fall into an hour that the clocks showed twice; told apart by their order"]


def test_the_repeated_hour_without_a_step_back(path: Path) -> None:
    late = reading(path, "time,hr\n2031-10-26T02:30:00,70\n2031-10-26T02:59:59,70\n2031-10-26T03:00:00,70\n")
    assert np.diff(found(late)["heart_rate"].time_ms // 1000).tolist() == [1799, 1]
    early = reading(path, "time,hr\n2031-10-26T01:59:59,70\n2031-10-26T02:00:00,70\n2031-10-26T02:30:00,70\n")
    assert np.diff(found(early)["heart_rate"].time_ms // 1000).tolist() == [1, 1800]
    alone = "time,hr\n2031-10-26T02:10:00,70\n2031-10-26T02:10:01,70\n"
    first = int(np.datetime64("2031-10-26T00:10:00", "ms").astype(int))
    for start in (first, first + 3_600_000):
        assert found(reading(path, alone, start_ms=start))["heart_rate"].time_ms.tolist() == [start, start + 1000]
    with pytest.raises(FormatError) as caught:
        reading(path, alone)
    assert str(caught.value) == (
        "band.csv:2: expected stamps that name one instant, got 2031-10-26T02:10:00, which the clocks of Europe/Oslo "
        "showed twice (2031-10-26T00:10:00Z and 2031-10-26T01:10:00Z) and no row outside that hour; give the session's "
        "start in sessions.csv, or stamps with an offset"
    )


def test_the_missing_hour_is_read_on_and_said(path: Path) -> None:
    # Oslo's clocks go forward on 2031-03-30 at 02:00
    content = reading(path, "time,hr\n2031-03-30T01:59:59,70\n2031-03-30T02:00:00,70\n2031-03-30T02:00:01,70\n")
    assert np.diff(found(content)["heart_rate"].time_ms // 1000).tolist() == [1, 1]
    assert said(content) == [
        "2 of 3 stamps fall into an hour that the clocks left out; read as if they had not changed"
    ]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters(path: Path, delimiter: str) -> None:
    text = "time,hr,note\n2031-05-01T09:00:00,70,\n".replace(",", delimiter)
    assert seconds(reading(path, text)) == [0.0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_encodings(path: Path, encoding: str) -> None:
    content = reading(path, "Zeit;time;HR\næ;2031-05-01T09:00:00;70\n".encode(encoding))
    assert seconds(content) == [0.0]
    assert said(content) == []


def test_latin_1_is_said(path: Path) -> None:
    content = reading(path, "time;hr;where\n2031-05-01T09:00:00;70;Ålesund\n".encode("latin-1"))
    assert seconds(content) == [0.0]
    assert said(content) == ["line 2 is not UTF-8; read as Latin-1 from there on"]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_line_ends(path: Path, newline: str) -> None:
    text = "time,hr\n\n2031-05-01T09:00:00,70\n2031-05-01T09:00:01,71".replace("\n", newline)
    made = found(reading(path, text))["heart_rate"]
    assert (made.value.tolist(), made.source_row.tolist()) == ([70, 71], [3, 4])


def test_title_lines_units_and_quotes(path: Path) -> None:
    text = (
        "Export of band 2\nPrinted,2031-05-02\n\n"
        '"Time","HR, mean","Heart rate"\n,,"bpm"\n"2031-05-01T09:00:00","x, y","70"\n"2031-05-01T09:00:01",,71\n'
    )
    content = reading(path, text)
    assert found(content)["heart_rate"].value.tolist() == [70, 71]
    assert said(content) == ["1 of 3 rows have no stamp that can be read, first at line 5 (''); left out"]
    assert content.facts["heading_line"] == "4"
    assert content.facts["columns_not_read"] == "HR, mean"


def test_decimal_commas(path: Path) -> None:
    content = reading(path, "time;hr;rr_s\n2031-05-01T09:00:00,5;71,25;0,812\n2031-05-01T09:00:01,5;72;0,8\n")
    assert found(content)["heart_rate"].value.tolist() == [71.25, 72]
    assert seconds(content) == [0.5, 1.5]
    intervals = content.recordings[1]
    assert isinstance(intervals, Intervals)
    np.testing.assert_allclose(intervals.interval_ms, [812, 800])
    assert content.facts["decimal"] == "comma"
    quoted = reading(path, 'time,hr\n2031-05-01T09:00:00,"71,2"\n')
    assert found(quoted)["heart_rate"].value.tolist() == [71.2]


def test_what_is_no_value_stays_a_reading(path: Path) -> None:
    cells = ["", "NaN", "--", "n/a", "null", "0", "255", "70", "abc"]
    text = "time,hr\n" + "".join(f"2031-05-01T09:00:{i:02d},{cell}\n" for i, cell in enumerate(cells))
    content = reading(path, text)
    np.testing.assert_array_equal(found(content)["heart_rate"].value, [np.nan] * 5 + [0, 255, 70, np.nan])
    assert said(content) == [
        "1 of 9 cells of column 'hr' are not numbers, first at line 10 ('abc'); kept as readings without a value"
    ]


def test_stamps_out_of_order_copies_and_shared_stamps(path: Path) -> None:
    rows = [f"2031-05-01T09:00:{i:02d},{60 + i}" for i in range(30)]
    rows[10], rows[11] = rows[11], rows[10]
    rows += [rows[5], "2031-05-01T09:00:29,99"]
    content = reading(path, "time,hr\n" + "\n".join(rows) + "\n")
    made = found(content)["heart_rate"]
    assert made.value.tolist() == [60 + i for i in range(30)] + [99]
    assert said(content) == [
        "2 of 32 stamps are earlier than one before them, first at line 13; sorted by time",
        "1 of 32 rows repeat an earlier row exactly, first at line 32; dropped",
        "1 of 31 readings have the stamp of the reading before, first at line 33; kept in the order of the file",
    ]


def test_a_clock_set_back_goes_on_from_the_row_before(path: Path) -> None:
    first = [f"2031-05-01T10:{i // 60:02d}:{i % 60:02d},{60 + i % 7}" for i in range(300)]
    second = [f"2031-05-01T10:{i // 60:02d}:{i % 60:02d},{90 + i % 5}" for i in range(200, 400)]
    content = reading(path, "time,hr\n" + "\n".join(first + second) + "\n")
    made = found(content)["heart_rate"]
    assert np.diff(made.time_ms).tolist() == [1000] * 499
    assert made.value.tolist() == [float(row.split(",")[1]) for row in first + second]
    assert said(content) == [
        "the stamps step back by 99 s at line 302 and run over time already covered; read as a clock that was set "
        "back, going on from the row before"
    ]


def test_blocks_out_of_order_and_overlapping_exports_are_sorted(path: Path) -> None:
    rows = [f"2031-05-01T10:{i // 60:02d}:{i % 60:02d},{60 + i % 7}" for i in range(300)]
    swapped = reading(path, "time,hr\n" + "\n".join(rows[150:] + rows[:150]) + "\n")
    assert found(swapped)["heart_rate"].value.tolist() == [60 + i % 7 for i in range(300)]
    assert said(swapped) == ["150 of 300 stamps are earlier than one before them, first at line 152; sorted by time"]
    twice = reading(path, "time,hr\n" + "\n".join(rows[:200] + rows[100:]) + "\n")
    assert found(twice)["heart_rate"].value.tolist() == [60 + i % 7 for i in range(300)]
    assert said(twice) == [
        "99 of 400 stamps are earlier than one before them, first at line 202; sorted by time",
        "100 of 400 rows repeat an earlier row exactly, first at line 202; dropped",
    ]


def test_beats_keep_the_order_recorded(path: Path) -> None:
    stamps = ["00.0", "01.0", "00.9", "02.6", "03.4"]
    text = "time,rr\n" + "".join(f"2031-05-01T09:00:{s},{800 + i}\n" for i, s in enumerate(stamps))
    content = reading(path, text)
    (made,) = content.recordings
    assert isinstance(made, Intervals)
    assert made.interval_ms.tolist() == [800, 801, 802, 803, 804]
    assert said(content) == [
        "1 of 5 stamps are earlier than one before them, first at line 4; intervals kept in the order recorded"
    ]


def test_coarse_stamps_are_no_copies(path: Path) -> None:
    rows = [f"2031-05-01T09:{i // 60:02d},70" for i in range(180)]  # one a second, stamped to the minute
    content = reading(path, "time,hr\n" + "\n".join(rows) + "\n")
    assert found(content)["heart_rate"].value.size == 180
    assert said(content) == [
        "177 of 180 readings have the stamp of the reading before, first at line 3; kept in the order of the file"
    ]


def test_a_clock_set_back_by_an_hour_goes_on(path: Path) -> None:
    """Ten minutes before a sync and ten after it, an hour early: they lie before the first row, and are not sorted."""
    rows = "".join(f"2031-05-01T14:{i // 60:02d}:{i % 60:02d},{70 + i % 9}\n" for i in range(600))
    rows += "".join(f"2031-05-01T13:{10 + i // 60:02d}:{i % 60:02d},{90 + i % 9}\n" for i in range(600))
    content = reading(path, "time,hr\n" + rows)
    assert seconds(content)[600] - seconds(content)[599] == 1.0
    assert said(content) == [
        "the stamps step back by 3599 s at line 602; read as a clock set back by 60 min, going on from the row before"
    ]


def test_equal_beats_of_one_packet_are_all_kept(path: Path) -> None:
    """Three beats a packet, the first and the last of one length; stamps of milliseconds, not of whole seconds."""
    rows = ""
    for i in range(60):
        stamp = f"2031-05-01T09:{i // 50:02d}:{(i * 1.2) % 60:06.3f}"
        rows += "".join(f"{stamp},{rr}\n" for rr in (400.4, 399.4, 400.4))
    content = reading(path, "time,rr\n" + rows)
    (beats,) = content.recordings
    assert isinstance(beats, Intervals)
    assert beats.interval_ms.size == 180
    assert said(content) == []


def test_equal_beats_within_one_second_are_two_beats(path: Path) -> None:
    stamps = [0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]
    rows = "".join(f"2031-05-01T09:00:{s:02d},600\n" for s in stamps)
    (made,) = reading(path, "time,rr\n" + rows).recordings
    assert isinstance(made, Intervals)
    assert made.interval_ms.size == 14


def test_newest_first_is_turned_round(path: Path) -> None:
    rows = "".join(f"2031-05-01T09:00:{9 - i:02d},{60 + i}\n" for i in range(10))
    content = reading(path, "time,hr\n" + rows)
    assert seconds(content) == [float(i) for i in range(10)]
    assert said(content) == ["10 rows stand with the newest first; turned round"]


def test_intervals_with_stamps(path: Path) -> None:
    text = "time,RR-interval [ms],hr\n2031-05-01T09:00:00.8,812,74\n2031-05-01T09:00:01.6,,75\n"
    text += "2031-05-01T09:00:02.4,790,\n"
    content = reading(path, text)
    rr = content.recordings[1]
    assert isinstance(rr, Intervals)
    assert rr.stamp_ms is not None
    assert rr.interval_ms.tolist() == [812, 790]
    assert (rr.stamp_ms - START_MS).tolist() == [800, 2400]
    assert rr.source_row.tolist() == [2, 4]
    np.testing.assert_array_equal(found(content)["heart_rate"].value, [74, 75, np.nan])


@pytest.mark.parametrize("cell", ["812 807", "812;807", '"[812, 807]"', "812|807"])
def test_several_intervals_in_a_cell(path: Path, cell: str) -> None:
    text = f"time,rr\n2031-05-01T09:00:01,{cell}\n2031-05-01T09:00:02,790\n2031-05-01T09:00:03,\n"
    content = reading(path, text)
    (rr,) = content.recordings
    assert isinstance(rr, Intervals)
    assert rr.stamp_ms is not None
    assert rr.interval_ms.tolist() == [812, 807, 790]
    assert ((rr.stamp_ms - START_MS) // 1000).tolist() == [1, 1, 2]
    assert said(content) == []


def test_a_unit_that_cannot_be_is_mended_and_said(path: Path) -> None:
    content = reading(path, "time,rr_ms\n2031-05-01T09:00:01,0.8\n2031-05-01T09:00:02,0.81\n")
    (rr,) = content.recordings
    assert isinstance(rr, Intervals)
    np.testing.assert_allclose(rr.interval_ms, [800, 810])
    assert said(content) == [
        "the heading 'rr_ms' says one unit is 1 ms, but its middle value is 0.805; read as seconds"
    ]


def test_ecg_with_stamps_is_cut_at_gaps(path: Path) -> None:
    at = [round(i * 1000 / 130) for i in range(400)] + [60_000 + round(i * 1000 / 130) for i in range(200)]
    text = "elapsed [ms];ecg [uV]\n" + "".join(f"{ms};{i}\n" for i, ms in enumerate(at))
    (made,) = reading(path, text, start_ms=START_MS).recordings
    assert isinstance(made, Signal)
    assert made.unit == "mV"
    assert [(s.start_ms - START_MS, s.rate_hz, s.values.size) for s in made.segments] == [
        (0, 130.0, 400),
        (60_000, 130.0, 200),
    ]
    assert made.segments[1].values[0] == pytest.approx(0.4)


def test_ecg_in_packets_that_share_a_stamp(path: Path) -> None:
    rows = "".join(f"{packet},{i}\n" for packet in range(10) for i in range(125))
    (made,) = reading(path, "elapsed_s,ecg\n" + rows, start_ms=START_MS).recordings
    assert isinstance(made, Signal)
    assert [(s.start_ms - START_MS, s.rate_hz, s.values.size) for s in made.segments] == [(0, 125.0, 1250)]


def test_a_time_unit_that_cannot_be(path: Path) -> None:
    content = reading(path, "timestamp [ms],hr\n1935385200,70\n1935385201,71\n")
    assert seconds(content) == [0.0, 1.0]
    assert said(content) == [
        "the heading of the time says one unit is 1 ms, but by their size it is 1000 ms; read by size"
    ]
    with pytest.raises(FormatError) as caught:
        reading(path, "timestamp,hr\n1935385200,70\n", layout=Layout(time_format="unix_ms"))
    assert str(caught.value) == (
        "band.csv:2: expected times in unix_ms as the layout says, got 1935385200, which would lie outside 1990 to "
        "2103; correct time_format in the layout"
    )


def test_layouts(path: Path) -> None:
    layout = Layout(
        time=("Dato", "Kl"),
        time_format="%d/%m/%y %H.%M.%S",
        decimal=",",
        skip_rows=1,
        columns={"Puls": LayoutColumn(quantity="heart_rate", missing=("0", "255"))},
    )
    text = "hr;time\nDato;Kl;Puls\n01/05/31;09.00.00;0\n01/05/31;09.00.01;71,5\n01/05/31;09.00.02;255\n"
    content = reading(path, text, layout=layout)
    assert seconds(content) == [0.0, 1.0, 2.0]
    np.testing.assert_array_equal(found(content)["heart_rate"].value, [np.nan, 71.5, np.nan])


def test_columns_without_headings(path: Path) -> None:
    layout = Layout(time=("1",), columns={"3": LayoutColumn(quantity="cadence")})
    content = reading(path, "2031-05-01T09:00:00,x,80\n2031-05-01T09:00:01,x,81\n", layout=layout)
    assert found(content)["cadence"].value.tolist() == [80, 81]
    content = reading(path, "2031-05-01T09:00:00,80\n2031-05-01T09:00:01,81\n", quantity="heart_rate")
    assert found(content)["heart_rate"].value.tolist() == [80, 81]


def test_the_file_name_says_what_the_heading_does_not(path: Path) -> None:
    content = reading(path, "Phone timestamp;value\n2031-05-01T09:00:00;80\n", quantity="spo2")
    assert found(content)["spo2"].value.tolist() == [80]


def test_only_the_wanted_span_is_kept(path: Path) -> None:
    rows = "".join(f"2031-05-01T{9 + s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d},70\n" for s in range(7200))
    keep = (START_MS + 10_000, START_MS + 20_000)
    content = reading(path, "time,hr\n" + rows, keep_ms=keep, max_readings=7200)
    assert seconds(content) == [float(s) for s in range(10, 20)]
    assert reading(path, "time,hr\n" + rows, keep_ms=(0, 1)).recordings == ()


def test_an_empty_column_is_left_out_and_said(path: Path) -> None:
    content = reading(path, "time,hr,power\n2031-05-01T09:00:00,70,\n2031-05-01T09:00:01,71,\n")
    assert list(found(content)) == ["heart_rate"]
    assert said(content) == ["column 'power' holds no number in 2 rows; left out"]


REFUSED = {
    "empty": ("", "expected a recording, got an empty file of 0 bytes; copy or export it again"),
    "blank": ("\n\n \n", "expected rows of readings, got nothing but empty lines; export the recording again"),
    "header only": (
        "time,heart_rate\n",
        ":1: expected rows beneath the headings, got none after line 1; export the recording again",
    ),
    "no heading": (
        "2031-05-01T09:00:00,70\n",
        ":1: expected a line of headings such as 'time,heart_rate', got '2031-05-01T09:00:00,70'; name the columns "
        "in a "
        "layout ([layouts.<name>] in study.toml; columns without headings are '1', '2', ...) or add a heading line "
        "to a "
        "copy",
    ),
    "no values": (
        "time,a,b\n2031-05-01T09:00:00,70,71\n",
        ":1: expected a column such as heart_rate, rr, cadence or ecg, got the headings 'time', 'a', 'b'; name the "
        "column "
        "in a layout ([layouts.<name>.columns] in study.toml) or the quantity in the file's name",
    ),
    "no time": (
        "hr,power\n70,100\n",
        ":1: expected a time column (time, timestamp, datetime, date and time, elapsed_s), got the headings 'hr', "
        "'power'; name the time column in a layout",
    ),
    "two time columns": (
        "timestamp,datetime,hr\n1,1,70\n",
        ":1: expected one time column, got 2: 'timestamp', 'datetime'; choose with time = [...] in a layout",
    ),
    "two columns": (
        "time,hr,bpm\n2031-05-01T09:00:00,70,71\n",
        ":1: expected one column of heart_rate, got two: 'hr' and 'bpm'; choose one with a layout "
        "([layouts.<name>.columns] in study.toml)",
    ),
    "unknown unit": (
        "time,speed (knots)\n2031-05-01T09:00:00,7\n",
        ":1: expected column 'speed (knots)' of speed in m/s, got the unit 'knots', which is not known for it; give "
        "the "
        "unit in a layout",
    ),
    "day or month": (
        "time,hr\n05/01/2031 09:00:00,70\n05/02/2031 09:00:00,70\n",
        ":2: expected dates whose day and month can be told apart, got '05/01/2031 09:00:00', which is 5 January (day "
        "first) or 1 May (month first), and no date in the file settles it; give time_format in a layout (for example "
        '"%d/%m/%Y %H:%M:%S" or "%m/%d/%Y %H:%M:%S")',
    ),
    "short year": (
        "time,hr\n01/05/31 09:00:00,70\n",
        ":2: expected years of four digits, got '01/05/31 09:00:00', whose day, month and year can be read in several "
        'orders; give time_format in a layout (for example "%d.%m.%y %H:%M:%S")',
    ),
    "numbers as time": (
        "time,hr\n0,70\n1,71\n",
        ":2: expected stamps, got numbers such as 0, which could be seconds or milliseconds from some start; say so in "
        'the heading ("elapsed_s", "time [ms]") or with time_format = "elapsed_s", "unix_s" or "unix_ms" in a layout',
    ),
    "clock or elapsed": (
        "time,hr\n00:00:00,70\n00:00:01,71\n",
        ":2: expected times of day or elapsed times, got '00:00:00', which is either a midnight or a count from the "
        'start; say which with time_format = "elapsed_s" or "%H:%M:%S" in a layout, or give the session\'s start in '
        "sessions.csv",
    ),
    "no stamps": (
        "time,hr\nmorning,70\n",
        ":2: expected stamps such as 2031-05-01T09:00:00, got 'morning'; give time_format in a layout (for example "
        '"%d/%m/%Y %H:%M:%S")',
    ),
    "mostly unread": (
        "time,hr\n2031-05-01T09:00:00,70\nx,71\ny,72\n",
        ":3: expected stamps in column 'time', got 2 of 3 rows without one that can be read, the first 'x'; give "
        "time_format in a layout",
    ),
    "thousands": (
        "time;rr\n2031-05-01T09:00:00;1,024\n2031-05-01T09:00:01;1,012\n",
        ": expected numbers with one meaning, got '1,024', which is 1.024 with a decimal comma or 1024 with a "
        "thousands "
        "comma; say which with decimal in a layout",
    ),
    "no numbers": (
        "time,hr\n2031-05-01T09:00:00,--\n",
        ": expected numbers in the columns 'hr', got none in 1 rows; export the recording again or name the right "
        "columns in a layout",
    ),
    "rr unit": (
        "time,rr\n2031-05-01T09:00:00,72\n2031-05-01T09:00:01,73\n",
        ": expected RR intervals in milliseconds (200 to 3000) or seconds (0.2 to 3), got 'rr' with the middle value "
        "72.5; say what the column is in a layout",
    ),
    "decimal commas between commas": (
        "time,hr\n2031-05-01T09:00:00,72,5\n2031-05-01T09:00:01,73,0\n",
        ":2: expected rows of 2 cells as in the headings, got rows of 3; if the numbers have decimal commas, export "
        "with "
        "another delimiter; else correct the headings in a copy",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_refused_and_why(path: Path, case: str) -> None:
    text, message = REFUSED[case]
    with pytest.raises(FormatError) as caught:
        reading(path, text)
    assert str(caught.value) == "band.csv" + (message if message.startswith(":") else ": " + message)


def test_stamps_without_zone_ask_for_one(path: Path) -> None:
    with pytest.raises(FormatError) as caught:
        reading(path, "time,hr\n2031-05-01T09:00:00,70\n", zone=None)
    assert str(caught.value) == (
        "band.csv:2: expected stamps with an offset or a known time zone, got stamps without an offset and no time "
        "zone; "
        "say which clock they are on with timezone in study.toml (of the study, the device or the session)"
    )
    assert caught.value.slug == "no-zone"
    assert seconds(reading(path, "time,hr\n2031-05-01T07:00:00Z,70\n", zone=None)) == [0.0]


def test_too_many_readings(path: Path) -> None:
    text = "time,hr\n" + "".join(f"2031-05-01T09:00:{s:02d},70\n" for s in range(40))
    with pytest.raises(FormatError) as caught:
        reading(path, text, max_readings=30)
    assert str(caught.value) == (
        "band.csv: holds more than 30 readings, the most that one recording of one session may hold (max_readings); "
        "give "
        "the session's start and end in sessions.csv so that only that stretch is read"
    )
    with pytest.raises(FormatError) as caught:
        reading(path, text, max_readings=30, keep_ms=(START_MS, START_MS + DAY))
    assert str(caught.value) == (
        "band.csv: holds more than 30 readings between the session's start and end, the most that one recording may "
        "hold "
        "(max_readings); make the session shorter or raise max_readings"
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            bytes(range(256)) * 8,
            "binary data of no known format, beginning with the bytes 00 01 02 03 04 05 06 07; export the recording "
            "again",
        ),
        (b"PK\x03\x04" + b"\0" * 100, "a zip archive or spreadsheet workbook; unpack it, or export the sheet as CSV"),
        (b"\x1f\x8b\x08" + b"\0" * 100, "a gzip archive; unpack it"),
        (b'{"hr": [70, 71]}', "JSON; export the recording in one of these formats"),
    ],
)
def test_rubbish_named_csv(path: Path, content: bytes, message: str) -> None:
    with pytest.raises(FormatError) as caught:
        reading(path, content)
    formats = "delimited text, RR lists, FIT, TCX, GPX, EDF, EDF+, Parquet"
    assert str(caught.value) == f"band.csv: expected a recording ({formats}), got {message}"
    assert caught.value.slug == "unknown-format"


def test_a_line_without_end(path: Path) -> None:
    with pytest.raises(FormatError) as caught:
        reading(path, "time,hr\n" + "7" * (17 << 20))
    assert str(caught.value) == (
        "band.csv:2: expected lines of text, got one of more than 16 MB; export the recording again"
    )


def test_recognised_by_content_not_by_ending(tmp_path: Path) -> None:
    for name, content, kind in (
        ("a.fit", b"time,hr\n2031-05-01T09:00:00,70\n", "delimited"),
        ("a.edf", b"812\n807\n", "rr_list"),
        ("a.csv", b"\x0e\x20\x54\x08\0\0\0\0.FIT", "fit"),
        ("a.csv", b"PAR1xxxx", "parquet"),
        ("a.csv", b"\xef\xbb\xbf<?xml version='1.0'?>\n<TrainingCenterDatabase>", "tcx"),
        ("a.csv", b"<gpx:gpx>", "gpx"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        assert recognise(path) == kind
        assert recognise(path, head=content) == kind


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FormatError) as caught:
        recognise(tmp_path / "gone.csv")
    assert caught.value.message == (
        "expected a file that can be opened, got 'No such file or directory'; check its path and rights"
    )


def test_a_disk_that_fails_on_the_way(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("wearbench.formats.delimited.read", failing)
    with pytest.raises(FormatError) as caught:
        reading(path, "time,hr\n2031-05-01T09:00:00,70\n")
    assert str(caught.value) == (
        "band.csv: expected a file that can be read to its end, got 'Input/output error'; check the disk and the rights"
    )


def test_an_index_without_a_name_is_the_time(tmp_path):
    """As data frames are written: the index first, its heading empty (no source: common practice)."""
    rows = "".join(f"2031-05-01T09:00:0{i}Z,{70 + i}\n" for i in range(3))
    (made,) = reading(tmp_path / "a.csv", ",heart_rate\n" + rows).recordings
    assert made.value.tolist() == [70, 71, 72]
    named = "".join(f"{i},2031-05-01T09:00:0{i}Z,{70 + i}\n" for i in range(3))
    (made,) = reading(tmp_path / "b.csv", ",time,heart_rate\n" + named).recordings
    assert made.value.tolist() == [70, 71, 72]


def test_empty_cells_are_no_headings(tmp_path):
    """A first row of separators of another kind is no heading row."""
    (made,) = reading(tmp_path / "a.csv", "note;Elapsed (s);HR (bpm)\n,,,;0;70\n").recordings
    assert made.value.tolist() == [70]
