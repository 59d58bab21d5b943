"""The commands about maps, as a person at a desk types them."""

from pathlib import Path

import pytest

from tallywell.commandline import main
from tallywell.service.files import load_map

CONFIGS = Path(__file__).parents[2] / "configs"
MAPS = sorted((CONFIGS / "maps").glob("*.yaml"))
INLINE = str(CONFIGS / "maps" / "inline-a.yaml")
WAFER = str(CONFIGS / "maps" / "wafer-e.yaml")
TEE, TEE_2 = (str(CONFIGS / "maps" / name) for name in ("tee-k.yaml", "tee-k-2.yaml"))


class Said:
    """What a command printed, and its exit code."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *words: str) -> None:
        try:
            self.code = main(["map", *words])
        except SystemExit as ended:
            self.code = int(ended.code or 0)
        self.out, complaints = capsys.readouterr()
        self.err = complaints.replace("\n  ", " ")  # a message that is wider than the screen goes on below itself

    @property
    def lines(self) -> list[str]:
        return [" ".join(line.split()) for line in self.out.splitlines()]


# --- the group


def test_the_parts_are_listed_and_a_wrong_one_is_answered_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    listed = Said(capsys, "--help")
    assert listed.code == 0
    assert [line.split()[0] for line in listed.out.split("commands:\n")[1].splitlines()] == [
        "show", "diff", "try", "tidy",
    ]  # fmt: skip
    assert Said(capsys).code == 2
    wrong = Said(capsys, "shwo", INLINE)
    assert (wrong.code, wrong.err) == (2, "tallywell map: there is no command 'shwo'; did you mean 'show'?\n")


@pytest.mark.parametrize("words", [("show",), ("diff", INLINE), ("tidy",), ("try", "--words", "0001 86A0")])
def test_a_site_file_in_the_place_of_a_map_is_said_to_be_one(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, *words, str(CONFIGS / "quail-flat.yaml"))
    assert said.code == 1
    assert "this is a site file, where a register map is wanted" in said.err
    assert said.err.count("\n") == 1


def test_a_map_in_the_place_of_a_site_file_is_said_to_be_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", INLINE]) == 1
    assert "this is a register map, where a site file is wanted" in capsys.readouterr().out


def test_a_map_that_is_not_there_gets_a_suggestion(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "show", INLINE.replace("inline", "inlien"))
    assert said.code == 1
    assert 'the register map cannot be read: no such file or directory; did you mean "inline-a.yaml"?' in said.err


# --- show


@pytest.mark.parametrize("path", MAPS, ids=lambda path: path.name)
def test_every_sample_is_shown_with_each_of_its_quantities(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = load_map(path).map
    if found is None:
        pytest.skip("at fault: its own tests say so")
    said = Said(capsys, "show", str(path))
    assert said.code == 0
    for quantity in found.quantities.values():
        assert sum(line.startswith(f"{quantity.name} ") for line in said.lines) >= 2
    assert max(map(len, said.out.splitlines()[1:])) <= 110


def test_what_is_shown_of_a_quantity(capsys: pytest.CaptureFixture[str]) -> None:
    lines = Said(capsys, "show", WAFER).lines
    assert "forward_total input 3 30004 uint32 2 low_word_first" in lines
    assert "alarms discrete 0 10001 bits 12 bits" in lines
    at = lines.index("forward_total scale_from: total_scale; one_count: 10 gal; capacity: 10^7; direction: forward;")
    assert lines[at + 1] == "resettable: no; for_the_books: yes; display: 7 digits of 10 gal; every: poll"
    assert "longest_delay 250 ms" in lines
    assert "pause 0 s" in lines


def test_a_low_part_is_shown_as_the_map_counts_and_as_on_the_wire(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, "show", awkward(tmp_path))
    at = said.lines.index("forward_total input 10 11 uint32 2 high_word_first")
    assert said.lines[at + 1] == "its low part input 12 13 float32 2 high_word_first"
    assert "By which reads, registers as on the wire" in said.lines


def test_what_takes_two_requests_is_shown_and_said(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "show", str(CONFIGS / "maps" / "sluice-r.yaml"))
    assert "holding 12 to 13 (2 words), again" in said.lines
    assert "holding 22 (1 word), again" in said.lines
    assert "forward_total and reverse_total take two requests each" in said.out
    assert "two requests" not in Said(capsys, "show", INLINE).out


def test_a_variant_shows_its_base_and_what_it_changes(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "show", TEE_2)
    assert said.lines[0] == f"tee-k-2 (1): {TEE_2}, based on {TEE}; numbering on_the_wire"
    changed = said.lines[said.lines.index(f"What is changed of {TEE}") + 1 :]
    assert changed[:2] == ["left out reverse_total, pulse_width", "forward_total.one_count 10 L -> 1 gal"]


# --- diff


def test_a_long_status_word_that_came_or_went_keeps_to_the_width(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_bits, without = tmp_path / "after.yaml", awkward(tmp_path)
    names = ", ".join(f"{k}: condition_of_bit_{k}" for k in range(16))
    with_bits.write_text(f"{AWKWARD}  alarms: {{table: holding, register: 20, type: bits, bits: {{{names}}}}}\n")
    said = Said(capsys, "diff", without, str(with_bits))
    assert max(map(len, said.out.splitlines())) <= 100
    assert "15 condition_of_bit_15" in said.out


def test_the_same_map_and_another(capsys: pytest.CaptureFixture[str]) -> None:
    same = Said(capsys, "diff", INLINE, INLINE)
    assert (same.code, same.lines) == (0, ["inline-a (2) -> inline-a (2)", "both mean the same"])
    other = Said(capsys, "diff", TEE, TEE_2)
    assert other.code == 1
    assert "removed: reverse_total (input 4, uint32, 10 L)" in other.lines
    assert "one_count 10 L -> 1 gal" in other.lines
    assert "What it does to volumes:" in other.lines


def test_a_difference_that_leaves_volumes_alone_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(Path(INLINE).read_text().replace("words_per_read: 32", "words_per_read: 30"))
    said = Said(capsys, "diff", INLINE, str(other))
    assert said.code == 1
    assert said.lines[1:] == ["limits:", "words_per_read 32 -> 30", "", "Volumes do not change by it."]


# --- try


def test_words_are_shown_as_a_reading_is(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "0001 86A0")
    assert said.code == 0
    assert said.lines == [
        "inline-a (2): 2 words from input 2 on",
        "taken to begin at forward_total; --register or --quantity says otherwise",
        "quantity value raw words register",
        "forward_total 10,000,000 gal 0001 86A0 input 2",
        "the face should show 00100000, if it shows the register as it is",
    ]


def test_the_face_of_a_scaled_total_has_room_for_the_greatest_factor(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "bench.yaml").write_text("""\
map: bench
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  exponent:      {table: input, register: 0, type: int16, valid: {from: 0, to: 3}}
  forward_total: {table: input, register: 1, type: uint16, one_count: 1 gal, digits: 4, exponent_from: exponent,
                  for_the_books: yes}
