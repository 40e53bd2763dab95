"""Looks ahead over tests and repairs to the least expected bench time until the machine works or is given up.

Knows nothing of boards: faults are numbers with probabilities, a repair class is the set of faults that one
repair cures, a test is a table of outcome chances. A test shows the same outcome when it is done again, a
repair breaks nothing, and its minutes include the check that tells whether the machine works now.

How it goes about it, by size:

- few candidates: exact dynamic programming over what can still be true;
- else: the test that separates most pairs of faults with different repairs for each minute, as long as it
  pays against repairing at once in order of chance over minutes; improved by rollout, which plays this
  policy to the end behind each of the best few tests and repairs.

Whatever the effort, `Plan.expected_minutes` is the cost of the plan as given, to its last repair (only with
noisy tests and many candidates is it an estimate, and says so), and `Plan.lower_bound` says what no plan
can beat.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import entr

from ..errors import BenchwrightError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Effort = Literal["quick", "usual", "thorough"]

_SAME = 1.0e-12
"""Relative difference below which two costs count as equal."""
_FORGET = 1.0e-9
"""Share of a situation's probability below which a candidate is dropped there, at the dearest price."""
_FORGET_NOISY = 1.0e-4
"""The same where costs are estimated anyway (own)."""
_FORGOTTEN = 3.0
"""How many times the plan's outlook a dropped candidate is counted there, as the plan starts again (own)."""
_BIT_MARGIN = 1.5
"""How much dearer a bit gets than from the third cheapest test now (own, fitted to played plans)."""


class BadProblem(BenchwrightError, ValueError):
    """Numbers that do not make a problem of tests and repairs."""


@dataclass(frozen=True)
class Problem:
    """What may be wrong, what would show it, and what would cure it.

    Parameters
    ----------
    probability : ndarray, shape (faults,)
        Chance of each fault, exactly one of which is present; scaled to sum to one.
    repair_class : ndarray of int, shape (faults,)
        Number of the repair that cures each fault.
    repair_minutes : ndarray, shape (classes,)
        Time of each repair, with the check of the machine after it.
    outcomes : sequence of ndarray, each of shape (faults, cells)
        For each test the chance of each outcome under each fault; 0 and 1 where it is certain.
    test_minutes : ndarray, shape (tests,)
    give_up_minutes : float, optional
        What it costs to stop and break the machine for parts; without it there is no giving up.
    success : ndarray, shape (classes,), optional
        Chance that the repair cures a fault of its class. A repair that failed is not tried again: what
        it did not cure can only be given up. 0 marks faults that nothing cures.
    setup_minutes : ndarray, shape (setups,), optional
        Time to get at something (open the case, take the board out), paid once.
    test_setup, repair_setup : ndarray of int, shape (tests,) and (classes,), optional
        The setup that each test and each repair needs, -1 for none.

    Raises
    ------
    BadProblem
        If shapes disagree, chances are no chances, times are not above zero, or faults could stay uncured
        with no way to give up.
    """

    probability: Floats
    repair_class: Ints
    repair_minutes: Floats
    outcomes: Sequence[Floats]
    test_minutes: Floats
    give_up_minutes: float | None = None
    success: Floats | None = None
    setup_minutes: Floats | None = None
    test_setup: Ints | None = None
    repair_setup: Ints | None = None

    def __post_init__(self) -> None:
        p = _vector("probability", self.probability)
        _must(len(p) > 0, "probability is empty: a problem needs at least one fault")
        _must(bool((p >= 0).all()) and p.sum() > 0, "probability must be 0 or more, and more than 0 in all")
        minutes = _vector("repair_minutes", self.repair_minutes)
        tests = _vector("test_minutes", self.test_minutes)
        _must(bool((minutes > 0).all()), "repair_minutes must be above 0: they include the check afterwards")
        _must(bool((tests > 0).all()), "test_minutes must be above 0")
        classes = _numbers("repair_class", self.repair_class, len(p), 0, len(minutes))
        _must(len(self.outcomes) == len(tests), f"{len(self.outcomes)} outcome tables for {len(tests)} tests")
        tables = []
        for number, given in enumerate(self.outcomes):
            table = np.asarray(given, dtype=np.float64)
            where = f"outcomes of test {number}"
            _must(
                table.ndim == 2 and len(table) == len(p), f"{where}: need {len(p)} rows, one for each fault"
            )
            _must(bool((table >= 0).all()), f"{where}: chances must be 0 or more")
            _must(
                bool(np.allclose(table.sum(axis=1), 1.0, atol=1e-6)),
                f"{where}: the chances of each fault must sum to 1",
            )
            tables.append(table / table.sum(axis=1, keepdims=True))
        success = np.ones(len(minutes)) if self.success is None else _vector("success", self.success)
        _must(len(success) == len(minutes), f"{len(success)} chances of success for {len(minutes)} repairs")
        _must(bool(((success >= 0) & (success <= 1)).all()), "success must lie between 0 and 1")
        end = self.give_up_minutes
        _must(end is None or (np.isfinite(end) and end > 0), "give_up_minutes must be above 0, or None")
        uncured = p @ (1.0 - success[classes])
        _must(end is not None or uncured == 0, "some faults may stay uncured: give_up_minutes is needed")
        setup = np.zeros(0) if self.setup_minutes is None else _vector("setup_minutes", self.setup_minutes)
        _must(bool((setup >= 0).all()), "setup_minutes must be 0 or more")
        _must(len(setup) < 32, f"{len(setup)} setups: at most 31")
        none = np.full(max(len(tests), len(minutes)), -1)
        given_t = none[: len(tests)] if self.test_setup is None else self.test_setup
        given_r = none[: len(minutes)] if self.repair_setup is None else self.repair_setup
        values = {
            "probability": p / p.sum(),
            "repair_class": classes,
            "repair_minutes": minutes,
            "outcomes": tuple(tables),
            "test_minutes": tests,
            "success": success,
            "setup_minutes": setup,
            "test_setup": _numbers("test_setup", given_t, len(tests), -1, len(setup)),
            "repair_setup": _numbers("repair_setup", given_r, len(minutes), -1, len(setup)),
        }
        for name, value in values.items():
            object.__setattr__(self, name, value)


def _must(holds: bool, problem: str) -> None:
    if not holds:
        raise BadProblem(problem)


def _vector(name: str, given: ArrayLike) -> Floats:
    value = np.asarray(given, dtype=np.float64)
    _must(value.ndim == 1, f"{name} must have one dimension, not {value.ndim}")
    _must(bool(np.isfinite(value).all()), f"{name} must be finite numbers")
    return value


