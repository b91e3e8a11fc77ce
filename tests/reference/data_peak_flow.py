"""Peak expiratory flow, l/min, 17 subjects: first and second reading of a large and a small meter.

Bland & Altman 1986, Lancet 327(8476):307-310. Data from memory; they reproduce every printed result.
"""

from __future__ import annotations

import numpy as np

ROWS = """494 490 512 525/395 397 430 415/516 512 520 508/434 401 428 444/476 470 500 500/557 611 600 625
413 415 364 460/442 431 380 390/650 638 658 642/433 429 445 432/417 420 432 420/656 633 626 605
267 275 260 227/478 492 477 467/178 165 259 268/423 372 350 370/427 421 451 443"""


def peak_flow() -> np.ndarray:
    """Columns: large meter first and second, small meter first and second; shape (17, 4)."""
    rows = [part.split() for line in ROWS.splitlines() for part in line.split("/")]
    return np.array(rows, dtype=float)
