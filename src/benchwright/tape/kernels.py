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
def running_mean(values: Array, size: int, factor: float) -> Array:
    """Mean of the absolute values around each place, times a factor.

    `size` is odd. Beyond the ends the first and the last value go on.
    """
    n = len(values)
    half = size // 2
    mean = np.empty(n, np.float32)
    if n == 0:
        return mean
    first = abs(float(values[0]))
    last = abs(float(values[n - 1]))
    total = first * half
    for k in range(min(half, n)):
        total += abs(float(values[k]))
    total += last * max(0, half - n)
    scale = factor / size
    # The sum up to `half` places ahead; what leaves at the back goes after it is used.
    near, far = min(half, n), max(min(half, n), n - half)
    for k in range(near):
        total += abs(float(values[k + half])) if k + half < n else last
        mean[k] = total * scale
        total -= first
    for k in range(near, far):
        total += abs(float(values[k + half]))
        mean[k] = total * scale
        total -= abs(float(values[k - half]))
    for k in range(far, n):
        total += last
        mean[k] = total * scale
        total -= abs(float(values[k - half]))
    return mean


@njit(cache=True, nogil=True)
def half_sines(edges: Array, signs: Array, start: int, count: int) -> Array:
    """Half sines between ascending edges, each with the sign that follows its first; nothing outside."""
    wave = np.zeros(count, np.float32)
    for k in range(len(edges) - 1):
        span = max(edges[k + 1] - edges[k], 1e-9)
        first = max(0, math.ceil(edges[k] - start))
        last = min(count, math.ceil(edges[k + 1] - start))
        for n in range(first, last):
            wave[n] = signs[k] * math.sin(math.pi * (start + n - edges[k]) / span)
    return wave


@njit(cache=True, nogil=True)
def weighted(signal: Array, amplitude: Array, usual: Array, discount: bool) -> Array:
    """The wave as the follower weighs it: signal times amplitude, clicks cut off, dropouts discounted."""
    wave = np.empty_like(signal)
    for k in range(len(signal)):
        # A click counts no more than half as much again as the wave itself.
        strong = amplitude[k]
        most = np.float32(1.5) * strong
        weight = strong
        if discount:
            # A dropout takes short waves first and bends what it leaves: it counts for less than its level.
            share = min(np.float32(1.0), strong / max(np.float32(0.5) * usual[k], np.float32(1e-9)))
            weight = strong * (share * share)
        wave[k] = max(-most, min(most, signal[k])) * weight
    return wave


@njit(cache=True, nogil=True, error_model="numpy")
def crossings(signal: Array, wave: Array, start: float) -> tuple[Array, Array, Array, Array, Array, Array]:
    """The running areas of the wave and the zero crossings of the signal. See `Window`.

    Returns `above`, `below`, `time`, `slope`, `rising` and `next_crossing`.
    """
    n = len(signal)
    above, below = np.empty(n + 1), np.empty(n + 1)
    following = np.empty(n + 1, np.int32)
    count = 0
    for k in range(1, n):
        count += (signal[k - 1] < 0.0) != (signal[k] < 0.0)
    time = np.empty(count)
    slope = np.empty(count)
    rising = np.empty(count, np.int8)
    count = 0
    up, down = 0.0, 0.0
    for k in range(n):
        following[k] = count
        above[k] = up
        below[k] = down
        if k + 1 < n:
            a, b = signal[k], signal[k + 1]
            if (a < 0.0) == (b < 0.0):
                # Most often: the wave has the signs of the signal.
                half = 0.5 * (float(wave[k]) + float(wave[k + 1]))
                if a < 0.0:
                    down -= half
                else:
                    up += half
            else:
                more, less = _parts(wave[k], wave[k + 1], 1.0)
                up += more
                down += less
                time[count] = start + k + a / (a - b)
                slope[count] = abs(b - a)
                rising[count] = 1 if b > a else -1
                count += 1
    following[n] = count
    above[n] = 0.0
    below[n] = 0.0
    return above, below, time, slope, rising, following


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


