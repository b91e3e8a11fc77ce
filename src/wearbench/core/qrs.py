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

__all__ = ["Track", "find_track"]

F64 = NDArray[np.float64]
B = NDArray[np.bool_]
I64 = NDArray[np.int64]

_SHORTEST_S: Final = 0.26  # 230 beats a minute
_LONGEST_S: Final = 2.2  # 27 beats a minute
_BINS: Final = 64
_SPREAD: Final = 0.05  # usual change of log RR from beat to beat
_MISS: Final = 3.0  # cost of a beat that left no candidate
_BREAK: Final = 9.0  # cost of losing the rhythm altogether
_SPAN_S: Final = 3.6
_CLIP: Final = 5.0
_HALF_S: Final = 0.08
_ROUNDS: Final = 3
_BLOCK_S: Final = 60.0
_PIECE_S: Final = 1200.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Track:
    """Beats found, arrays of shape (n,).

    ``likeness`` is the correlation with the local beat shape; ``evidence`` the log odds of being a beat by shape and
    height; ``lost`` says that between the beat before and this one beats left no trace (or the rhythm was lost);
    ``other`` says that the other detector saw the same beat. ``strength`` is the height relative to its surroundings.
    """

    time_s: F64
    likeness: F64
    evidence: F64
    strength: F64
    lost: B
    other: B


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


def _candidates(x: F64, rate_hz: float) -> _Candidates:
    """Bumps of energy in the band of the QRS complex, at least 0.12 s apart."""
    from scipy.signal import find_peaks

    quick = _band(x, rate_hz, 9.0, 28.0)
    energy = np.sqrt(np.maximum(_box(quick**2, round(0.09 * rate_hz)), 0.0))
    at, _ = find_peaks(energy, distance=max(1, round(0.12 * rate_hz)))
    if at.size == 0:
        return _Candidates(time_s=np.empty(0), sample=at.astype(np.int64), level=np.empty(0))
    floor = 1e-9 + 0.02 * float(np.quantile(energy[at], 0.9))
    level = np.log(energy[at] + floor)
    level = level.astype(np.float64)
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


_GRID: Final = np.linspace(np.log(_SHORTEST_S), np.log(_LONGEST_S), _BINS)
_CHANGE: Final = np.log1p(((_GRID[:, None] - _GRID[None, :]) / _SPREAD) ** 2)


def _rhythm(time_s: F64, evidence: F64) -> tuple[I64, B]:
    """Best row of beats through the candidates: their places and whether beats were lost just before each.

    The score of a row is the evidence of its beats, less the cost of each change of log RR (a Cauchy law: many small
    changes, few large ones), of each beat without candidate (up to two in a row) and of each break.
    """
    n = time_s.size
    if n == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=bool)
    first = np.searchsorted(time_s, time_s - _SPAN_S)
    last = np.searchsorted(time_s, time_s - _SHORTEST_S, side="right")
    width = float(_GRID[1] - _GRID[0])
    reach = np.empty((n, _BINS))  # best score of a row ending at a candidate, seen from the next interval's bin
    came = np.empty((n, _BINS), dtype=np.int64)
    origin = np.full((n, _BINS), -1, dtype=np.int64)
    best_score = np.full(n + 1, 0.0)
    best_state = np.full(n + 1, -1, dtype=np.int64)
    flat = reach.reshape(-1)
    for j in range(n):
        a, b = int(first[j]), int(last[j])
        score = np.full(_BINS, best_score[b] - (_BREAK if b else 0.0))
        back = np.full(_BINS, -2, dtype=np.int64)
        if b > a:
            log_step = np.log(time_s[j] - time_s[a:b])
            steps = np.concatenate([log_step, log_step - np.log(2.0), log_step - np.log(3.0)])
            cell = np.rint((steps - _GRID[0]) / width).astype(np.int64)
            m = b - a
            lost = np.repeat(np.arange(3), m)
            source = np.tile(np.arange(a, b), 3)
            fits = (cell >= 0) & (cell < _BINS)
            cell, lost, source = cell[fits], lost[fits], source[fits]
            value = flat[source * _BINS + cell] - _MISS * lost
            order = np.argsort(value)
            found = np.full(_BINS, -np.inf)
            found[cell[order]] = value[order]
            from_ = np.empty(_BINS, dtype=np.int64)
            from_[cell[order]] = (source * 3 + lost)[order]
            better = found > score
            score[better] = found[better]
            back[better] = from_[better]
        score += evidence[j]
        origin[j] = back
        seen = score - _CHANGE
        pick = seen.argmax(axis=1)
        came[j] = pick
        reach[j] = seen[np.arange(_BINS), pick]
        top = int(score.argmax())
        if score[top] > best_score[j]:
            best_score[j + 1], best_state[j + 1] = score[top], j * _BINS + top
        else:
            best_score[j + 1], best_state[j + 1] = best_score[j], best_state[j]
    places: list[int] = []
    lost_before: list[bool] = []
    state = int(best_state[n])
    while state >= 0:
        j, cell_j = divmod(state, _BINS)
        places.append(j)
        back_j = int(origin[j, cell_j])
        if back_j == -2:
            lost_before.append(True)
            state = int(best_state[int(last[j])])
        else:
            source_j, lost_j = divmod(back_j, 3)
            lost_before.append(lost_j > 0)
            state = source_j * _BINS + int(came[source_j, cell_j])
    return np.array(places[::-1], dtype=np.int64), np.array(lost_before[::-1], dtype=bool)


