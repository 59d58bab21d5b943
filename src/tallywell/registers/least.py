"""The cheapest way through the reads of one table, by its proof or within a bound of work."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tallywell.registers.permitted import Choice

FIRST_WIDTH = 8  # for a plan to measure others by
MOST_STEPS = 200_000  # choices looked at in all


@dataclass(frozen=True, slots=True)
class Least:
    """`equal`: how many reads have a length that another read has already. `steps`: choices that were looked at."""

    path: tuple[Choice, ...]
    equal: int
    ns: int
    proven: bool
    steps: int


# A way as far as one place: what it cost, and its choices, the last first.
_Path = tuple[Choice, "_Path"] | None


@dataclass(frozen=True, slots=True)
class _Field:
    """`prices` of a read by its length; `rest[k]` the least that the places from k on can cost; `later[k]` the lengths
    (bit n = n bytes) of their reads; `equal` the price of an equal length, above that of any plan.
    """

    choices: Sequence[Sequence[Choice]]
    prices: Mapping[int, int]
    rest: Sequence[int]
    later: Sequence[int]
    equal: int


def least(choices: Sequence[Sequence[Choice]], request_ns: int, byte_ns: int, most_steps: int = MOST_STEPS) -> Least:
    """The plan with the fewest equal lengths and, among those, the least cost.

    `choices[k]`: the reads that hold place k, as `Permitted.choices` gives them.
    """
    field = _field(choices, request_ns, byte_ns)
    widest = most_steps // max(1, sum(map(len, choices)))
    best, steps, open_from = None, 0, 0
    for width in (min(FIRST_WIDTH, max(1, widest)), widest):
        if width < 1 or (best is not None and best[0] <= open_from):
            break
        found, more, open_from = _through(field, width, best)
        best, steps = found, steps + more
    assert best is not None, "each place has a read"
    value, path = best
    equal, ns = divmod(value, field.equal)
    return Least(tuple(_walk(path))[::-1], equal, ns, value <= open_from, steps)


def _field(choices: Sequence[Sequence[Choice]], request_ns: int, byte_ns: int) -> _Field:
    lengths = {choice.read.content_bytes for found in choices for choice in found}
    prices = {length: request_ns + byte_ns * length for length in lengths}
    rest, later = [0] * (len(choices) + 1), [0] * (len(choices) + 1)
    for k in range(len(choices) - 1, -1, -1):
        rest[k] = min(prices[c.read.content_bytes] + rest[c.following] for c in choices[k])
        later[k] = later[k + 1]
        for choice in choices[k]:
            later[k] |= 1 << choice.read.content_bytes
    return _Field(choices, prices, rest, later, 1 + len(choices) * max(prices.values(), default=0))


def _through(field: _Field, width: int, best: tuple[int, _Path] | None) -> tuple[tuple[int, _Path], int, int]:
    count = len(field.choices)
    ways: list[dict[int, tuple[int, _Path]]] = [{} for _ in range(count + 1)]
    ways[0][0] = (0, None)
    limit = best[0] if best else (count + 1) * field.equal
    steps, left_open = 0, limit
    for k in range(count):
        kept = _kept(ways[k], field.equal, width)
        if len(kept) > width:
            left_open = min(left_open, kept[width][1][0] + field.rest[k])
        for used, (value, path) in kept[:width]:
            for choice in field.choices[k]:
                steps += 1
                length, following = 1 << choice.read.content_bytes, choice.following
                price = value + field.prices[choice.read.content_bytes] + (field.equal if used & length else 0)
                if price + field.rest[following] >= limit:
                    continue
                now = (used | length) & field.later[following]
                known = ways[following].get(now)
                if known is None or price < known[0]:
                    ways[following][now] = (price, (choice, path))
        ways[k].clear()
    ends = [*ways[count].values(), *([best] if best else [])]
    return min(ends, key=lambda way: way[0]), steps, left_open


def _kept(ways: Mapping[int, tuple[int, _Path]], equal: int, width: int) -> list[tuple[int, tuple[int, _Path]]]:
    """The cheapest first, without those that another is never worse than; no more than one beyond the width."""
    kept: list[tuple[int, tuple[int, _Path]]] = []
    for used, way in sorted(ways.items(), key=lambda pair: (pair[1][0], pair[0])):
        if not any(other[0] + equal * (more & ~used).bit_count() <= way[0] for more, other in kept):
            kept.append((used, way))
            if len(kept) > width:
                break
    return kept


def _walk(path: _Path) -> Iterator[Choice]:
    while path is not None:
        choice, path = path
        yield choice
