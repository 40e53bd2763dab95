"""The inner loops of reading a tape, compiled.

Times are in samples at the working rate; costs are minus logarithms of likelihoods, so that less is better.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

Array = Any


@njit(cache=True, inline="always")
def _parts(y0: float, y1: float, share: float) -> tuple[float, float]:
    """Area above and below the middle of a straight line from y0 to y1, over its first `share`."""
    y = y0 + (y1 - y0) * share
    if y0 >= 0.0:
        if y >= 0.0:
            return 0.5 * (y0 + y) * share, 0.0
        zero = y0 / (y0 - y1)
        return 0.5 * y0 * zero, -0.5 * y * (share - zero)
    if y <= 0.0:
        return 0.0, -0.5 * (y0 + y) * share
    zero = y0 / (y0 - y1)
    return 0.5 * y * (share - zero), -0.5 * y0 * zero


@njit(cache=True, nogil=True)
def crossings(
    signal: Array, amplitude: Array, trust: Array, wave: Array, above: Array, below: Array, start: float
) -> tuple[Array, Array, Array, Array]:
    """Find the zero crossings; fill the weighted wave and its running areas. See `Window`."""
    n = len(signal)
    time = np.empty(n)
    slope = np.empty(n)
    rising = np.empty(n, np.int8)
    following = np.empty(n + 1, np.int32)
    count = 0
    for k in range(n):
        # A click counts no more than half as much again as the wave itself.
        most = 1.5 * amplitude[k]
        wave[k] = max(-most, min(most, signal[k])) * amplitude[k] * trust[k]
    above[0] = 0.0
    below[0] = 0.0
    for k in range(n):
        following[k] = count
        if k + 1 < n:
            up, down = _parts(wave[k], wave[k + 1], 1.0)
            above[k + 1] = above[k] + up
            below[k + 1] = below[k] + down
            a, b = signal[k], signal[k + 1]
            if (a < 0.0) != (b < 0.0):
                time[count] = start + k + a / (a - b)
                slope[count] = abs(b - a)
                rising[count] = 1 if b > a else -1
                count += 1
    following[n] = count
    return time[:count].copy(), slope[:count].copy(), rising[:count].copy(), following


@njit(cache=True, inline="always")
def _against(wave: Array, above: Array, below: Array, at: float, sign: int) -> float:
    """Running area of what speaks against a sign, up to a time between samples."""
    k = int(at)
    if k < 0:
        return 0.0
    if k >= len(wave) - 1:
        return float(below[-1]) if sign > 0 else float(above[-1])
    up, down = _parts(wave[k], wave[k + 1], at - k)
    return float(below[k] + down) if sign > 0 else float(above[k] + up)


@njit(cache=True, fastmath=True, nogil=True)
def follow(
    # grammar
    kind: Array, first_edge: Array, to: Array, samples: Array, says: Array, edge_cost: Array,
    edge_sign: Array,
    # window
    start: float, wave: Array, amplitude: Array, above: Array, below: Array, time: Array,
    slope: Array, rising: Array, following: Array,
    # arena of hypotheses
    node: Array, at: Array, edge_at: Array, period: Array, v_tt: Array, v_tp: Array, v_pp: Array,
    cost: Array, parent: Array, edge: Array, sign: Array, heir: Array, size: int,
    # buckets
    table: Array, members: Array, counts: Array, bin_width: float, next_bin: int,
    # merges
    m_slot: Array, m_parent: Array, m_edge: Array, m_cost: Array, m_size: int,
    # settings
    until: float, offsets: Array, noise: float, jitter2: float, drift: float, beam: float,
    coast_cost: float, period_low: float, period_high: float, short: float, polarity: int,
    sign_weight: float, keep: float, usual_amplitude: float, worst: float,
) -> tuple[int, int, int, int]:  # fmt: skip
    """Follow all hypotheses through a window, keeping the best for each place and node.

    Returns the sizes of the arena and the merges, the next bin, and a state: 0 the window is used up,
    1 nothing is left, 2 the arena is full.
    """
    ring = table.shape[0]
    deep = members.shape[1]
    n_samples = len(wave)
    n_cross = len(time)
    capacity = len(node)
    m_capacity = len(m_slot)
    noise2 = noise * noise
    typical = math.pi / short  # slope of a sine of amplitude one with the shortest half-wave
    empty = 0
    while True:
        if (next_bin + 1) * bin_width > until:
            return size, m_size, next_bin, 0
        row = next_bin % ring
        count = counts[row]
        if count == 0:
            next_bin += 1
            empty += 1
            if empty > ring:
                return size, m_size, next_bin, 1
            continue
        empty = 0
        if size + count * 12 > capacity or m_size + count * 12 > m_capacity:
            return size, m_size, next_bin, 2
        # The best of all that live: a shock that every path suffers must not kill them all.
        floor = 1e300
        for other in range(ring):
            for k in range(counts[other]):
                c = cost[members[other, k]]
                if c < floor:
                    floor = c
        limit = floor + beam
        for k in range(count):
            h = members[row, k]
            table[row, node[h] * 2 + (1 if sign[h] > 0 else 0)] = -1
            if cost[h] > limit:
                continue
            here = at[h]
            lowest = edge_at[h]
            s = sign[h]
            p = period[h]
            against = _against(wave, above, below, lowest - start, s)
            for e in range(first_edge[node[h]], first_edge[node[h] + 1]):
                if edge_sign[e] != 0 and edge_sign[e] * polarity != s:
                    continue
                d = samples[e]
                length = d * p
                # A crossing that misses as one does usually costs nothing, however gentle its slope.
                reference = jitter2 + noise2 * (d / (math.pi * usual_amplitude)) ** 2
                tt = v_tt[h] + 2 * d * v_tp[h] + d * d * v_pp[h]
                tp = v_tp[h] + d * v_pp[h]
                pp = v_pp[h] + drift * d
                target = here + length
                place = int(target - start)
                if place < 0:
                    place = 0
                if place >= n_samples:
                    place = n_samples - 1
                strong = amplitude[place]
                # Where in the wave a crossing is seen, learned: what half-waves meet there, and which way.
                shift = offsets[e, 1 if s > 0 else 0] * p
                wide = 3.5 * math.sqrt(tt + jitter2 + noise2 / (max(strong, 1e-9) * typical) ** 2)
                wide = min(max(wide, 0.22 * short), 0.48 * min(length, 1.5 * short))
                low = target + shift - wide
                index = math.ceil(low - start)
                if index < 0:
                    index = 0
                c_index = following[index] if index <= n_samples else n_cross
                if c_index > 0 and time[c_index - 1] >= low:
                    c_index -= 1
                nearest = 1e9
                to_node = to[e]
                key = to_node * 2 + (0 if s > 0 else 1)
                while True:
                    # Each crossing within reach that turns the right way, and then none at all.
                    taken = False
                    while c_index < n_cross and time[c_index] <= target + shift + wide:
                        if rising[c_index] == -s and time[c_index] > lowest + 0.2 * length:
                            taken = True
                            break
                        c_index += 1
                    if taken:
                        seen = time[c_index]
                        miss = seen - shift - target
                        slant = slope[c_index]
                        usual = strong * typical
                        if slant > usual:
                            slant = usual
                        if slant < 0.3 * usual:
                            slant = 0.3 * usual
                        r = jitter2 + noise2 / (slant * slant + 1e-18)
                        spread = tt + r
                        c = 0.5 * miss * miss / spread + 0.5 * math.log(spread / reference) - 0.5
                        g_t = tt / spread
                        g_p = tp / spread
                        new_at = target + g_t * miss
                        new_p = p + g_p * miss
                        new_tt = tt * (1 - g_t)
                        new_tp = tp * (1 - g_t)
                        new_pp = pp - g_p * tp
                        edge_time = seen
                        if abs(miss) < nearest:
                            nearest = abs(miss)
                        c_index += 1
                    else:
                        if nearest < 0.12 * short:
                            break
                        edge_time = target + shift
                        # Where the signal is faint, that a crossing is missing says little.
                        c = coast_cost * min(1.0, max(0.04, strong / usual_amplitude)) * d / short
                        new_at = target
                        new_p = p
                        new_tt = tt
                        new_tp = tp
                        new_pp = pp
                    if period_low < new_p < period_high:
                        wrong = _against(wave, above, below, edge_time - start, s) - against
                        # No single half-wave may kill a reading: the unforeseen happens now and then.
                        step = min(c + 2.0 * wrong * sign_weight, worst)
                        total = cost[h] + edge_cost[e] + step
                        if total <= limit + 4.0:
                            slot_bin = int(edge_time / bin_width)
                            if slot_bin <= next_bin:
                                slot_bin = next_bin + 1
                            slot_row = slot_bin % ring
                            slot = table[slot_row, key]
                            if slot >= 0:
                                replace = total < cost[slot]
                                if abs(total - cost[slot]) < keep:
                                    if replace:
                                        m_slot[m_size] = size
                                        m_parent[m_size] = parent[slot]
                                        m_edge[m_size] = edge[slot]
                                        m_cost[m_size] = cost[slot]
                                    else:
                                        m_slot[m_size] = slot
                                        m_parent[m_size] = h
                                        m_edge[m_size] = e
                                        m_cost[m_size] = total
                                    m_size += 1
                                if replace:
                                    # A place of its own: parents must stand before their children.
                                    heir[slot] = size
                                    for m in range(counts[slot_row]):
                                        if members[slot_row, m] == slot:
                                            members[slot_row, m] = size
                                            break
                                    slot = size
                                    size += 1
                                    table[slot_row, key] = slot
                            else:
                                replace = False
                                if counts[slot_row] < deep:
                                    slot = size
                                    size += 1
                                    table[slot_row, key] = slot
                                    members[slot_row, counts[slot_row]] = slot
                                    counts[slot_row] += 1
                                    replace = True
                                else:
                                    # The bucket is full: the worst in it makes room.
                                    worst_at = 0
                                    for m in range(1, deep):
                                        if cost[members[slot_row, m]] > cost[members[slot_row, worst_at]]:
                                            worst_at = m
                                    old = members[slot_row, worst_at]
                                    if total < cost[old]:
                                        table[slot_row, node[old] * 2 + (1 if sign[old] > 0 else 0)] = -1
                                        slot = size
                                        size += 1
                                        table[slot_row, key] = slot
                                        members[slot_row, worst_at] = slot
                                        replace = True
                            if replace:
                                node[slot] = to_node
                                heir[slot] = -1
                                at[slot] = new_at
                                edge_at[slot] = edge_time
                                period[slot] = new_p
                                v_tt[slot] = new_tt
                                v_tp[slot] = new_tp
                                v_pp[slot] = new_pp
                                cost[slot] = total
                                parent[slot] = h
                                edge[slot] = e
                                sign[slot] = -s
                    if not taken:
                        break
                    if size + 4 > capacity or m_size + 4 > m_capacity:
                        break
        counts[row] = 0
        next_bin += 1


@njit(cache=True, nogil=True)
def common_ancestor(parent: Array, living: Array, size: int) -> int:
    """The latest hypothesis that all the living ones come from; -1 if there is none."""
    visits = np.zeros(size, np.int32)
    for k in range(len(living)):
        h = living[k]
        while h >= 0:
            visits[h] += 1
            h = parent[h]
    for h in range(size - 1, -1, -1):
        if visits[h] == len(living):
            return h
    return -1


@njit(cache=True, nogil=True)
def path_to(parent: Array, last: int) -> Array:
    """Hypotheses from the root to `last`, the root first."""
    count = 0
    h = last
    while h >= 0:
        count += 1
        h = parent[h]
    path = np.empty(count, np.int32)
    h = last
    while h >= 0:
        count -= 1
        path[count] = h
        h = parent[h]
    return path


@njit(cache=True, nogil=True)
def rivals(
    path: Array, parent: Array, edge: Array, says: Array, cost: Array, heir: Array, size: int,
    m_slot: Array, m_parent: Array, m_edge: Array, m_cost: Array, m_size: int, most_bits: int,
) -> tuple[Array, Array, Array, Array, Array]:  # fmt: skip
    """What the runners-up at each place of the path would have read instead.

    Returns, a rival each: place on the path where it leaves, place where it comes back, what it costs more,
    where its bits begin, and all bits in one row.
    """
    place = np.full(size, -1, np.int32)
    for k in range(len(path)):
        place[path[k]] = k
    leaves = np.empty(m_size, np.int32)
    returns = np.empty(m_size, np.int32)
    more = np.empty(m_size)
    begins = np.empty(m_size + 1, np.int32)
    bits = np.empty(m_size * most_bits, np.int8)
    scratch = np.empty(most_bits, np.int8)
    count = 0
    filled = 0
    for k in range(m_size):
        slot = m_slot[k]
        while heir[slot] >= 0:
            slot = heir[slot]
        if place[slot] < 0:
            continue
        said = 0
        e = m_edge[k]
        h = m_parent[k]
        fits = True
        while True:
            if e >= 0 and says[e] >= 0:
                if said >= most_bits:
                    fits = False
                    break
                scratch[said] = says[e]
                said += 1
            if h < 0:
                fits = False
                break
            if place[h] >= 0:
                break
            e = edge[h]
            h = parent[h]
        if not fits:
            continue
        leaves[count] = place[h]
        returns[count] = place[slot]
        more[count] = m_cost[k] - cost[slot]
        begins[count] = filled
        for b in range(said):
            bits[filled + b] = scratch[said - 1 - b]
        filled += said
        count += 1
    begins[count] = filled
    return leaves[:count], returns[:count], more[:count], begins[: count + 1], bits[:filled]


@njit(cache=True, nogil=True)
def shift_arena(
    by: int, size: int, node: Array, at: Array, edge_at: Array, period: Array, v_tt: Array, v_tp: Array,
    v_pp: Array, cost: Array, parent: Array, edge: Array, sign: Array, heir: Array, table: Array,
    members: Array, counts: Array, m_slot: Array, m_parent: Array, m_edge: Array, m_cost: Array, m_size: int,
) -> tuple[int, int]:  # fmt: skip
    """Forget the first `by` hypotheses; hypothesis `by` becomes the root."""
    for k in range(by, size):
        j = k - by
        node[j] = node[k]
        at[j] = at[k]
        edge_at[j] = edge_at[k]
        period[j] = period[k]
        v_tt[j] = v_tt[k]
        v_tp[j] = v_tp[k]
        v_pp[j] = v_pp[k]
        cost[j] = cost[k]
        parent[j] = parent[k] - by if parent[k] >= by else -1
        edge[j] = edge[k]
        sign[j] = sign[k]
        heir[j] = heir[k] - by if heir[k] >= 0 else -1
    parent[0] = -1
    for row in range(table.shape[0]):
        for key in range(table.shape[1]):
            if table[row, key] >= 0:
                table[row, key] -= by
        for k in range(counts[row]):
            members[row, k] -= by
    kept = 0
    for k in range(m_size):
        if m_slot[k] > by and m_parent[k] >= by:
            m_slot[kept] = m_slot[k] - by
            m_parent[kept] = m_parent[k] - by
            m_edge[kept] = m_edge[k]
            m_cost[kept] = m_cost[k]
            kept += 1
    return size - by, kept


@njit(cache=True, nogil=True)
def smoothest(score: Array, step: int, stiff: float) -> Array:
    """The row of columns with the most score that moves by at most `step` columns a row.

    `score` has shape (rows, columns); moving by k columns costs ``stiff * k * k``.
    """
    rows, columns = score.shape
    best = score[0].copy()
    came = np.zeros((rows, columns), np.int16)
    for r in range(1, rows):
        new = np.empty(columns)
        for c in range(columns):
            top = -1e300
            at = c
            for k in range(max(0, c - step), min(columns, c + step + 1)):
                value = best[k] - stiff * (k - c) * (k - c)
                if value > top:
                    top = value
                    at = k
            new[c] = top + score[r, c]
            came[r, c] = at
        best = new
    path = np.empty(rows, np.int64)
    path[rows - 1] = int(np.argmax(best))
    for r in range(rows - 1, 0, -1):
        path[r - 1] = came[r, path[r]]
    return path