HYPOTHESIS = np.dtype(
    [
        ("cost", np.float64), ("at", np.float64), ("edge_at", np.float64), ("period", np.float64),
        ("v_tt", np.float64), ("v_tp", np.float64), ("v_pp", np.float64),
        ("node", np.int32), ("sign", np.int32),
    ],
    align=True,
)  # fmt: skip
"""A hypothesis: what it cost, where it stands in time, its speed, how uncertain both are, its place in the
grammar and the sign of what follows. All of it lies side by side, as it is used."""
LINK = np.dtype([("parent", np.int32), ("edge", np.int32), ("heir", np.int32), ("node", np.int32)])
"""Where a hypothesis came from, by which half-wave, who took its place, and its place in the grammar again.
These are what is looked through afterwards."""
MERGE = np.dtype(
    [("cost", np.float64), ("slot", np.int32), ("parent", np.int32), ("edge", np.int32)], align=True
)
"""A runner-up: the hypothesis that beat it, where it came from and what it cost."""
STEP = np.dtype(
    [
        ("samples", np.float64), ("cost", np.float64), ("below", np.float64), ("above", np.float64),
        ("reference", np.float64), ("coast", np.float64),
        ("to", np.int32), ("sign", np.int32),
    ],
    align=True,
)  # fmt: skip
"""A half-wave of the grammar: its length, its cost, where its end is seen when it lies below or above the
middle, one over the variance with which a crossing usually misses there, what it costs to end it without a
crossing, where it leads and which sign it must have."""
RULES = np.dtype(
    [
        (name, np.float64)
        for name in (
            "noise", "jitter2", "drift", "beam", "calm_beam", "period_low", "period_high", "short",
            "polarity", "sign_weight", "keep", "amplitude", "worst", "bin_width",
        )
    ]
)  # fmt: skip
"""How to follow: the settings in samples."""
NEVER = 1e300


