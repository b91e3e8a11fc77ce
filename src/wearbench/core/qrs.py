"""Our own opinion on where the R waves are: candidates, a learned beat shape, and the likeliest rhythm through them.

A chest electrode on a runner gives spikes at every step as tall as the R wave. Height alone cannot tell them apart;
shape and rhythm together can. So every bump is a candidate, each gets the evidence that it is a beat (learned from
this very recording), and dynamic programming finds the row of beats that best fits evidence and a steady rhythm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from wearbench.core.artefacts import rolling_median
from wearbench.core.rhythm import best_row

__all__ = ["Track", "find_track"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]
I64 = NDArray[np.int64]

_HIDDEN_HZ: Final = 100.0
_IN_DOUBT: Final = 2.5
_SHORTEST_S: Final = 0.26
_LONGEST_S: Final = 2.4
_CLIP: Final = 5.0
_HALF_S: Final = 0.08
_ROUNDS: Final = 3
_BLOCK_S: Final = 60.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """Beats found, arrays of shape (n,).

    ``likeness`` is the correlation with the local beat shape; ``evidence`` the log odds of being a beat by shape and
    height; ``between`` counts beats that left no trace between the beat before and this one (-1: the rhythm was lost);
    ``other`` says that the other detector saw the same beat. ``clearness`` is the usual height of the beats around
    over the root mean square between them.
    """

    time_s: F64
    likeness: F64
    evidence: F64
    clearness: F64
    between: I64
    other: B

    @classmethod
    def empty(cls) -> Track:
        """A track without beats."""
        none, no = np.empty(0), np.empty(0, dtype=bool)
        return cls(time_s=none, likeness=none, evidence=none, clearness=none, between=no.astype(np.int64), other=no)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Candidates:
    time_s: F64
    sample: I64
    level: F64  # log of the local energy


def _band(x: F64, rate_hz: float, low_hz: float, high_hz: float) -> F64:
    from scipy.signal import butter, sosfiltfilt

    sos = butter(2, [low_hz, min(high_hz, 0.45 * rate_hz)], btype="bandpass", fs=rate_hz, output="sos")
    out: F64 = sosfiltfilt(sos, x, padlen=min(x.size - 1, int(2 * rate_hz)))
    return out


def _box(x: F64, width: int) -> F64:
    """Moving mean over ``width`` samples, same length."""
    width = max(1, width)
    sums = np.cumsum(np.concatenate([np.zeros(1), x]))
    half = width // 2
    at = np.arange(x.size)
    low = np.maximum(at - half, 0)
    high = np.minimum(at - half + width, x.size)
    out: F64 = (sums[high] - sums[low]) / (high - low)
    return out


def _energy(x: F64, rate_hz: float) -> F64:
    """Size of the signal in the band of the QRS complex, over 0.09 s."""
    quick = _band(x, rate_hz, 9.0, 28.0)
    size: F64 = np.sqrt(np.maximum(_box(quick**2, round(0.09 * rate_hz)), 0.0))
    return size


def _candidates(energy: F64, rate_hz: float) -> _Candidates:
    """Bumps of energy at least 0.12 s apart."""
    from scipy.signal import find_peaks

    at, _ = find_peaks(energy, distance=max(1, round(0.12 * rate_hz)))
    if at.size == 0:
        return _Candidates(time_s=np.empty(0), sample=at.astype(np.int64), level=np.empty(0))
    floor = 1e-9 + 0.02 * float(np.quantile(energy[at], 0.9))
    level: F64 = np.log(energy[at] + floor)
    keep = level - _tallest(at / rate_hz, level) > np.log(0.12)
    at = at[keep].astype(np.int64)
    return _Candidates(time_s=at / rate_hz, sample=at, level=level[keep])


def _tallest(time_s: F64, level: F64) -> F64:
    """Usual level of the tallest bump of 1.6 s, over some 8 s: about the beats', if nothing worse is about."""
    begin = np.searchsorted(time_s, time_s - 0.8)
    end = np.searchsorted(time_s, time_s + 0.8, side="right")
    width = int((end - begin).max())
    columns = np.minimum(begin[:, None] + np.arange(width)[None, :], end[:, None] - 1)
    tallest = level[columns].max(axis=1)
    even = np.arange(time_s[0], time_s[-1] + 1.0, 0.8)
    return np.asarray(np.interp(time_s, even, rolling_median(np.interp(even, time_s, tallest), 11)))


def _beats_level(found: _Candidates, places: I64) -> F64:
    """Usual level of the beats around each candidate."""
    if places.size < 3:
        return _tallest(found.time_s, found.level)
    usual = rolling_median(found.level[places], 9)
    return np.asarray(np.interp(found.time_s, found.time_s[places], usual))


