"""What lines carry and how long totals last, worked by hand; and what is warned of."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read
from tallywell.readings.problems import Problem
from tallywell.registers.quantity import ONCE, SETTINGS, Limits, RegisterMap, Rhythm, Wake
from tallywell.registers.register_map import parse_map
from tallywell.service.durations import at_least, exactly, in_words
from tallywell.service.foreseen import foresee
from tallywell.service.outlook import USUAL_TURNAROUND_NS, LineOutlook, outlook, wire_of
from tallywell.service.site import Site
from tallywell.service.site_file import parse_site
from tallywell.written.located import read_document

MS = 1_000_000
HOUR_NS = 3_600_000 * MS
SITE = """\
site: Two Willows
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/a, baud: 19200}
wells:
  north: {called: North well}
points:
  north: {well: north, line: field, address: 17, map: a.yaml, every: 1 min, possible_rate: 1200 gpm}
  east: {well: north, line: field, address: 18, map: a.yaml, every: 30 s, possible_rate: 600 gpm}
"""
MAP = """\
map: meter-a
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 100 ms}
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 9, for_the_books: yes}
  voltage:       {table: holding, register: 40, type: uint16, unit: 0.1 V}
"""


def map_of(text: str = MAP, limits: Limits | None = None) -> RegisterMap:
    found, problems = parse_map(text, "a.yaml")
    assert found is not None, problems
    return found if limits is None else replace(found, limits=limits)


def judged(site: str = SITE, map_text: str = MAP) -> tuple[Site | None, list[Problem]]:
    found, problems = parse_site(site, "site.yaml", {"a.yaml": map_text}.__getitem__)
    return found, list(problems)


def site_of(text: str = SITE, register_map: RegisterMap | None = None) -> Site:
    """The site; `register_map` in place of each point's own, for what no text says."""
    site, problems = judged(text)
    assert site is not None, problems
    if register_map is None:
        return site
    return replace(site, points={name: replace(p, map=register_map) for name, p in site.points.items()})


def foreseen(site: Site, text: str = SITE) -> list[str]:
    document = read_document(text, "site.yaml")
    foresee(document, site)
    return [str(problem) for problem in sorted(document.problems)]


def only(texts: list[str]) -> str:
    assert len(texts) == 1, texts
    return texts[0]


def field_line(site: Site) -> LineOutlook:
    (line,) = outlook(site)
    return line


# --- wire time: a character is 11 bits with parity or two stop bits (Modbus over Serial Line V1.02, 2.5.1), frames are
# --- 3.5 characters apart, and 1.750 ms above 19,200 baud (2.5.1.1)

FOUR_WORDS, ONE_WORD = Read(4, 0, 4), Read(3, 40, 1)


def wire_ms(settings: LineSettings, limits: Limits, *plan: Read) -> tuple[float, float]:
    wire = wire_of(map_of(limits=limits), plan, settings)
    return wire.usual_ns / MS, wire.longest_ns / MS


def test_wire_time_at_19200_baud() -> None:
    """Asked with 8 bytes each; answered with 5 + 8 and 5 + 2; 4 silences of 3.5 characters: 50 characters of 11 bits
    are 550 bits, 28.646 ms at 19,200 baud. The turnaround comes twice. At the longest delay of 100 ms, which counts
    from the request's last bit, it takes the place of silence and turnaround: 43 characters, 24.635 ms, and 200 ms.
    """
    usual, longest = wire_ms(LineSettings("", 19_200), Limits(longest_delay_ns=100 * MS), FOUR_WORDS, ONE_WORD)
    assert usual == pytest.approx(28.646 + 2 * USUAL_TURNAROUND_NS / MS, abs=0.001)
    assert longest == pytest.approx(24.635 + 200, abs=0.001)


def test_wire_time_with_a_fixed_silence() -> None:
    """115,200 baud: 21 characters of 11 bits are 2.005 ms; two silences of 1.750 ms."""
    usual, _ = wire_ms(LineSettings("", 115_200), Limits(), FOUR_WORDS)
    assert usual == pytest.approx(2.005 + 3.5 + USUAL_TURNAROUND_NS / MS, abs=0.001)