def _numbers(name: str, given: ArrayLike, length: int, low: int, high: int) -> Ints:
    value = np.asarray(given, dtype=np.int64)
    _must(value.shape == (length,), f"{name} must have shape ({length},), not {value.shape}")
    inside = bool(((value >= low) & (value < high)).all())
    _must(inside, f"{name} must lie between {low} and {high - 1}")
    return value


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: `test` or `repair` with its number in the problem, or `give up`."""

    kind: Literal["test", "repair", "give up"]
    index: int | None = None

    def __str__(self) -> str:
        return self.kind if self.index is None else f"{self.kind} {self.index}"


@dataclass(frozen=True, slots=True)
class Node:
    """A situation of the plan and what to do in it.

    Attributes
    ----------
    step : Step
    chance : float
        Probability that the plan comes here.
    expected_minutes : float
        From here until the machine works or is given up.
    outcome : int or None
        What led here: the cell that the test before showed, None at the start and after a failed repair.
    branches : tuple of int
        Places of the situations that may follow, in `Plan.tree`; none after a cure for certain.
    onward : tuple of Step
        Not empty where the plan is not followed further in detail: repairs in this order after `step`,
        unless it is planned anew when it gets there, which an estimated cost assumes.
    """

    step: Step
    chance: float
    expected_minutes: float
    outcome: int | None = None
    branches: tuple[int, ...] = ()
    onward: tuple[Step, ...] = ()


@dataclass(frozen=True)
class Plan:
    """The first step, what the plan costs, and the bound no plan can beat.

    Attributes
    ----------
    first : Step
    expected_minutes : float
        Expected minutes of the plan in `tree`.
    lower_bound : float
        No plan has fewer expected minutes.
    exact : bool
        Whether the plan is an optimal one.
    tree : tuple of Node
        The plan; the start is `tree[0]`.
    estimated : bool
        Whether `expected_minutes` is an estimate: with noisy tests and many candidates, situations of small
        chance are closed with an estimate of what they still cost.
    """

    first: Step
    expected_minutes: float
    lower_bound: float
    exact: bool
    tree: tuple[Node, ...] = field(repr=False, default=())
    estimated: bool = False

    @property
    def at_most_over(self) -> float:
        """How much dearer than the best plan this one can be, as a share: 0.05 is 5 %; see `estimated`."""
        return 0.0 if self.exact else max(self.expected_minutes / self.lower_bound - 1.0, 0.0)

    def outline(self, depth: int = 2, names: Callable[[Step], str] = str) -> list[str]:
        """The first steps in words, indented by what led to them.

        Parameters
        ----------
        depth : int
            How many steps deep.
        names : callable
            What to call a step.
        """
        lines: list[str] = []

        def tell(place: int, level: int) -> None:
            node = self.tree[place]
            what = f"{names(node.step)}, {node.expected_minutes:.1f} min"
            if level:
                cause = "not cured" if node.outcome is None else f"outcome {node.outcome}"
                what = f"{cause} ({100 * node.chance:.0f} %): {what}"
            lines.append("  " * level + what)
            if level + 1 < depth:
                for branch in node.branches:
                    tell(branch, level + 1)

        tell(0, 0)
        return lines


# Repairs only


def repair_order(
    p: ArrayLike, c: ArrayLike, setup: ArrayLike | None = None, setup_minutes: ArrayLike | None = None
) -> Ints:
    """Best order of repairs without tests: chance over minutes, falling; setups by their best block.

    Parameters
    ----------
    p, c : array_like, shape (repairs,)
        Chance that each repair cures, and its minutes with the check after it.
    setup : array_like of int, shape (repairs,), optional
        What must be opened before, -1 for nothing; stays open.
    setup_minutes : array_like, shape (setups,), optional

    Returns
    -------
    ndarray of int, shape (repairs,)

    Notes
    -----
    Kadane & Simon 1977 for the order; Ottosen & Jensen 2012 for setups with inside information.
    """
    lay = _Repairs.of(p, c, setup, setup_minutes)
    return lay.order


def expected_cost_of_repair(
    p: ArrayLike,
    c: ArrayLike,
    give_up: float | None = None,
    setup: ArrayLike | None = None,
    setup_minutes: ArrayLike | None = None,
) -> float:
    """Expected minutes of the best order of repairs, given up at the best moment if that is allowed.

    Parameters as for `repair_order`; `give_up` is the cost of stopping, and every moment to do it is tried,
    as the cost has more than one dip along the order.
    """
    lay = _Repairs.of(p, c, setup, setup_minutes)
    return float(lay.cost(np.ones(1), give_up)[0])


@dataclass
class _Repairs:
    """The best order of repairs in many situations at once, as flat arrays sorted by situation and order."""

    order: Ints
    node: Ints
    p: Floats
    c: Floats

    @classmethod
    def of(
        cls, p: ArrayLike, c: ArrayLike, setup: ArrayLike | None, setup_minutes: ArrayLike | None
    ) -> _Repairs:
        chance, minutes = np.asarray(p, dtype=np.float64), np.asarray(c, dtype=np.float64)
        node = np.zeros(len(chance), dtype=np.int64)
        if setup is None or setup_minutes is None:
            return cls.lay(node, chance, minutes)
        group = np.asarray(setup, dtype=np.int64)
        opening = np.append(np.asarray(setup_minutes, dtype=np.float64), 0.0)[group]
        return cls.lay(node, chance, minutes, group, opening)

    @classmethod
    def lay(
        cls, node: Ints, p: Floats, c: Floats, group: Ints | None = None, opening: Floats | None = None
    ) -> _Repairs:
        """Order the repairs of each situation; `opening` is what the group's setup still costs there."""
        ratio = p / c
        if group is None or opening is None or not opening.any():
            order = np.lexsort((-ratio, node))
            return cls(order, node[order], p[order], c[order])
        inside = (group >= 0) & (opening > 0)
        # A closed group comes as its best block: the start of its own order with the highest ratio of
        # chance to minutes including the opening. What is behind the block then stands on its own ratio.
        alone = np.where(inside, group, -1)
        order = np.lexsort((-ratio, alone, node))
        node, alone, inside, opening = node[order], alone[order], inside[order], opening[order]
        p, c, ratio = p[order], c[order], ratio[order]
        span = (int(alone.max(initial=-1)) + 2) * node + alone + 1
        first = _starts(span)
        block = _run_number(first, len(span))
        gained, spent = _within(p, first, block), _within(c, first, block)
        value = np.where(inside, gained / (opening + spent), ratio)
        best = np.maximum.reduceat(value, first)[block]
        at_best = np.flatnonzero(inside & (value == best))
        last = np.full(len(first), -1, dtype=np.int64)
        last[block[at_best]] = at_best
        place = np.arange(len(span))
        in_block = inside & (place <= last[block])
        key = np.where(in_block, best, ratio)
        c = c.copy()
        heads = first[inside[first]]
        c[heads] += opening[heads]
        again = np.lexsort((place, np.where(in_block, alone, -1), -key, node))
        return cls(order[again], node[again], p[again], c[again])

    @cached_property
    def first(self) -> Ints:
        return _starts(self.node)

    def cost(self, mass: Floats, give_up: float | None) -> Floats:
        """Expected minutes in each situation, times its mass, shape (situations,)."""
        return self.cost_and_head(mass, give_up)[0]

    def cost_and_head(self, mass: Floats, give_up: float | None) -> tuple[Floats, Ints]:
        """The same, and which entry (before ordering) is the first repair, -1 to give up."""
        worth = np.zeros(len(mass)) if give_up is None else mass * give_up
        head = np.full(len(mass), -1, dtype=np.int64)
        if len(self.node) == 0:
            return worth, head
        first = self.first
        run = _run_number(first, len(self.node))
        left_after = mass[self.node] - _within(self.p, first, run)
        paid = _within(self.c * (left_after + self.p), first, run)
        at = self.node[first]
        if give_up is None:
            last = np.append(first[1:], len(self.node)) - 1
            worth[at] = paid[last]
            head[at] = self.order[first]
            return worth, head
        least = np.minimum.reduceat(paid + np.maximum(left_after, 0.0) * give_up, first)
        pays = least < worth[at] * (1 - _SAME)
        worth[at[pays]] = least[pays]
        head[at[pays]] = self.order[first[pays]]
        return worth, head