""")
    said = Said(capsys, "try", str(tmp_path / "bench.yaml"), "--register", "0", "--words", "0002 04D2")
    # cut or rounded to hundreds, so that the face may show any of these
    assert said.lines[-1] == "the face should show 0123350 to 0123499, if it shows the register as it is"


def test_many_words_from_a_register_as_the_map_counts(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", WAFER, "--register", "30001", "--decimal", "--words", "2 16384 0 1 2")
    assert said.code == 0
    assert said.lines[0] == "wafer-e (3): 5 words from input 0 (30001 as the map counts) on"
    assert "flow_rate 1,230 gpm 4000 input 1" in said.lines
    assert "forward_total: is multiplied by total_scale, which is not among these" in said.lines


def test_bits_of_discrete_inputs(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", WAFER, "--quantity", "alarms", "--bits", "1000 0100 0001")
    assert said.code == 0
    assert "alarms empty_pipe_seen, cover_open, coil_broken, clock_lost 2108 discrete 0" in said.lines


def test_an_odd_number_is_shown_in_the_other_arrangements(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "86A0 0001")
    assert "forward_total looks odd (out of range). The same words in other arrangements:" in said.lines
    assert "uint32 low_word_first 100,000 10,000,000 gal" in said.lines


@pytest.mark.parametrize(
    ("words", "shows", "to_write"),
    [
        ("86A0 0001", "100000", "forward_total: {word_order: low_word_first}"),
        ("0010 0000", "100000", "forward_total: {type: bcd, words: 2}"),
        ("000A 0000", "100000", "forward_total: {type: modulo_10000, words: 2}"),
        ("A086 0100", "100000", "forward_total: {word_order: low_word_first, byte_order: low_byte_first}"),
        ("0000 0001 86A0", "100000", "forward_total: {register: 3}"),
        ("47C3 5000", "100000", "forward_total: {type: float32}, and with unit: the volume of 1.0"),
        ("0001 86A0", "100,000 gal", "forward_total: {one_count: 1 gal}"),
        ("0001 86A0", "378,541.1 L", "forward_total: {one_count: 1 gal}"),
        (
            "0001 0000 0237",
            "65536567",
            "forward_total: {low_part: {register: 4, type: uint16, capacity: 1000}}",
        ),
        (
            "CD15 075B",
            "123456789",
            "forward_total: {word_order: low_word_first}, and with digits: 9 or more",
        ),
        (
            "04D2 0237",
            "1234567",
            (
                "forward_total: {type: uint16, low_part: {register: 3, type: uint16, capacity: 1000}}, "
                "and with fewer digits, as it goes round at 65,536,000"
            ),
        ),
    ],
)
def test_a_display_says_what_to_write(
    words: str, shows: str, to_write: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, "try", INLINE, "--words", words, "--should-be", shows)
    assert said.code == 1
    assert "forward_total does not agree with the display" in said.out or "too few words" in said.out
    assert said.lines[said.lines.index("To write in the map:") + 1] == to_write
    if ", and " not in to_write:
        assert_agrees(tmp_path, to_write, words, shows, capsys)


def assert_agrees(folder: Path, to_write: str, words: str, shows: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A variant that says what was to be written; the same words, from the same register, give the display."""
    (folder / "inline-a.yaml").write_bytes(Path(INLINE).read_bytes())
    variant = folder / "variant.yaml"
    variant.write_text(f"map: variant\nrevision: 1\nbased_on: inline-a.yaml\nquantities:\n  {to_write}\n")
    said = Said(
        capsys, "try", str(variant), "--words", words, "--should-be", shows, "--register", "2", "--table", "input"
    )
    assert (said.code, said.err) == (0, "")


