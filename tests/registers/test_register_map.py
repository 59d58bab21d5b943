"""Maps as people write them: what is taken, and each fault at its place."""

import pytest

from tallywell.readings.problems import Problem
from tallywell.registers.quantity import ByteOrder, Kind, Limits, RegisterMap, Table, WordOrder
from tallywell.registers.register_map import parse_map

HEAD = "map: bench\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\n"
BOOKS = (
    "forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, for_the_books: yes, "
    "capacity: 4294967296}"
)
WITHOUT_DIGITS = BOOKS.replace(", capacity: 4294967296", "")


def parsed(*quantities: str, head: str = HEAD) -> tuple[RegisterMap | None, tuple[Problem, ...]]:
    return parse_map(head + "quantities:\n" + "".join(f"  {quantity}\n" for quantity in quantities), "bench.yaml")


def good(*quantities: str, head: str = HEAD) -> RegisterMap:
    found, problems = parsed(*quantities, head=head)
    assert problems == ()
    assert found is not None
    return found


def faults(*quantities: str, head: str = HEAD) -> list[str]:
    """Each problem as its line shows it, without the file's name. The first quantity stands on line 6."""
    return [str(problem).removeprefix("bench.yaml:") for problem in parsed(*quantities, head=head)[1]]


def test_defaults() -> None:
    found = good(BOOKS)
    assert found.limits == Limits(125, 1_000_000_000, 0, 0, 0)
    assert found.quantities["forward_total"].byte_order is ByteOrder.HIGH_BYTE_FIRST
    assert found.books is not None
    assert found.books.capacity == 2**32
    assert good("flow_rate: {table: input, register: 0, type: float32, unit: gpm}").books is None


def test_a_quantity_may_have_an_order_of_its_own() -> None:
    found = good(
        BOOKS,
        "level: {table: holding, register: 0x10, type: float32, unit: m, byte_order: low_byte_first, "
        "word_order: low_word_first}",
    )
    level = found.quantities["level"]
    assert (level.table, level.register) == (Table.HOLDING, 16)
    assert (level.word_order, level.byte_order) == (WordOrder.LOW_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST)
    assert found.quantities["forward_total"].word_order is WordOrder.HIGH_WORD_FIRST


def test_a_total_of_any_name_counts_when_it_has_one_count() -> None:
    found = good(BOOKS, "since_service: {table: input, register: 8, type: uint32, one_count: 1 m3, capacity: 65536}")
    assert found.quantities["since_service"].kind is Kind.TOTAL
    assert found.quantities["since_service"].capacity == 65536
    assert [total.name for total in found.totals] == ["forward_total", "since_service"]


def test_bits_may_stand_on_an_unsigned_type() -> None:
    status = good("status: {table: input, register: 0, type: uint32, bits: {31: tamper}}").quantities["status"]
    assert (status.kind, status.words, status.bits[0].number) == (Kind.BITS, 2, 31)


def test_limits_are_read() -> None:
    head = (
        HEAD
        + "limits: {words_per_read: 8, longest_delay: 300 ms, pause: 0.02 s, padding: 3, ready_after_power_up: 30 s}\n"
    )
    assert good(BOOKS, head=head).limits == Limits(8, 300_000_000, 20_000_000, 3, 30_000_000_000)