def _starts(run: Ints) -> Ints:
    """Where each run of equal numbers begins."""
    if len(run) == 0:
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(np.concatenate([[True], run[1:] != run[:-1]]))


def _run_number(first: Ints, length: int) -> Ints:
    return np.repeat(np.arange(len(first)), np.diff(np.append(first, length)))


def _within(value: Floats, first: Ints, run: Ints) -> Floats:
    """Running sum that starts anew at each run."""
    total = np.cumsum(value)
    before = total[first] - value[first]
    return np.asarray(total - before[run])


# The problem, laid out for computing


class _Core:
    """A problem without what cannot matter: equal candidates are merged, useless tests left out."""

    def __init__(self, problem: Problem) -> None:
        assert problem.success is not None
        assert problem.setup_minutes is not None
        assert problem.test_setup is not None
        assert problem.repair_setup is not None
        kept = np.flatnonzero(problem.probability > 0)
        tables, tests, numbers = [], [], []
        for number, full in enumerate(problem.outcomes):
            possible = np.flatnonzero(full[kept].any(axis=0))
            table = full[np.ix_(kept, possible)]
            if np.ptp(table, axis=0).max(initial=0.0) > 1e-12:
                tables.append(table)
                tests.append(number)
                numbers.append(possible)
        cells = max([t.shape[1] for t in tables], default=2)
        likelihood = np.zeros((len(kept), len(tests), cells))
        self.cell_number: Ints = np.zeros((len(tests), cells), dtype=np.int64)
        for place, (table, possible) in enumerate(zip(tables, numbers, strict=True)):
            likelihood[:, place, : table.shape[1]] = table
            self.cell_number[place, : table.shape[1]] = possible
        classes, cls = np.unique(problem.repair_class[kept], return_inverse=True)
        rows = np.column_stack([cls, np.round(likelihood.reshape(len(kept), -1), 12)])
        _, example, same = np.unique(rows, axis=0, return_index=True, return_inverse=True)
        merged = np.bincount(np.ravel(same), weights=problem.probability[kept])
        self.p: Floats = merged / merged.sum()
        self.cls: Ints = cls[example]
        self.like: Floats = likelihood[example].transpose(1, 0, 2).copy()  # (tests, candidates, cells)
        self.flat: Floats = likelihood[example].reshape(len(example), -1).copy()
        self.test_number = np.array(tests, dtype=np.int64)
        self.class_number: Ints = classes
        self.n, self.tests, self.cells, self.classes = len(example), len(tests), cells, len(classes)
        self.test_minutes: Floats = problem.test_minutes[self.test_number]
        self.repair_minutes: Floats = problem.repair_minutes[classes]
        self.success: Floats = problem.success[classes]
        self.give_up = problem.give_up_minutes
        self.setup_minutes = np.append(problem.setup_minutes, 0.0)
        self.test_setup: Ints = problem.test_setup[self.test_number]
        self.repair_setup: Ints = problem.repair_setup[classes]
        used = np.concatenate([self.test_setup, self.repair_setup])
        self.has_setups = bool((self.setup_minutes[used] > 0).any())
        self.noisy: Bools = np.asarray(((self.like > 0) & (self.like < 1)).any(axis=(1, 2)))
        self.has_noise = bool(self.noisy.any())
        self.curable: Bools = self.success > 0
        self.unsure = bool((self.success < 1).any())
        self.dearest = float(
            self.test_minutes.sum()
            + self.repair_minutes.sum()
            + problem.setup_minutes.sum()
            + (self.give_up or 0.0)
        )

    def step(self, action: int) -> Step:
        if action < self.tests:
            return Step("test", int(self.test_number[action]))
        if action < self.tests + self.classes:
            return Step("repair", int(self.class_number[action - self.tests]))
        return Step("give up")


# Bounds


def lower_bound(problem: Problem) -> float:
    """Minutes that no plan can stay below in expectation.

    Returns
    -------
    float

    Notes
    -----
    Every cure is paid for, and what was done before it spells out the class of the fault: the outcomes along
    a path are a code word, so on average there are at least as many actions as a Huffman code of the classes
    has digits, and all but one of them come on top. The cheapest actions are charged for them.
    With a way to give up, the bound is over every share of the classes that might be given up: the length of
    the code words is bounded by their entropy, its tangents make the least over shares separable, and
    each tangent gives a valid bound.
    """
    return _lower_bound(_Core(problem))


def _lower_bound(core: _Core) -> float:
    mass: Floats = np.asarray(np.bincount(core.cls, weights=core.p, minlength=core.classes), dtype=np.float64)
    opening = core.setup_minutes[core.repair_setup]
    extra = np.sort(np.concatenate([core.test_minutes, core.repair_minutes]))
    digits = max(core.cells, 2)
    cure = core.repair_minutes + opening
    bounds = [0.0]
    everything = core.repair_minutes.sum() + core.setup_minutes.sum()
    if core.give_up is None or (core.give_up >= everything and not core.unsure):
        bounds.append(float(mass @ cure) + _cheapest(extra, _huffman(mass, digits) - 1.0))
    if core.give_up is not None:
        bounds.append(_bound_with_giving_up(core, mass, cure, extra, digits))
    return max(bounds)


def _bound_with_giving_up(core: _Core, mass: Floats, cure: Floats, extra: Floats, digits: int) -> float:
    end = float(core.give_up or 0.0)
    can = core.success * mass
    ok = can > 0
    can, cure = can[ok], cure[ok] / core.success[ok]
    per_digit = 1.0 / np.log2(digits)
    best = 0.0
    lengths = np.arange(min(len(extra), 2 + int(np.log2(len(can) + 1) + 1)))
    for slope, length in [(0.0, 0)] + [(float(extra[k]), int(k)) for k in lengths]:
        # f(x) >= f(k) + slope (x - k) for the convex price f of x extra actions
        base = _cheapest(extra, float(length)) - slope * length - slope if slope else 0.0
        own = can * (cure - end + base + slope * per_digit * np.log2(1.0 / can))
        kappa = slope * per_digit
        for share in np.linspace(0.02, 1.0, 50):
            tangent = kappa * (np.log2(share) + 1.0 / np.log(2.0))
            value = end + np.minimum(own + can * tangent, 0.0).sum() - kappa * share / np.log(2.0)
            best = max(best, float(value))
    return best


