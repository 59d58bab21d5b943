"""The best way through the reads of one table: the fewest equal lengths, then the least cost.

A plan is a way from place to place: a read that holds the first place still open leads to the first one behind it.
Every plan without a needless read is such a way: its reads bring places in a row (begins and ends both rise), and put
in order, each brings the first place that those before it leave open, or else one of them were needless. A needless
read can go, as that raises neither the cost nor the number of equal lengths.

Which way is the best depends on the lengths it has used, and of these there can be very many sets. So ways that are
equally far are compared, and ways are measured by a bound:

- One is never worse than another if it costs no more even after this: for each length that it alone has used, one
  that only the other has used stands in at the first read that wants it, where that can be done at every later place
  without bringing less; or else one makes an equal length there, and then it may be the shortest that can stand in.
- No rest of a way costs less than it would with a toll on each length instead of a price on equal ones, less the
  tolls of the lengths still free: one read of each costs its toll too much, and no toll is above the price of an equal
  length (Lagrange's relaxation). Tolls rise on what is used too often and fall on what is not used, as long as the
  bound gains by it.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from tallywell.registers.permitted import Choice

MOST_STEPS = 300_000  # choices looked at and ways compared: a third of a second on a desktop machine
STALE, SHORTEST = 6, Fraction(1, 64)  # rounds without gain before tolls move half as far, and how little is the end


@dataclass(frozen=True, slots=True)
class Least:
    """`equal`: how many reads have a length that another read has already. `steps`: what `MOST_STEPS` bounds."""

    path: tuple[Choice, ...]
    equal: int
    ns: int
    proven: bool
    steps: int


_Path = tuple[int, int, "_Path"] | None  # the last read's place and length, and the reads before it


@dataclass(frozen=True, slots=True)
class _Way:
    """A way as far as some place: `charged` is what it cost and the tolls on the lengths used that may come again."""

    charged: int
    value: int
    path: _Path


@dataclass(frozen=True, slots=True)
class _Field:
    """`reach[k]`: length and following place of each read that holds place k. `prices`: by length. `later[k]`: the
    lengths (bit n = n bytes) of reads from place k on. `equal`: the price of an equal length, above that of any plan.
    `used`: the lengths that reads of another plan have already.
    """

    reach: Sequence[Sequence[tuple[int, int]]]
    prices: Mapping[int, int]
    later: Sequence[int]
    equal: int
    used: int

    @property
    def breadth(self) -> int:
        return sum(map(len, self.reach))


@dataclass(frozen=True, slots=True)
class _Tolls:
    """`of` a length; `ahead[k]`: the least that the rest of a way from place k costs with tolls, less all of them.

    `start`: the tolls on the lengths used before; `bound`: what no plan costs less than.
    """

    of: Mapping[int, int]
    ahead: Sequence[int]
    start: int

    @property
    def bound(self) -> int:
        return self.start + self.ahead[0]


@dataclass(slots=True)
class _Search:
    """The best plan so far, the bound that no plan is under, and the steps taken."""

    value: int
    path: _Path = None
    bound: int = 0
    steps: int = 0

    def offer(self, value: int, path: _Path) -> None:
        if value < self.value:
            self.value, self.path = value, path

    @property
    def done(self) -> bool:
        return self.bound >= self.value


def least(
    choices: Sequence[Sequence[Choice]],
    prices: Callable[[int], int],
    used: Iterable[int] = (),
    most_steps: int = MOST_STEPS,
) -> Least:
    """`choices[k]`: the reads that hold place k, as `Permitted.choices` gives them. `prices`: of a read by its length,
    ns. `used`: lengths that are taken already.

    Steps are bounded by `most_steps` and some rounds over all choices.
    """
    field = _field(choices, prices, used)
    search = _Search(value=(len(choices) + 1) * field.equal)
    tolls, _ = _relaxed(field, dict.fromkeys(field.prices, 0), search)
    if not search.done and field.breadth <= most_steps:
        stand_ins = _stand_ins(field)
        _explore(field, tolls, stand_ins, search, most_steps // 10)
        tolls = _raised(field, tolls, search, most_steps // 3)
        _explore(field, tolls, stand_ins, search, most_steps - search.steps)
    equal, ns = divmod(search.value, field.equal)
    by_length = [{choice.read.content_bytes: choice for choice in found} for found in choices]
    path = [by_length[place][length] for place, length in _walk(search.path)]
    return Least(tuple(reversed(path)), equal, ns, search.done, search.steps)


def _field(choices: Sequence[Sequence[Choice]], price: Callable[[int], int], used: Iterable[int]) -> _Field:
    reach = [[(choice.read.content_bytes, choice.following) for choice in found] for found in choices]
    prices = {length: price(length) for found in reach for length, _ in found}
    later = [0] * (len(choices) + 1)
    for place in range(len(choices) - 1, -1, -1):
        later[place] = later[place + 1]
        for length, _ in reach[place]:
            later[place] |= 1 << length
    taken = sum(1 << length for length in set(used) & prices.keys())
    return _Field(reach, prices, later, 1 + len(choices) * max(prices.values(), default=0), taken)


def _relaxed(field: _Field, of: Mapping[int, int], search: _Search) -> tuple[_Tolls, Mapping[int, int]]:
    """The cheapest way with tolls and no price on equal lengths: what it says of every rest, and each length's uses."""
    charges = {length: price + of[length] for length, price in field.prices.items()}
    rest, best = [0] * (len(field.reach) + 1), [(0, 0)] * len(field.reach)
    for place in range(len(field.reach) - 1, -1, -1):
        rest[place], best[place] = min(
            (charges[length] + rest[following], (length, following)) for length, following in field.reach[place]
        )
    search.steps += field.breadth
    ahead = [rest[place] - _sum(of, later) for place, later in enumerate(field.later)]
    tolls = _Tolls(of, ahead, _sum(of, field.used))
    search.bound = max(search.bound, tolls.bound)
    return tolls, _taken(field, best, search)