def test_wire_time_of_shorter_characters() -> None:
    """9,600 baud, no parity and one stop bit: 28 characters of 10 bits are 29.167 ms."""
    usual, _ = wire_ms(LineSettings("", 9_600, "none", 1), Limits(), FOUR_WORDS)
    assert usual == pytest.approx(29.167 + USUAL_TURNAROUND_NS / MS, abs=0.001)


def test_a_meter_whose_longest_delay_is_short_answers_within_it() -> None:
    """5 ms from the request's last bit, of which 2.005 ms are the silence."""
    usual, longest = wire_ms(LineSettings("", 19_200), Limits(longest_delay_ns=5 * MS), FOUR_WORDS)
    assert usual == longest == pytest.approx(24.5 * 11 / 19.2 + 5, abs=0.001)


def test_a_pause_takes_the_place_of_the_silence_before_a_request() -> None:
    line = LineSettings("", 19_200)
    without, _ = wire_ms(line, Limits(), FOUR_WORDS, ONE_WORD)
    shorter, _ = wire_ms(line, Limits(pause_ns=2 * MS), FOUR_WORDS, ONE_WORD)
    longer, _ = wire_ms(line, Limits(pause_ns=20 * MS), FOUR_WORDS, ONE_WORD)
    assert shorter == without
    assert longer - without == pytest.approx(2 * (20 - 3.5 * 11 / 19.2), abs=0.001)


def test_bytes_both_ways() -> None:
    wire = wire_of(map_of(), (FOUR_WORDS, ONE_WORD, Read(2, 0, 9)), LineSettings("", 19_200))
    assert (wire.sent, wire.answered) == (24, 13 + 7 + 7)  # nine bits are two bytes (V1.1b3, 6.2)


@pytest.mark.parametrize(("window_ms", "wakes"), [(10_000, 1), (300, 2), (10, 4)])
def test_a_sleeping_meter_is_woken_before_a_pass_and_where_its_window_ends(window_ms: int, wakes: int) -> None:
    """Four exchanges of 28 characters and 20 ms, 36.0 ms each, after a wait of 200 ms: the last begins after 308 ms."""
    plan = (FOUR_WORDS, Read(4, 10, 4), Read(4, 20, 4), Read(4, 30, 4))
    settings, asleep = LineSettings("", 19_200), map_of()
    awake_ns = wire_of(asleep, plan, settings).usual_ns
    wake = Wake(Read(3, 0, 1), 200 * MS, window_ms * MS)
    wire = wire_of(replace(asleep, wake=wake), plan, settings)
    assert wire.sent == 8 * (len(plan) + wakes)
    assert wire.usual_ns - awake_ns == wakes * (settings.wire_ns(8) + 200 * MS)


def test_a_read_that_is_answered_as_long_as_the_waking_is_held_back() -> None:
    """Until twice the longest delay and 13 bytes of answer, what the adapter may be late, and a silence."""
    settings, asleep = LineSettings("", 19_200), map_of()
    other = replace(asleep, wake=Wake(Read(3, 0, 4), 40 * MS, 5_000 * MS))
    alike = replace(asleep, wake=Wake(Read(4, 90, 4), 40 * MS, 5_000 * MS))
    plan = (FOUR_WORDS, ONE_WORD)
    more_ns = wire_of(alike, plan, settings).usual_ns - wire_of(other, plan, settings).usual_ns
    late_ms = 2 * (100 + 13 * 11 / 19.2) + settings.latency_ns / MS + 3.5 * 11 / 19.2
    assert more_ns / MS == pytest.approx(late_ms - 40, abs=0.001)


# --- what a line carries


def test_a_cycle_and_the_share_in_use() -> None:
    """Each point takes 28.646 + 40 ms a poll (above); one each minute, the other each half minute."""
    line = field_line(site_of())
    poll_ms = Fraction(550, 19_200) * 1000 + 40
    assert line.cycle_ns / MS == pytest.approx(float(2 * poll_ms), abs=0.001)
    assert line.share == pytest.approx(float(poll_ms / 60_000 + poll_ms / 30_000), rel=1e-6)
    assert line.least_ns == line.cycle_ns
    assert line.points[0].least_ns == line.points[1].least_ns == line.cycle_ns // 2
    longest_ms = Fraction(473, 19_200) * 1000 + 200
    assert line.longest_share == pytest.approx(float(longest_ms / 60_000 + longest_ms / 30_000), rel=1e-6)