def _cut_out(x: F64, sample: I64, half: int) -> F64:
    """Pieces of ``x`` around each sample, shape (n, 2 * half + 1); the ends are held."""
    at = np.clip(sample[:, None] + np.arange(-half, half + 1)[None, :], 0, x.size - 1)
    return x[at]


def _normal(pieces: F64) -> F64:
    centred = pieces - pieces.mean(axis=-1, keepdims=True)
    size = np.sqrt((centred**2).sum(axis=-1, keepdims=True))
    out: F64 = centred / np.maximum(size, 1e-12)
    return out


def _shape(pieces: F64) -> F64:
    """Mean direction of the pieces, the unlike ones left out (twice), so that single artefacts do not enter."""
    unit = _normal(pieces)
    shape = _normal(np.median(unit, axis=0))
    for _ in range(2):
        like = unit @ shape
        shape = _normal(unit[like >= np.quantile(like, 0.4)].mean(axis=0))
    return shape


def _align(x: F64, sample: I64, shape: F64, reach: int) -> tuple[F64, F64]:
    """Best shift of each candidate against the shape, in samples with fraction, and the correlation there."""
    half = shape.size // 2
    wide = _cut_out(x, sample, half + reach)
    rows = np.lib.stride_tricks.sliding_window_view(wide, shape.size, axis=1)
    sums = rows.sum(axis=2)
    power = np.maximum((rows**2).sum(axis=2) - sums**2 / shape.size, 1e-12)
    product = rows @ shape  # the shape has no mean
    like = product / np.sqrt(power)
    pick = like.argmax(axis=1)
    row = np.arange(sample.size)
    inner = np.clip(pick, 1, like.shape[1] - 2)
    left, mid, right = like[row, inner - 1], like[row, inner], like[row, inner + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, -1.0), 0.0)
    shift = np.where(pick == inner, np.clip(shift, -0.5, 0.5), 0.0)
    return pick + shift - reach, like[row, pick]


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
    near = np.zeros(times.size, dtype=bool)
    if other_s.size:
        at = np.clip(np.searchsorted(other_s, times), 1, max(1, other_s.size - 1))
        gap = np.minimum(np.abs(times - other_s[at - 1]), np.abs(times - other_s[np.minimum(at, other_s.size - 1)]))
        near = gap < 0.06
    yes = (near[is_beat].sum() + 1) / (is_beat.sum() + 2)
    false = (near[~is_beat].sum() + 1) / ((~is_beat).sum() + 2)
    odds = np.where(near, np.log(yes / false), np.log((1 - yes) / (1 - false)))
    return np.clip(odds, -2.0, 2.0), near


