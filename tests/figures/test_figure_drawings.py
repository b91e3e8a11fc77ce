"""Every figure: drawn from a table, well formed, named for those who cannot see it, its scope line whole."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import polars as pl
import pytest

from invented_results import invented
from wearbench.figures import (
    difference_table,
    draw_difference,
    draw_flow,
    draw_ratio,
    draw_scatter,
    draw_shares,
    draw_strip,
    draw_wall,
    flow_table,
    ratio_table,
    scatter_table,
    shares_table,
    stand_alone,
    strip_tables,
    stylesheet,
    wall_table,
    write_figures,
)
from wearbench.figures.palette import _TEXTURE, MARK
from wearbench.findings import Subject, subjects
from wearbench.study.results import Results
from wearbench.wording import STATES

SVG = "{http://www.w3.org/2000/svg}"
SCOPE = "four people, 8 sessions, left wrist, firmware 2.0 and 2.1, and a scope line so long that it needs two lines"
WORDS = {"title": "A & B <script>", "scope": SCOPE}


def wall(r: Results, s: Subject, width: float) -> str:
    return draw_wall(wall_table(r, s), uid="x", width=width, **WORDS)


def ratio(_: Results, s: Subject, width: float) -> str:
    return draw_ratio(ratio_table(s), what=s.what, unit=s.unit, uid="x", width=width, **WORDS)


def scatter(_: Results, s: Subject, width: float) -> str:
    return draw_scatter(scatter_table(s), unit=s.unit, uid="x", tolerance=5.0, width=width, **WORDS)


def difference(_: Results, s: Subject, width: float) -> str:
    statistics = (s.overall() or {}).get("statistics", {})
    return draw_difference(difference_table(s), statistics=statistics, unit=s.unit, uid="x", width=width, **WORDS)


def flow(r: Results, s: Subject, width: float) -> str:
    return draw_flow(flow_table(r.document, s), uid="x", width=width, **WORDS)


def strip(r: Results, s: Subject, width: float) -> str:
    _, table = next(strip_tables(r, s))
    return draw_strip(table, unit=s.unit, uid="x", tolerance=5.0, width=width, **WORDS)


def shares(_: Results, s: Subject, width: float) -> str:
    return draw_shares(shares_table(s), uid="x", width=width, **WORDS)


DRAWN: list[Callable[[Results, Subject, float], str]] = [shares, wall, ratio, scatter, difference, flow, strip]


@pytest.fixture(scope="module")
def results() -> Results:
    return invented(sessions=8)


@pytest.fixture(scope="module")
def subject(results: Results) -> Subject:
    return subjects(results.document, results.pairs)[0]


def texts(svg: str) -> list[str]:
    return [t.text or "" for t in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.mark.parametrize("draw", DRAWN)
@pytest.mark.parametrize("width", [344.0, 920.0])
def test_drawing_is_well_formed_named_and_scoped(
    draw: Callable[[Results, Subject, float], str], width: float, results: Results, subject: Subject
) -> None:
    svg = draw(results, subject, width)
    root = ET.fromstring(svg)
    assert root.attrib["role"] == "img"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None and title.text == "A & B <script>"
    assert desc is not None and len(desc.text or "") > 20
    assert root.attrib["aria-labelledby"] == f"{title.attrib['id']} {desc.attrib['id']}"
    ids = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))
    assert SCOPE in " ".join(texts(svg))
    assert all(f"url(#{name})" not in svg or name in ids for name in re.findall(r"url\(#([^)]+)\)", svg))
    assert draw(results, subject, width) == svg


@pytest.mark.parametrize("draw", DRAWN)
def test_every_place_lies_in_the_drawing(
    draw: Callable[[Results, Subject, float], str], results: Results, subject: Subject
) -> None:
    root = ET.fromstring(draw(results, subject, 344.0))
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for text in root.iter(f"{SVG}text"):
        assert 0 <= float(text.attrib["x"]) <= width
        assert 8 <= float(text.attrib["y"]) <= height
    for rect in root.findall(f"{SVG}rect"):
        assert float(rect.attrib["x"]) + float(rect.attrib["width"]) <= width + 1


def test_no_text_is_smaller_than_eleven_pixels() -> None:
    sizes = [float(x) for x in re.findall(r"font(?:-size)?:(\d+(?:\.\d+)?)px", stylesheet())]
    assert sizes
    assert min(sizes) >= 11


def test_each_failing_state_has_a_texture_and_a_mark_of_its_own() -> None:
    failing = [s for s in STATES if s not in ("faithful", "missing", "not_worn", "not_expected")]
    assert len({_TEXTURE[s] for s in failing}) == len(failing)
    assert len({MARK[s] for s in failing}) == len(failing)


def test_texture_survives_where_the_figure_stands_alone(results: Results, subject: Subject) -> None:
    alone = stand_alone(wall(results, subject, 920.0))
    root = ET.fromstring(alone.encode())
    style = root.find(f"{SVG}style")
    assert style is not None and "--halved" in (style.text or "")


def test_wall_shows_each_session_once_and_its_tracking_share(results: Results, subject: Subject) -> None:
    table = wall_table(results, subject)
    words = texts(draw_wall(table, title="w", scope="s", uid="w"))
    assert [w for w in words if re.fullmatch(r"S\d\d", w)] == [f"S{k:02d}" for k in range(1, 9)]
    per_session = table.group_by("session").agg(pl.col("right").first())
    assert dict(per_session.iter_rows()) == pytest.approx(subject.by_session())


def test_wall_runs_add_up_to_the_readings_they_are_made_of(results: Results, subject: Subject) -> None:
    table = wall_table(results, subject).filter(pl.col("state") == "halved")
    halved = subject.pairs.filter((pl.col("state") == "halved") & pl.col("used"))["seconds"].sum()
    assert (table["end_s"] - table["start_s"]).sum() == pytest.approx(halved, rel=0.01)


def test_wall_of_hundreds_of_sessions_stays_small() -> None:
    results = invented(sessions=300, minutes=2.0, devices=("band-a",))
    only = subjects(results.document, results.pairs)[0]
    svg = draw_wall(wall_table(results, only), title="w", scope="s", uid="w")
    assert len(svg) < 200_000
    assert float(ET.fromstring(svg).attrib["height"]) < 1400


def test_hundred_thousand_readings_are_cells_not_circles(subject: Subject) -> None:
    rng = np.random.default_rng(1)
    n = 100_000
    reference = rng.uniform(50, 190, n)
    ratio_ = np.where(rng.random(n) < 0.1, 0.5, 1.0) * np.exp(rng.normal(0, 0.03, n))
    table = pl.DataFrame(
        {
            "session": ["S01"] * n,
            "activity": ["row"] * n,
            "tested": reference * ratio_,
            "reference": reference,
            "state": np.where(ratio_ < 0.75, "halved", "faithful"),
            "seconds": np.ones(n),
            "ratio": ratio_,
        }
    )
    svg = draw_ratio(table, title="r", scope="s", what="heart rate", unit="bpm", uid="r")
    assert len(svg) < 60_000
    assert "10 %" in texts(svg)


def test_reading_at_half_lies_on_the_line_of_half(subject: Subject) -> None:
    table = ratio_table(subject).head(1).with_columns(tested=pl.lit(60.0), reference=pl.lit(120.0), ratio=pl.lit(0.5))
    svg = draw_ratio(table.with_columns(state=pl.lit("halved")), title="r", scope="s", what="x", unit="bpm", uid="r")
    root = ET.fromstring(svg)
    lines = [p.attrib["d"] for p in root.iter(f"{SVG}path") if p.attrib.get("class") == "guide thin"]
    half = max(float(re.findall(r"[\d.]+", d)[1]) for d in lines)
    mark = next(p.attrib["d"] for p in root.iter(f"{SVG}path") if p.attrib.get("class") == "mark k-halved")
    assert float(re.findall(r"[\d.]+", mark)[1]) == pytest.approx(half, abs=2.6)  # half a cell


def test_difference_plot_without_statistics_draws_the_readings(subject: Subject) -> None:
    svg = draw_difference(difference_table(subject), statistics={}, title="d", scope="s", unit="bpm", uid="d")
    assert "bias" not in texts(svg)
    assert "dot k-faithful" in svg


def test_difference_plot_keeps_its_labels_apart(subject: Subject) -> None:
    near = {
        k: {"value": v, "low": None, "high": None} for k, v in (("bias", 0.0), ("limit_low", -0.5), ("limit_high", 0.5))
    }
    svg = draw_difference(difference_table(subject), statistics=near, title="d", scope="s", unit="bpm", uid="d")
    labels = [t for t in ET.fromstring(svg).iter(f"{SVG}text") if t.text in ("bias", "limit")]
    places = sorted(float(t.attrib["y"]) for t in labels)
    assert min(b - a for a, b in pairwise(places)) >= 28


def test_strip_colours_the_line_where_it_fails_and_labels_bouts(results: Results, subject: Subject) -> None:
    halved = next(e["session"] for e in subject.episodes if e["state"] == "halved")
    table = dict(strip_tables(results, subject))[halved]
    svg = draw_strip(table, title="t", scope="s", unit="bpm", uid="t", tolerance=5.0)
    assert "trace t-halved fat" in svg
    assert "rowing intervals" in texts(svg)
    assert 'class="doubt"' in svg


def test_strip_without_reference_says_so(results: Results) -> None:
    bare = Results(document=results.document, pairs=results.pairs, traces=results.traces.clear())
    subject = subjects(bare.document, bare.pairs)[0]
    _, table = next(strip_tables(bare, subject))
    assert "no reference in this session" in texts(draw_strip(table, title="t", scope="s", unit="bpm", uid="t"))


def test_strip_of_a_device_that_only_missed_still_draws(results: Results) -> None:
    subject = subjects(results.document, results.pairs.filter(pl.col("device") != "band-a"))[0]
    tables = list(strip_tables(results, subject))
    assert tables
    for _, table in tables:
        ET.fromstring(draw_strip(table, title="t", scope="s", unit="bpm", uid="t"))


def test_strips_of_one_session_share_their_axis(results: Results) -> None:
    both = [dict(strip_tables(results, s))["S01"] for s in subjects(results.document, results.pairs)]
    drawn = [draw_strip(x, title="t", scope="s", unit="bpm", uid="t") for x in both]
    clock = re.compile(r"\d\d:\d\d(:\d\d)?")
    axes = [
        [(t.attrib["x"], t.text) for t in ET.fromstring(svg).iter(f"{SVG}text") if clock.fullmatch(t.text or "")]
        for svg in drawn
    ]
    assert axes[0] == axes[1]


def test_shares_add_up_to_one(subject: Subject) -> None:
    table = shares_table(subject)
    assert table["share"].sum() == pytest.approx(1.0)
    assert "not_worn" not in table["state"].to_list()
    assert any(w.startswith("right ") for w in texts(draw_shares(table, title="b", scope="s", uid="b")))


def test_flow_keeps_its_order_and_unknown_steps(results: Results, subject: Subject) -> None:
    extra = {"device": subject.device, "quantity": subject.quantity, "step": "charging", "seconds": 5.0}
    document = {**results.document, "flow": [extra, *results.document["flow"]]}
    steps = flow_table(document, subject)["step"].to_list()
    assert steps[:2] == ["worn", "reference_trustworthy"]
    assert steps[-1] == "charging"


def test_figures_are_written_each_beside_its_table(tmp_path: Path, results: Results) -> None:
    written = write_figures(results, tmp_path / "figures")
    names = [p.name for p in written]
    assert len(names) == len(set(names)) == 2 * 2 * (6 + 8)  # picture and table, two devices, six figures, 8 strips
    assert "band-a.heart_rate.wall.svg" in names
    for path in written:
        if path.suffix == ".svg":
            root = ET.fromstring(path.read_bytes())
            assert "invented data" in " ".join(t.text or "" for t in root.iter(f"{SVG}text"))
    table = pl.read_csv(tmp_path / "figures" / "band-a.heart_rate.ratio.csv")
    assert table["ratio"].to_list() == pytest.approx((table["tested"] / table["reference"]).to_list())


def test_strip_shows_the_reference_it_was_held_against_and_no_other(results: Results, subject: Subject) -> None:
    other = results.traces.filter(pl.col("role") == "reference").with_columns(
        device=pl.lit("another"), value=pl.col("value") + 40
    )
    both = Results(document=results.document, pairs=results.pairs, traces=pl.concat([results.traces, other]))
    for (_, one), (_, two) in zip(strip_tables(results, subject), strip_tables(both, subject), strict=True):
        kept = [t.filter(pl.col("what") == "reference")["value"].to_list() for t in (one, two)]
        assert kept[0] == kept[1]


def test_sentinels_do_not_stretch_the_strip(results: Results) -> None:
    first = pl.int_range(pl.len()).over("session", "device") == 60
    pairs = results.pairs.with_columns(
        tested=pl.when(first).then(0.0).otherwise(pl.col("tested")),
        used=pl.col("used") & ~first,
        reason=pl.when(first).then(pl.lit("sentinel")).otherwise(pl.col("reason")),
    )
    told = Results(document=results.document, pairs=pairs, traces=results.traces)
    _, table = next(strip_tables(told, subjects(told.document, told.pairs)[1]))
    assert table.filter(pl.col("what") == "tested")["value"].min() > 30