def _cheapest(extra: Floats, count: float) -> float:
    """Least cost of `count` different actions, linear in between."""
    if count <= 0 or len(extra) == 0:
        return 0.0
    whole = min(int(count), len(extra))
    rest = (count - whole) * extra[whole] if whole < len(extra) else 0.0
    return float(extra[:whole].sum() + rest)


def _huffman(mass: Floats, digits: int) -> float:
    """Expected length of the best code for these chances, with that many digits."""
    heap = [float(m) for m in mass if m > 0]
    if len(heap) == 1:
        return 0.0
    heap += [0.0] * (-(len(heap) - 1) % (digits - 1))
    heapq.heapify(heap)
    total = 0.0
    while len(heap) > 1:
        joined = sum(heapq.heappop(heap) for _ in range(digits))
        total += joined
        heapq.heappush(heap, joined)
    return total


# Exact


class _Exact:
    """Dynamic programming over every situation that can be reached, all of one size at a time.

    A situation is a whole number: a bit for each candidate that is still possible, digits for the outcomes of
    noisy tests, bits for repairs that failed without being certain, bits for what is open. Values
    are expected minutes times the probability of the situation.
    """

    def __init__(self, core: _Core) -> None:
        self.core = core
        self.offset: dict[int, int] = {}
        at = core.n
        self.digit_bits = int(core.cells).bit_length()
        for test in np.flatnonzero(core.noisy):
            self.offset[int(test)] = at
            at += self.digit_bits
        self.spent_at: dict[int, int] = {}
        for c in np.flatnonzero((core.success > 0) & (core.success < 1)):
            self.spent_at[int(c)] = at
            at += 1
        self.open_at = at
        if core.has_setups:
            at += len(core.setup_minutes) - 1
        self.bits = at

    def solve(self, most_work: int) -> bool:
        """Whether the problem could be solved within so many transitions."""
        core = self.core
        if self.bits > 62:
            return False
        width = core.tests * core.cells + core.classes
        # any set of repairs may have been tried and failed, whatever the tests
        if 2 ** int(core.curable.sum()) * width > most_work:
            return False
        self.actions = core.tests + core.classes
        self.masks = self._cell_masks()
        self.class_mask = np.array(
            [sum(1 << int(i) for i in np.flatnonzero(core.cls == c)) for c in range(core.classes)],
            dtype=np.int64,
        )
        done: list[tuple[Ints, Floats, Floats, Ints]] = []
        waiting: dict[int, list[Ints]] = {self._size(np.array([self.start]))[0]: [np.array([self.start])]}
        work = 0
        while waiting:
            size = max(waiting)
            keys = np.unique(np.concatenate(waiting.pop(size)))
            work += len(keys) * width
            if work > most_work:
                return False
            mass, price, after = self._expand(keys)
            done.append((keys, mass, price, after))
            children = np.unique(after)
            children = children[children > 0]
            sizes = self._size(children)
            for s in np.unique(sizes):
                waiting.setdefault(int(s), []).append(children[sizes == s])
        self._settle(done)
        return True

    @property
    def start(self) -> int:
        return (1 << self.core.n) - 1

    def _cell_masks(self) -> Ints:
        bit = np.int64(1) << np.arange(self.core.n)
        return np.asarray(((self.core.like > 0) * bit[None, :, None]).sum(axis=1))

    def _size(self, keys: Ints) -> Ints:
        """A number that falls with every step."""
        most = len(self.offset) + len(self.spent_at)
        count = np.zeros(len(keys), dtype=np.int64)
        for at in self.offset.values():
            count += ((keys >> at) & ((1 << self.digit_bits) - 1)) > 0
        for at in self.spent_at.values():
            count += (keys >> at) & 1
        return np.asarray(_ones(keys & self.start) * (most + 1) + most - count)

    def weights(self, keys: Ints) -> Floats:
        """Probability of each candidate together with the situation, shape (situations, candidates)."""
        core = self.core
        weight = core.p * ((keys[:, None] >> np.arange(core.n)) & 1)
        for test, at in self.offset.items():
            digit = (keys >> at) & ((1 << self.digit_bits) - 1)
            table = np.vstack([np.ones(core.n), core.like[test].T])
            weight *= table[digit]
        for c, at in self.spent_at.items():
            failed = np.where(core.cls == c, 1.0 - core.success[c], 1.0)
            weight *= np.where(((keys >> at) & 1)[:, None], failed, 1.0)
        return np.asarray(weight)

    def _expand(self, keys: Ints) -> tuple[Floats, Floats, Ints]:
        """Mass, price of each action (inf where it makes no sense) and what follows (0 for nothing)."""
        core = self.core
        mass = self.weights(keys).sum(axis=1)
        mask = keys & self.start
        code = keys & ~np.int64(self.start)
        price = np.full((len(keys), self.actions), np.inf)
        after = np.zeros((len(keys), self.actions, core.cells), dtype=np.int64)
        for test in range(core.tests):
            minutes, opened = self._opening(code, int(core.test_setup[test]))
            left = mask[:, None] & self.masks[test]
            at = self.offset.get(test)
            if at is None:
                useful = (left != 0).sum(axis=1) > 1
                child = np.where(left != 0, left | opened[:, None], 0)
            else:
                useful = ((keys >> at) & ((1 << self.digit_bits) - 1)) == 0
                digit = (np.arange(core.cells) + 1) << at
                child = np.where(left != 0, left | opened[:, None] | digit, 0)
            price[useful, test] = (minutes + core.test_minutes[test])[useful]
            after[useful, test] = child[useful]
        for c in np.flatnonzero(core.curable):
            minutes, opened = self._opening(code, int(core.repair_setup[c]))
            useful = (mask & self.class_mask[c]) != 0
            spent = self.spent_at.get(int(c))
            if spent is None:
                left = mask & ~self.class_mask[c]
                child = np.where(left != 0, left | opened, 0)
            else:
                useful &= ((keys >> spent) & 1) == 0
                child = mask | opened | np.int64(1 << spent)
            price[useful, core.tests + c] = (minutes + core.repair_minutes[c])[useful]
            after[useful, core.tests + c, 0] = child[useful]
        return mass, price, after

    def _opening(self, code: Ints, setup: int) -> tuple[Floats, Ints]:
        if setup < 0 or not self.core.has_setups:
            return np.zeros(len(code)), code
        bit = np.int64(1 << (self.open_at + setup))
        return np.where(code & bit, 0.0, self.core.setup_minutes[setup]), code | bit

    def _settle(self, done: list[tuple[Ints, Floats, Floats, Ints]]) -> None:
        self.keys = np.concatenate([[0], *(keys for keys, _, _, _ in done)])
        order = np.argsort(self.keys)
        self.keys = self.keys[order]
        where = np.empty(len(order), dtype=np.int64)
        where[order] = np.arange(len(order))
        self.value = np.zeros(len(order))
        self.mass = np.zeros(len(order))
        self.choice = np.full(len(order), self.actions)
        self.after = np.zeros((len(order), self.core.cells), dtype=np.int64)
        table: Ints | None = None
        if self.bits <= 22:
            table = np.zeros(1 << self.bits, dtype=np.int64)
            table[self.keys] = np.arange(len(order))
        at = len(order)
        for keys, mass, price, after in reversed(done):
            at -= len(keys)
            child = table[after] if table is not None else np.searchsorted(self.keys, after)
            # a situation can be so unlikely that its mass is 0 in floating point: no inf times 0
            priced = np.multiply(price, mass[:, None], out=price, where=np.isfinite(price))
            cost = priced + self.value[child].sum(axis=2)
            if self.core.give_up is not None:
                cost = np.column_stack([cost, mass * self.core.give_up])
            best = cost.argmin(axis=1)
            rows = np.arange(len(keys))
            here = where[at : at + len(keys)]
            self.value[here] = cost[rows, best]
            self.mass[here] = mass
            self.choice[here] = best
            tested = best < self.actions
            self.after[here[tested]] = after[rows[tested], best[tested]]

    @property
    def minutes(self) -> float:
        return float(self.value[np.searchsorted(self.keys, self.start)])

    def tree(self, most: int) -> tuple[Node, ...]:
        """The best plan, situation by situation, the likeliest first when there are more than `most`."""
        core = self.core
        root = int(np.searchsorted(self.keys, self.start))
        made: list[tuple[int, int | None, list[int]]] = [(root, None, [])]
        heap = [(-float(self.mass[root]), 0)]
        while heap and len(made) < most:
            _, place = heapq.heappop(heap)
            state = made[place][0]
            tested = self.choice[state] < core.tests
            for cell, key in enumerate(self.after[state]):
                if key == 0:
                    continue
                child = int(np.searchsorted(self.keys, key))
                if self.mass[child] == 0:
                    continue
                made[place][2].append(len(made))
                heapq.heappush(heap, (-float(self.mass[child]), len(made)))
                seen = int(core.cell_number[self.choice[state], cell]) if tested else None
                made.append((child, seen, []))
        return tuple(
            Node(
                core.step(int(self.choice[s])),
                float(self.mass[s]),
                float(self.value[s] / self.mass[s]),
                outcome,
                tuple(kids),
            )
            for s, outcome, kids in made
        )


