"""Laps of FIT and TCX files: bytes written here after the public descriptions, and by an independent writer."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from written import FIT_EPOCH_S, START_MS, Fit, reading

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Lap

T0 = START_MS // 1000
MESSAGE_LAP = 19  # lap: 253 timestamp, 2 start_time, 7 total_elapsed_time (ms), 23 intensity, 24 lap_trigger, 25 sport
UINT32 = 0x86
ENUM = 0x00
NO_UINT32 = 0xFFFFFFFF


class Lapped(Fit):
    """FIT with laps; None stands for the format's own mark for "invalid"."""

    def lap(
        self,
        start_s: float | None,
        elapsed_s: float | None,
        written_s: float | None = None,
        *,
        intensity: int = 0xFF,
        trigger: int = 0xFF,
        sport: int = 0xFF,
    ) -> None:
        if 2 not in self.defined:
            fields = ((253, 4, UINT32), (2, 4, UINT32), (7, 4, UINT32), (23, 1, ENUM), (24, 1, ENUM), (25, 1, ENUM))
            self.define(2, MESSAGE_LAP, *fields)
            self.defined[2] = (MESSAGE_LAP, b"")
        stamps = [NO_UINT32 if s is None else int(T0 + s) - FIT_EPOCH_S for s in (written_s, start_s)]
        elapsed = NO_UINT32 if elapsed_s is None else round(1000 * elapsed_s)
        self.data(2, struct.pack("<IIIBBB", *stamps, elapsed, intensity, trigger, sport))


def recorded(*, n: int = 60, first: int = 0) -> Lapped:
    fit = Lapped()
    for second in range(first, first + n):
        fit.record(T0 + second, 120)
    return fit


def spans(content: FileContent) -> list[tuple[float, float]]:
    """Start and end of laps, seconds from the first second."""
    return [((lap.start_ms - START_MS) / 1000, (lap.end_ms - START_MS) / 1000) for lap in content.laps]


def said(content: FileContent) -> list[str]:
    return [f"{r.slug}: {r.said}" for r in content.repairs]


