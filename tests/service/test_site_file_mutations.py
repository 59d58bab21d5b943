"""Whatever is in the two files, the answer is problems or a site, never an exception."""

import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.registers.blocks import reads
from tallywell.registers.decode import decode
from tallywell.registers.register_map import parse_map
from tallywell.service.site_file import parse_site

CONFIGS = Path(__file__).parents[2] / "configs"
SITE = (CONFIGS / "quail-flat.yaml").read_text()
MAPS = {f"maps/{path.name}": path.read_text() for path in sorted((CONFIGS / "maps").glob("*.yaml"))}
SEED = 20260701
CASES = 1000
PIECES: list[str] = [
    *"{}[]:,#&*!|>%@`'\"-?\t\n ~\0\x85\u2028\ud7ff\ufeff",
    "---\n", "...\n", "*a", "&a ", "!!python/object:os.system ", "<<: ", "\r\n", "\\U99999999", '"\\x', "%YAML 9.9\n",
    "NO", "010", "1:30", "12e3", "-1", "0", "1e999", "-1e-999", "9" * 60, "1/0", "nan", "inf", ".inf", "0x",
    "0xFFFFFFFFFFFFFFFF", "65535", "65536", "1/3", "100 gpm", "1e999 gal", "1e-999 gal", "0 gal", "gal", "8 in",
    "2025-02-30", "02-29", "0001-01-01", "9999-12-31", "float32", "float64", "int16", "int64", "uint64", "bits",
    "bits32", "holding", "input", "yes", "one_based", "data_model", "forward_total", "net_total", "status", "flow_rate",
    "America", "../../etc/passwd", "localtime", "\u0663", "\u00bd", "名",
]  # fmt: skip


def mutate(text: str, rng: random.Random) -> str:
    """A few edits of the kinds that slips and hostile hands make."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        edit: Callable[[str, random.Random], str] = rng.choice(EDITS)
        text = edit(text, rng)
    return text


def with_piece(text: str, rng: random.Random) -> str:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(PIECES) + text[at:]


def without_stretch(text: str, rng: random.Random) -> str:
    at = rng.randrange(len(text) + 1)
    return text[:at] + text[at + rng.randrange(1, 40) :]


def with_stretch_twice(text: str, rng: random.Random) -> str:
    at, there = rng.randrange(len(text) + 1), rng.randrange(len(text) + 1)
    return text[:there] + text[at : at + rng.randrange(1, 40)] + text[there:]


def with_word_replaced(text: str, rng: random.Random) -> str:
    words = list(re.finditer(r"[^\s{}\[\],:]+", text))
    if not words:
        return text
    word, other = rng.choice(words), rng.choice(words)
    piece: str = rng.choice([*PIECES, other[0]])
    return text[: word.start()] + piece + text[word.end() :]


def without_line(text: str, rng: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    gone = rng.randrange(len(lines) + 1)
    return "".join(line for k, line in enumerate(lines) if k != gone)


EDITS = (with_piece, without_stretch, with_stretch_twice, with_word_replaced, without_line)


@pytest.mark.parametrize("part", range(2))
def test_a_damaged_site_file_is_answered_with_problems_or_a_site(part: int) -> None:
    rng = random.Random(SEED + part)
    print("seed", SEED + part)
    whole = 0
    for _ in range(CASES // 3):
        text = mutate(SITE, rng)
        site, problems = parse_site(text, "site.yaml", MAPS.__getitem__)
        assert (site is None) == any(not problem.warning for problem in problems), text
        assert all(problem.line >= 1 and problem.column >= 1 and "\n" not in str(problem) for problem in problems), text
        if site is not None:
            whole += 1
            assert all(point.possible_rate.si > 0 and point.every_ms >= 1000 for point in site.points.values())
    assert whole > 0, "no mutation left a whole site: they are too rough to test what is accepted"


@pytest.mark.parametrize("name", sorted(MAPS))
def test_a_damaged_map_is_answered_with_problems_or_a_map_that_reads_any_words(name: str) -> None:
    rng = random.Random(f"{SEED} {name}")
    print("seed", SEED, name)
    whole = 0
    for _ in range(CASES):
        text = mutate(MAPS[name], rng)
        found, problems = parse_map(text, name)
        assert (found is None) == any(not problem.warning for problem in problems), text
        assert all("\n" not in str(problem) for problem in problems), text
        if found is not None:
            whole += 1
            plan = reads(found)
            words = rng.randbytes(sum(2 * read.words for read in plan))
            decoded = decode(found, plan, (1 << len(plan)) - 1, words)
            assert set(decoded.values) == set(found.quantities)
            assert all(value.shown for value in decoded.values.values())
    assert whole > 0