def _cut_out(x: F64, sample: I64, half: int) -> F64:
    """Pieces of ``x`` around each sample, shape (n, 2 * half + 1); the ends are held."""
    at = np.clip(sample[:, None] + np.arange(-half, half + 1)[None, :], 0, x.size - 1)
    return np.asarray(x[at])


def _normal(pieces: F64) -> F64:
    centred = pieces - pieces.mean(axis=-1, keepdims=True)
    size = np.sqrt((centred**2).sum(axis=-1, keepdims=True))
    out: F64 = centred / np.maximum(size, 1e-12)
    return out


def _shape(pieces: F64) -> F64:
    """Mean direction of the pieces, the unlike ones left out (twice), so that single artefacts do not enter."""
    unit = _normal(pieces)
    shape: F64 = _normal(np.median(unit, axis=0))
    for _ in range(2):
        like = unit @ shape
        shape = _normal(unit[like >= np.quantile(like, 0.4)].mean(axis=0))
    return np.asarray(shape)


def _matched(wave: F64, shape: F64) -> tuple[F64, F64]:
    """The wave seen through the shape: projection on it, and the correlation (projection over the piece's size)."""
    from scipy.signal import fftconvolve

    product: F64 = fftconvolve(wave, shape[::-1], mode="same")  # the shape has no mean
    mean = _box(wave, shape.size)
    power = shape.size * np.maximum(_box(wave**2, shape.size) - mean**2, 0.0)
    like = product / np.sqrt(np.maximum(power, 1e-12 + 1e-6 * float(power.mean())))
    return product, np.clip(like, -1.0, 1.0)


def _crests(product: F64, like: F64, rate_hz: float) -> tuple[I64, F64]:
    """Where the projection peaks, at least 0.15 s apart, and the fraction of a sample to add."""
    from scipy.signal import find_peaks

    at, _ = find_peaks(product, distance=max(1, round(0.15 * rate_hz)))
    at = at[like[at] > 0.2].astype(np.int64)
    left, mid, right = product[at - 1], product[at], product[at + 1]
    bend = np.minimum(left - 2 * mid + right, -1e-12)
    return at, np.clip(0.5 * (left - right) / bend, -0.5, 0.5)


def _odds(features: F64, is_beat: B) -> F64:
    """Log odds of being a beat from Gaussian laws of the two kinds, learned here, clipped."""
    out = np.zeros(features.shape[0])
    laws: list[F64] = []
    for chosen in (is_beat, ~is_beat):
        part = features[chosen]
        if part.shape[0] < 8:
            return np.clip(2.0 * features[:, 0] + features[:, 1], -_CLIP, _CLIP)
        centre = np.median(part, axis=0)
        spread = np.maximum(1.4826 * np.median(np.abs(part - centre), axis=0), (0.06, 0.15))
        laws.append(-0.5 * (((features - centre) / spread) ** 2).sum(axis=1) - np.log(spread).sum())
    out = laws[0] - laws[1]
    return np.clip(out, -_CLIP, _CLIP)


def _agreement(times: F64, is_beat: B, other_s: F64) -> tuple[F64, B]:
    """Log odds that the other detector's yes or no adds, from how often it said yes on beats and on the rest."""
    near = _near(times, other_s)
    yes = (near[is_beat].sum() + 1) / (is_beat.sum() + 2)
    false = (near[~is_beat].sum() + 1) / ((~is_beat).sum() + 2)
    odds = np.where(near, np.log(yes / false), np.log((1 - yes) / (1 - false)))
    return np.clip(odds, -2.0, 2.0), near