def find_track(x: F64, rate_hz: float, other_s: F64) -> Track:
    """Follow the heart beats through an unbroken stretch of ECG.

    Parameters
    ----------
    x : float64 array, shape (n,)
        Evenly sampled at 200 to 500 Hz, without missing samples.
    rate_hz : float
    other_s : float64 array, shape (k,)
        Peaks another detector found, in seconds from the first sample: one more piece of evidence.

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
    found = _candidates(x, rate_hz)
    n = found.time_s.size
    if n < 4:
        none = np.empty(0)
        no = np.empty(0, dtype=bool)
        return Track(time_s=none, likeness=none, evidence=none, strength=none, lost=no, other=no)
    wave = _band(x, rate_hz, 3.0, 40.0)
    half = round(_HALF_S * rate_hz)
    height = found.level - _tallest(found.time_s, found.level)
    evidence = np.clip(3.0 * (height - np.log(0.55)), -4.0, 2.0)
    _, near = _agreement(found.time_s, np.zeros(n, dtype=bool), other_s)
    evidence = evidence + np.where(near, 0.7, -0.7)
    time_s = found.time_s
    sample = found.sample
    likeness = np.zeros(n)
    places, lost = _in_pieces(time_s, evidence)
    for _ in range(_ROUNDS):
        likeness, shift = _likeness(wave, sample, places, half, rate_hz)
        is_beat = np.zeros(n, dtype=bool)
        is_beat[places] = True
        height = found.level - _beats_level(found, places)
        odds = _odds(np.stack([likeness, height], axis=1), is_beat)
        more, near = _agreement(time_s, is_beat, other_s)
        evidence = odds + more
        time_s = np.maximum.accumulate((sample + shift) / rate_hz)
        before = places
        places, lost = _in_pieces(time_s, evidence)
        if before.size == places.size and bool((before == places).all()):
            break
    return Track(
        time_s=time_s[places],
        likeness=likeness[places],
        evidence=evidence[places],
        strength=height[places],
        lost=lost,
        other=near[places],
    )


def _in_pieces(time_s: F64, evidence: F64) -> tuple[I64, B]:
    """The rhythm, piece by piece on long recordings to bound the memory; pieces meet at a beat of both."""
    pieces: list[I64] = []
    flags: list[B] = []
    begin = 0
    while begin < time_s.size:
        end = int(np.searchsorted(time_s, time_s[begin] + _PIECE_S, side="right"))
        places, lost = _rhythm(time_s[begin:end], evidence[begin:end])
        places = places + begin
        if end < time_s.size and places.size > 40:
            # the last beats lack the future: leave them to the next piece, which begins at one of them
            places, lost = places[:-20], lost[:-20]
            following = int(places[-1])
            if following <= begin:
                following = end
        else:
            following = end
        if pieces and places.size:
            if places[0] == pieces[-1][-1]:
                places, lost = places[1:], lost[1:]
            else:
                keep = places > pieces[-1][-1]
                places, lost = places[keep], lost[keep]
        pieces.append(places)
        flags.append(lost)
        begin = following
    return np.concatenate(pieces), np.concatenate(flags)


def _likeness(wave: F64, sample: I64, places: I64, half: int, rate_hz: float) -> tuple[F64, F64]:
    """Correlation of every candidate with the beat shape of its minute, and the shift that gives it."""
    n = sample.size
    likeness = np.zeros(n)
    shift = np.zeros(n)
    if places.size < 8:
        return likeness, shift
    reach = max(2, round(0.04 * rate_hz))
    whole = _shape(_cut_out(wave, sample[places], half))
    # align once, so that the shape is not smeared by where the energy happened to peak
    moved, _ = _align(wave, sample[places], whole, reach)
    centred = sample[places] + np.rint(moved).astype(np.int64)
    whole = _shape(_cut_out(wave, centred, half))
    crest = int(np.abs(whole).argmax()) - half
    beat_s = sample[places] / rate_hz
    candidate_s = sample / rate_hz
    span = max(1, int(np.ceil(candidate_s[-1] / _BLOCK_S)))
    for block in range(span):
        mine = np.flatnonzero((candidate_s >= block * _BLOCK_S) & (candidate_s < (block + 1) * _BLOCK_S))
        if mine.size == 0:
            continue
        near = (beat_s >= (block - 0.5) * _BLOCK_S) & (beat_s < (block + 1.5) * _BLOCK_S)
        shape = whole
        if int(near.sum()) >= 20:
            local = _shape(_cut_out(wave, centred[near], half))
            # a shape unlike that of the whole recording may be an artefact's: believe it by half
            shape = _normal(local + whole * float(np.clip(1.5 - local @ whole, 0.2, 1.0)))
        moved, like = _align(wave, sample[mine], shape, reach)
        shift[mine] = moved + crest
        likeness[mine] = like
    return likeness, shift
