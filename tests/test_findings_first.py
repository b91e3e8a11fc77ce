"""Which findings stand first where there is room for few. Common practice has no source; the choice is ours."""

from __future__ import annotations

from typing import Any

from wearbench.findings import leading


def finding(kind: str, **evidence: Any) -> dict[str, Any]:
    return {"id": kind, "evidence": {"kind": kind, **evidence}}


def ids(*findings: dict[str, Any]) -> list[str]:
    return [str(f["id"]) for f in leading(findings)]


def test_three_faults_lead_and_the_rest_waits():
    faults = [finding(f"state_{name}", fault=True) for name in ("halved", "frozen", "astray", "doubled")]
    said = [
        finding("tracking"),
        finding("accuracy"),
        *faults,
        finding("why_asked"),
        finding("benefit"),
        finding("clock"),
    ]
    assert ids(*said) == ["tracking", "accuracy", "state_halved", "state_frozen", "state_astray", "benefit"]


def test_right_readings_lead_only_where_they_stand_before_all_readings():
    tracking, every, right = finding("tracking"), finding("accuracy"), finding("accuracy_faithful")
    unseen = finding("not_seen", fault=False)
    assert ids(tracking, right, every, unseen) == ["tracking", "accuracy_faithful", "accuracy", "not_seen"]
    assert ids(tracking, every, right, unseen) == ["tracking", "accuracy", "not_seen"]


def test_a_change_leads_and_unknown_kinds_do_not():
    assert ids(finding("tracking"), finding("change_firmware"), finding("beside_loop")) == [
        "tracking",
        "change_firmware",
    ]


def test_the_first_few_where_none_is_known():
    assert ids(*(finding(k) for k in "abcd")) == ["a", "b", "c"]
    assert leading([{"id": "x", "evidence": None}]) == [{"id": "x", "evidence": None}]