def test_laps_of_fit(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(0, 20.4, 20, intensity=2, trigger=0, sport=15)
    fit.lap(20, 30.2, 50, intensity=5, trigger=1)
    fit.lap(50, 9.5, 60, intensity=6, trigger=7, sport=0)
    content = reading(tmp_path / "band.fit", fit.bytes())
    # numbers and words as in the public profile, from memory: 2 warmup, 5 interval, 6 other; 15 rowing, 0 generic
    assert content.laps == (
        Lap(
            start_ms=START_MS,
            end_ms=START_MS + 20_000,  # starts are whole seconds, lengths are not: cut without a word
            number=1,
            activity="rowing",
            intensity="warmup",
            trigger="manual",
        ),
        Lap(start_ms=START_MS + 20_000, end_ms=START_MS + 50_000, number=2, intensity="interval", trigger="time"),
        Lap(start_ms=START_MS + 50_000, end_ms=START_MS + 59_500, number=3, trigger="session_end"),
    )
    assert content.repairs == ()
    assert [r.quantity for r in content.recordings] == ["heart_rate"]


def test_laps_by_an_independent_writer(tmp_path: Path) -> None:
    builder = pytest.importorskip("fit_tool.fit_file_builder")
    from fit_tool.profile.messages.file_id_message import FileIdMessage
    from fit_tool.profile.messages.lap_message import LapMessage
    from fit_tool.profile.messages.record_message import RecordMessage
    from fit_tool.profile.messages.workout_step_message import WorkoutStepMessage
    from fit_tool.profile.profile_type import FileType, Intensity, LapTrigger, Sport

    made = builder.FitFileBuilder(auto_define=True, min_string_size=50)
    head = FileIdMessage()
    head.type = FileType.ACTIVITY
    made.add(head)
    step = WorkoutStepMessage()
    step.message_index = 3
    step.workout_step_name = "Hard 4 min"
    made.add(step)
    for second in range(30):
        record = RecordMessage()
        record.timestamp = START_MS + second * 1000
        record.heart_rate = 120
        made.add(record)
    for start, seconds, intensity in ((0, 12.0, Intensity.ACTIVE), (12, 18.0, Intensity.REST)):
        lap = LapMessage()
        lap.timestamp = START_MS + round(1000 * (start + seconds))
        lap.start_time = START_MS + start * 1000
        lap.total_elapsed_time = seconds
        lap.intensity = intensity
        lap.lap_trigger = LapTrigger.MANUAL
        lap.sport = Sport.ROWING
        if start == 0:
            lap.workout_step_index = 3
        made.add(lap)
    content = reading(tmp_path / "lab.fit", made.build().to_bytes())
    assert spans(content) == [(0, 12), (12, 30)]
    assert [lap.intensity for lap in content.laps] == ["active", "rest"]
    assert [lap.label for lap in content.laps] == ["Hard 4 min", None]
    assert {(lap.activity, lap.trigger) for lap in content.laps} == {("rowing", "manual")}


def test_fit_without_laps(tmp_path: Path) -> None:
    assert reading(tmp_path / "band.fit", recorded().bytes()).laps == ()


def test_lap_without_length_ends_with_its_stamp_or_at_the_next_start(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(0, None, 15)
    fit.lap(15, None)
    fit.lap(30, None)
    content = reading(tmp_path / "band.fit", fit.bytes())
    assert spans(content) == [(0, 15), (15, 30), (30, 59)]
    assert said(content) == [
        "lap-no-end: laps 2, 3 of 3 have no length and no end to believe; ended at the next start, or with the last "
        "reading"
    ]


def test_lap_without_start_begins_where_the_one_before_ends(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(None, 10)
    fit.lap(10, 10)
    fit.lap(None, None, 45)
    content = reading(tmp_path / "band.fit", fit.bytes())
    assert spans(content) == [(10, 20), (20, 45)]
    assert said(content) == [
        "lap-no-start: lap 3 of 3 has no start that can be read; begun at the end of the one before",
        "lap-no-start: lap 1 of 3 has no start that can be read; left out",
    ]


def test_laps_out_of_order_overlapping_and_empty(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(40, 15)
    fit.lap(0, 25)
    fit.lap(20, 20)
    fit.lap(30, 0)
    content = reading(tmp_path / "band.fit", fit.bytes())
    assert spans(content) == [(0, 20), (20, 40), (40, 55)]
    assert [lap.number for lap in content.laps] == [2, 3, 1]
    assert said(content) == [
        "lap-order: 4 laps stand out of order; sorted by start",
        "lap-overlap: lap 3 of 4 begins before the one before ends, by up to 5 s (lap 2 ends at 2031-05-01 07:00:25Z, "
        "lap 3 begins at 2031-05-01 07:00:20Z); each ends where the next begins",
        "lap-empty: lap 4 of 4 has no length; left out",
    ]


def test_lap_over_the_whole_file_gives_way_to_the_laps_in_it(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(0, 60)
    fit.lap(0, 20)
    fit.lap(20, 40)
    assert spans(reading(tmp_path / "band.fit", fit.bytes())) == [(0, 20), (20, 60)]


def test_the_same_lap_twice_counts_once(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(5, 20)
    fit.lap(5, 20)
    assert spans(reading(tmp_path / "band.fit", fit.bytes())) == [(5, 25)]


def test_laps_outside_what_is_wanted_are_left_out(tmp_path: Path) -> None:
    fit = recorded()
    fit.lap(0, 20)
    fit.lap(20, 20)
    fit.lap(40, 20)
    content = reading(tmp_path / "band.fit", fit.bytes(), keep_ms=(START_MS + 25_000, START_MS + 35_000))
    assert spans(content) == [(20, 40)]


def test_laps_of_a_clock_that_was_never_set(tmp_path: Path) -> None:
    fit = Lapped()
    for second in range(30):
        fit.record(FIT_EPOCH_S + 500 + second, 120)
    fit.define(2, MESSAGE_LAP, (2, 4, UINT32), (7, 4, UINT32))
    fit.data(2, struct.pack("<II", 510, 15_000))
    found = reading(tmp_path / "a.fit", fit.bytes())
    assert [(lap.start_ms, lap.end_ms, lap.start_known) for lap in found.laps] == [(10_000, 25_000, False)]
    placed = reading(tmp_path / "a.fit", fit.bytes(), start_ms=START_MS)
    assert spans(placed) == [(10, 25)]
    assert placed.laps[0].start_known


def test_a_file_cut_off_keeps_the_laps_before(tmp_path: Path) -> None:
    fit = recorded(n=20)
    fit.lap(0, 10)
    kept = len(fit.bytes()) - 2
    fit.lap(10, 10)
    content = reading(tmp_path / "a.fit", fit.bytes()[: kept + 9])
    assert spans(content) == [(0, 10)]
    assert [r.slug for r in content.repairs] == ["fit-truncated"]


def test_laps_only_need_no_readings(tmp_path: Path) -> None:
    fit = Lapped()
    fit.lap(0, 20)
    with pytest.raises(FormatError, match="expected record or hrv messages"):
        reading(tmp_path / "a.fit", fit.bytes())
    content = reading(tmp_path / "a.fit", fit.bytes(), laps_only=True)
    assert spans(content) == [(0, 20)]
    assert content.recordings == ()
    walk = tcx(lap(0, "20", points=(0, 5), rate=False))
    with pytest.raises(FormatError, match="expected heart rate"):
        reading(tmp_path / "a.tcx", walk)
    assert spans(reading(tmp_path / "a.tcx", walk, laps_only=True)) == [(0, 20)]


def stamp(second: float) -> str:
    return f"2031-05-01T07:{int(second) // 60:02d}:{int(second) % 60:02d}.000Z"


def lap(start: float | None, total: str, more: str = "", *, points: tuple[int, ...] = (), rate: bool = True) -> str:
    """A lap in the order of the public schema: TotalTimeSeconds, Intensity, TriggerMethod, Track, Notes."""
    value = "<HeartRateBpm><Value>120</Value></HeartRateBpm>" if rate else ""
    track = "".join(f"<Trackpoint><Time>{stamp(second)}</Time>{value}</Trackpoint>" for second in points)
    opened = "<Lap>" if start is None else f'<Lap StartTime="{stamp(start)}">'
    stated = f"<TotalTimeSeconds>{total}</TotalTimeSeconds>" if total else ""
    words, _, notes = more.partition("|")
    return f"{opened}{stated}<Calories>9</Calories>{words}<Track>{track}</Track>{notes}</Lap>"


def tcx(*laps: str, before: str = "", after: str = "", sport: str = "Running") -> str:
    return (
        f'<?xml version="1.0"?><TrainingCenterDatabase xmlns="urn:a">{before}<Activities>'
        f'<Activity Sport="{sport}"><Id>{stamp(0)}</Id>{"".join(laps)}{after}</Activity></Activities>'
        "</TrainingCenterDatabase>"
    )


def test_laps_of_tcx(tmp_path: Path) -> None:
    content = reading(
        tmp_path / "a.tcx",
        tcx(
            lap(0, "20.5", "<Intensity>Active</Intensity><TriggerMethod>Manual</TriggerMethod>", points=(0, 10, 20)),
            lap(
                20,
                "9.5",
                "<Intensity>Resting</Intensity><TriggerMethod>Distance</TriggerMethod>|<Notes>easy\n paddle</Notes>",
                points=(21, 29),
            ),
            after="<Notes>of the whole activity</Notes>",
        ),
    )
    assert content.laps == (
        Lap(
            start_ms=START_MS,
            end_ms=START_MS + 20_000,
            number=1,
            activity="running",
            intensity="active",
            trigger="manual",
        ),
        Lap(
            start_ms=START_MS + 20_000,
            end_ms=START_MS + 29_500,
            number=2,
            label="easy paddle",
            activity="running",
            intensity="rest",
            trigger="distance",
        ),
    )
    assert content.repairs == ()


def test_pauses_that_the_length_does_not_count(tmp_path: Path) -> None:
    content = reading(
        tmp_path / "a.tcx", tcx(lap(0, "20", points=(0, 10, 95)), lap(96, "20", points=(96, 110)), sport="Other")
    )
    assert spans(content) == [(0, 95), (96, 116)]
    assert {lap.activity for lap in content.laps} == {None}
    assert said(content) == [
        "lap-paused: 1 of 2 laps have readings after their stated length, by up to 75 s, as when pauses are not "
        "counted; ended with their last reading"
    ]


def test_length_beyond_belief(tmp_path: Path) -> None:
    content = reading(tmp_path / "a.tcx", tcx(lap(0, "1e300", points=(0, 40)), lap(50, "-5", points=(50,))))
    assert spans(content) == [(0, 50)]
    assert [r.slug for r in content.repairs] == ["lap-no-end", "lap-empty"]


def test_tcx_that_breaks_off_keeps_the_lap_it_breaks_off_in(tmp_path: Path) -> None:
    whole = tcx(lap(0, "20", points=(0, 10)), lap(20, "", points=tuple(range(20, 40))))
    content = reading(tmp_path / "a.tcx", whole[: whole.index("07:00:35")])
    assert spans(content) == [(0, 20), (20, 34)]
    assert [r.slug for r in content.repairs] == ["xml-truncated"]


def test_laps_of_courses_and_words_of_workouts_are_no_laps(tmp_path: Path) -> None:
    plans = (
        "<Workouts><Workout><Step><Intensity>Resting</Intensity></Step></Workout></Workouts>"
        f"<Courses><Course>{lap(None, '500')}</Course></Courses>"
    )
    content = reading(tmp_path / "a.tcx", tcx(lap(0, "20", points=(0, 10)), before=plans))
    assert spans(content) == [(0, 20)]
    assert content.laps[0].intensity is None


def test_gpx_has_no_laps(tmp_path: Path) -> None:
    content = reading(
        tmp_path / "a.gpx",
        '<gpx><trk><trkseg><trkpt lat="0" lon="0"><time>2031-05-01T07:00:00Z</time><hr>71</hr></trkpt></trkseg></trk>'
        "</gpx>",
    )
    assert content.laps == ()