@pytest.mark.parametrize(
    ("quantity", "expected"),
    [
        (
            (
                "forward_total: {table: input, register: 2, type: uint32, one_count: 100 gpm, "
                "digits: 8, for_the_books: yes}"
            ),
            '6:71: quantity "forward_total": one_count must be a volume (got "100 gpm"); did you mean "100 gal"?',
        ),
        (
            (
                "forward_total: {table: input, register: 65535, type: uint32, one_count: 1 gal, "
                "digits: 8, for_the_books: yes}"
            ),
            (
                '6:43: quantity "forward_total": register: its 2 words reach past the last register, 65535 on the wire '
                '(got "65535"); correct the register or the type'
            ),
        ),
        (
            "forward_total: {table: input, register: 2, type: float32, one_count: 1 L, digits: 6, for_the_books: yes}",
            '6:3: quantity "forward_total" needs "unit" (the volume of 1.0); add "unit: gal"',
        ),
        (
            "forward_total: {table: input, register: 2, type: float32, unit: L, one_count: 1 L, for_the_books: yes}",
            '6:3: quantity "forward_total" needs "digits" (a float does not say where it goes round); add "digits: 8"',
        ),
        (
            (
                "forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, offset: 5, "
                "digits: 8, for_the_books: yes}"
            ),
            (
                '6:86: quantity "forward_total": offset has no meaning for a total (got "5"); remove it; '
                "a first count is noted when a meter is installed"
            ),
        ),
        (
            "forward_total: {table: input, register: 2, type: uint16, one_count: 1 gal, digits: 5, for_the_books: yes}",
            (
                '6:86: quantity "forward_total": digits is more than uint16 can count (65,535 at most) (got "5"); '
                "write at most 4 digits, or remove it: the capacity is then 65,536"
            ),
        ),
        (
            "forward_total: {table: input, register: 2, type: uint32, one_count: 1 L, digits: 010, for_the_books: yes}",
            (
                '6:84: quantity "forward_total": digits must be a whole number without leading zeros (got "010"); '
                'write "10"'
            ),
        ),
        (
            (
                "forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, unit: gal, "
                "digits: 8, for_the_books: yes}"
            ),
            (
                '6:84: quantity "forward_total": unit has no meaning for an integer total (got "gal"); '
                "remove it; one_count says what a count is"
            ),
        ),
        (
            "forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal}",
            '6:3: no total is for the books; add "for_the_books: yes" to the one that the reports are made from',
        ),
        (
            "forward_total: {table: input, register: 2, type: uint32, digits: 8, for_the_books: yes}",
            '6:3: quantity "forward_total" needs "one_count" (the volume of one count); add "one_count: 100 gal"',
        ),
        (
            "flow_rate: {table: input, register: 2, type: uint16, unit: GPM}",
            '6:62: quantity "flow_rate": unit must be a unit of flow rate (got "GPM"); did you mean "gpm"?',
        ),
        (
            "flow_rate: {table: input, register: 2, type: uint16}",
            '6:3: quantity "flow_rate" needs "unit"; add "unit: gpm"',
        ),
        (
            "flow_rate: {table: inputs, register: 2, type: uint16, unit: gpm}",
            (
                '6:22: quantity "flow_rate": table must be one of holding, input, coil, discrete (got "inputs"); '
                'did you mean "input"?'
            ),
        ),
        (
            "flow_rate: {register: 2, type: uint16, unit: gpm}",
            '6:3: quantity "flow_rate" needs "table"; add "table: holding" or "table: input" (or coil, or discrete)',
        ),
        (
            "flow_rate: {table: input, register: 2, typ: uint16, unit: gpm}",
            '6:42: quantity "flow_rate": unknown key "typ"; did you mean "type"?',
        ),
        (
            "flow_rate: {table: input, register: 2, type: uint16, unit: gpm, digits: 4}",
            '6:75: quantity "flow_rate": digits belongs to a total only (got "4"); remove it',
        ),
        (
            "flow_rate: {table: input, register: 2, type: uint16, unit: gpm, valid: {from: 9, to: 2 gpm}}",
            (
                '6:88: quantity "flow_rate": valid.to is below from, so that nothing is valid (got "2 gpm"); '
                "write the lower number as from"
            ),
        ),
        (
            "flow_rate: {table: input, register: 2, type: uint16, unit: gpm, no_value: [0xFFFF, 0x1FFFF]}",
            '6:86: quantity "flow_rate": no_value.2 must be a whole number from 0 to 65535 (got "0x1FFFF")',
        ),
        (
            "status: {table: input, register: 2, type: bits, bits: {0: power, 16: wet}}",
            '6:68: quantity "status": bits: a bit is a whole number from 0 to 15 (got "16"); count from the lowest bit',
        ),
        (
            "status: {table: input, register: 2, type: bits, bits: {0: power, 3: {name: wet, means: dry}}}",
            '6:90: quantity "status": bits.3.means must be one of not_counting, suspect, information (got "dry")',
        ),
        (
            "status: {table: input, register: 2, type: bits, bits: {0: power, 3: power}}",
            '6:71: quantity "status": bits.3: "power" names another bit; name each bit once',
        ),
        ("status: 5", '6:11: quantity "status" must be a group of keys (got "5"); such as {register: 0, type: uint32}'),
    ],
)
def test_one_fault_is_one_message_at_its_place(quantity: str, expected: str) -> None:
    assert faults(quantity) == [expected]


def test_two_totals_for_the_books_are_one_too_many() -> None:
    second = BOOKS.replace("forward_total", "reverse_total").replace("2", "6", 1)
    assert faults(BOOKS, second) == [
        (
            '7:95: quantity "reverse_total": for_the_books: "forward_total" is for the books already (got "yes"); '
            "keep one: two totals would count the same water twice"
        )
    ]


