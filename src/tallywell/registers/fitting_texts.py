"""Words and a text that the meter shows -> from which register on and in which orders they are that text."""

from dataclasses import dataclass
from itertools import product

from tallywell.registers.quantity import ByteOrder, Quantity, WordOrder
from tallywell.registers.texts import text_of_words


@dataclass(frozen=True, slots=True)
class TextMatch:
    """`register` on the wire; `words`: as many as are left blank behind the text are its own."""

    register: int
    words: int
    word_order: WordOrder
    byte_order: ByteOrder


def text_matches(words: bytes, register: int, shown: str, mapped: Quantity | None) -> list[TextMatch]:
    """All places and orders in which words, the first of which stands at `register`, are this text; the nearest to what
    the map says first. Of one place and order the longest.
    """
    count = len(words) // 2
    found = []
    for first, word_order, byte_order in product(range(count), WordOrder, ByteOrder):
        for length in range(count - first, max(1, (len(shown) + 1) // 2) - 1, -1):
            if text_of_words(words[2 * first : 2 * (first + length)], word_order, byte_order) == shown:
                found.append(TextMatch(register + first, length, word_order, byte_order))
                break
    told_apart = [match for match in found if match.words > 1 or match.word_order is WordOrder.HIGH_WORD_FIRST]
    return sorted(told_apart, key=lambda match: _distance(match, mapped))


def _distance(match: TextMatch, mapped: Quantity | None) -> tuple[int, ...]:
    usual = (WordOrder.HIGH_WORD_FIRST, ByteOrder.HIGH_BYTE_FIRST)
    word_order, byte_order = usual if mapped is None else (mapped.word_order, mapped.byte_order)
    away = 0 if mapped is None else abs(match.register - mapped.register)
    return match.word_order is not word_order, match.byte_order is not byte_order, away, match.register
