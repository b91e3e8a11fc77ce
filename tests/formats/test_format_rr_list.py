"""Lists of RR intervals without stamps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from written import START_MS, reading

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Intervals


def intervals(content: FileContent) -> Intervals:
    (made,) = content.recordings
    assert isinstance(made, Intervals)
    return made


@pytest.mark.parametrize(
    "text",
    [
        "812\n807\n\n790\n",
        "812.0\r\n807.0\r\n\r\n790.0\r\n",
        "0.812\n0.807\n\n0.790",
        "0,812\n0,807\n\n0,790\n",
        '"812"\n"807"\n\n"790"\n',
    ],
)
def test_milliseconds_or_seconds_by_size(tmp_path: Path, text: str) -> None:
    made = intervals(reading(tmp_path / "patch.rr.txt", text))
    np.testing.assert_allclose(made.interval_ms, [812, 807, 790], rtol=1e-12)
    assert made.source_row.tolist() == [1, 2, 4]
    assert (made.stamp_ms, made.start_ms, made.start_known) == (None, None, False)


def test_a_heading_or_title_lines(tmp_path: Path) -> None:
    for text in ("RR [ms]\n812\n807\n", "Invented list\nrr_ms\n812\n807\n", "rr\n812\n807\n"):
        assert intervals(reading(tmp_path / "a.txt", text)).interval_ms.tolist() == [812, 807]


def test_the_session_start_places_the_first(tmp_path: Path) -> None:
    made = intervals(reading(tmp_path / "a.txt", "812\n807\n", start_ms=START_MS))
    assert (made.start_ms, made.start_known) == (START_MS, True)


def test_the_rr_column_of_a_table_without_time(tmp_path: Path) -> None:
    content = reading(tmp_path / "a.csv", "beat;rr_s;quality\n1;0.812;1\n2;0.807;1\n")
    np.testing.assert_allclose(intervals(content).interval_ms, [812, 807])


def test_lines_that_are_no_numbers(tmp_path: Path) -> None:
    content = reading(tmp_path / "a.txt", "812\n" * 30 + "pause\n" + "807\n" * 5)
    assert intervals(content).interval_ms.size == 35
    assert [r.said for r in content.repairs] == ["1 of 36 lines are not numbers, first at line 31 ('pause'); left out"]


def test_zero_stays(tmp_path: Path) -> None:
    assert intervals(reading(tmp_path / "a.txt", "812\n0\n807\n")).interval_ms.tolist() == [812, 0, 807]


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        (
            "72\n73\n71\n",
            {},
            "a.txt: expected RR intervals in milliseconds (200 to 3000) or seconds (0.2 to 3), got 'rr' with the "
            "middle "
            "value 72; say what the column is in a layout",
        ),
        (
            "hr\n72\n73\n",
            {},
            "a.txt:1: expected stamps beside the column 'hr', got a list of numbers without stamps; export the "
            "recording "
            "with its times (only RR intervals can do without)",
        ),
        (
            "812\n807\n",
            {"quantity": "heart_rate"},
            "a.txt: expected stamps beside the readings of heart_rate, got a list of numbers without stamps; export "
            "the "
            "recording with its times (only RR intervals can do without)",
        ),
        (
            "812\n807\n790\n",
            {"max_readings": 2},
            "a.txt: holds more than 2 readings, the most that one recording of one session may hold (max_readings); "
            "give "
            "the session's start and end in sessions.csv so that only that stretch is read",
        ),
    ],
)
def test_what_is_refused_and_why(tmp_path: Path, text: str, options: dict[str, object], message: str) -> None:
    with pytest.raises(FormatError) as caught:
        reading(tmp_path / "a.txt", text, **options)
    assert str(caught.value) == message