def with_rhythm(name: str, rhythm: Rhythm, register_map: RegisterMap) -> RegisterMap:
    quantities = register_map.quantities
    return replace(register_map, quantities={**quantities, name: replace(quantities[name], rhythm=rhythm)})


def test_what_is_read_hourly_is_averaged_in() -> None:
    """The holding read, 22 characters and 20 ms, comes once an hour; the least interval leaves that part to it."""
    hourly = with_rhythm("voltage", Rhythm(HOUR_NS), map_of())
    line = field_line(site_of(register_map=hourly))
    main, rare = line.points[0].sets
    assert (main.every_ns, rare.every_ns, rare.names) == (60_000 * MS, HOUR_NS, ("voltage",))
    assert rare.chosen.usual_ns / MS == pytest.approx(22 * 11 / 19.2 + 20, abs=0.001)
    assert line.points[0].share == Fraction(main.chosen.usual_ns, 60_000 * MS) + Fraction(rare.chosen.usual_ns, HOUR_NS)
    least_ns = line.points[0].least_ns
    assert least_ns is not None
    used = Fraction(main.chosen.usual_ns, least_ns) + Fraction(rare.chosen.usual_ns, HOUR_NS)
    assert used <= 1 < used + Fraction(main.chosen.usual_ns, least_ns - 1) - Fraction(main.chosen.usual_ns, least_ns)


@pytest.mark.parametrize("rhythm", [ONCE, SETTINGS])
def test_what_is_read_at_the_start_or_daily(rhythm: Rhythm) -> None:
    point = field_line(site_of(register_map=with_rhythm("voltage", rhythm, map_of()))).points[0]
    rare = point.sets[1]
    assert rare.share(rare.chosen.usual_ns) == (Fraction(rare.chosen.usual_ns, 24 * HOUR_NS) if rhythm.every_ns else 0)


def test_no_interval_is_possible_where_the_rest_fills_the_line() -> None:
    busy = with_rhythm("voltage", Rhythm(30 * MS), map_of())
    assert field_line(site_of(register_map=busy)).points[0].least_ns is None


def test_the_plain_plan_stands_beside() -> None:
    main = field_line(site_of()).points[0].sets[0]
    assert (len(main.chosen.reads), len(main.plain.reads)) == (2, 3)
    assert main.plain.usual_ns > main.chosen.usual_ns
    assert main.proven


def test_reads_whose_answers_have_one_length() -> None:
    """Two blocks of one word each that nothing joins; a third in another table is told apart by its function."""
    far = MAP + "  current:       {table: holding, register: 400, type: uint16, unit: 0.1 A}\n"
    far += "  status:        {table: input, register: 900, type: bits}\n"
    point = field_line(site_of(register_map=map_of(far))).points[0]
    assert point.alike == ((Read(3, 40, 1), Read(3, 400, 1)),)
    assert field_line(site_of()).points[0].alike == ()


def test_an_hourly_read_may_be_as_long_as_one_of_each_poll() -> None:
    far = MAP + "  current:       {table: holding, register: 400, type: uint16, unit: 0.1 A}\n"
    hourly = with_rhythm("current", Rhythm(HOUR_NS), map_of(far))
    assert len(field_line(site_of(register_map=hourly)).points[0].alike) == 1


# --- how long a total lasts


def test_six_digits_of_one_gallon_at_1200_gpm() -> None:
    """10^6 gal / 1,200 gpm = 833 1/3 min = 50,000 s, which is 13.9 h (derived)."""
    site = site_of(SITE, map_of(MAP.replace("digits: 9", "digits: 6")))
    (found,) = field_line(site).points[0].rounds
    assert found.seconds == 50_000
    assert in_words(found.seconds) == "13 h 53 min"
    assert found.step_m3 is None


