"""FIT files, on bytes written here and by an independent writer."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from written import FIT_EPOCH_S, Fit, crc_by_the_bit, reading

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Intervals, Readings
from wearbench.formats.fit import crc16

T0 = 1_935_385_200


def by_quantity(content: FileContent) -> dict[str, Readings | Intervals]:
    return {made.quantity: made for made in content.recordings}  # type: ignore[misc]


def test_the_epoch() -> None:
    # timestamp 1000000000 is 2021-09-08T01:46:40Z, epoch offset 631065600 s (recomputed)
    assert np.datetime64(1_000_000_000 + FIT_EPOCH_S, "s") == np.datetime64("2021-09-08T01:46:40")


def test_the_checksum_is_crc_16_arc() -> None:
    # check value of CRC-16/ARC for "123456789", from memory: 0xBB3D
    assert crc16(b"123456789") == crc_by_the_bit(b"123456789") == 0xBB3D


def test_records_and_intervals(tmp_path: Path) -> None:
    fit = Fit()
    fit.record(T0, 71, 80)
    fit.hrv(812, 807)
    fit.record(T0 + 1, 0, 81)
    fit.record(T0 + 2, 255)
    fit.hrv(790)
    for header_bytes in (12, 14):
        content = reading(tmp_path / "band.dat", fit.bytes(header_bytes=header_bytes))
        found = by_quantity(content)
        rate, cadence, rr = found["heart_rate"], found["cadence"], found["rr"]
        assert isinstance(rate, Readings)
        assert isinstance(cadence, Readings)
        assert isinstance(rr, Intervals)
        assert content.repairs == ()
        assert rate.time_ms.tolist() == [T0 * 1000, T0 * 1000 + 1000, T0 * 1000 + 2000]
        np.testing.assert_array_equal(rate.value, [71, 0, np.nan])  # 0xFF is the format's own "invalid"
        np.testing.assert_array_equal(cadence.value, [80, 81, np.nan])
        assert rate.source_row.tolist() == [1, 3, 4]
        assert rr.interval_ms.tolist() == [812, 807, 790]  # 65535 marks unused places
        assert rr.stamp_ms is not None
        # each interval has the stamp of the record after it; the last that of the last record
        assert (rr.stamp_ms - T0 * 1000).tolist() == [1000, 1000, 2000]


def test_an_independent_writer(tmp_path: Path) -> None:
    builder = pytest.importorskip("fit_tool.fit_file_builder")
    from fit_tool.profile.messages.file_id_message import FileIdMessage
    from fit_tool.profile.messages.hrv_message import HrvMessage
    from fit_tool.profile.messages.record_message import RecordMessage

    made = builder.FitFileBuilder(auto_define=True)
    head = FileIdMessage()
    head.serial_number = 4711
    made.add(head)
    for second in range(20):
        record = RecordMessage()
        record.timestamp = (T0 + second) * 1000
        record.heart_rate = 60 + second
        record.power = 150 + second
        made.add(record)
        beats = HrvMessage()
        beats.time = [0.8 + second / 1000.0]
        made.add(beats)
    path = tmp_path / "a.fit"
    made.build().to_file(str(path))
    content = reading(path, path.read_bytes())
    found = by_quantity(content)
    assert content.facts["serial_number"] == "4711"
    assert found["heart_rate"].value.tolist() == [60.0 + s for s in range(20)]  # type: ignore[union-attr]
    assert found["power"].value.tolist() == [150.0 + s for s in range(20)]  # type: ignore[union-attr]
    np.testing.assert_allclose(found["rr"].interval_ms, [800 + s for s in range(20)])  # type: ignore[union-attr]


def many(n: int = 50) -> Fit:
    fit = Fit()
    for second in range(n):
        fit.record(T0 + second, 70 + second % 5)
    return fit


def test_a_cut_file_keeps_what_was_read(tmp_path: Path) -> None:
    data = many().bytes()
    content = reading(tmp_path / "a.fit", data[: 14 + 15 + 7 * 20 + 3])
    assert by_quantity(content)["heart_rate"].source_row.size == 20
    assert [r.said for r in content.repairs] == [
        "the header promises 381 bytes, 172 are there; kept what was read up to the cut"
    ]


def test_a_wrong_checksum_is_said_and_read(tmp_path: Path) -> None:
    fit = many()
    right = fit.bytes()[-2:]
    content = reading(tmp_path / "a.fit", fit.bytes(checksum=0x1234))
    assert by_quantity(content)["heart_rate"].source_row.size == 50
    assert [r.said for r in content.repairs] == [
        f"the checksum is 0x1234, its bytes give 0x{struct.unpack('<H', right)[0]:04X}; read nevertheless"
    ]


def test_a_size_of_zero_left_by_a_crash(tmp_path: Path) -> None:
    data = many().bytes(size=0)
    content = reading(tmp_path / "a.fit", data)
    assert by_quantity(content)["heart_rate"].source_row.size == 50
    assert content.repairs[0].said == "the header says 0 bytes of data, 367 are there; read"


def test_files_chained_one_after_another(tmp_path: Path) -> None:
    first, second = many(3), Fit()
    second.record(T0 + 3, 99)
    content = reading(tmp_path / "a.fit", first.bytes() + second.bytes() + b"\0" * 7)
    assert by_quantity(content)["heart_rate"].source_row.size == 4
    assert [r.said for r in content.repairs] == ["7 bytes follow the end of the file; left out"]


def test_broken_bytes_in_the_middle(tmp_path: Path) -> None:
    fit = many(10)
    fit.data(9, b"\1\2\3")  # a local message that was never defined
    content = reading(tmp_path / "a.fit", fit.bytes())
    assert by_quantity(content)["heart_rate"].source_row.size == 10
    assert len(content.repairs) == 1
    assert content.repairs[0].said.startswith("after 10 messages the bytes are no message (")


def test_developer_fields_are_tolerated_and_named(tmp_path: Path) -> None:
    fit = Fit()
    fit.define(2, 207, (3, 1, 0x02))
    fit.data(2, bytes([0]))
    fit.define(3, 206, (0, 1, 0x02), (1, 1, 0x02), (2, 1, 0x02), (3, 11, 0x07))
    fit.data(3, bytes([0, 0, 2]) + b"heart_rate\0")
    fit.define(4, 20, (253, 4, 0x86), (3, 1, 0x02), developer=bytes([1, 0, 1, 0]))
    fit.data(4, struct.pack("<IBB", T0 - FIT_EPOCH_S, 72, 190))
    content = reading(tmp_path / "a.fit", fit.bytes())
    assert by_quantity(content)["heart_rate"].value.tolist() == [72.0]  # type: ignore[union-attr]
    assert content.facts == {"developer_fields_not_read": "heart_rate"}


def test_short_stamps_of_all_day_messages(tmp_path: Path) -> None:
    # monitoring (55): the low 16 bits of the time in field 26, heart rate in field 27 (from memory)
    fit = Fit()
    fit.define(0, 103, (253, 4, 0x86))
    full = T0 - FIT_EPOCH_S
    fit.data(0, struct.pack("<I", full))
    fit.define(1, 55, (26, 2, 0x84), (27, 1, 0x02))
    for later in (60, 120, 70_000):
        fit.data(1, struct.pack("<HB", (full + later) & 0xFFFF, 61))
    made = by_quantity(reading(tmp_path / "a.fit", fit.bytes()))["heart_rate"]
    assert isinstance(made, Readings)
    # after 70,000 s the 16 bits have turned round once, which cannot be seen
    assert (made.time_ms // 1000 - T0).tolist() == [60, 120, 70_000 - 65_536]


def test_speed_fractions_and_the_sport(tmp_path: Path) -> None:
    fit = Fit()
    fit.define(0, 20, (253, 4, 0x86), (4, 1, 0x02), (53, 1, 0x02), (6, 2, 0x84))
    fit.data(0, struct.pack("<IBBH", T0 - FIT_EPOCH_S, 85, 64, 3250))
    fit.define(1, 18, (5, 1, 0x00))
    fit.data(1, bytes([1]))
    content = reading(tmp_path / "a.fit", fit.bytes())
    found = by_quantity(content)
    assert found["cadence"].value.tolist() == [85.5]  # type: ignore[union-attr]
    assert found["speed"].value.tolist() == [3.25]  # type: ignore[union-attr]
    assert content.facts == {"sport": "running", "cadence_unit": "strides/min"}


def test_stamps_since_the_device_was_switched_on(tmp_path: Path) -> None:
    fit = Fit()
    for second in range(3):
        fit.record(FIT_EPOCH_S + 100 + second, 70)
    content = reading(tmp_path / "a.fit", fit.bytes())
    made = by_quantity(content)["heart_rate"]
    assert isinstance(made, Readings)
    assert (made.start_known, made.time_ms.tolist()) == (False, [0, 1000, 2000])
    assert [r.said for r in content.repairs] == [
        "3 of 3 stamps count from when the device was switched on; placed by the clock search unless sessions.csv "
        "gives the session's start"
    ]


def test_records_before_the_clock_was_set(tmp_path: Path) -> None:
    fit = Fit()
    fit.record(FIT_EPOCH_S + 100, 70)
    fit.hrv(800)
    fit.record(FIT_EPOCH_S + 101, 71)
    fit.record(T0, 72)
    fit.hrv(810)
    fit.record(T0 + 1, 73)
    content = reading(tmp_path / "a.fit", fit.bytes())
    found = by_quantity(content)
    rate, rr = found["heart_rate"], found["rr"]
    assert isinstance(rate, Readings)
    assert isinstance(rr, Intervals)
    assert rr.stamp_ms is not None
    assert ((rate.time_ms // 1000 - T0).tolist(), rate.value.tolist()) == ([0, 1], [72, 73])
    assert (rr.stamp_ms // 1000 - T0).tolist() == [0, 1]
    assert [r.said for r in content.repairs] == [
        "2 of 4 stamps count from when the device was switched on, before its clock was set; left out"
    ]


def test_what_is_refused_and_why(tmp_path: Path) -> None:
    fit = Fit()
    fit.define(0, 0, (3, 4, 0x8C))
    fit.data(0, struct.pack("<I", 4711))
    with pytest.raises(FormatError) as caught:
        reading(tmp_path / "a.fit", fit.bytes())
    assert str(caught.value) == (
        "a.fit: expected record or hrv messages, got 1 messages and none of these; export the activity itself, or copy "
        "the file again"
    )
    with pytest.raises(FormatError) as caught:
        reading(tmp_path / "a.fit", many(11).bytes(), max_readings=10)
    assert str(caught.value) == (
        "a.fit: holds more than 10 readings, the most that one recording of one session may hold (max_readings); give "
        "the session's start and end in sessions.csv so that only that stretch is read"
    )
