"""Two columns of whole numbers with a comma between them are a table, not a list of decimal-comma intervals."""

from __future__ import annotations

import pytest

from wearbench.formats.rr_list import is_rr_list


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("timestamp,hr\n1930294262682,63\n1930294264682,64\n", False),
        ("1930294262682,63\n1930294264682,64\n", False),
        ("elapsed_s,hr\n1,63\n2,64\n", False),
        ("rr_s\n0,812\n0,807\n", True),
        ("0,812\n0,807\n", True),
        ("812\n807\n", True),
    ],
)
def test_is_rr_list(text: str, *, expected: bool) -> None:
    assert is_rr_list(text.splitlines()) is expected