@njit(cache=True, fastmath=True, nogil=True, error_model="numpy")
def follow(
    first_edge: Array, steps: Array,
    # window
    start: float, wave: Array, amplitude: Array, above: Array, below: Array, time: Array,
    slope: Array, rising: Array, following: Array,
    # hypotheses and merges, and how many there are
    arena: Array, links: Array, size: int, merges: Array, m_size: int,
    # buckets
    table: Array, members: Array, counts: Array, cheapest: Array, next_bin: int, best: Array,
    until: float, rules: Array,
) -> tuple[int, int, int, int]:  # fmt: skip
    """Follow all hypotheses through a window, keeping the best for each place and node.

    Returns the sizes of the arena and the merges, the next bin, and a state: 0 the window is used up,
    1 nothing is left, 2 the arena is full. `best` holds the least that any hypothesis ever cost.
    """
    rule = rules[0]
    noise2 = rule.noise * rule.noise
    jitter2 = rule.jitter2
    drift = rule.drift
    period_low = rule.period_low
    period_high = rule.period_high
    short = rule.short
    polarity = int(rule.polarity)
    sign_weight = rule.sign_weight
    keep = rule.keep
    per_amplitude = 1.0 / rule.amplitude
    per_bin = 1.0 / rule.bin_width
    worst = rule.worst
    bin_width = rule.bin_width
    ring = table.shape[0]
    deep = members.shape[1]
    n_samples = len(wave)
    n_cross = len(time)
    capacity = len(arena)
    m_capacity = len(merges)
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
        floor = NEVER
        for other in range(ring):
            floor = min(floor, cheapest[other])
        best[0] = min(best[0], floor)
        # Good reading earns more than it costs. While it does, what lies far behind will not come back.
        doubt = 2.0 * (floor - best[0])
        limit = floor + min(rule.beam, rule.calm_beam + doubt)
        most = limit + min(4.0, doubt)
        for k in range(count):
            h = members[row, k]
            one = arena[h]
            s = one.sign
            table[row, one.node * 2 + (1 if s > 0 else 0)] = -1
            paid = one.cost
            if paid > limit:
                continue
            here = one.at
            lowest = one.edge_at
            p = one.period
            one_tt, one_tp, one_pp = one.v_tt, one.v_tp, one.v_pp
            against = _against(wave, above, below, lowest - start, s)
            for e in range(first_edge[one.node], first_edge[one.node + 1]):
                half = steps[e]
                if half.sign != 0 and half.sign * polarity != s:
                    continue
                d = half.samples
                length = d * p
                tt = one_tt + 2 * d * one_tp + d * d * one_pp
                tp = one_tp + d * one_pp
                pp = one_pp + drift * d
                target = here + length
                place = int(target - start)
                if place < 0:
                    place = 0
                if place >= n_samples:
                    place = n_samples - 1
                strong = amplitude[place]
                # Where in the wave a crossing is seen, learned: what half-waves meet there, and which way.
                shift = (half.above if s > 0 else half.below) * p
                usual = max(strong, 1e-9) * typical
                blur = noise2 / (usual * usual)
                wide = 3.5 * math.sqrt(tt + jitter2 + blur)
                wide = min(max(wide, 0.22 * short), 0.48 * min(length, 1.5 * short))
                low = target + shift - wide
                index = math.ceil(low - start)
                if index < 0:
                    index = 0
                c_index = following[index] if index <= n_samples else n_cross
                if c_index > 0 and time[c_index - 1] >= low:
                    c_index -= 1
                nearest = 1e9
                to_node = half.to
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
                        r = jitter2 + blur
                        if slant < usual:
                            slant = max(slant, 0.3 * usual)
                            r = jitter2 + noise2 / (slant * slant)
                        spread = tt + r
                        exact = 1.0 / spread
                        # A crossing that misses as one does usually costs nothing, however gentle its slope.
                        c = 0.5 * miss * miss * exact + 0.5 * math.log(spread * half.reference) - 0.5
                        g_t = tt * exact
                        g_p = tp * exact
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
                        c = half.coast * min(1.0, max(0.04, strong * per_amplitude))
                        new_at = target
                        new_p = p
                        new_tt = tt
                        new_tp = tp
                        new_pp = pp
                    # What lies on the wrong side only adds to the cost: look no further where it is too high.
                    if period_low < new_p < period_high and paid + half.cost + min(c, worst) <= most:
                        wrong = _against(wave, above, below, edge_time - start, s) - against
                        # No single half-wave may kill a reading: the unforeseen happens now and then.
                        total = paid + half.cost + min(c + 2.0 * wrong * sign_weight, worst)
                        if total <= most:
                            slot_bin = int(edge_time * per_bin)
                            if slot_bin <= next_bin:
                                slot_bin = next_bin + 1
                            slot_row = slot_bin % ring
                            slot = table[slot_row, key]
                            if slot >= 0:
                                other_cost = arena[slot].cost
                                replace = total < other_cost
                                if abs(total - other_cost) < keep:
                                    if replace:
                                        merges[m_size].slot = size
                                        merges[m_size].parent = links[slot].parent
                                        merges[m_size].edge = links[slot].edge
                                        merges[m_size].cost = other_cost
                                    else:
                                        merges[m_size].slot = slot
                                        merges[m_size].parent = h
                                        merges[m_size].edge = e
                                        merges[m_size].cost = total
                                    m_size += 1
                                if replace:
                                    # A place of its own: parents must stand before their children.
                                    links[slot].heir = size
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
                                        if (
                                            arena[members[slot_row, m]].cost
                                            > arena[members[slot_row, worst_at]].cost
                                        ):
                                            worst_at = m
                                    old = members[slot_row, worst_at]
                                    if total < arena[old].cost:
                                        table[
                                            slot_row, arena[old].node * 2 + (1 if arena[old].sign > 0 else 0)
                                        ] = -1
                                        slot = size
                                        size += 1
                                        table[slot_row, key] = slot
                                        members[slot_row, worst_at] = slot
                                        replace = True
                            if replace:
                                fresh = arena[slot]
                                fresh.node = to_node
                                fresh.at = new_at
                                fresh.edge_at = edge_time
                                fresh.period = new_p
                                fresh.v_tt = new_tt
                                fresh.v_tp = new_tp
                                fresh.v_pp = new_pp
                                fresh.cost = total
                                fresh.sign = -s
                                links[slot].parent = h
                                links[slot].edge = e
                                links[slot].heir = -1
                                links[slot].node = to_node
                                cheapest[slot_row] = min(cheapest[slot_row], total)
                    if not taken:
                        break
                    if size + 4 > capacity or m_size + 4 > m_capacity:
                        break
        counts[row] = 0
        cheapest[row] = NEVER
        next_bin += 1


