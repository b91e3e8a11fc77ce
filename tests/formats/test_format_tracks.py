"""TCX and GPX, on XML written here; element names by local name as the formats' general terms say (from memory)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from written import START_MS, reading

from wearbench.errors import FormatError
from wearbench.formats import FileContent, Readings


def tcx(points: str, *, sport: str = "Other") -> str:
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<!-- invented -->
<TrainingCenterDatabase xmlns="urn:a" xmlns:x="urn:b"><Activities><Activity Sport="{sport}">
<Id>2031-05-01T07:00:00Z</Id><Lap StartTime="2031-05-01T07:00:00Z">
<AverageHeartRateBpm><Value>199</Value></AverageHeartRateBpm><MaximumHeartRateBpm><Value>200</Value>
</MaximumHeartRateBpm><Track>{points}</Track></Lap>
<Creator><ProductID>17</ProductID><Version><VersionMajor>2</VersionMajor><VersionMinor>10</VersionMinor></Version>
</Creator></Activity></Activities></TrainingCenterDatabase>"""


def tcx_point(second: int, rate: str, more: str = "") -> str:
    return (
        f"<Trackpoint><Time>2031-05-01T07:00:{second:02d}.000Z</Time>"
        f"<HeartRateBpm><Value>{rate}</Value></HeartRateBpm>{more}</Trackpoint>\n"
    )


def found(content: FileContent) -> dict[str, Readings]:
    return {made.quantity: made for made in content.recordings if isinstance(made, Readings)}


def test_tcx_points_but_no_lap_averages(tmp_path: Path) -> None:
    run = (
        "<Extensions><x:TPX><x:Speed>3.25</x:Speed><x:RunCadence>84</x:RunCadence><x:Watts>210</x:Watts></x:TPX>"
        "</Extensions>"
    )
    content = reading(tmp_path / "a.xml", tcx(tcx_point(0, "71", run) + tcx_point(1, "0") + tcx_point(2, "255", run)))
    made = found(content)
    assert content.format == "tcx"
    assert made["heart_rate"].value.tolist() == [71, 0, 255]
    assert (made["heart_rate"].time_ms - START_MS).tolist() == [0, 1000, 2000]
    assert made["heart_rate"].source_row.tolist() == [1, 2, 3]
    np.testing.assert_array_equal(made["cadence"].value, [84, np.nan, 84])
    np.testing.assert_array_equal(made["speed"].value, [3.25, np.nan, 3.25])
    np.testing.assert_array_equal(made["power"].value, [210, np.nan, 210])
    assert content.facts == {"product_number": "17", "software_version": "2.10", "cadence_unit": "strides/min"}


def test_tcx_without_offset_uses_the_zone(tmp_path: Path) -> None:
    content = reading(tmp_path / "a.tcx", tcx(tcx_point(0, "71")).replace(".000Z</Time>", "</Time>"))
    assert found(content)["heart_rate"].time_ms.tolist() == [START_MS - 7_200_000]


GPX = """<?xml version='1.0'?><gpx version="1.1" xmlns="urn:g" xmlns:q="urn:q"><trk><trkseg>
<trkpt lat="0" lon="0"><time>2031-05-01T07:00:00Z</time><extensions><q:E><q:hr>71</q:hr><q:cad>80</q:cad></q:E>
</extensions></trkpt><trkpt lat="0" lon="0"><extensions><hr>72</hr></extensions></trkpt>
<trkpt lat="0" lon="0"><time>2031-05-01T07:00:02Z</time><extensions><power>190</power><q:E><q:hr>73</q:hr></q:E>
</extensions></trkpt></trkseg></trk></gpx>"""


def test_gpx_by_local_name(tmp_path: Path) -> None:
    content = reading(tmp_path / "a.txt", GPX)
    made = found(content)
    assert content.format == "gpx"
    assert made["heart_rate"].value.tolist() == [71, 73]
    assert (made["heart_rate"].time_ms - START_MS).tolist() == [0, 2000]
    np.testing.assert_array_equal(made["cadence"].value, [80, np.nan])
    assert made["heart_rate"].source_row.tolist() == [1, 3]
    assert [r.said for r in content.repairs] == ["1 of 3 points have no time that can be read; left out"]


def test_truncated_xml_keeps_the_points_before(tmp_path: Path) -> None:
    whole = tcx("".join(tcx_point(second, "70") for second in range(30)))
    content = reading(tmp_path / "a.tcx", whole[: whole.index("07:00:20")])
    assert found(content)["heart_rate"].value.size == 20
    assert [r.said for r in content.repairs] == ["the XML breaks off at line 26 after 20 points; kept these"]


def refusal(path: Path, content: str | bytes) -> str:
    with pytest.raises(FormatError) as caught:
        reading(path, content)
    return str(caught.value)


def test_what_is_refused_and_why(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    entities = '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'
    assert refusal(path, GPX.replace("<gpx", entities + "<gpx")) == (
        "a.gpx: expected a GPX file without entities, got one that declares some, which is how harmful files grow; "
        "export the recording again"
    )
    assert refusal(path, GPX[:60]) == (
        "a.gpx:1: expected GPX points, got XML that breaks off before the first; copy the file again"
    )
    assert refusal(path, '<gpx><trk><trkseg><trkpt lat="0"/></trkseg></trk></gpx>') == (
        "a.gpx: expected points with a time, got 1 points and none with a time; export the recording with its times"
    )
    assert refusal(path, "<gpx><trkpt><time>2031-05-01T07:00:00Z</time></trkpt></gpx>") == (
        "a.gpx: expected heart rate, cadence, power or speed, got 1 points without any of these; export the recording "
        "with its sensors"
    )
    assert refusal(path, "<?xml version='1.0'?><!-- x --><html></html>") == (
        "a.gpx: expected a recording (delimited text, RR lists, FIT, TCX, GPX, EDF, EDF+, Parquet), got XML that "
        "begins with 'html'; export the recording in one of these formats"
    )


def test_memory_does_not_follow_the_number_of_points(tmp_path: Path) -> None:
    import tracemalloc

    def peak(n: int) -> int:
        points = "".join(
            f"<Trackpoint><Time>2031-05-01T{7 + s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}Z</Time><HeartRateBpm>"
            f"<Value>{60 + s % 90}</Value></HeartRateBpm><Position><LatitudeDegrees>0.0</LatitudeDegrees></Position>"
            "</Trackpoint>"
            for s in range(n)
        )
        path = tmp_path / "a.tcx"
        path.write_text(tcx(points))
        tracemalloc.start()
        reading(path, path.read_bytes())
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most - path.stat().st_size  # the test itself holds the bytes once

    small, large = peak(1000), peak(9000)
    assert (large - small) / 8000 < 700  # bytes a point: two short texts and a few numbers, no elements