def _taken(field: _Field, best: Sequence[tuple[int, int]], search: _Search) -> Mapping[int, int]:
    uses: dict[int, int] = {}
    path: _Path = None
    place = value = 0
    while place < len(best):
        length, following = best[place]
        value += field.prices[length] + (field.equal if length in uses or field.used >> length & 1 else 0)
        uses[length] = uses.get(length, 0) + 1
        path, place = (place, length, path), following
    search.offer(value, path)
    return uses


def _raised(field: _Field, tolls: _Tolls, search: _Search, most_steps: int) -> _Tolls:
    """The tolls with the highest bound that was found, going up as Polyak's subgradient method does."""
    kept, of, stride, stale, end = tolls, tolls.of, Fraction(1), 0, search.steps + most_steps
    while search.steps < end and not search.done and stride >= SHORTEST:
        tolls, uses = _relaxed(field, of, search)
        kept, stale = (tolls, 0) if tolls.bound > kept.bound else (kept, stale + 1)
        excess = {n: uses.get(n, 0) - (not field.used >> n & 1) for n in of if n in uses or of[n]}
        norm = sum(more * more for more in excess.values())
        if norm == 0:
            break
        step = stride * (search.value - tolls.bound) / norm
        of = {n: min(max(0, toll + int(step * excess.get(n, 0))), field.equal) for n, toll in of.items()}
        if stale == STALE:
            of, stride, stale = kept.of, stride / 2, 0
    return kept


def _explore(
    field: _Field, tolls: _Tolls, stand_ins: Sequence[Mapping[int, int]], search: _Search, most_steps: int
) -> None:
    """Go all ways at once from place to place, the most promising first; leave the rest where steps run short.

    The bound is raised to the lowest of what was left.
    """
    if search.done:
        return
    count, begun, left = len(field.reach), search.steps, search.value
    ways: list[dict[int, _Way]] = [{} for _ in range(count)] + [{0: _Way(search.value, search.value, search.path)}]
    ways[0] = {field.used: _Way(tolls.start, 0, None)}
    for place, reach in enumerate(field.reach):
        upto = begun + most_steps * (place + 1) // count
        kept = _unbeaten(field, stand_ins[place], ways[place], search, upto)
        ways[place].clear()
        for number, (used, way) in enumerate(kept):
            if number and search.steps > upto:
                left = min(left, way.charged + tolls.ahead[place])
                break
            search.steps += len(reach)
            for following, lengths, further in _onward(field, tolls, place, used, way):
                known = ways[following].get(lengths)
                bound = further.charged + tolls.ahead[following]
                if bound < search.value and (known is None or further.charged < known.charged):
                    ways[following][lengths] = further
    search.offer(ways[-1][0].value, ways[-1][0].path)
    search.bound = max(search.bound, min(left, search.value))


