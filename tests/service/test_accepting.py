"""What the daemon polls is what `check` foresees, and no plan is polled twice over."""

from pathlib import Path

import pytest

from tallywell.readings.exchange import Read
from tallywell.schedule.jumping_clock import JumpingClock
from tallywell.service.accepting import point_plans
from tallywell.service.files import load_site
from tallywell.service.once import poll_once
from tallywell.service.outlook import outlook
from tallywell.service.site import Site
from tallywell.service.world import World
from tests.service.test_daemon import Stand

HEAD = """\
map: gate
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 100 ms%s}
quantities:
  forward_total: {table: input, register: 0, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""
HOURLY = "  voltage:       {table: input, register: 50, type: uint32, unit: 1 V, every: 1 h}\n"
NEXT = "  spare:         {table: input, register: 52, type: uint16, unit: 1 V, every: 366 day}\n"
SERIAL = "  serial_number: {table: input, register: 3, type: text, words: 3, setting: serial}\n"
CONFIGS = Path(__file__).parents[2] / "configs"


def gate(folder: Path, text: str) -> Stand:
    return Stand(folder, text)


@pytest.mark.parametrize("file", ["bench.yaml", "quail-flat.yaml"])
def test_the_samples_are_polled_as_check_shows(file: str) -> None:
    site = load_site(CONFIGS / file).site
    assert site is not None
    _polled_as_shown(site)


def test_answers_of_two_sets_differ_in_length_where_they_can(tmp_path: Path) -> None:
    """Two words hold the voltage as two hold the total: it is read with the word beside it, as `check` shows."""
    site = gate(tmp_path, HEAD % "" + HOURLY + NEXT).site
    _polled_as_shown(site)
    main, hourly, _ = point_plans(next(iter(site.points.values())))
    assert (main.reads, hourly.reads) == ((Read(4, 0, 2),), (Read(4, 50, 3),))


def _polled_as_shown(site: Site) -> None:
    shown = {
        point.point.name: [each.chosen.reads for each in point.sets] for line in outlook(site) for point in line.points
    }
    assert shown == {name: [plan.reads for plan in point_plans(point)] for name, point in site.points.items()}


ONE_BLOCK = HEAD % ", exact_reads: [{table: input, register: 0, words: 10}]" + SERIAL


def test_sets_that_ask_the_same_are_one_plan(tmp_path: Path) -> None:
    """The meter answers one block only: the settings come with each poll, and are not asked for once more."""
    point = next(iter(gate(tmp_path, ONE_BLOCK).site.points.values()))
    (plan,) = point_plans(point)
    assert (plan.reads, plan.main, plan.every_ns) == ((Read(4, 0, 10),), True, 60_000_000_000)


def test_the_oftener_of_two_plans_that_ask_the_same_is_also_asked_after_silence(tmp_path: Path) -> None:
    text = HEAD % ", exact_reads: [{table: input, register: 0, words: 2}, {table: input, register: 50, words: 9}]"
    text += HOURLY + SERIAL.replace("register: 3", "register: 54")
    main, hourly = point_plans(next(iter(gate(tmp_path, text).site.points.values())))
    assert (main.after_silence, hourly.after_silence) == (False, True)
    assert hourly.every_ns == 3_600_000_000_000


def test_without_a_daemon_each_point_gives_one_row(tmp_path: Path) -> None:
    stand = gate(tmp_path, ONE_BLOCK)
    clock = JumpingClock(stand.clock.utc_ns(), participants=1)
    world = World(clock, clock.boot_id, stand.log.append, stand.port, 60_000_000_000)
    assert len(poll_once(stand.loaded, stand.site, tuple(stand.site.points.values()), world)) == len(stand.site.points)