def _ones(keys: Ints) -> Ints:
    count = np.zeros(len(keys), dtype=np.int64)
    rest = keys.copy()
    while rest.any():
        count += rest & 1
        rest >>= 1
    return count


# The base policy, and rollout of it


@dataclass
class _Batch:
    """Many situations at once; candidates as flat entries, sorted by situation and candidate."""

    root: Ints  # (situations,) which caller's situation each came from
    opened: Ints  # (situations,) bit for each setup that is open
    used: Bools  # (situations, tests) noisy tests that were done
    node: Ints  # (entries,)
    cand: Ints  # (entries,)
    weight: Floats  # (entries,) probability of candidate and situation
    live: Bools  # (entries,) whether the repair of the candidate was not tried yet

    def __len__(self) -> int:
        return len(self.root)

    @cached_property
    def first(self) -> Ints:
        return _starts(self.node)

    @cached_property
    def mass(self) -> Floats:
        return np.asarray(np.add.reduceat(self.weight, self.first)) if len(self.node) else np.zeros(0)

    def take(self, nodes: Ints) -> _Batch:
        """These situations, in this order, once for each mention."""
        size = np.diff(np.append(self.first, len(self.node)))[nodes]
        begin = np.cumsum(size) - size
        entry = np.repeat(self.first[nodes] - begin, size) + np.arange(size.sum())
        return _Batch(
            self.root[nodes],
            self.opened[nodes],
            self.used[nodes],
            np.repeat(np.arange(len(nodes)), size),
            self.cand[entry],
            self.weight[entry],
            self.live[entry],
        )


@dataclass
class _Look:
    """What is known about the situations of a batch before a step is chosen."""

    repair_cost: Floats  # (situations,) repairs only, times mass
    repair_head: Ints  # (situations,) class to repair first, -1 to give up
    repairs: _Repairs
    repair_class: Ints  # (entries of repairs,) before ordering
    score: Floats  # (situations, tests) separated pairs per minute, -inf where useless
    best: Ints  # (situations, few) the tests of highest score
    best_cost: Floats  # (situations, few) test, then repairs only, times mass; inf where useless
    closed_cost: Floats  # (situations,) what closing the situation counts, times mass


@dataclass
class _Record:
    """One situation of a played policy."""

    action: int
    mass: float
    price: float
    outcome: int | None
    branches: list[int]
    onward: tuple[Step, ...] = ()


