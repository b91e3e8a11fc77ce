"""Which marks belong together, on whose clock they are, and what `check` says of those that cannot be paired."""

from __future__ import annotations

import pytest

from wearbench.study import DeviceConfig, Mark, When, sync_pairs
from wearbench.study.marking import check_marks, clock_owner
from wearbench.study.tabletext import resolution_s

DEVICES = {
    "patch": DeviceConfig(name="patch", label="Patch", role="reference"),
    "band": DeviceConfig(name="band", label="Band", role="tested"),
    "phone": DeviceConfig(name="phone", label="Phone", role="context", clock="band"),
    "pod": DeviceConfig(name="pod", label="Pod", role="tested", clock="shared"),
}


def mark(device, at_s, kind="tap", number=None):
    return Mark(session="S1", device=device, time=When(offset_s=at_s), kind=kind, number=number)


def paired(*marks, tested="band"):
    pairs = sync_pairs(marks, DEVICES, reference="patch", tested=tested, start_ms=0)
    return [(ours.time.offset_s, theirs.time.offset_s) for ours, theirs in pairs]


def problems(*marks):
    return [p.said for p in check_marks("S1", marks, DEVICES)]


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("2031-03-04T09:00", 60.0),
        ("2031-03-04T09:00Z", 60.0),
        ("2031-03-04 09:00+01:00", 60.0),
        ("2031-03-04T09:00:30", 1.0),
        ("2031-03-04T09:00:30+01:00", 1.0),
        ("2031-03-04T09:00:30.5Z", 0.1),
        ("2031-03-04T09:00:30.250", 0.001),
        ("2031-03-04T09:00:30.250123", 0.001),
        ("90", 1.0),
        ("90.25", 0.01),
        ("90,5", 0.1),
    ],
)
def test_a_time_is_known_as_finely_as_it_is_written(text, unit):
    assert resolution_s(text) == pytest.approx(unit)


def test_marks_of_one_kind_pair_in_order_whatever_the_order_of_rows():
    marks = [mark("band", 3540), mark("patch", 30), mark("band", 70), mark("patch", 3500)]
    assert paired(*marks) == [(30, 70), (3500, 3540)]
    assert problems(*marks) == []


def test_kinds_are_kept_apart_and_started_is_no_act():
    marks = [mark("patch", 30), mark("band", 70), mark("patch", 40, "button"), mark("band", 80, "button")]
    assert paired(*marks, mark("patch", 1, "started"), mark("band", 9, "started")) == [(30, 70), (40, 80)]


def test_numbers_pair_where_one_mark_is_lacking():
    marks = [mark("patch", 30, number="1"), mark("patch", 35, number="2"), mark("band", 75, number="2")]
    assert paired(*marks) == [(35, 75)]
    assert problems(*marks) == []


def test_a_number_given_twice_pairs_nothing():
    marks = [mark("patch", 30, number="1"), mark("patch", 35, number="1"), mark("band", 75, number="1")]
    assert paired(*marks) == []
    assert problems(*marks)[0] == 'session S1: tap: expected each mark number of patch once, got "1" again'


def test_more_on_one_than_on_the_other_pairs_nothing_and_asks_for_numbers():
    marks = [mark("patch", 30), mark("patch", 35), mark("band", 75)]
    assert paired(*marks) == []
    assert problems(*marks) == [
        "session S1: tap: expected as many on band as on patch, got 1 and 2. Say which belong together in a column "
        "mark (1, 2, ...)"
    ]


@pytest.mark.parametrize(
    ("device", "said"),
    [
        ("band", "session S1: tap: expected the same act on patch too, found it on band only"),
        ("patch", "session S1: tap: expected the same act on a tested device too, found it on patch only"),
    ],
)
def test_a_mark_on_one_device_only_is_said(device, said):
    assert problems(mark(device, 30)) == [said]


def test_marks_are_those_of_the_clock_not_of_the_device():
    assert clock_owner("phone", DEVICES, reference="patch") == "band"
    assert clock_owner("pod", DEVICES, reference="patch") == "patch"
    assert paired(mark("patch", 30), mark("phone", 70)) == [(30, 70)]
    assert paired(mark("pod", 30), mark("band", 70)) == [(30, 70)]
    assert paired(mark("patch", 30), mark("pod", 30), tested="pod") == []
