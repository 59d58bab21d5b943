"""The sample maps against recorded words (tests/data/registers), whose meaning was worked out apart from all this."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml

from tallywell.readings.exchange import BIT_FUNCTIONS, Read
from tallywell.readings.total import Total
from tallywell.registers.blocks import plain_reads, read_sets, reads
from tallywell.registers.decode import Decoded, Value, bringing, decode
from tallywell.registers.quantity import Kind, RegisterMap
from tallywell.registers.register_map import parse_map

MAPS = Path(__file__).parents[2] / "configs" / "maps"
RECORDED = Path(__file__).parents[1] / "data" / "registers"
NAMES = sorted(path.name for path in MAPS.glob("*.yaml"))


def sample(name: str) -> RegisterMap:
    found, problems = parse_map((MAPS / name).read_text(), name, lambda base: (MAPS / base).read_text())
    assert [problem for problem in problems if not problem.warning] == []
    assert found is not None
    return found


@dataclass(frozen=True, slots=True)
class Recording:
    """What a line recorder kept of one meter at one moment, and what it says."""

    map_name: str
    title: str
    heard: tuple[tuple[Read, bytes], ...]
    values: Mapping[str, Mapping[str, Any]]
    not_counting: frozenset[str]
    suspect: frozenset[str]

    def content(self, plan: tuple[Read, ...]) -> bytes:
        """What the same registers would have brought in other reads; what was kept twice, in the order it came."""
        return b"".join(self._cut(read, plan[:number].count(read)) for number, read in enumerate(plan))

    def _cut(self, wanted: Read, times_before: int) -> bytes:
        size = 1 if wanted.function in BIT_FUNCTIONS else 16
        there: dict[int, list[int]] = {}
        for read, content in self.heard:
            for k in range(read.words if read.function == wanted.function else 0):
                there.setdefault(read.register + k, []).append((_number(read, content) >> size * k) & ((1 << size) - 1))
        kept = [there[wanted.register + k] for k in range(wanted.words)]
        number = sum(each[min(times_before, len(each) - 1)] << size * k for k, each in enumerate(kept))
        return _content(wanted, number)


def _number(read: Read, content: bytes) -> int:
    """The registers as digits of one number, the lowest register lowest."""
    if read.function in BIT_FUNCTIONS:
        return int.from_bytes(content, "little")
    return sum(int.from_bytes(content[2 * k : 2 * k + 2], "big") << 16 * k for k in range(read.words))


def _content(read: Read, number: int) -> bytes:
    if read.function in BIT_FUNCTIONS:
        return number.to_bytes(read.content_bytes, "little")
    return b"".join((number >> 16 * k & 0xFFFF).to_bytes(2, "big") for k in range(read.words))


def recordings() -> Iterator[Recording]:
    for path in sorted(RECORDED.glob("*.yaml")):
        written = yaml.load(path.read_text(), Loader=yaml.BaseLoader)  # a SafeLoader; all values stay text
        for title, one in written["recordings"].items():
            heard = tuple(
                (Read(int(r["function"]), int(r["register"]), int(r["words"])), bytes.fromhex(r["content"]))
                for r in one["reads"]
            )
            yield Recording(
                written["map"], title, heard, one["values"], frozenset(one["not_counting"]), frozenset(one["suspect"])
            )


ALL = list(recordings())
EACH = pytest.mark.parametrize("recording", ALL, ids=[f"{one.map_name[:-5]}-{one.title}" for one in ALL])


def said(value: Value) -> dict[str, object]:
    """A decoded value in the words of the recordings, everything exact."""
    if value.fault is not None:
        shown = {} if value.number is None else {"number": value.number}
        return {"fault": value.fault.value, **shown}
    if value.total is not None:
        assert value.scale is not None
        assert _is_volume_of(value, value.total, value.scale.one_count_m3)
        return {"total": value.total, "one_count_m3": value.scale.one_count_m3, "capacity": value.scale.capacity}
    if value.about.kind is Kind.BITS:
        return {"bits": value.bits}
    out: dict[str, object] = {}
    if value.number is not None:
        out["number"] = value.number
    if value.si is not None:
        out["si"] = value.si
    if value.about.kind in (Kind.TEXT, Kind.ENUMERATION):
        out["text"] = value.text
    if value.about.expected:
        out["as_expected"] = value.as_expected
    return out


def _is_volume_of(value: Value, total: Total, one_count_m3: Fraction) -> bool:
    """The exact volume beside the counts: a float's lies within a count of them."""
    assert value.si is not None
    exact = value.si / one_count_m3
    return total.low - 1 <= exact <= total.high + 1 if value.about.type.is_float else exact == total.count


def expected(written: Mapping[str, Any]) -> dict[str, object]:
    out: dict[str, object] = {}
    if "count" in written:
        out["total"] = Total(int(written["count"]), int(written["low"]), int(written["high"]))
    for key, value in written.items():
        if key in ("number", "si", "one_count_m3"):
            out[key] = Fraction(value)
        elif key == "capacity":
            out[key] = int(value)
        elif key == "bits":
            out[key] = frozenset(value)
        elif key == "as_expected":
            out[key] = value == "yes"
        elif key == "text":
            out[key] = None if value == "none" else value
        elif key == "fault":
            out[key] = value
    return out


def agree(recording: Recording, decoded: Decoded) -> None:
    assert set(decoded.values) == set(recording.values)
    for name, written in recording.values.items():
        assert said(decoded.values[name]) == expected(written), name
    assert decoded.not_counting == recording.not_counting
    assert decoded.suspect == recording.suspect


@EACH
def test_recorded_words_say_what_was_worked_out(recording: Recording) -> None:
    plan = tuple(read for read, _ in recording.heard)
    raw = b"".join(content for _, content in recording.heard)
    agree(recording, decode(sample(recording.map_name), plan, (1 << len(plan)) - 1, raw))


def by_rhythm(register_map: RegisterMap) -> tuple[Read, ...]:
    """All reads of a point that is polled once a minute: those of each poll first."""
    return tuple(read for one in read_sets(register_map, 60 * 10**9) for read in reads(register_map, one.names))


@EACH
@pytest.mark.parametrize("planned", [reads, plain_reads, by_rhythm])
def test_the_planned_reads_bring_the_same(recording: Recording, planned: Any) -> None:
    register_map = sample(recording.map_name)
    plan = planned(register_map)
    agree(recording, decode(register_map, plan, (1 << len(plan)) - 1, recording.content(plan)))
    books = register_map.books
    assert books is not None
    assert 0 in bringing(register_map, plan, books)


def test_every_sample_map_has_recordings_of_rest_flow_the_last_counts_and_a_fault() -> None:
    assert len(NAMES) >= 12
    for name in NAMES:
        mine = [one for one in ALL if one.map_name == name]
        assert {"idle"} < {one.title for one in mine}, name
        assert len(mine) >= 4, name
        faulty = any("fault" in value for one in mine for value in one.values.values())
        assert faulty or any(one.not_counting or one.suspect for one in mine), name
        assert any(_is_last(value) for one in mine for value in one.values.values()), name
    assert {one.map_name for one in ALL} == set(NAMES)


def _is_last(value: Mapping[str, Any]) -> bool:
    return "high" in value and int(value["high"]) == int(value["capacity"]) - 1


@pytest.mark.parametrize("name", NAMES)
def test_each_sample_says_at_its_head_that_it_is_invented(name: str) -> None:
    head = (MAPS / name).read_text().splitlines()[0]
    assert head.startswith(("# An invented meter", "# The same meter")), head
