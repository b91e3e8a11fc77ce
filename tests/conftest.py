"""What every test shares: a check that needs a browser may be skipped at a desk, never in continuous integration."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest

NEEDED_IN_CI = ("browser", "chromium", "playwright")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if os.environ.get("CI") == "true" and report.skipped and isinstance(report.longrepr, tuple):
        reason = str(report.longrepr[2])
        if any(word in reason.lower() for word in NEEDED_IN_CI):
            report.outcome = "failed"
            report.longrepr = f"skipped although CI is set: {reason}"
    return report