class _Player:
    """Plays policies over batches: the base policy, its rollout, the rollout of that, and so on.

    Parameters
    ----------
    core : _Core
    looks : int
        How many of the best tests face the stop rule.
    tries : int
        How many of the best tests, and half as many repairs, a rollout plays to the end.
    most_entries : int
        A batch is cut to this size; the least likely situations are closed: repairs only from there, or
        an estimate of what the best plan costs there after `estimate`.
    """

    def __init__(self, core: _Core, looks: int, tries: int, most_entries: int) -> None:
        self.core, self.looks, self.tries, self.most_entries = core, looks, tries, most_entries
        self.forget, self.charge, self.close_below = _FORGET, core.dearest, 0.0
        self.minutes_per_bit: float | None = None
        self.give_up_action = core.tests + core.classes
        self.close_action = self.give_up_action + 1
        self.work = 0
        self.levels = 0

    def estimate(self, close_below: float) -> None:
        """From here on forget unlikely candidates, and close situations of less chance than this."""
        known, bits, minutes_per_bit = self._outlook()
        self.forget, self.close_below, self.minutes_per_bit = _FORGET_NOISY, close_below, minutes_per_bit
        self.charge = _FORGOTTEN * (known + bits * minutes_per_bit)

    def _outlook(self) -> tuple[float, float, float]:
        """Minutes of the repair if the fault were known, bits that are missing, and what a bit will cost."""
        core = self.core
        joint = np.zeros((core.classes, core.tests, core.cells))
        np.add.at(joint, core.cls, core.p[:, None, None] * core.like.transpose(1, 0, 2))
        mass = np.bincount(core.cls, weights=core.p, minlength=core.classes)
        bits = float(entr(mass).sum()) / np.log(2.0)
        told = bits + (entr(joint.sum(axis=0)).sum(axis=1) - entr(joint).sum(axis=(0, 2))) / np.log(2.0)
        price = np.sort(core.test_minutes / np.maximum(told, 1e-12))
        return float(mass @ core.repair_minutes), bits, _BIT_MARGIN * float(price[min(2, len(price) - 1)])

    def start(self) -> _Batch:
        core = self.core
        return _Batch(
            np.zeros(1, dtype=np.int64),
            np.zeros(1, dtype=np.int64),
            np.zeros((1, core.tests), dtype=bool),
            np.zeros(core.n, dtype=np.int64),
            np.arange(core.n),
            core.p.copy(),
            core.curable[core.cls],
        )

    def _lay_repairs(self, node: Ints, cls: Ints, mass: Floats, opened: Ints) -> _Repairs:
        core = self.core
        p, c = mass * core.success[cls], core.repair_minutes[cls]
        if not core.has_setups:
            return _Repairs.lay(node, p, c)
        group = core.repair_setup[cls]
        return _Repairs.lay(node, p, c, group, self._still_to_open(opened[node], group))

    def _still_to_open(self, opened: Ints, setup: Ints) -> Floats:
        shut = (setup >= 0) & ((opened >> np.maximum(setup, 0)) & 1 == 0)
        return np.where(shut, self.core.setup_minutes[setup], 0.0)

    def look(self, batch: _Batch) -> _Look:
        core = self.core
        self.work += len(batch.node) * core.cells * (core.tests + 4 * min(self.looks, core.tests))
        self.levels += 1
        span = batch.node * core.classes + core.cls[batch.cand]
        seg = _starts(span)
        seg_node, seg_cls, seg_live = batch.node[seg], core.cls[batch.cand[seg]], batch.live[seg]
        seg_mass = np.add.reduceat(batch.weight, seg)
        mass = batch.mass
        live = np.flatnonzero(seg_live)
        repairs = self._lay_repairs(seg_node[live], seg_cls[live], seg_mass[live], batch.opened)
        cost, head = repairs.cost_and_head(mass, core.give_up)
        repair_head = np.where(head >= 0, seg_cls[live][head] if len(live) else -1, -1)
        nothing = np.zeros((len(batch), 0))
        if core.tests == 0:
            none = nothing.astype(np.int64)
            return _Look(cost, repair_head, repairs, seg_cls[live], nothing, none, nothing, cost)
        by_class = np.add.reduceat(batch.weight[:, None] * core.flat[batch.cand], seg, axis=0)
        node_first = _starts(seg_node)
        by_node = np.add.reduceat(by_class, node_first, axis=0)
        shape = (len(batch), core.tests, core.cells)
        pairs_left = (by_node**2).reshape(shape).sum(axis=2)
        pairs_left -= np.add.reduceat(by_class**2, node_first, axis=0).reshape(shape).sum(axis=2)
        pairs = mass**2 - np.add.reduceat(seg_mass**2, node_first)
        cut = 0.5 * (pairs[:, None] - pairs_left)
        minutes = np.broadcast_to(core.test_minutes, cut.shape)
        if core.has_setups:
            minutes = minutes + self._still_to_open(batch.opened[:, None], core.test_setup[None, :])
        useful = (cut > 1e-13 * (mass**2)[:, None]) & ~batch.used
        score = np.where(useful, cut / minutes, -np.inf)
        few = min(self.looks, core.tests)
        if few < core.tests:
            best = np.argpartition(-score, few - 1, axis=1)[:, :few]
            rank = np.argsort(-np.take_along_axis(score, best, axis=1), axis=1, kind="stable")
            best = np.take_along_axis(best, rank, axis=1)
        else:
            best = np.argsort(-score, axis=1, kind="stable")
        best_cost = self._then_repair(batch, best, by_class, by_node, seg_node, seg_cls, seg_live)
        best_cost += np.take_along_axis(minutes, best, axis=1) * mass[:, None]
        best_cost[np.isneginf(np.take_along_axis(score, best, axis=1))] = np.inf
        closed = cost
        if self.minutes_per_bit is not None:
            known = np.add.reduceat(seg_mass * core.repair_minutes[seg_cls], node_first)
            bits = mass * np.log2(mass) - np.add.reduceat(seg_mass * np.log2(seg_mass), node_first)
            closed = np.minimum(cost, known + self.minutes_per_bit * bits)
        return _Look(cost, repair_head, repairs, seg_cls[live], score, best, best_cost, closed)

    def _then_repair(
        self,
        batch: _Batch,
        best: Ints,
        by_class: Floats,
        by_node: Floats,
        seg_node: Ints,
        seg_cls: Ints,
        seg_live: Bools,
    ) -> Floats:
        """Cost of repairs only after each of these tests, times mass, shape of `best`."""
        core = self.core
        few = best.shape[1]
        chosen = np.take_along_axis(
            by_class.reshape(-1, core.tests, core.cells), best[seg_node][:, :, None], axis=1
        )
        child = (seg_node[:, None] * few + np.arange(few))[:, :, None] * core.cells + np.arange(core.cells)
        there = (chosen > 0) & seg_live[:, None, None]
        node, mass = child[there], chosen[there]
        cls = np.broadcast_to(seg_cls[:, None, None], chosen.shape)[there]
        total = np.take_along_axis(by_node.reshape(-1, core.tests, core.cells), best[:, :, None], axis=1)
        opened = np.repeat(batch.opened, few * core.cells)
        if core.has_setups:
            setup = core.test_setup[best]
            bit = np.where(setup >= 0, np.int64(1) << np.maximum(setup, 0), 0)
            opened = opened | np.repeat(bit.ravel(), core.cells)
        repairs = self._lay_repairs(node, cls, mass, opened)
        cost = repairs.cost(total.ravel(), core.give_up)
        return np.asarray(cost.reshape(len(batch), few, core.cells).sum(axis=2))

    def _base(self, look: _Look) -> Ints:
        """The best-ranked test that passes the stop rule, else the first repair, else giving up."""
        core = self.core
        action = np.where(look.repair_head >= 0, core.tests + look.repair_head, self.give_up_action)
        if look.best.shape[1] == 0:
            return action
        passes = look.best_cost < look.repair_cost[:, None] * (1 - _SAME)
        which = passes.argmax(axis=1)
        rows = np.arange(len(action))
        return np.where(passes[rows, which], look.best[rows, which], action)

    def decide(self, batch: _Batch, look: _Look, depth: int) -> Ints:
        """The action in each situation, by the base policy or by a rollout of `depth` storeys."""
        if depth == 0:
            return self._base(look)
        node, action = self._tries(look)
        copies = batch.take(node)
        copies.root = np.arange(len(node))
        price, after, _, _ = self.apply(copies, action)
        cost = price + self.play(after, depth - 1, len(node))
        best = np.lexsort((cost, node))
        return np.asarray(action[best[_starts(node[best])]])

    def _tries(self, look: _Look) -> tuple[Ints, Ints]:
        """Situations and actions worth playing to the end, sorted by situation."""
        core = self.core
        count = len(look.repair_cost)
        nodes, actions = [np.arange(count)], [self._base(look)]
        few = look.best.shape[1]
        if few:
            # the best by what is left to repair afterwards, and half as many by separation for each minute
            by_cost = np.argsort(look.best_cost, axis=1, kind="stable")[:, : self.tries]
            half = min((self.tries + 1) // 2, few)
            by_rank = np.broadcast_to(np.arange(half), (count, half))
            for column in np.hstack([by_cost, by_rank]).T:
                ok = np.flatnonzero(np.isfinite(look.best_cost[np.arange(count), column]))
                nodes.append(ok)
                actions.append(look.best[ok, column[ok]])
        laid = look.repairs
        if len(laid.node):
            first = laid.first
            size = np.diff(np.append(first, len(laid.node)))
            for rank in range(max(1, self.tries // 2)):
                ok = np.flatnonzero(size > rank)
                nodes.append(laid.node[first[ok]])
                actions.append(core.tests + look.repair_class[laid.order[first[ok] + rank]])
        if core.give_up is not None:
            nodes.append(np.arange(count))
            actions.append(np.full(count, self.give_up_action))
        span = self.close_action + 1
        key = np.unique(np.concatenate(nodes) * span + np.concatenate(actions))
        return key // span, key % span

    def apply(self, batch: _Batch, action: Ints) -> tuple[Floats, _Batch, Ints, Ints]:
        """Price times mass of each action; the situations after it, where each came from, its outcome."""
        core = self.core
        price = np.zeros(len(batch))
        is_test = action < core.tests
        is_repair = ~is_test & (action < self.give_up_action)
        minutes = np.zeros(len(batch))
        setup = np.full(len(batch), -1)
        minutes[is_test] = core.test_minutes[action[is_test]]
        setup[is_test] = core.test_setup[action[is_test]]
        repaired = np.where(is_repair, action - core.tests, -1)
        minutes[is_repair] = core.repair_minutes[repaired[is_repair]]
        setup[is_repair] = core.repair_setup[repaired[is_repair]]
        opened = batch.opened
        if core.has_setups:
            minutes += self._still_to_open(batch.opened, setup)
            opened = opened | np.where(setup >= 0, np.int64(1) << np.maximum(setup, 0), 0)
        minutes[action == self.give_up_action] = core.give_up or 0.0
        price += minutes * batch.mass

        goes_on = (is_test | is_repair)[batch.node]
        entry = np.flatnonzero(goes_on)
        node, cand, weight, live = (
            batch.node[entry],
            batch.cand[entry],
            batch.weight[entry],
            batch.live[entry],
        )
        chance = np.zeros((len(entry), core.cells))
        tested = np.flatnonzero(is_test[node])
        chance[tested] = core.like[action[node[tested]], cand[tested]]
        mended = np.flatnonzero(is_repair[node])
        treated = mended[core.cls[cand[mended]] == repaired[node[mended]]]
        chance[mended, 0] = 1.0
        chance[treated, 0] = 1.0 - core.success[core.cls[cand[treated]]]
        live = live.copy()
        live[treated] = False
        joint = weight[:, None] * chance
        row, cell = np.nonzero(joint)
        child = node[row] * core.cells + cell
        order = np.argsort(child, kind="stable")
        row, child = row[order], child[order]
        joint = joint[row, cell[order]]
        if core.has_noise and len(child):
            first = _starts(child)
            run = _run_number(first, len(child))
            tiny = joint < self.forget * np.add.reduceat(joint, first)[run]
            if tiny.any():
                np.add.at(price, child[tiny] // core.cells, joint[tiny] * self.charge)
                row, child, joint = row[~tiny], child[~tiny], joint[~tiny]
        first = _starts(child)
        parent, outcome = child[first] // core.cells, child[first] % core.cells
        seen_by = np.where(is_test, action, -1)[parent]
        if core.tests:
            outcome = np.where(seen_by >= 0, core.cell_number[seen_by, outcome], -1)
        else:
            outcome = np.full(len(parent), -1)
        used = batch.used[parent]
        if core.has_noise:
            by_test = np.flatnonzero(is_test[parent])
            test = action[parent[by_test]]
            used[by_test, test] |= core.noisy[test]
        after = _Batch(
            batch.root[parent],
            opened[parent],
            used,
            _run_number(first, len(child)),
            cand[row],
            joint,
            live[row],
        )
        return price, after, parent, outcome

    def _to_close(self, batch: _Batch, most: int) -> Bools:
        """The situations to close so that the rest fits: the least likely ones."""
        size = np.diff(np.append(batch.first, len(batch.node)))
        order = np.argsort(-batch.mass, kind="stable")
        shut = np.zeros(len(batch), dtype=bool)
        shut[order[np.cumsum(size[order]) > most]] = True
        return shut | (batch.mass < self.close_below)

    def play(self, batch: _Batch, depth: int, roots: int) -> Floats:
        """Expected minutes times mass of playing to the end, for each root."""
        total = np.zeros(roots)
        while len(batch):
            look = self.look(batch)
            shut = self._to_close(batch, self.most_entries * roots)
            if shut.any():
                total += np.bincount(batch.root[shut], weights=look.closed_cost[shut], minlength=roots)
                batch = batch.take(np.flatnonzero(~shut))
                continue
            price, after, _, _ = self.apply(batch, self.decide(batch, look, depth))
            total += np.bincount(batch.root, weights=price, minlength=roots)
            batch = after
        return total

    def record(self, first_depth: int, depth: int, most_work: float = np.inf) -> list[_Record] | None:
        """Play to the end and write down each situation; the first step may be chosen more carefully.

        None if that takes more than `most_work`, or if situations had to be closed on the way to that limit.
        """
        batch = self.start()
        records: list[_Record] = []
        parent_of = np.array([-1])
        outcome = np.array([-1])
        level_depth = first_depth
        while len(batch):
            look = self.look(batch)
            shut = self._to_close(batch, self.most_entries) if records else np.zeros(1, dtype=bool)
            if np.isfinite(most_work) and (self.work > most_work or shut.any()):
                return None
            action = np.full(len(batch), self.close_action)
            open_nodes = np.flatnonzero(~shut)
            if len(open_nodes) == len(batch):
                action = self.decide(batch, look, level_depth)
            elif len(open_nodes):
                part = batch.take(open_nodes)
                action[open_nodes] = self.decide(part, self.look(part), level_depth)
            price, after, parent, seen = self.apply(batch, action)
            price[shut] = look.closed_cost[shut]
            base = len(records)
            mass = batch.mass
            for i in range(len(batch)):
                onward = self._onward(look, i) if shut[i] else ()
                records.append(
                    _Record(
                        int(action[i]),
                        float(mass[i]),
                        float(price[i]),
                        int(outcome[i]) if outcome[i] >= 0 else None,
                        [],
                        onward,
                    )
                )
                if parent_of[i] >= 0:
                    records[parent_of[i]].branches.append(base + i)
            parent_of, outcome, batch = base + parent, seen, after
            level_depth = depth
        return records

    def _onward(self, look: _Look, node: int) -> tuple[Step, ...]:
        """Repairs in order from a closed situation, up to the best moment to give up."""
        core, laid = self.core, look.repairs
        mine = np.flatnonzero(laid.node == node)
        steps = [Step("repair", int(core.class_number[look.repair_class[laid.order[i]]])) for i in mine]
        if core.give_up is None:
            return tuple(steps)
        return (*steps, Step("give up")) if look.repair_head[node] >= 0 else (Step("give up"),)


def _as_tree(core: _Core, player: _Player, records: list[_Record]) -> tuple[Node, ...]:
    cost = [0.0] * len(records)
    for place in range(len(records) - 1, -1, -1):
        record = records[place]
        cost[place] = record.price + sum(cost[kid] for kid in record.branches)
    nodes = []
    for record, total in zip(records, cost, strict=True):
        closed = record.action == player.close_action
        step = record.onward[0] if closed else core.step(record.action)
        nodes.append(
            Node(
                step,
                record.mass,
                total / record.mass,
                record.outcome,
                tuple(record.branches),
                record.onward[1:],
            )
        )
    return tuple(nodes)


@dataclass(frozen=True, slots=True)
class _Means:
    """How much an effort may spend."""

    exact_work: int  # transitions
    exact_noisy: int
    seconds: float  # of rollout, on a machine of about 2020
    looks: int
    tries: int
    most_entries: int
    every_outcome: float  # work to follow all of a noisy problem
    close_below: float


_MEANS: dict[Effort, _Means] = {
    "quick": _Means(200_000, 50_000, 0.0, 6, 4, 300, 5e5, 3e-3),
    "usual": _Means(4_000_000, 300_000, 0.15, 8, 6, 500, 3e5, 2e-3),
    "thorough": _Means(20_000_000, 2_000_000, 3.0, 12, 8, 6000, 2e7, 1e-4),
}


def plan(problem: Problem, effort: Effort = "usual") -> Plan:
    """The plan of tests and repairs with the least expected minutes that can be found with this effort.

    Parameters
    ----------
    problem : Problem
    effort : {"quick", "usual", "thorough"}
        How much may be spent on rollout and on exact solution. The same effort gives the same plan on every
        machine: it counts operations and looks at no clock.

    Returns
    -------
    Plan
    """
    core = _Core(problem)
    means = _MEANS[effort]
    bound = _lower_bound(core)
    exact = _Exact(core)
    if exact.solve(means.exact_noisy if core.has_noise else means.exact_work):
        tree = exact.tree(5000)
        return Plan(tree[0].step, exact.minutes, min(bound, exact.minutes), True, tree)
    player = _Player(core, means.looks, means.tries, means.most_entries if core.has_noise else core.n)
    records = player.record(0, 0, means.every_outcome if core.has_noise else np.inf)
    estimated = records is None
    if records is None:
        player.estimate(means.close_below)
        player.work = player.levels = 0
        records = player.record(0, 0)
    assert records is not None
    first_depth, depth = _storeys(player.work, player.levels, means)
    if first_depth:
        records = player.record(first_depth, depth) or records
    tree = _as_tree(core, player, records)
    return Plan(tree[0].step, tree[0].expected_minutes, bound, False, tree, estimated)


def policy_minutes(problem: Problem, first: int = 0, later: int = 0) -> float:
    """Expected minutes without exact solution, to judge the policies that `plan` falls back on.

    Parameters
    ----------
    problem : Problem
    first, later : int
        Storeys of rollout for the first step and for those after it; 0 and 0 is the base policy.
    """
    core, means = _Core(problem), _MEANS["usual"]
    player = _Player(core, means.looks, means.tries, 100 * core.n)
    return _as_tree(core, player, player.record(first, later) or [])[0].expected_minutes


def _storeys(work: int, levels: int, means: _Means) -> tuple[int, int]:
    """How many storeys of rollout, for the first step and afterwards, from what the base policy took.

    The factors are fitted to counted work; every storey multiplies it by the actions tried and the third of
    the levels, and the calls by half of the levels.
    """
    best = (0, 0)
    actions, deep = 1.5 * means.tries, max(levels / 3, 1.0)
    for storeys, size, calls in (
        ((1, 0), actions, 2.0 * levels),
        ((1, 1), actions * deep, 0.7 * levels**2),
        ((2, 1), actions**2 * deep, 1.3 * levels**2),
        ((2, 2), actions**2 * deep**2, 0.3 * levels**3),
    ):
        if calls * 1.0e-3 + work * size * 4.5e-8 <= means.seconds:
            best = storeys
    return best


# The judge


def optimal(problem: Problem, most_situations: int = 400_000) -> float:
    """Least expected minutes, by trying everything: written apart from `plan`, to judge it.

    Parameters
    ----------
    problem : Problem
        A small one.
    most_situations : int
        When to stop trying.

    Returns
    -------
    float

    Raises
    ------
    BadProblem
        If there are more situations than that.
    """
    assert problem.success is not None
    assert problem.setup_minutes is not None
    assert problem.test_setup is not None
    assert problem.repair_setup is not None
    setups = problem.setup_minutes.tolist()
    test_setup, repair_setup = problem.test_setup.tolist(), problem.repair_setup.tolist()
    test_minutes, repair_minutes = problem.test_minutes.tolist(), problem.repair_minutes.tolist()
    success = problem.success.tolist()
    tables = [table.T.tolist() for table in problem.outcomes]
    certain = [all(x in (0.0, 1.0) for cell in table for x in cell) for table in tables]
    end = problem.give_up_minutes
    known: dict[tuple[object, ...], float] = {}
    faults = range(len(problem.probability))
    of_class = problem.repair_class.tolist()

    def worth(
        weight: tuple[float, ...],
        done: frozenset[tuple[int, int]],
        tried: frozenset[int],
        opened: frozenset[int],
    ) -> float:
        # `done` holds noisy tests with their outcomes only: certain ones show in which weights are zero
        key = (tuple(w > 0 for w in weight), done, tried, opened)
        if key in known:
            return known[key]
        if len(known) >= most_situations:
            raise BadProblem(f"more than {most_situations} situations: too large to try everything")
        mass = sum(weight)
        best = float("inf") if end is None else end * mass
        for group, minutes in enumerate(repair_minutes):
            if group in tried or success[group] == 0:
                continue
            if not any(weight[f] > 0 and of_class[f] == group for f in faults):
                continue
            setup = repair_setup[group]
            fresh = setup >= 0 and setup not in opened
            cost = (minutes + (setups[setup] if fresh else 0.0)) * mass
            left = tuple(weight[f] * (1 - success[group] if of_class[f] == group else 1.0) for f in faults)
            if cost < best and any(left):
                failed = tried | {group} if success[group] < 1 else tried
                cost += worth(left, done, failed, opened | {setup} if setup >= 0 else opened)
            best = min(best, cost)
        finished = {test for test, _ in done}
        for test, table in enumerate(tables):
            if test in finished:
                continue
            parts = [tuple(w * x for w, x in zip(weight, cell, strict=True)) for cell in table]
            if certain[test] and sum(any(part) for part in parts) < 2:
                continue
            setup = test_setup[test]
            fresh = setup >= 0 and setup not in opened
            cost = (test_minutes[test] + (setups[setup] if fresh else 0.0)) * mass
            now = opened | {setup} if setup >= 0 else opened
            for cell, part in enumerate(parts):
                if cost >= best:
                    break
                if any(part):
                    cost += worth(part, done if certain[test] else done | {(test, cell)}, tried, now)
            best = min(best, cost)
        known[key] = best
        return best

    start = tuple(problem.probability.tolist())
    return worth(start, frozenset(), frozenset(), frozenset())