def test_the_step_of_a_float_total() -> None:
    """Near 10^9 gal binary32 has steps of 64 (IEEE 754: 2^29 < 10^9 < 2^30, 24 bits of precision, so 2^6)."""
    as_float = MAP.replace("type: uint32, one_count", "type: float32, unit: gal, one_count")
    (found,) = field_line(site_of(SITE, map_of(as_float))).points[0].rounds
    assert found.step_m3 == 64 * found.total.scale.one_count_m3
    as_double = as_float.replace("float32, unit: gal", "float64, unit: gal")
    assert field_line(site_of(SITE, map_of(as_double))).points[0].rounds[0].step_m3 is None


# --- what is foreseen


def test_nothing_is_foreseen_of_a_site_in_order() -> None:
    assert judged()[1] == []


def test_a_total_that_goes_round_within_the_longest_outage() -> None:
    short = MAP.replace("digits: 9", "digits: 6")
    _, problems = judged(map_text=short)
    assert [str(problem) for problem in problems] == [
        (
            'site.yaml:8:55: warning: point "north": map: its forward_total goes round in 13 h 53 min at the possible '
            'rate, sooner than the longest likely outage ends, 7 days (got "a.yaml"); after such an outage nobody can '
            "tell how many times it went round: read a total with more digits, or state the true possible_rate or "
            "longest_outage"
        ),
        (
            'site.yaml:9:54: warning: point "east": map: its forward_total goes round in 1 day 3 h at the possible '
            'rate, sooner than the longest likely outage ends, 7 days (got "a.yaml"); after such an outage nobody can '
            "tell how many times it went round: read a total with more digits, or state the true possible_rate or "
            "longest_outage"
        ),
    ]


def test_a_site_and_a_point_say_how_long_an_outage_can_last() -> None:
    short = MAP.replace("digits: 9", "digits: 6")
    site, problems = judged(SITE.replace("time_zone", "longest_outage: 14 h\ntime_zone"), short)
    assert site is not None
    assert site.longest_outage.si == 14 * 3600
    assert 'point "north"' in only([str(problem) for problem in problems])  # 13.9 h; east lasts 27.8 h
    own = SITE.replace("1200 gpm}", "1200 gpm, longest_outage: 13 h}").replace(
        "600 gpm}", "600 gpm, longest_outage: 0 s}"
    )
    assert judged(own, short)[1] == []


def test_a_total_that_is_not_for_the_books_may_go_round_as_it_likes() -> None:
    trip = MAP + "  trip: {table: input, register: 4, type: uint16, one_count: 1 gal, digits: 4, resettable: yes}\n"
    assert judged(map_text=trip)[1] == []


def test_a_scaled_total_of_which_nothing_says_what_the_face_shows() -> None:
    scaled = MAP.replace("digits: 9", "digits: 8, scale_from: scale")
    scaled += "  scale: {table: input, register: 6, type: uint16, valid: {from: 1, to: 100}}\n"
    face = "display: {one_count: 1 gal, digits: 8}"
    assert judged(map_text=scaled.replace("digits: 8", f"digits: 8, {face}"))[1] == []
    told = [str(problem) for problem in judged(SITE.replace("1200 gpm}", f"1200 gpm, {face}}}"), scaled)[1]]
    assert only(told) == (
        'site.yaml:9:54: warning: point "east": map: its forward_total is scaled by scale, and nothing says what the '
        'face shows (got "a.yaml"); write "display: {one_count: 100 gal, digits: 8}", as the face has it, at the point '
        "or in the map"
    )


def test_the_longest_outage_is_a_duration() -> None:
    site, problems = judged(SITE.replace("time_zone", "longest_outage: 7\ntime_zone"))
    assert site is None
    assert str(problems[0]).startswith("site.yaml:2:17: longest_outage must be a duration")


def often(every: str, baud: str = "19200") -> str:
    return SITE.replace("every: 30 s", f"every: {every}").replace("baud: 19200", f"baud: {baud}")


def of_points(problems: list[Problem]) -> list[str]:
    """Without the warning that 300 baud are unusual."""
    return [str(problem) for problem in problems if "baud is unusual" not in problem.what]


