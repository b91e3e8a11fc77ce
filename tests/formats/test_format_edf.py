"""EDF and EDF+ after Kemp et al. 1992 and Kemp & Olivan 2003, on bytes written here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from written import START_MS, edf, onsets, reading

from wearbench.errors import FormatError
from wearbench.formats import Layout, LayoutColumn, Readings, Signal, recognise
from wearbench.formats.edf_header import EdfSignal


def ecg(*records: list[int], samples: int = 4, **more: object) -> dict[str, object]:
    return {"label": "ECG II", "samples": samples, "data": list(records)} | more


def signal_of(path: Path, data: bytes, **options: object) -> Signal:
    (made,) = reading(path, data, **options).recordings
    assert isinstance(made, Signal)
    return made


def test_digital_to_physical_at_the_worked_values() -> None:
    # phys = (dig - dmin)(pmax - pmin)/(dmax - dmin) + pmin, recomputed for dmin -2048, dmax 2047, pmin -500, pmax 500
    signal = EdfSignal(label="x", unit="uV", physical=(-500, 500), digital=(-2048, 2047), samples=1, offset=0)
    found = signal.to_physical(np.array([-2048, 0, 1000, 2047], dtype=np.int16))
    np.testing.assert_allclose(found, [-500, 0.122100, 244.322344, 500], atol=5e-7)


def test_plain_edf_is_one_segment_in_millivolts(tmp_path: Path) -> None:
    data = edf(signals=[ecg([0, 1000, 2047, -2048], [1, 2, 3, 4])], n_records=2)
    made = signal_of(tmp_path / "patch.bin", data)
    (segment,) = made.segments
    assert (made.quantity, made.unit, segment.start_ms, segment.rate_hz) == ("ecg", "mV", START_MS, 4.0)
    np.testing.assert_allclose(segment.values[:4], [0.0001221, 0.244322344, 0.5, -0.5], atol=1e-8)


def test_two_digit_years_turn_at_85(tmp_path: Path) -> None:
    # 85-99 are 19yy, 00-84 are 20yy (Kemp & Olivan 2003)
    for written, day in (("31.12.84", "2084-12-31"), ("31.12.85", "1985-12-31")):
        data = edf(signals=[ecg([0] * 4)], n_records=1, start=(written, "01.00.00"), recording="")
        found = signal_of(tmp_path / "a.edf", data).segments[0].start_ms
        assert np.datetime64(found, "ms") == np.datetime64(day)  # one o'clock in Oslo's winter


def test_edf_plus_d_keeps_its_gaps(tmp_path: Path) -> None:
    data = edf(
        signals=[ecg([1] * 4, [2] * 4, [3] * 4, [4] * 4), onsets(0, 1, 61.5, 62.5)],
        n_records=4,
        kind="EDF+D",
    )
    made = signal_of(tmp_path / "a.edf", data)
    assert [(s.start_ms - START_MS, s.values.size) for s in made.segments] == [(0, 8), (61_500, 8)]


def test_edf_plus_c_begins_at_its_first_onset(tmp_path: Path) -> None:
    # the worked onset of Kemp & Olivan is "+567"; a fraction of a second may stand there too
    data = edf(signals=[ecg([1] * 4, [2] * 4), onsets(0.25, 1.25)], n_records=2, kind="EDF+C")
    assert [s.start_ms - START_MS for s in signal_of(tmp_path / "a.edf", data).segments] == [250]


def test_a_record_without_onset_follows_the_one_before(tmp_path: Path) -> None:
    marks = onsets(0, 60, 61)
    marks["data"][1] = b"\0"  # type: ignore[index]
    data = edf(signals=[ecg([1] * 4, [2] * 4, [3] * 4), marks], n_records=3, kind="EDF+D")
    content = reading(tmp_path / "a.edf", data)
    (made,) = content.recordings
    assert isinstance(made, Signal)
    assert [s.start_ms - START_MS for s in made.segments] == [0, 61_000]
    assert [r.said for r in content.repairs] == [
        "1 of 3 records do not say when they begin, first record 2; placed after the record before"
    ]


@pytest.mark.parametrize(
    ("said", "cut", "repair", "kept"),
    [
        (-1, 0, "the header leaves the number of records open (-1), the file holds 3; read 3", 3),
        (3, 3, "the header says 3 records, the file holds 2 and 5 bytes of another; read 2", 2),
        (5, 0, "the header says 5 records, the file holds 3; read 3", 3),
        (2, 0, "the header says 2 records, the file holds 3; read 2", 2),
    ],
)
def test_the_number_of_records_is_counted(tmp_path: Path, said: int, cut: int, repair: str, kept: int) -> None:
    data = edf(signals=[ecg([1] * 4, [2] * 4, [3] * 4)], n_records=3, said_records=said)
    content = reading(tmp_path / "a.edf", data[: len(data) - cut])
    (made,) = content.recordings
    assert isinstance(made, Signal)
    assert [r.said for r in content.repairs] == [repair]
    assert sum(segment.values.size for segment in made.segments) == 4 * kept


def test_slow_signals_become_readings_by_label(tmp_path: Path) -> None:
    rate = {"label": "Heart rate", "unit": "bpm", "pmin": 0, "pmax": 255, "dmin": 0, "dmax": 255, "samples": 2}
    oxygen = {"label": "SpO2", "unit": "%", "pmin": 0, "pmax": 100, "dmin": 0, "dmax": 1000, "samples": 1}
    other = {"label": "Snore", "samples": 1, "data": [[0], [0]]}
    data = edf(
        signals=[rate | {"data": [[71, 0], [255, 74]]}, oxygen | {"data": [[970], [965]]}, other],
        n_records=2,
    )
    content = reading(tmp_path / "a.edf", data)
    first, second = content.recordings
    assert isinstance(first, Readings)
    assert isinstance(second, Readings)
    assert first.value.tolist() == [71, 0, 255, 74]  # sentinels stay as they came
    assert (first.time_ms - START_MS).tolist() == [0, 500, 1000, 1500]
    assert first.source_row.tolist() == [1, 1, 2, 2]
    assert second.value.tolist() == [97.0, 96.5]
    assert content.facts["signals_not_read"] == "Snore"


def test_a_layout_names_signals(tmp_path: Path) -> None:
    layout = Layout(columns={"chan 3": LayoutColumn(quantity="ecg", unit="V")})
    data = edf(signals=[ecg([1] * 4), ecg([0, 1, 2, 3], label="Chan 3", unit="?")], n_records=1)
    made = signal_of(tmp_path / "a.edf", data, layout=layout)
    np.testing.assert_allclose(made.segments[0].values[0], 122.1001, atol=1e-3)  # 0.1221 V


def test_a_span_is_kept_to_whole_records(tmp_path: Path) -> None:
    data = edf(signals=[ecg(*[[i] * 4 for i in range(10)])], n_records=10)
    made = signal_of(tmp_path / "a.edf", data, keep_ms=(START_MS + 2500, START_MS + 4000))
    assert [(s.start_ms - START_MS, s.values.size) for s in made.segments] == [(2000, 8)]


def test_the_placeholder_date_is_no_date(tmp_path: Path) -> None:
    data = edf(signals=[ecg([1] * 4)], n_records=1, start=("01.01.85", "00.00.00"), recording="")
    content = reading(tmp_path / "a.edf", data)
    assert content.recordings[0].start_known is False
    assert [r.said for r in content.repairs] == [
        "the header's start date is the placeholder 01.01.85; placed by the clock search unless sessions.csv gives the "
        "session's start"
    ]


def refusal(path: Path, data: bytes, **options: object) -> str:
    with pytest.raises(FormatError) as caught:
        reading(path, data, **options)
    return str(caught.value)


def test_what_is_refused_and_why(tmp_path: Path) -> None:
    good = edf(signals=[ecg([1] * 4)], n_records=1)
    path = tmp_path / "a.edf"
    assert recognise(path, head=good) == "edf"
    assert refusal(path, good[:300]) == (
        "a.edf: expected an EDF header of 512 bytes, got a file of 300 bytes; copy the file again"
    )
    assert refusal(path, good[:515]) == (
        "a.edf: expected at least one record of 8 bytes after the EDF header, got 3 bytes; copy the file again"
    )
    assert refusal(path, good[:252] + b"x   " + good[256:]) == (
        "a.edf: expected a number as number of signals in the EDF header, got 'x'; export the recording again"
    )
    assert refusal(path, edf(signals=[ecg([1] * 4)], n_records=1, start=("41.05.31", "09.00.00"), recording="")) == (
        "a.edf: expected a start that exists in the EDF header, got '41.05.31' and '09.00.00'; export the recording "
        "again"
    )
    assert refusal(path, edf(signals=[ecg([1] * 4, label="Snore")], n_records=1)) == (
        "a.edf: expected a signal such as ECG, HR or SpO2, got the labels 'Snore'; name the signal in a layout"
    )
    assert refusal(path, good, zone=None) == (
        "a.edf: expected stamps with an offset or a known time zone, got stamps without an offset and no time zone; "
        "say which clock they are on with timezone in study.toml (of the study, the device or the session)"
    )


def test_a_signal_without_scale_is_left_out(tmp_path: Path) -> None:
    flat = ecg([1] * 4, label="ECG", dmin=5, dmax=5)
    good = ecg([1] * 4, label="EKG2")
    content = reading(tmp_path / "a.edf", edf(signals=[flat, good], n_records=1))
    assert len(content.recordings) == 1
    assert [r.said for r in content.repairs] == [
        "signal 'ECG' has the digital range 5 to 5 and the physical range -500 to 500, which gives no scale; left out"
    ]
