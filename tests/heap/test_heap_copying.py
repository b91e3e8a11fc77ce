from __future__ import annotations

import csv
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from heaps import DAY, course, digests, small_heap, write_band, write_strap

from wearbench.errors import UsageError
from wearbench.heap import Answers, Done, Index, carry_out, propose
from wearbench.study import load_study


def sorted_into(heap: Path, study: Path, **answers: object) -> Done:
    with Index(study.parent / "index" / "index.sqlite") as index:
        found = propose((heap,), study_folder=study, answers=Answers(**answers), index=index)  # type: ignore[arg-type]
        return carry_out(found, study)


def test_copies_make_a_study_that_loads_and_leave_the_heap_as_it_was(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap"), tmp_path / "study"
    before = digests(heap)
    done = sorted_into(heap, study)
    assert digests(heap) == before
    assert len(done.copied) == 6
    loaded = load_study(study)
    assert [s.name for s in loaded.sessions] == ["2031-01-12", "2031-01-13", "2031-01-14"]
    assert {p.slug for p in loaded.problems} == {"participant-unnamed"}
    with (study / "origins.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["path"]: row for row in csv.DictReader(file)}
    row = rows["raw/2031-01-12/wearable.csv"]
    assert row["source"] == "export (0).csv"
    assert row["sha256"] == before["export (0).csv"].split()[0]
    assert int(row["bytes"]) == (heap / "export (0).csv").stat().st_size
    assert (study / "raw/2031-01-12/wearable.csv").read_bytes() == (heap / "export (0).csv").read_bytes()


def test_again_adds_only_what_is_new(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap"), tmp_path / "study"
    sorted_into(heap, study)
    first = digests(study)
    again = sorted_into(heap, study)
    assert again.copied == []
    write_strap(heap / "strap 20310116.csv", DAY + timedelta(days=4), course(1200, 4), 4)
    write_band(heap / "export (4).csv", DAY + timedelta(days=4), course(1200, 4), seed=4)
    more = sorted_into(heap, study)
    assert more.copied == ["raw/2031-01-16/strap.csv", "raw/2031-01-16/wearable.csv"]
    after = digests(study)
    assert all(after[name] == digest for name, digest in first.items() if name.startswith("raw/"))
    assert (study / "sessions.csv").read_text(encoding="utf-8").count("\n") == 5


def test_copies_deleted_come_back(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap"), tmp_path / "study"
    first = sorted_into(heap, study)
    shutil.rmtree(study / "raw" / "2031-01-13")
    again = sorted_into(heap, study)
    assert again.copied == [path for path in first.copied if "2031-01-13" in path]


def test_part_that_turns_up_later_does_not_touch_what_is_there(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap", days=1), tmp_path / "study"
    sorted_into(heap, study)
    rate = course(600, 3)
    write_strap(heap / "strap late.csv", DAY + timedelta(seconds=1260), rate, 3)
    assert sorted_into(heap, study).copied == ["raw/2031-01-12/strap@later.csv"]
    assert load_study(study).sessions[0].name == "2031-01-12"


def test_file_that_changes_while_it_is_sorted_is_not_copied(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap", days=1), tmp_path / "study"
    with Index(tmp_path / "index.sqlite") as index:
        found = propose((heap,), study_folder=study, index=index)
        with (heap / "export (0).csv").open("a", encoding="utf-8") as file:
            file.write("2031-01-12T10:00:00Z;90\n")
        done = carry_out(found, study)
    assert done.refused == [("export (0).csv", "it changed while it was sorted; run the command again")]
    assert [path.name for path in (study / "raw" / "2031-01-12").iterdir()] == ["strap.csv"]


def test_nothing_is_copied_before_the_zone_is_known(tmp_path: Path):
    heap, study = tmp_path / "heap", tmp_path / "study"
    write_strap(heap / "strap.csv", DAY, course(1200, 0), 0)
    write_band(heap / "band.csv", DAY, course(1200, 0), local_h=1)
    with pytest.raises(UsageError) as caught:
        sorted_into(heap, study)
    assert str(caught.value) == (
        'nothing was copied: one answer is needed first. The stamps of "band" carry no offset. In which zone were they '
        "written? Answer with --timezone ZONE, such as Europe/Oslo; --zone DEVICE=ZONE where one differs"
    )
    assert not study.exists()


def test_index_spares_reading_again_and_survives_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    heap, study = small_heap(tmp_path / "heap"), tmp_path / "study"
    place = tmp_path / "index" / "index.sqlite"
    with Index(place) as index:
        first = propose((heap,), index=index)
    from wearbench.heap import files

    def must_not(*args: object, **kwargs: object) -> None:
        raise AssertionError("read again")

    with monkeypatch.context() as patched, Index(place) as index:
        patched.setattr(files, "imprint_of", must_not)
        second = propose((heap,), index=index)
    assert [p.place for p in first.placings] == [p.place for p in second.placings]
    place.write_bytes(b"no index" * 1000)
    assert len(sorted_into(heap, study).copied) == 6


def test_sort_that_is_stopped_goes_on(tmp_path: Path):
    heap, study = small_heap(tmp_path / "heap"), tmp_path / "study"

    def stop(stage: str, done: int, total: int) -> None:
        if stage == "copying" and done == 3:
            raise KeyboardInterrupt

    with Index(tmp_path / "index.sqlite") as index:
        found = propose((heap,), study_folder=study, index=index)
        with pytest.raises(KeyboardInterrupt):
            carry_out(found, study, progress=stop)
    assert len(sorted_into(heap, study).copied) == 3
    held = [path for path in (study / "raw").rglob("*") if path.is_file()]
    assert len(held) == 6
    with (study / "origins.csv").open(encoding="utf-8", newline="") as file:
        assert len({row["path"] for row in csv.DictReader(file)}) == 6


def test_stop_while_reading_keeps_what_was_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    heap = small_heap(tmp_path / "heap")
    from wearbench.heap import files

    real, read = files.imprint_of, []

    def counted(path: Path, **how: object) -> object:
        read.append(path.name)
        return real(path, **how)  # type: ignore[arg-type]

    def stop(stage: str, done: int, total: int) -> None:
        if done == 4:
            raise KeyboardInterrupt

    monkeypatch.setattr(files, "imprint_of", counted)
    with Index(tmp_path / "index.sqlite") as index, pytest.raises(KeyboardInterrupt):
        propose((heap,), index=index, progress=stop)
    with Index(tmp_path / "index.sqlite") as index:
        propose((heap,), index=index)
    assert len(read) == len(set(read)) == 6


def test_memory_does_not_grow_with_the_heap(tmp_path: Path):
    heap = small_heap(tmp_path / "heap", days=2, seconds=7200)
    first = sorted(heap.iterdir())
    for number in range(60):
        for path in first:
            (heap / f"{number}").mkdir(exist_ok=True)
            text = path.read_text(encoding="utf-8")
            (heap / f"{number}" / path.name).write_text(text.replace("2031-", f"{1960 + number}-"), encoding="utf-8")
    code = (
        "import resource, sys\nfrom pathlib import Path\nfrom wearbench.heap import Index, propose\n"
        "with Index(Path(sys.argv[1]) / 'i.sqlite') as index:\n    found = propose((Path(sys.argv[2]),), index=index)\n"
        "print(len(found.placings), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    sizes = []
    for place in (heap / "0", heap):
        done = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path / place.name), str(place)],
            capture_output=True,
            text=True,
            check=True,
        )
        sizes.append(int(done.stdout.split()[1]) / 1024)
    assert sum(p.stat().st_size for p in heap.rglob("*") if p.is_file()) > 40e6
    assert sizes[1] - sizes[0] < 40, "MB more for sixty times the files"


def test_second_look_at_a_study_sees_the_same_occasions(tmp_path: Path):
    heap, study = tmp_path / "heap", tmp_path / "study"
    rows: list[str] = []
    for day, hours in ((0, 1.0), (1, 1.0), (2, 5.75), (3, 5.75), (4, 5.75)):
        start, rate = DAY + timedelta(days=day), course(1200, day)
        if day != 4:
            write_strap(heap / f"strap {day}.csv", start, rate, day)
        piece = write_band(tmp_path / f"{day}.csv", start, rate, local_h=hours, seed=day)
        rows += piece.read_text(encoding="utf-8").splitlines()[1:]
    (heap / "fortnight.csv").write_text("\n".join(["timestamp;hr", *rows]) + "\n", encoding="utf-8")
    sorted_into(heap, study, timezone="Europe/Oslo")
    before = (study / "sessions.csv").read_text(encoding="utf-8")
    assert [line.split(",")[0] for line in before.splitlines()[1:]] == [f"2031-01-{day}" for day in range(12, 17)]
    assert sorted_into(heap, study).copied == []
    assert (study / "sessions.csv").read_text(encoding="utf-8") == before