@njit(cache=True, nogil=True)
def living_in(members: Array, counts: Array) -> Array:
    """The hypotheses in the buckets."""
    found = np.empty(counts.sum(), np.int32)
    filled = 0
    for row in range(len(counts)):
        for k in range(counts[row]):
            found[filled] = members[row, k]
            filled += 1
    return found


@njit(cache=True, nogil=True)
def common_ancestor(links: Array, living: Array, size: int) -> int:
    """The latest hypothesis that all the living ones come from; -1 if there is none."""
    marked = np.zeros(size, np.bool_)
    left = len(living)
    for k in range(len(living)):
        marked[living[k]] = True
    # Parents stand before their children: going back, whoever is marked alone is the one.
    for h in range(size - 1, -1, -1):
        if not marked[h]:
            continue
        if left == 1:
            return h
        parent = links[h].parent
        if parent < 0:
            return -1
        if marked[parent]:
            left -= 1
        else:
            marked[parent] = True
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
    path: Array,
    arena: Array,
    links: Array,
    says: Array,
    size: int,
    merges: Array,
    m_size: int,
    most_bits: int,
) -> tuple[Array, Array, Array, Array, Array]:
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
        slot = merges[k].slot
        while links[slot].heir >= 0:
            slot = links[slot].heir
        if place[slot] < 0:
            continue
        said = 0
        e = merges[k].edge
        h = merges[k].parent
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
            e = links[h].edge
            h = links[h].parent
        if not fits:
            continue
        leaves[count] = place[h]
        returns[count] = place[slot]
        more[count] = merges[k].cost - arena[slot].cost
        begins[count] = filled
        for b in range(said):
            bits[filled + b] = scratch[said - 1 - b]
        filled += said
        count += 1
    begins[count] = filled
    return (
        leaves[:count].copy(), returns[:count].copy(), more[:count].copy(), begins[: count + 1].copy(),
        bits[:filled].copy(),
    )  # fmt: skip


@njit(cache=True, nogil=True)
def shift_arena(
    by: int,
    arena: Array,
    links: Array,
    size: int,
    table: Array,
    members: Array,
    counts: Array,
    merges: Array,
    m_size: int,
) -> tuple[int, int]:
    """Forget the first `by` hypotheses; hypothesis `by` becomes the root."""
    for k in range(by, size):
        one = arena[k - by]
        old = arena[k]
        one.node = old.node
        one.at = old.at
        one.edge_at = old.edge_at
        one.period = old.period
        one.v_tt = old.v_tt
        one.v_tp = old.v_tp
        one.v_pp = old.v_pp
        one.cost = old.cost
        one.sign = old.sign
        link = links[k - by]
        before = links[k]
        link.parent = before.parent - by if before.parent >= by else -1
        link.edge = before.edge
        link.heir = before.heir - by if before.heir >= 0 else -1
        link.node = before.node
    links[0].parent = -1
    for row in range(table.shape[0]):
        for key in range(table.shape[1]):
            if table[row, key] >= 0:
                table[row, key] -= by
        for k in range(counts[row]):
            members[row, k] -= by
    kept = 0
    for k in range(m_size):
        if merges[k].slot > by and merges[k].parent >= by:
            merges[kept].slot = merges[k].slot - by
            merges[kept].parent = merges[k].parent - by
            merges[kept].edge = merges[k].edge
            merges[kept].cost = merges[k].cost
            kept += 1
    return size - by, kept


@njit(cache=True, nogil=True)
def cyclic(data: Array, table: Array, register: int, width: int, reflected: bool) -> int:
    """The register of a cyclic redundancy check after some bytes."""
    mask = (1 << width) - 1
    down = width - 8
    for byte in data:
        if reflected:
            register = (register >> 8) ^ table[(register ^ byte) & 255]
        else:
            register = ((register << 8) & mask) ^ table[((register >> down) ^ byte) & 255]
    return register
