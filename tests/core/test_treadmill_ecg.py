"""ECG of five runners against the rate its authors counted by hand.

Signals and hand-counted rates: Z. Zhang, Z. Pi, B. Liu, IEEE Trans. Biomed. Eng. 62(2):522-531, 2015. Skipped where
the recordings are not beside the checkout.
"""

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from edfio import read_edf

from wearbench.core.beats import beats_from_ecg, running_from_beats
from wearbench.core.peaks import EcgSegment
from wearbench.core.running import values_over

RAW = Path(__file__).resolve().parents[3] / "shared" / "data" / "treadmill" / "raw"
START = datetime(2031, 5, 1, 9, tzinfo=UTC)


def published(path):
    with path.open() as file:
        rows = list(csv.DictReader(file))
    at = [(datetime.fromisoformat(row["time"]).replace(tzinfo=UTC) - START).total_seconds() for row in rows]
    return np.array(at), np.array([float(row["heart_rate"]) for row in rows])


@pytest.mark.skipif(not RAW.is_dir(), reason="the open treadmill recordings are not beside the checkout")
def test_running_ecg_agrees_with_the_hand_counted_rate():
    off, covered = {}, {}
    for session in sorted(path.name for path in RAW.iterdir()):
        signal = read_edf(RAW / session / "patch.edf").signals[0]
        segment = EcgSegment(start_s=0.0, rate_hz=signal.sampling_frequency, values=signal.data)
        beats = beats_from_ecg([segment])
        end, rate = published(RAW / session / "published.csv")
        ours = values_over(running_from_beats(beats), end - 8.0, end)
        judged = ours.covered >= 0.5
        off[session] = float(np.abs(ours.value - rate)[judged].mean())
        covered[session] = float((ours.covered >= 0.9).mean())
        print(  # noqa: T201 - the table is what this test is for
            f"{session}: off {off[session]:.3f} bpm over {judged.sum()} of {rate.size} windows,"
            f" covered >= 0.9 in {covered[session]:.3f}, mended {beats.mended_share:.3f}"
        )
    assert np.mean(list(off.values())) <= 0.5
    assert max(off.values()) <= 1.2
    assert min(covered.values()) >= 0.95