def _unbeaten(
    field: _Field, stand_ins: Mapping[int, int], ways: Mapping[int, _Way], search: _Search, upto: int
) -> list[tuple[int, _Way]]:
    """The ways without those that another is never worse than, the most promising first.

    They are compared with the cheapest of them, as only a cheaper one can be that other; half the steps go into it.
    """
    kept: list[tuple[int, _Way]] = []
    upto = (search.steps + upto) // 2
    for used, way in sorted(ways.items(), key=lambda pair: (pair[1].value, pair[0])):
        if search.steps > upto or not _beaten(field, stand_ins, used, way, kept):
            kept.append((used, way))
        search.steps += len(kept) if search.steps <= upto else 0
    return sorted(kept, key=lambda pair: (pair[1].charged, pair[1].value, pair[0]))


def _onward(field: _Field, tolls: _Tolls, place: int, used: int, way: _Way) -> Iterator[tuple[int, int, _Way]]:
    """Every next step of a way: where it leads, the lengths used that may come again, and the way."""
    for length, following in field.reach[place]:
        again = used >> length & 1
        price = field.prices[length] + (field.equal if again else 0)
        lengths = used | 1 << length
        gone = lengths & ~field.later[following]
        charged = way.charged + price + (0 if again else tolls.of[length]) - (_sum(tolls.of, gone) if gone else 0)
        yield following, lengths ^ gone, _Way(charged, way.value + price, (place, length, way.path))


def _beaten(
    field: _Field, stand_ins: Mapping[int, int], used: int, way: _Way, kept: Sequence[tuple[int, _Way]]
) -> bool:
    """Whether one that is kept is never worse."""
    return any(
        other.value + _at_worst(field, stand_ins, more & ~used, used & ~more) <= way.value for more, other in kept
    )


def _at_worst(field: _Field, stand_ins: Mapping[int, int], own: int, free: int) -> int:
    """What lengths that are used up can cost more than those that are free instead: the dearest first, each its next
    shorter or else its next longer stand-in, or an equal length and so the shortest that does.
    """
    cost = 0
    for length in _falling(own):
        fit = free & stand_ins[length]
        if not fit:
            cost += field.equal + field.prices[_lowest(stand_ins[length])] - field.prices[length]
            continue
        shorter, longer = fit & (1 << length) - 1, fit >> length << length
        taken = shorter.bit_length() - 1 if shorter else _lowest(longer)
        free ^= 1 << taken
        cost += max(0, field.prices[taken] - field.prices[length])
    return cost


def _stand_ins(field: _Field) -> list[dict[int, int]]:
    """By place and length: the lengths of which, wherever a later read has that length, another brings no less."""
    found: list[dict[int, int]] = [{} for _ in field.later]
    now: dict[int, int] = {}
    for place in range(len(field.reach) - 1, -1, -1):
        farthest: dict[int, int] = {}
        for length, following in field.reach[place]:
            farthest[following] = farthest.get(following, 0) | 1 << length
        no_less = 0
        for following in sorted(farthest, reverse=True):
            no_less |= farthest[following]
            now |= {length: now.get(length, -1) & no_less for length in _falling(farthest[following])}
        found[place] = dict(now)
    return found


def _sum(of: Mapping[int, int], lengths: int) -> int:
    return sum(of[length] for length in _falling(lengths))


def _falling(numbers: int) -> Iterator[int]:
    while numbers:
        highest = numbers.bit_length() - 1
        yield highest
        numbers ^= 1 << highest


def _lowest(numbers: int) -> int:
    return (numbers & -numbers).bit_length() - 1


def _walk(path: _Path) -> Iterator[tuple[int, int]]:
    while path is not None:
        place, length, path = path
        yield place, length
