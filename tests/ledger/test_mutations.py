"""The ledger with one rule broken at a time, in a copy of the source: the tests must notice each.

A mutant is one exact replacement in a file of `src/tallywell/ledger`; where its text is no longer there it is stale,
and the test says so. In every run the mutant meets random months that hold its event; in the campaign the narrow tests
of the room, too.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "src"
NARROW = [
    f"tests/ledger/test_{name}.py"
    for name in ("judge", "fold", "doubt", "changes", "season", "segments", "net", "suspect", "sums", "agreement")
]
SEEDS = 5  # of each event


@dataclass(frozen=True)
class Mutant:
    """`rule` broken by writing `new` for `old` in a file. `events`: months of these notice it; none where the books
    still balance and the bounds hold, so that only a test of the rule itself can tell.
    """

    rule: str
    file: str
    old: str
    new: str
    events: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return f"{self.rule}: {self.new.strip()[:60]}"


MUTANTS = [
    Mutant("rollover", "judge.py", "rounds = 1 if lower and not within_step else 0", "rounds = 0", ("rollover",)),
    Mutant(
        "rollover",
        "judge.py",
        "posted = max(0, total.count - book.count + rounds * capacity)",
        "posted = max(0, total.count - book.count + rounds * (capacity - 1))",
        ("rollover",),
    ),
    Mutant(
        "rollover",
        "judge.py",
        "more_rounds = (room - sure.low) // capacity",
        "more_rounds = 0",
        ("several rounds", "several rounds and an answer"),
    ),
    Mutant(
        "gap", "judge.py", "return 2 * rules.every_ms + rules.every_ms // 10", "return rules.every_ms", ("rollover",)
    ),
    Mutant(
        "gap",
        "judge.py",
        "return Kind.ACROSS_GAP if Flag.GAP in flags else Kind.METERED",
        "return Kind.METERED",
        ("gap of the line",),
    ),
    Mutant(
        "power",
        "doubt.py",
        "if Flag.GAP not in found.flags or not asked.rules.may_stop_unpowered or not",
        "if Flag.GAP not in found.flags or not",
        ("power lost and counting",),
    ),
    Mutant("power", "inside.py", "UNCLEAN_END in self.cause or any(", "any(", ("power lost and not counting",)),
    Mutant(
        "power",
        "doubt.py",
        "kind = found.kind if found.kind in KEPT else Kind.LOWER_BOUND",
        "kind, high = found.kind if found.kind in KEPT else Kind.LOWER_BOUND, found.high",
        ("power lost and not counting",),
    ),
    Mutant(
        "change-out",
        "changes.py",
        "if final is None or state.good is None:",
        "if True:",
        ("change out",),
    ),
    Mutant(
        "change-out",
        "changes.py",
        "return bool(later and is_due(later[0], new)) or not _not_yet(state, entry, new)",
        "return True",
        ("change out", "reset entered"),
    ),
    Mutant(
        "change-out",
        "changes.py",
        "if entry.first_count is None or entry.change is Change.REMOVED:",
        "if True:",
        ("change out",),
    ),
    Mutant(
        "interpolation",
        "cut.py",
        "interval.posted * (edge_ms - begin) // _length_ms(interval)",
        "interval.posted",
    ),
    Mutant(
        "interpolation",
        "sums.py",
        "counts_before(one, self.end) - counts_before(one, self.begin)",
        "counts_before(one, self.end)",
        ("gap of the line",),
    ),
    Mutant("bounds", "sums.py", "sums.up += max(0, high - posted)", "sums.up += 0", ("empty pipe",)),
    Mutant(
        "bounds",
        "cut.py",
        "return edge_ms - at.when.utc_ms + at.when.within_ms + rules.readout_ms",
        "return edge_ms - at.when.utc_ms",
        ("rollover", "gap of the line", "frozen"),
    ),
    Mutant(
        "bounds",
        "cut.py",
        "if rules.net else at.when.utc_ms + at.when.within_ms - edge_ms",
        "if rules.net else 0",
        ("rollover", "gap of the line", "frozen"),
    ),
    Mutant(
        "status",
        "doubt.py",
        "if not suspect and not any(one.not_counting for one in ends):",
        "if True:",
        ("empty pipe",),
    ),
    Mutant(
        "flow against total",
        "agreement.py",
        "if old.flow_m3s == 0 and new.flow_m3s == 0:",
        "if False:",
        ("dead flow sensor",),
    ),
    Mutant(
        "flow against total",
        "agreement.py",
        "if new.total.count != old.total.count or not",
        "if not",
        ("stuck totalizer",),
    ),
]


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("mutants")
    shutil.copytree(SOURCE, made, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
    return made


def run(copy: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Python on the copy, which stands before the installed source."""
    ours = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}  # of this run, not of its
    env = {**ours, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.run(
        [sys.executable, *words], cwd=ROOT, env=env, check=False, capture_output=True, text=True, timeout=240
    )


def months(copy: Path, events: tuple[str, ...]) -> subprocess.CompletedProcess[str]:
    return run(copy, "-m", "tests.ledger.test_months", "--hold", str(SEEDS), *events)


def narrow(copy: Path) -> subprocess.CompletedProcess[str]:
    return run(copy, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *NARROW)


@pytest.fixture
def mutated(copy: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    mutant: Mutant = request.param
    place = copy / "tallywell" / "ledger" / mutant.file
    whole = (SOURCE / "tallywell" / "ledger" / mutant.file).read_text()
    times = whole.count(mutant.old)
    assert times == 1, f"a stale mutant of the rule of {mutant.rule}: {mutant.old!r} is {times} times in {mutant.file}"
    place.write_text(whole.replace(mutant.old, mutant.new))
    yield copy
    place.write_text(whole)


def test_the_copy_unbroken_is_found_faultless(copy: Path) -> None:
    """Or nothing that follows would tell anything."""
    events = sorted({event for mutant in MUTANTS for event in mutant.events})
    ran = months(copy, tuple(events))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert f"{SEEDS * len(events)} months, none at fault\nby {copy}" in ran.stdout


IN_MONTHS = [pytest.param(mutant, mutant.events, id=mutant.name) for mutant in MUTANTS if mutant.events]


@pytest.mark.parametrize(("mutated", "events"), IN_MONTHS, indirect=["mutated"])
def test_random_months_notice_a_broken_rule(mutated: Path, events: tuple[str, ...]) -> None:
    ran = months(mutated, events)
    assert ran.returncode == 1, f"no month noticed it: {ran.stdout}{ran.stderr}"
    assert f"by {mutated}" in ran.stdout


ALONE = [
    pytest.param(mutant, id=mutant.name, marks=[pytest.mark.campaign] if mutant.events else []) for mutant in MUTANTS
]


@pytest.mark.parametrize("mutated", ALONE, indirect=True)
def test_the_narrow_tests_notice_a_broken_rule(mutated: Path) -> None:
    ran = narrow(mutated)
    assert ran.returncode == 1, f"no test failed: {ran.stdout}{ran.stderr}"
    assert "failed" in ran.stdout
