"""Whatever is in the two kinds of file, the answer is problems or a site, never an exception, in bounded time.

A part of the campaign is of every run; `pytest -m campaign tests/service/test_site_file_mutations.py -s` makes 100,000.
"""

import random
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.registers.blocks import reads
from tallywell.registers.decode import decode
from tallywell.registers.register_map import parse_map
from tallywell.service.site_file import parse_site

CONFIGS = Path(__file__).parents[2] / "configs"
SITES = {path.name: path.read_text() for path in sorted(CONFIGS.glob("*.yaml"))}
MAPS = {f"maps/{path.name}": path.read_text() for path in sorted((CONFIGS / "maps").glob("*.yaml"))}
SEED = 20260701
ENDLESS_S = 60  # one file of these is judged in milliseconds: this only tells slow from endless
PIECES: list[str] = [
    *"{}[]:,#&*!|>%@`'\"-?\t\n ~\0\x85\u2028\ud7ff\ufeff",
    "---\n", "...\n", "*a", "&a ", "!!python/object:os.system ", "<<: ", "\r\n", "\\U99999999", '"\\x', "%YAML 9.9\n",
    "NO", "010", "1:30", "12e3", "-1", "0", "1e999", "-1e-999", "9" * 60, "1/0", "nan", "inf", ".inf", "0x",
    "0xFFFFFFFFFFFFFFFF", "65535", "65536", "1/3", "100 gpm", "1e999 gal", "1e-999 gal", "0 gal", "gal", "8 in",
    "2025-02-30", "02-29", "0001-01-01", "9999-12-31", "float32", "float64", "int16", "int64", "uint64", "bits",
    "bits32", "bcd", "modulo_10000", "text", "coil", "discrete", "words", "low_part", "exponent_from", "scale_from",
    "based_on", "without", "one_by_one", "exact_reads", "do_not_read", "safe_to_read", "together", "wake", "once",
    "1 h", "2^63", "2^99", "10^8", "10^0", "1/0 gpm", "2500/65535 gpm", "serial", "enumeration", "expected", "suspect",
    "holding", "input", "yes", "one_based", "data_model", "forward_total", "net_total", "status", "flow_rate",
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


def judge_site(name: str, rng: random.Random) -> bool:
    """Whether a mutated site file is still a site; what must hold of it and of its problems is asserted."""
    text = mutate(SITES[name], rng)
    site, problems = parse_site(text, name, MAPS.__getitem__)
    assert (site is None) == any(not problem.warning for problem in problems), text
    assert all(problem.line >= 1 and problem.column >= 1 and "\n" not in str(problem) for problem in problems), text
    if site is not None:
        assert all(point.possible_rate.si > 0 and point.every_ms >= 1000 for point in site.points.values())
    return site is not None


def judge_map(name: str, rng: random.Random) -> bool:
    """Whether a mutated map is still a map; any words at all can then be read by it."""
    text = mutate(MAPS[name], rng)
    found, problems = parse_map(text, name, MAPS.__getitem__)
    assert (found is None) == any(not problem.warning for problem in problems), text
    assert all("\n" not in str(problem) for problem in problems), text
    if found is None:
        return False
    plan = reads(found)
    words = rng.randbytes(sum(read.content_bytes for read in plan))
    decoded = decode(found, plan, (1 << len(plan)) - 1, words)
    assert set(decoded.values) == set(found.quantities), text
    assert all(value.shown for value in decoded.values.values()), text
    return True


def campaign(cases: int, names: list[str], judge: Callable[[str, random.Random], bool], seed: str) -> None:
    """So many mutated files, each name in its turn."""
    rng, whole, slowest = random.Random(seed), 0, (0.0, "")
    for case in range(cases):
        name, before = names[case % len(names)], time.perf_counter()
        whole += judge(name, rng)
        slowest = max(slowest, (time.perf_counter() - before, name))
    print(f"seed {seed!r}: {cases} files, {whole} still whole, the slowest took {slowest[0]:.3f} s ({slowest[1]})")
    assert whole > 0, "no mutation left a whole file: they are too rough to test what is accepted"
    assert slowest[0] < ENDLESS_S


@pytest.mark.parametrize("part", range(2))
def test_a_damaged_site_file_is_answered_with_problems_or_a_site(part: int) -> None:
    campaign(330, sorted(SITES), judge_site, f"{SEED} sites {part}")


@pytest.mark.parametrize("name", sorted(MAPS))
def test_a_damaged_map_is_answered_with_problems_or_a_map_that_reads_any_words(name: str) -> None:
    campaign(250, [name], judge_map, f"{SEED} {name}")


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("part", range(10))
def test_campaign_of_damaged_site_files(part: int) -> None:
    campaign(2_000, sorted(SITES), judge_site, f"{SEED} campaign of sites {part}")


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("part", range(10))
def test_campaign_of_damaged_maps(part: int) -> None:
    campaign(8_000, sorted(MAPS), judge_map, f"{SEED} campaign of maps {part}")
