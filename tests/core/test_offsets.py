"""What clock offsets look like, worked by hand."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from wearbench.core.offsets import explain_offset, nearest_quarter, offset_words, utc_words

OSLO_WINTER = 3600.0
KATHMANDU = 20_700.0  # +05:45


@pytest.mark.parametrize(
    ("offset_s", "zone_s", "said"),
    [
        (
            -3602.6,
            OSLO_WINTER,
            "its clock is 1 h 00 min ahead, which is the zone's own offset (UTC+01:00): local time stored as UTC?",
        ),
        (
            3598.0,
            OSLO_WINTER,
            "its clock is 1 h 00 min behind, which is the zone's own offset (UTC+01:00): UTC read as local time?",
        ),
        (
            -20_700.0,
            KATHMANDU,
            "its clock is 5 h 45 min ahead, which is the zone's own offset (UTC+05:45): local time stored as UTC?",
        ),
        (3600.0, 0.0, "its clock is 1 h 00 min behind: summer time missed, or a neighbouring zone?"),
        (-3600.0, 7200.0, "its clock is 1 h 00 min ahead: summer time kept too long, or a neighbouring zone?"),
        (43_201.0, OSLO_WINTER, "its clock is 12 h 00 min behind: morning and afternoon mixed up?"),
        (86_400.0, OSLO_WINTER, "its clock is 24 h 00 min behind: the date is 1 day early?"),
        (-3 * 86_400.0, OSLO_WINTER, "its clock is 3 d ahead: the date is 3 days late?"),
        # written in Kathmandu, read as Oslo: 5 h 45 min - 1 h ahead
        (
            -17_100.0,
            OSLO_WINTER,
            "its clock is 4 h 45 min ahead: stamps of another zone (UTC+05:45 instead of UTC+01:00)?",
        ),
    ],
)  # fmt: skip
def test_offsets_that_look_like_something(offset_s, zone_s, said):
    assert explain_offset(offset_s, zone_offset_s=zone_s) == said


@pytest.mark.parametrize("offset_s", [0.0, 12.0, -89.0, 400.0, 1700.0, math.nan, math.inf, -7300.0])
def test_offsets_that_look_like_nothing(offset_s):
    assert explain_offset(offset_s, zone_offset_s=OSLO_WINTER) is None


def test_a_zone_further_east_than_any_is_no_zone():
    # 13 h 30 min ahead of Oslo would be UTC+14:30; there is none
    assert explain_offset(-48_600.0, zone_offset_s=OSLO_WINTER) is None


@pytest.mark.parametrize(
    ("ours", "theirs"), [("1970-01-01", "1989-12-31"), ("1970-01-01", "2001-01-01"), ("1989-12-31", "2001-01-01")]
)
def test_epochs_mixed_up_give_or_take_a_zone(ours, theirs):
    apart = (datetime.fromisoformat(theirs) - datetime.fromisoformat(ours)).total_seconds()
    for zone in (0.0, 3600.0, -36_000.0):
        said = explain_offset(apart + zone, zone_offset_s=OSLO_WINTER)
        assert said is not None
        assert said.endswith(f"behind: seconds since {theirs} read as since {ours}?")


def test_seconds_of_fit_read_as_posix_are_nineteen_years_and_364_days_early():
    stamp = datetime(2031, 3, 4, tzinfo=UTC)
    counted = (stamp - datetime(1989, 12, 31, tzinfo=UTC)).total_seconds()
    said = explain_offset(stamp.timestamp() - counted, zone_offset_s=0.0)
    assert said == "its clock is 7,304 d behind: seconds since 1989-12-31 read as since 1970-01-01?"


def test_quarters_of_an_hour():
    assert nearest_quarter(20_700.0) == 20_700
    assert nearest_quarter(-17_130.0) == -17_100
    assert nearest_quarter(-17_200.0) is None
    assert nearest_quarter(20.0) is None
    assert nearest_quarter(905.0, near_s=4.0) is None


def test_words():
    said = [offset_words(s) for s in (4.25, 48.0, -60.0, 303.0, 3600.0, 172_800.0, 183_600.0)]
    assert said == ["4.2 s", "48 s", "1 min", "5 min 3 s", "1 h 00 min", "2 d", "2 d 3 h"]
    assert [utc_words(s) for s in (0.0, 20_700.0, -12_600.0)] == ["UTC+00:00", "UTC+05:45", "UTC-03:30"]