SLOW = MAP.replace("100 ms", "30 s")


def test_a_meter_that_cannot_be_polled_so_often() -> None:
    """A poll is 50 characters (above): at 300 baud 550 bits are 1.833 s. The silence of 128 ms is longer than the
    meter's longest delay, so that no turnaround comes on top.
    """
    site, problems = judged(often("1 s", "300"))
    assert site is None
    faults = [str(problem) for problem in problems if not problem.warning]
    assert only(faults) == (
        'site.yaml:9:69: point "east": every: its meter cannot be polled so often (got "1 s"); the least possible is '
        "1.9 s for this point alone; poll less often, or raise the baud rate"
    )


def test_a_line_that_cannot_carry_all_its_points() -> None:
    """Each poll 1.833 s (above): one each 2 s and one each 4 s are 137.5 % of the line."""
    site, problems = judged(often("2 s", "300").replace("1 min", "4 s"))
    assert site is None
    assert only(of_points(problems)) == (
        'site.yaml:9:69: point "east": every: the meters of this line cannot be polled so often: line "field" would '
        'be in use 138 % of the time (got "2 s"); the least possible is 3.7 s for all points of the line; poll less '
        "often, or raise the baud rate"
    )


def test_no_baud_rate_is_to_be_raised_where_there_is_none() -> None:
    """A meter that takes 3 s to wake cannot be polled each second, whatever its line is."""
    asleep = MAP + "wake: {table: holding, register: 0, words: 1, wait: 3 s, window: 20 s}\n"
    network = often("1 s").replace("{port: /dev/serial/by-path/a, baud: 19200}", "{host: 192.0.2.10}")
    said = [only([str(p) for p in judged(site, asleep)[1] if not p.warning]) for site in (network, often("1 s"))]
    assert [text.endswith("poll less often") for text in said] == [True, False]
    assert ["baud" in text for text in said] == [False, True]


def test_a_line_without_room_to_spare() -> None:
    """1.833 s of every 2.1 s and of every minute: 90.4 %."""
    site, problems = judged(often("2.1 s", "300"))
    assert site is not None
    text = only(of_points(problems))
    assert text.startswith(
        'site.yaml:9:69: warning: point "east": every: line "field" would be in use 90 % of the time'
    )


def test_a_line_that_is_too_slow_where_every_answer_takes_its_time() -> None:
    site, problems = judged(SITE, SLOW)
    assert site is not None
    text = only([str(problem) for problem in problems])
    assert text.startswith(
        'site.yaml:9:69: warning: point "east": every: line "field" would be in use 300 % of the time where every '
        'answer takes its longest delay (got "30 s"); polls will come late'
    )


def test_what_was_accepted_before_is_not_judged_by_its_outlook() -> None:
    maps = {"a.yaml": MAP}
    assert parse_site(often("1 s", "300"), "site.yaml", maps.__getitem__)[0] is None
    site, problems = parse_site(often("1 s", "300"), "site.yaml", maps.__getitem__, ahead=False)
    assert site is not None
    assert not [problem for problem in problems if not problem.warning]


def test_polls_oftener_than_the_registers_change() -> None:
    lazy = map_of(limits=Limits(refresh_ns=45_000 * MS))
    assert only(foreseen(site_of(register_map=lazy))) == (
        'site.yaml:9:69: warning: point "east": every is shorter than the meter takes to renew its registers, 45 s '
        '(got "30 s"); polls in between bring the same words again; write "every: 45 s" or longer'
    )


def test_a_quantity_oftener_than_the_registers_change_is_said_once_for_its_map() -> None:
    lazy = with_rhythm("voltage", Rhythm(10_000 * MS), map_of(limits=Limits(refresh_ns=20_000 * MS)))
    assert only(foreseen(site_of(register_map=lazy))).startswith(
        'site.yaml:8:55: warning: point "north": map: quantity "voltage" is read every 10 s, oftener than the meter '
        'renews its registers, 20 s (got "a.yaml")'
    )