def test_warnings_stop_nothing() -> None:
    found, problems = parsed(
        WITHOUT_DIGITS.replace("uint32", "int32"), "flow_rte: {table: input, register: 0, type: uint16}",
        "reverse_total: {table: input, register: 8, type: float32, unit: gal, one_count: 1 gal, digits: 8}",
    )  # fmt: skip
    assert found is not None
    assert [str(problem) for problem in problems] == [
        (
            'bench.yaml:6:3: warning: quantity "forward_total" is taken to go round at 2,147,483,648, as it is signed '
            'and has no digits; add "digits: 8", as on the face of the meter'
        ),
        'bench.yaml:7:3: warning: quantity "flow_rte" will only be shown; did you mean "flow_rate"?',
        (
            'bench.yaml:8:98: warning: quantity "reverse_total": digits is finer than float32 can tell: near the last '
            'count one step is 8 counts (got "8"); the reports carry that step; read an integer total if there is one'
        ),
    ]


def test_an_unsigned_total_for_the_books_without_digits_is_asked_for_them() -> None:
    found, problems = parsed(WITHOUT_DIGITS)
    assert found is not None
    assert [str(problem) for problem in problems] == [
        (
            'bench.yaml:6:3: warning: quantity "forward_total" is taken to go round at 4,294,967,296, as it has no '
            'digits; add "digits: 8", as on the face of the meter; or "capacity: 4294967296", if the manual says so'
        )
    ]


def test_a_register_inside_another_quantity_is_named() -> None:
    float_at_one = "flow_rate: {table: input, register: 1, type: float32, unit: gpm}"
    found, problems = parsed(BOOKS, float_at_one)
    assert found is not None
    assert [str(problem) for problem in problems] == [
        (
            'bench.yaml:6:43: warning: quantity "forward_total": register lies inside "flow_rate", which has 2 words '
            '(got "2"); correct one of the register numbers or types'
        )
    ]
    assert not parsed(BOOKS, float_at_one.replace("input", "holding"))[1]  # another table
    assert not parsed(BOOKS, "raw: {table: input, register: 2, type: uint32}")[1]  # the same words shown twice


def test_every_register_inside_another_quantity_is_named() -> None:
    """Whatever else stands there, and at the low part where that is what lies inside."""
    tag = "tag: {table: input, register: 40, type: text, words: 8}"
    split = (
        "split: {table: input, register: 60, type: uint16, one_count: 1 L, digits: 4, "
        "low_part: {register: 46, type: uint16, capacity: 10000}}"
    )
    _, problems = parsed(BOOKS, tag, "one: {table: input, register: 41, type: uint16}", split)
    assert [problem.what for problem in problems] == [
        'quantity "one": register lies inside "tag", which has 8 words',
        'quantity "split": low_part.register lies inside "tag", which has 8 words',
    ]


def test_two_parts_overlap_whatever_else_is_there() -> None:
    total = (
        "split: {table: input, register: 40, type: uint32, one_count: 1 L, digits: 4, "
        "low_part: {register: %d, type: uint32, capacity: 10000}}"
    )
    for register in (39, 40, 41):
        found, problems = parsed(
            BOOKS,
            "a: {table: input, register: 40, type: uint16}",
            total % register,
            "b: {table: input, register: 41, type: uint16}",
        )
        assert found is None
        assert 'quantity "split": low_part.register: the two parts overlap' in [problem.what for problem in problems]


def test_the_head_of_a_map() -> None:
    head = "map: bench\nrevision: two\nnumbering: wire\nworld_order: high_word_first\nbyte_order: ABCD\n"
    assert faults(BOOKS, head=head) == [
        '2:11: revision must be a whole number from 1 to 999999 (got "two")',
        '3:12: numbering must be one of on_the_wire, one_based, data_model (got "wire")',
        '4:1: unknown key "world_order"; did you mean "word_order"?',
        '5:13: byte_order must be one of high_byte_first, low_byte_first (got "ABCD")',
    ]


