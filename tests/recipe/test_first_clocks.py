"""First clocks of devices that are hard to place: minutes of averaging at a value a second, values in bursts."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import study, wear, write_session

from wearbench.analysis import fit_session, learn, read_session
from wearbench.study import load_study


@pytest.mark.parametrize(("averaging", "shape"), [(240.0, "boxcar"), (120.0, "exponential")])
def test_minutes_of_averaging_are_learned_and_the_centre_found(tmp_path, averaging, shape):
    """These made-up devices are 3 s late on a clock 40 s off: the window's centre is half the averaging before that."""
    study(tmp_path)
    write_session(tmp_path, "S1", wear(11, length_s=3000, averaging_s=averaging, shape=shape, sd=0.8, offset_s=40.0))
    loaded = load_study(tmp_path)
    fit = fit_session(read_session(loaded, loaded.sessions[0]), loaded.config, loaded.config.settings)
    learned = learn([fit], loaded.config).series["band", "heart_rate"].averaging
    assert learned.averaging_s == pytest.approx(averaging, rel=0.2)
    assert learned.low_s < learned.averaging_s < learned.high_s
    assert fit.fits[0].clock.trust == "good"
    # The first pass takes every device for a plain mean.
    assert fit.fits[0].clock.shift_s == pytest.approx(-43.0 - 0.5 * averaging, abs=0.15 * averaging)


@pytest.mark.parametrize(("on", "off"), [(40, 20), (5, 4), (12, 30)])
def test_values_missing_in_a_regular_rhythm_do_not_shift_the_clock(tmp_path, on, off):
    study(tmp_path)
    worn = wear(4, length_s=1500, offset_s=40.0)
    write_session(tmp_path, "S1", worn, keep=np.arange(worn.time_s.size) % (on + off) < on)
    write_session(tmp_path, "S2", worn)
    loaded = load_study(tmp_path)
    holed, whole = (
        fit_session(read_session(loaded, s), loaded.config, loaded.config.settings).fits[0].clock
        for s in loaded.sessions
    )
    assert holed.trust == whole.trust == "good"
    assert holed.shift_s == pytest.approx(whole.shift_s, abs=0.6)
    assert holed.low_s <= worn.shift_s <= holed.high_s


def test_averaging_of_a_value_every_ten_minutes_is_learned(tmp_path):
    """Its clock is known to minutes at first; the averaging is told all the same, and the clock with it."""
    study(tmp_path)
    worn = wear(5, length_s=40_000, averaging_s=200.0, sd=0.5, offset_s=40.0)
    write_session(tmp_path, "S1", worn, keep=np.arange(worn.time_s.size) % 600 == 300)
    loaded = load_study(tmp_path)
    fit = fit_session(read_session(loaded, loaded.sessions[0]), loaded.config, loaded.config.settings)
    learned = learn([fit], loaded.config).series["band", "heart_rate"].averaging
    assert learned.n > 0
    assert learned.averaging_s == pytest.approx(200.0, rel=0.3)
