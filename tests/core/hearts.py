"""Invented hearts and ECGs for tests: a rate, breathing, noise; nothing here knows the detectors' settings."""

import numpy as np


def heart(rate, seconds, *, seed, breathing=0.04):
    """RR intervals in seconds of a heart that follows ``rate(t)``, its variability fading as the rate rises."""
    rng = np.random.default_rng(seed)
    t, out = 0.0, []
    while t < seconds:
        bpm = rate(t)
        calm = np.clip((130 - bpm) / 70, 0.1, 1)
        rr = 60 / bpm * (1 + calm * (breathing * np.sin(2 * np.pi * 0.25 * t) + 0.01 * rng.normal()))
        out.append(rr)
        t += rr
    return np.array(out)


def levels(values, seconds, *, up_s=10.0, down_s=25.0):
    """A rate that follows steps as a heart does, first order, faster up than down; a function of time."""
    target = np.repeat(np.asarray(values, dtype=float), seconds)
    rate = np.empty_like(target)
    rate[0] = target[0]
    for i in range(1, rate.size):
        rate[i] = rate[i - 1] + (target[i] - rate[i - 1]) / (up_s if target[i] > rate[i - 1] else down_s)
    return lambda t: float(np.interp(t, np.arange(rate.size), rate))


def ecg(beat_s, seconds, rate_hz, *, t_wave=0.3, s_wave=-0.3, width=1.0):
    """P, Q, R, S and T as bells around each beat; R is 1."""
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    x = np.zeros(t.size)
    following = np.diff(beat_s, append=beat_s[-1] + np.median(np.diff(beat_s)))
    for beat, rr in zip(beat_s, following, strict=True):
        stretch = np.sqrt(min(rr, 1.2))
        for size, at, wide in (
            (0.12, -0.16 * stretch, 0.02),
            (-0.1, -0.028 * width, 0.009 * width),
            (1.0, 0.0, 0.011 * width),
            (s_wave, 0.03 * width, 0.011 * width),
            (t_wave, 0.30 * stretch, 0.05 * stretch),
        ):
            a, b = np.searchsorted(t, [beat + at - 4 * wide, beat + at + 4 * wide])
            x[a:b] += size * np.exp(-0.5 * ((t[a:b] - beat - at) / wide) ** 2)
    return x


def steps(seconds, rate_hz, *, per_minute, size, seed):
    """Movement artefacts: every step shakes the electrode the same way, more or less."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    x = np.zeros(t.size)
    bells = [(rng.normal(), rng.uniform(-0.08, 0.08), rng.uniform(0.012, 0.05)) for _ in range(4)]
    at = 0.0
    while at < seconds:
        side = rng.uniform(0.6, 1.4)
        for height, shift, wide in bells:
            centre = at + shift
            a, b = np.searchsorted(t, [centre - 4 * wide, centre + 4 * wide])
            x[a:b] += side * height * (1 + 0.3 * rng.normal()) * np.exp(-0.5 * ((t[a:b] - centre) / wide) ** 2)
        at += 60 / per_minute * (1 + 0.02 * rng.normal())
    return size * x / np.quantile(np.abs(x), 0.99)