def test_a_value_takes_two_requests_at_most() -> None:
    one_a_read = HEAD + "limits: {words_per_read: 1}\n"
    assert faults(BOOKS, head=one_a_read) == []
    assert faults(BOOKS, "high: {table: input, register: 9, type: uint64, unit: V}", head=one_a_read) == [
        (
            '5:26: limits.words_per_read: "high" has 4 words and is read in two requests at most (got "1"); '
            'write at least "2"'
        )
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "bench.yaml:1:1: the file must be a group of keys (got nothing); such as {map: inline-a, revision: 1, "),
        ("- 1\n", "bench.yaml:1:1: the file must be a group of keys (got a list)"),
        ("map: bench\n\tquantities: 1\n", "bench.yaml:2:1: a tab stands here; indent with spaces"),
    ],
)
def test_what_is_no_map_at_all(text: str, expected: str) -> None:
    found, problems = parse_map(text, "bench.yaml")
    assert found is None
    assert len(problems) == 1
    assert str(problems[0]).startswith(expected)


# --- numbers that another numbering printed


def numbered(numbering: str, *quantities: str) -> list[str]:
    """What is said of a map with this numbering and these places of quantities of one word, bits where they say so."""
    lines = [
        f"  q{k}: {{{place}{'' if 'type' in place else ', type: int16, unit: V'}}}\n"
        for k, place in enumerate(quantities)
    ]
    text = HEAD.replace("on_the_wire", numbering) + "quantities:\n" + "".join(lines)
    return [str(problem) for problem in parse_map(text, "bench.yaml")[1]]


BITS_AT_17 = "register: 17, type: bits, bits: {0: on}"


@pytest.mark.parametrize("numbering", ["on_the_wire", "one_based"])
@pytest.mark.parametrize(
    "places",
    [
        ("register: 40101", "register: 30105"),
        ("register: 40101", BITS_AT_17),
        ("table: holding, register: 400101", "table: coil, " + BITS_AT_17),
        ("register: 400101",),
    ],
)
def test_numbers_of_the_data_model_under_another_numbering_are_one_fault(
    numbering: str, places: tuple[str, ...]
) -> None:
    (said,) = numbered(numbering, *places)
    assert said.startswith("bench.yaml:3:12: numbering: the registers are numbered as the data model has them")
    assert said.endswith(f'(got "{numbering}"); write "numbering: data_model"')


def test_with_a_table_such_numbers_may_be_meant_so_that_is_a_warning() -> None:
    (said,) = numbered("on_the_wire", "table: holding, register: 40101", "table: input, register: 30011")
    assert said == (
        "bench.yaml:3:12: warning: numbering: the registers are numbered as the data model has them, 40101 for one "
        '(got "on_the_wire"); write "numbering: data_model" if the manual prints 30001 or 40001 for the first'
    )


@pytest.mark.parametrize(
    "places",
    [
        ("table: holding, register: 40101", "table: holding, register: 7"),
        ("table: input, register: 40101",),
        ("table: holding, register: 50101",),
        ("table: coil, " + BITS_AT_17,),
        ("table: holding, register: 101",),
    ],
)
def test_other_numbers_are_taken_as_they_are(places: tuple[str, ...]) -> None:
    assert numbered("one_based", *places) == []


def test_small_numbers_under_the_data_model_are_one_fault() -> None:
    (said,) = numbered("data_model", "register: 101", "register: 103")
    assert said == (
        "bench.yaml:3:12: numbering: by the data model 101 is a coil, which is a single bit, and no quantity is of "
        'bits (got "data_model"); write 40101 for a holding register, 30101 for an input register; or "numbering: '
        'one_based" or "on_the_wire", with a table for each'
    )


def test_a_small_number_among_others_is_a_fault_of_its_own() -> None:
    (said,) = numbered("data_model", "register: 40101", "register: 103")
    assert said == (
        'bench.yaml:7:18: quantity "q1": register: is a coil by its number, which is a single bit (got "103"); write '
        '40103 for a holding register, 30103 for an input register; or "type: bits"'
    )
    (said,) = numbered("data_model", "register: 40101", "table: holding, register: 103")
    assert said.endswith('(got "103"); write 40103 for this holding register, or "table: coil"')


# --- one slip, one message


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("one_cuont: 100 gal", 'unknown key "one_cuont"; did you mean "one_count"?'),
        (
            "unit: 100 gal",
            (
                'unit has no meaning for an integer total (got "100 gal"); '
                'write "one_count: 100 gal": one_count says what a count is'
            ),
        ),
    ],
)
def test_one_slip_of_a_total_is_one_message(keys: str, said: str) -> None:
    total = f"  forward_total: {{table: input, register: 2, type: uint32, {keys}, digits: 8, for_the_books: yes}}\n"
    _, problems = parse_map(f"{HEAD}quantities:\n{total}", "bench.yaml")
    (problem,) = problems
    assert f"{problem.what}; {problem.do}".startswith('quantity "forward_total": ')
    assert str(problem).endswith(said)