def test_a_quantity_that_is_read_less_often_than_the_registers_change_is_right() -> None:
    slow = with_rhythm("voltage", Rhythm(HOUR_NS), map_of(limits=Limits(refresh_ns=20_000 * MS)))
    assert foreseen(site_of(register_map=slow)) == []


@pytest.mark.parametrize(
    ("wake", "warned"),
    [(Read(4, 30, 4), True), (Read(3, 30, 4), False), (Read(4, 30, 3), False), (Read(4, 0, 4), True)],
)
def test_a_waking_read_that_is_answered_as_long_as_one_that_counts(wake: Read, warned: bool) -> None:
    """The main block is input 0 with 4 words."""
    asleep = replace(map_of(), wake=Wake(wake, 200 * MS, 5_000 * MS))
    found = foreseen(site_of(register_map=asleep))
    assert len(found) == warned
    assert all("an answer as long as one that counts" in text for text in found)


@pytest.mark.parametrize(("window_ms", "over"), [(236, True), (237, False), (100, True)])
def test_a_window_that_is_over_before_a_read_as_long_as_the_waking_may_be_asked(window_ms: int, over: bool) -> None:
    """100 ms longest delay and 13 characters of 11 bits at 19,200 baud, twice, 20 ms of the adapter, 3.5 characters:
    236.9 ms after it.
    """
    asleep = replace(map_of(), wake=Wake(Read(4, 30, 4), 50 * MS, window_ms * MS))
    text = only(foreseen(site_of(register_map=asleep)))
    assert ("is over before that one may be asked" in text) == over
    if window_ms == 100:
        assert text == (
            'site.yaml:8:55: warning: point "north": map: the read that wakes the meter has an answer as long as one '
            'that counts, and the meter\'s window of 0.1 s is over before that one may be asked (got "a.yaml"); wake '
            "with another number of words, or state a window longer than 237 ms if the meter has it"
        )


def test_a_float_total_whose_step_is_longer_than_every() -> None:
    """64 gal (above) take 6.4 s at 600 gpm and 3.2 s at 1,200."""
    as_float = MAP.replace("type: uint32, one_count", "type: float32, unit: gal, one_count")
    _, problems = judged(SITE, as_float)
    assert not [problem for problem in problems if problem.file == "site.yaml"]
    _, problems = judged(often("5 s"), as_float)
    assert only([str(problem) for problem in problems if problem.file == "site.yaml"]) == (
        'site.yaml:9:54: warning: point "east": map: its forward_total is a float32 and moves in steps of 64 US gal '
        'near its capacity, 0.1 min of pumping at the possible rate and longer than every (got "a.yaml"); polls in '
        "between show no flow, and hours and days are cut that coarsely; read an integer total if there is one"
    )


# --- lengths of time in words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        ("59.9", "59 s"), ("60", "1 min"), ("3599", "59 min 59 s"), ("50000", "13 h 53 min"), ("86400", "1 day"),
        ("100000", "1 day 3 h"), ("1166400", "13 days 12 h"), ("18144000", "210 days"), ("31556951", "365 days"),
        ("31556952", "1.0 years"), ("66900000", "2.1 years"), ("4000000000", "126 years"), ("1e30", "over 1,000 years"),
    ],
)  # fmt: skip
def test_a_length_of_time_in_words(seconds: str, words: str) -> None:
    """A year is 365.2425 days, 31,556,952 s (the mean of the Gregorian calendar)."""
    assert in_words(Fraction(seconds)) == words


@pytest.mark.parametrize(
    ("ns", "words"),
    [(1, "1 ms"), (999 * MS, "999 ms"), (999 * MS + 1, "1.0 s"), (1_900 * MS + 1, "2.0 s"), (59_990 * MS, "60 s"),
     (75_000 * MS + 1, "76 s")],
)  # fmt: skip
def test_a_time_not_to_be_undercut(ns: int, words: str) -> None:
    assert at_least(ns) == words


@pytest.mark.parametrize(
    ("ms", "words"), [(60_000, "1 min"), (90_000, "90 s"), (1_500, "1.5 s"), (604_800_000, "7 days"), (0, "0 s")]
)
def test_a_length_of_time_as_it_would_be_written(ms: int, words: str) -> None:
    assert exactly(ms) == words