def test_where_only_the_multiplier_differs_the_unit_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "0012 D687", "--should-be", "1234.567")
    assert said.code == 1
    assert said.lines[-2:] == [
        "Register, type and order of forward_total are right; what one count is, or the map's display, is not:",
        'type the unit with the number, such as --should-be "100 gal".',
    ]


def test_what_is_said_to_be_written_makes_the_map_agree(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mended = tmp_path / "mended.yaml"
    text = Path(INLINE).read_text()
    mended.write_text(
        text.replace("register: 2, type: uint32,", "register: 2, type: uint32, word_order: low_word_first,")
    )
    said = Said(capsys, "try", str(mended), "--words", "86A0 0001", "--should-be", "100000")
    assert said.code == 0
    assert said.lines[-1] == "forward_total agrees with the display (100,000): the map is right here."


def test_a_display_that_nothing_gives(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "0001 86A0", "--should-be", "7654321")
    assert said.code == 1
    assert "and no type, order or register among these words gives it." in said.out
    assert "Only the words of input 2 to 3 were searched" in said.out


AWKWARD = """map: awkward
revision: 1
numbering: one_based
word_order: high_word_first
quantities:
  forward_total:
    {table: input, register: 11, type: uint32, one_count: 1 L, digits: 9, for_the_books: yes,
     low_part: {register: 13, type: float32, capacity: 1000}}
  exponent: {table: input, register: 15, type: int16}
  flow_rate: {table: input, register: 16, type: int32, unit: L/s, exponent_from: exponent}
  trip: {table: holding, register: 5, type: bcd, words: 3, word_order: low_word_first, one_count: 10 L, digits: 8,
         scale_from: multiplier}
  multiplier: {table: holding, register: 8, type: uint16, valid: {from: 10, to: 1000}}
"""


def awkward(folder: Path) -> str:
    path = folder / "awkward.yaml"
    path.write_text(AWKWARD)
    return str(path)


def test_a_total_of_two_registers_keeps_its_low_part(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sent = ("--words", "E240 0001 F5C3 3F28", "--should-be", "123456.660 m3")
    said = Said(capsys, "try", awkward(tmp_path), *sent)
    assert said.lines[-2:] == ["To write in the map:", "forward_total: {word_order: low_word_first}"]


def test_a_display_is_compared_with_what_has_its_kind_of_unit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = ("--words", "0001 E240 3F28 F5C3 FFFE 0000 0539", "--should-be", "13.37 L/s")
    said = Said(capsys, "try", awkward(tmp_path), *sent)
    assert said.code == 0
    assert said.lines[-1] == "flow_rate agrees with the display (13.37 L/s): the map is right here."


def test_a_kind_of_unit_that_nothing_there_has_is_no_quantity_of_the_map(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = ("--words", "0000 0539", "--register", "16", "--table", "input", "--should-be", "1337 gal")
    said = Said(capsys, "try", awkward(tmp_path), *sent)
    assert "The display: 1,337 gal. " in said.out
    assert "flow_rate: {" not in said.out


@pytest.mark.parametrize(
    ("multiplier", "why"),
    [("", "it is not among these words"), (" 0A00", "here it reads 2,560 (out of range)")],
)
def test_where_only_the_factor_is_missing_or_wrong_it_is_named(
    multiplier: str, why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sent = ("--quantity", "trip", "--words", f"5678 1234 0000{multiplier}", "--should-be", "1234567.8 m3")
    said = Said(capsys, "try", awkward(tmp_path), *sent)
    assert said.code == 1
    assert said.lines[-1] == f"trip is right where multiplier reads 100; {why}."
    assert "holding 5 bcd, 3 words low_word_first 12,345,678 the number x 100 L" in said.lines


def test_words_where_the_map_has_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "0001", "--register", "700", "--table", "input")
    assert said.code == 1
    assert said.lines[1] == "no quantity of the map lies here; of input it has input 0 to 1, input 2 to 3, input 4 to 5"


def test_too_few_words(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, "--words", "0001")
    assert said.code == 1
    assert said.lines[-1] == "forward_total: too few words; it has 2 from input 2 on, and 1 is given"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--words", "00G1"), "'00G1' is no word; a word has four hexadecimal digits"),
        (("--words", "34464 1"), "add --decimal if these are decimal numbers"),
        (("--words", "0001", "--register", "x"), "--register must be a whole number (got 'x')"),
        (
            ("--words", "0001", "--register", "70000"),
            "--register 70000 with numbering on_the_wire a register is 0 to 65535",
        ),
        (("--words", "0001", "--register", "7"), "say --table, as the map has several"),
        (("--words", "0001", "--quantity", "forward"), "the map has no quantity 'forward'; did you mean"),
        (("--words", "0001 0002", "--register", "65535", "--table", "input"), "leave the range 0 to 65535"),
        (("--words", "0001", "--register", "7", "--table", "coil"), "the coil table holds bits: give them by --bits"),
        (("--bits", "1", "--quantity", "status"), "the holding table holds words: give them by --words"),
        (("--bits", "1"), "the map has no coils and discrete inputs; say --register and --table"),
        (("--words", "0001", "--should-be", "0"), "--should-be zero words are zero in every arrangement"),
        (("--words", "0001", "--should-be", "7 kg"), "--should-be 'kg' is no unit"),
    ],
)
def test_first_errors(words: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", INLINE, *words)
    assert said.code == 2
    assert said.err.startswith("tallywell map try: ")
    assert says in said.err
    assert said.err.count("\n") == 1


# --- a text


ELBOW = str(CONFIGS / "maps" / "elbow-g.yaml")


@pytest.mark.parametrize(
    ("words", "shows", "code", "said_last"),
    [
        ("412D 3137 0000 0000", "A-17", 0, "serial_number agrees with the display (A-17): the map is right here."),
        ("3030 3137 0000 0000", "0017", 0, "serial_number agrees with the display (0017): the map is right here."),
        (
            "2D41 3731 0000 0000", "A-17", 1,
            "serial_number: {register: 107, type: text, words: 4, byte_order: low_byte_first}",
        ),
        ("0000 412D 3137 0000", "A-17", 1, "serial_number: {register: 108, type: text, words: 3}"),
        ("412D 3137 0000 0000", "B-17", 1, "Give the words beside them, too."),
    ],
)  # fmt: skip
def test_a_text_that_the_plate_shows(
    words: str, shows: str, code: int, said_last: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said = Said(capsys, "try", ELBOW, "--quantity", "serial_number", "--words", words, "--should-be", shows)
    assert (said.code, said.lines[-1]) == (code, said_last)


def test_a_text_where_the_map_has_none(capsys: pytest.CaptureFixture[str]) -> None:
    said = Said(capsys, "try", ELBOW, "--words", "412D 3137 0000", "--should-be", "A-17")
    assert said.lines[-1] == "{table: input, register: 1, type: text, words: 3}"
    bits = Said(capsys, "try", WAFER, "--bits", "101", "--should-be", "A-17")
    assert bits.lines[-1] == "a text is in no bit; leave out --should-be"


# --- tidy


@pytest.mark.parametrize("path", MAPS, ids=lambda path: path.name)
def test_every_sample_is_tidied_to_the_same_map(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for file in MAPS:
        (tmp_path / file.name).write_bytes(file.read_bytes())
    mine = tmp_path / path.name
    before = load_map(mine).map
    if before is None:
        pytest.skip("at fault: its own tests say so")
    printed = Said(capsys, "tidy", str(mine))
    assert printed.code == 0
    assert mine.read_bytes() == path.read_bytes(), "only printed"
    assert Said(capsys, "tidy", str(mine), "--write").code == 0
    assert mine.read_text() == printed.out
    assert load_map(mine).map == before
    again = Said(capsys, "tidy", str(mine), "--write")
    assert again.out == f"{mine} is tidy\n"
    assert sorted(file.name for file in tmp_path.iterdir()) == [file.name for file in MAPS]


def test_the_rewritten_file_keeps_its_rights_and_a_link_to_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, link = tmp_path / "real.yaml", tmp_path / "link.yaml"
    file.write_text(Path(INLINE).read_text())
    file.chmod(0o640)
    link.symlink_to(file)
    assert Said(capsys, "tidy", str(link), "--write").code == 0
    assert link.is_symlink()
    assert file.stat().st_mode & 0o777 == 0o640
    assert file.read_text() != Path(INLINE).read_text()


def test_a_faulty_map_is_refused_with_its_problems(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "faulty.yaml"
    file.write_text(Path(INLINE).read_text().replace("uint32", "unit32"))
    said = Said(capsys, "tidy", str(file), "--write")
    assert said.code == 1
    assert said.err.count('did you mean "uint32"?') == 2
    assert "unit32" in file.read_text()


def test_a_folder_that_may_not_be_written_is_one_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "map.yaml"
    file.write_text(Path(INLINE).read_text())

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.NamedTemporaryFile", refused)
    said = Said(capsys, "tidy", str(file), "--write")
    assert said.code == 1
    assert said.err == (
        f"tallywell map tidy: {file} cannot be rewritten: permission denied; look at who may write in its folder\n"
    )