def find_track(x: F64, rate_hz: float, other_s: F64, railed_s: F64) -> Track:
    """Follow the heart beats through an unbroken stretch of ECG.

    Parameters
    ----------
    x : float64 array, shape (n,)
        Evenly sampled at 200 to 500 Hz, without missing samples.
    rate_hz : float
    other_s : float64 array, shape (k,)
        Peaks another detector found, in seconds from the first sample: one more piece of evidence.
    railed_s : float64 array, shape (r,)
        When the signal stood at the end of its range, where nothing can be seen.

    Returns
    -------
    Track
        Times in seconds from the first sample.

    Notes
    -----
    Own method. Candidates are bumps of energy at 9 to 28 Hz. First their height, then (three rounds) correlation with
    the mean shape of the beats so far, by the minute, and height together give each the log odds of being a beat;
    the row of beats is the best path by dynamic programming with a Cauchy law for the change of log RR.
    """
    energy = _energy(x, rate_hz)
    found = _candidates(energy, rate_hz)
    n = found.time_s.size
    none = Track.empty()
    if n < 4:
        return none
    wave = _band(x, rate_hz, 3.0, 40.0)
    height = found.level - _tallest(found.time_s, found.level)
    _, near = _agreement(found.time_s, np.zeros(n, dtype=bool), other_s)
    evidence = np.clip(3.0 * (height - np.log(0.55)), -4.0, 2.0) + np.where(near, 0.7, -0.7)
    hidden = np.ones(max(1, int(x.size / rate_hz * _HIDDEN_HZ)), dtype=bool)
    places, between = best_row(found.time_s, evidence, hidden)
    likeness = np.zeros(n)
    product = wave
    for turn in range(_ROUNDS):
        if places.size < 8:
            return none
        before = found.time_s[places]
        found, likeness, product = _seen_through(wave, rate_hz, found.sample[places])
        if found.time_s.size < 8:
            return none
        is_beat = _near(found.time_s, before)
        height = found.level - _beats_level(found, np.flatnonzero(is_beat))
        more, near = _agreement(found.time_s, is_beat, other_s)
        evidence = _odds(np.stack([likeness, height], axis=1), is_beat) + more
        hidden = _hidden(energy, rate_hz, before, railed_s)
        places, between = best_row(found.time_s, evidence, hidden)
        if turn and before.size == places.size and bool(_near(found.time_s[places], before).all()):
            break
    places, between = _plainly(found.time_s, evidence, places, between)
    return Track(
        time_s=found.time_s[places],
        likeness=likeness[places],
        evidence=evidence[places],
        clearness=_clearness(product, found.sample[places], np.exp(found.level[places]), rate_hz),
        between=between,
        other=near[places],
    )


def _plainly(time_s: F64, evidence: F64, places: I64, between: I64) -> tuple[I64, I64]:
    """Where the evidence alone leaves no doubt, it decides, and an irregular heart stays irregular.

    Plain is where no candidate within 5 s is in doubt. There every candidate with evidence for it is a beat.
    """
    doubt_s = time_s[np.abs(evidence) < _IN_DOUBT]
    plain = ~_near(time_s, doubt_s, 5.0)
    row = np.zeros(time_s.size, dtype=bool)
    row[places] = True
    chosen = np.flatnonzero(np.where(plain, evidence > 0, row))
    for _ in range(3):  # of two within a quarter of a second the weaker goes
        close = np.flatnonzero(np.diff(time_s[chosen]) < _SHORTEST_S)
        if close.size == 0:
            break
        weaker = close + (evidence[chosen[close]] >= evidence[chosen[close + 1]])
        chosen = np.delete(chosen, weaker)
    rank = np.full(time_s.size, -1, dtype=np.int64)
    rank[places] = np.arange(places.size)
    left, right = chosen[:-1], chosen[1:]
    follows = (rank[left] >= 0) & (rank[right] == rank[left] + 1)
    lost = np.where(follows, between[np.maximum(rank[right], 0)], -1)
    lost = np.where((lost < 0) & plain[left] & plain[right] & (np.diff(time_s[chosen]) < _LONGEST_S), 0, lost)
    return chosen, np.concatenate([np.full(min(1, chosen.size), -1, dtype=np.int64), lost])


def _clearness(product: F64, sample: I64, height: F64, rate_hz: float) -> F64:
    """Usual height of 9 beats over what the same projection gives between them (root mean square, usual too)."""
    if sample.size == 0:
        return np.empty(0)
    reach = round(0.12 * rate_hz)
    mark = np.zeros(product.size + 1)
    np.add.at(mark, np.maximum(sample - reach, 0), 1.0)
    np.add.at(mark, np.minimum(sample + reach, product.size), -1.0)
    away = np.cumsum(mark[:-1]) == 0
    power = np.concatenate([[0.0], np.cumsum(np.where(away, product**2, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(away)])
    edges = np.concatenate([sample[:1] - 2 * reach, sample, sample[-1:] + 2 * reach])
    edges = np.clip(edges, 0, product.size)
    here = np.diff(power[edges]) / np.maximum(np.diff(count[edges]), 1.0)
    # what lies before and after each beat; the median over beats passes over single spikes
    noise = np.sqrt(rolling_median((here[1:] + here[:-1]) / 2, 9))
    clear: F64 = rolling_median(height, 9) / np.maximum(noise, 1e-12)
    return clear


def _hidden(energy: F64, rate_hz: float, beat_s: F64, railed_s: F64) -> B:
    """Where a beat could go unseen, 100 values a second: energy about as high as a beat's, or a rail, within 0.1 s."""
    at = np.arange(max(1, int(energy.size / rate_hz * _HIDDEN_HZ)))
    level = energy[np.minimum((at * (rate_hz / _HIDDEN_HZ)).astype(np.int64), energy.size - 1)]
    beat_at = np.clip(np.rint(beat_s * _HIDDEN_HZ).astype(np.int64), 0, at.size - 1)
    usual = np.interp(at, beat_at, rolling_median(level[beat_at], 9))
    loud = level > 0.4 * usual
    loud[np.clip((railed_s * _HIDDEN_HZ).astype(np.int64), 0, at.size - 1)] = True
    hidden: B = _box(loud.astype(np.float64), 21) > 1e-9
    return hidden


def _near(time_s: F64, other_s: F64, within_s: float = 0.06) -> B:
    """Which times have one of the others (increasing) within reach."""
    if other_s.size == 0:
        return np.zeros(time_s.size, dtype=bool)
    at = np.searchsorted(other_s, time_s)
    below = np.abs(time_s - other_s[np.maximum(at - 1, 0)])
    above = np.abs(time_s - other_s[np.minimum(at, other_s.size - 1)])
    close: B = np.minimum(below, above) < within_s
    return close


def _cleanest(pieces: F64, beat_s: F64) -> B:
    """Beats of the third of the 10 s stretches in which beats are most alike and most even: there a shape is learned.

    A recording is rarely bad throughout: before the start, at a walk, between intervals there is a clean ECG.
    """
    unit = _normal(pieces)
    which = (beat_s // 10.0).astype(np.int64)
    step = np.diff(np.log(np.maximum(np.diff(beat_s), 1e-3)), prepend=0.0)
    step = np.append(step, step[-1:])
    count = np.bincount(which)
    total = np.zeros((count.size, unit.shape[1]))
    np.add.at(total, which, unit)
    enough = count >= 5
    alike = np.linalg.norm(total, axis=1) / np.maximum(count, 1)
    uneven = np.bincount(which, weights=np.minimum(np.abs(step), 0.5)) / np.maximum(count, 1)
    score = np.where(enough, alike - uneven, -np.inf)
    if int(enough.sum()) < 3:
        return np.ones(beat_s.size, dtype=bool)
    limit = float(np.quantile(score[enough], 2 / 3))
    chosen: B = score[which] >= limit
    return chosen


def _seen_through(wave: F64, rate_hz: float, beats: I64) -> tuple[_Candidates, F64, F64]:
    """New candidates: where the wave, projected on the beat shape of its minute, peaks. Their correlation
    and the whole projection too.
    """
    half = round(_HALF_S * rate_hz)
    reach = max(2, round(0.04 * rate_hz))
    clean = _cleanest(_cut_out(wave, beats, half), beats / rate_hz)
    whole = _shape(_cut_out(wave, beats[clean], half))
    # align once, so that the shape is not smeared by where the energy happened to peak
    around = np.lib.stride_tricks.sliding_window_view(_cut_out(wave, beats, half + reach), whole.size, axis=1)
    centred = beats + (around @ whole).argmax(axis=1) - reach
    whole = _shape(_cut_out(wave, centred[clean], half))
    crest = int(np.abs(whole).argmax()) - half
    block = round(_BLOCK_S * rate_hz)
    samples: list[I64] = []
    parts: list[tuple[F64, F64, F64]] = []
    whole_product = np.empty(wave.size)
    for begin in range(0, wave.size, block):
        end = min(begin + block, wave.size)
        near = (centred >= begin - block // 2) & (centred < end + block // 2)
        shape = whole
        if int(near.sum()) >= 20:
            local = _shape(_cut_out(wave, centred[near], half))
            # a shape unlike that of the whole recording may be an artefact's: believe it by half
            shape = _normal(local + whole * float(np.clip(1.5 - local @ whole, 0.2, 1.0)))
        low, high = max(0, begin - 2 * half), min(wave.size, end + 2 * half)
        product, like = _matched(wave[low:high], shape)
        whole_product[begin:end] = product[begin - low : end - low]
        at, shift = _crests(product, like, rate_hz)
        mine = (at + low >= begin) & (at + low < end)
        at, shift = at[mine], shift[mine]
        samples.append(at + low)
        parts.append((shift, np.log(np.maximum(product[at], 1e-12)), like[at]))
    sample = np.concatenate(samples)
    shift, level, likeness = (np.concatenate([part[k] for part in parts]) for k in range(3))
    keep = np.diff(sample, prepend=-sample[:1] - 10**6) > round(0.05 * rate_hz)  # once only where blocks meet
    sample, shift, level, likeness = sample[keep], shift[keep], level[keep], likeness[keep]
    found = _Candidates(time_s=(sample + shift + crest) / rate_hz, sample=sample, level=level)
    return found, likeness, whole_product
