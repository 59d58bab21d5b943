"""What the pages say is held against the program. Run as a program, this file writes anew what is made of it."""

import argparse
import io
import os
import re
import shlex
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import redirect_stdout, suppress
from importlib import import_module
from pathlib import Path
from unittest.mock import patch

import pytest

import tallywell
from tallywell.commandline import COMMANDS, PARTS, main
from tallywell.line.kept import Trace
from tallywell.line.replay import Replay
from tallywell.readings.exchange import Outcome
from tallywell.readings.faults import Fault
from tallywell.readings.units import KINDS
from tallywell.registers.map_forms import (
    BitForm,
    DisplayForm,
    LimitsForm,
    LowPartForm,
    MapForm,
    QuantityForm,
    SpanForm,
    TypeWritten,
    ValidForm,
    WakeForm,
)
from tallywell.registers.numbering import Numbering
from tallywell.registers.register_map import parse_map
from tallywell.reports.csv_layout import COLUMNS as CSV_COLUMNS
from tallywell.service.site_file import parse_site
from tallywell.service.site_forms import LineForm, PermitForm, PointForm, ShareForm, SiteForm, WellForm
from tallywell.stated.told import KINDS as ENTRY_KINDS
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder
from tallywell.store.schema import COLUMNS
from tallywell.written.forms import Form

ROOT = Path(__file__).parent.parent
REFERENCE = ROOT / "docs" / "reference"
COMMANDS_PAGE = REFERENCE / "commands.md"
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("deploy/*.md")])
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
    "src", "tests", "configs", "deploy", "docs",
}  # fmt: skip


def page_id(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def blocks(page: Path, language: str) -> list[tuple[str, str]]:
    """(what stands behind the language, content) of each fenced block, without the indentation of a list."""
    found = re.findall(r"^( *)```(\w+)(.*)\n((?:.*\n)*?)\1```$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return [(name.strip(), textwrap.dedent(body)) for _, kind, name, body in found if kind == language]


# --- commands


def help_text(*words: str) -> str:
    """As printed on a screen of 100 columns."""
    screen = io.StringIO()
    with patch.dict(os.environ, COLUMNS="100"), redirect_stdout(screen), suppress(SystemExit):
        main([*words, "--help"])
    return "\n".join(line.rstrip() for line in screen.getvalue().splitlines())


def command_reference() -> str:
    parts = ["# Commands", "Made from the commands' own help by `.venv/bin/python tests/test_docs.py`; do not edit."]
    parts.append(f"```\n{help_text()}\n```")
    for name in COMMANDS:
        parts += [f"## {name}", f"```\n{help_text(name)}\n```"]
        for part in PARTS.get(name, ()):
            parts += [f"### {name} {part}", f"```\n{help_text(name, part)}\n```"]
    return "\n\n".join(parts) + "\n"


def test_the_command_reference_is_what_the_commands_say() -> None:
    assert COMMANDS_PAGE.read_text(encoding="utf-8") == command_reference(), (
        "docs/reference/commands.md is stale: run .venv/bin/python tests/test_docs.py"
    )


def test_what_is_made_from_the_formats_is_what_the_program_takes() -> None:
    from tests.reference_tables import made

    for path, content in made():
        assert path.read_text(encoding="utf-8") == content, (
            f"{page_id(path)} is stale: run .venv/bin/python tests/test_docs.py"
        )


def shown_commands() -> list[tuple[str, str]]:
    """Every line of a shell block that calls the program, with its page."""
    found = []
    for page in PAGES:
        for _, body in blocks(page, "sh"):
            for line in body.replace("\\\n", " ").splitlines():
                found += [(page_id(page), call) for call in re.findall(r"(?:^|[ /])tallywell ([^&|;>]+)", line)]
    return found


@pytest.mark.parametrize(("page", "call"), shown_commands())
def test_a_command_in_the_docs_can_be_typed_so(page: str, call: str) -> None:
    name, *words = shlex.split(call)
    if name not in COMMANDS:  # `chown tallywell ...`, `enable tallywell`
        assert page.startswith("deploy/"), f"{page}: tallywell {call}"
        return
    if name in PARTS:
        assert words[0] in PARTS[name], f"{page}: tallywell {call}"
        name, words = f"{name}_{words[0]}", words[1:]
    parser = argparse.ArgumentParser(prog=name, allow_abbrev=False, exit_on_error=False)
    import_module(f"tallywell.commandline.{name.replace('-', '_')}").arguments(parser)
    parser.parse_args(words)


# --- links and samples


def anchors(page: Path) -> set[str]:
    """The names that a heading can be linked by, as the common renderers make them."""
    headings = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=page_id)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if target.startswith("https://"):
            continue
        path, _, anchor = target.partition("#")
        to = (page.parent / path).resolve() if path else page
        assert to.exists(), f"{page_id(page)}: {target} leads nowhere"
        assert not anchor or anchor in anchors(to), f"{page_id(page)}: {target} has no such heading"


def test_every_page_can_be_reached_from_the_index() -> None:
    index = (ROOT / "docs" / "README.md").read_text(encoding="utf-8")
    missing = [page.name for page in ROOT.glob("docs/**/*.md") if page.name != "README.md" and page.name not in index]
    assert not missing


@pytest.mark.parametrize("page", [page for page in PAGES if blocks(page, "yaml")], ids=page_id)
def test_samples_are_in_order(page: Path) -> None:
    samples = dict(blocks(page, "yaml"))
    assert "" not in samples, "a sample is named behind its fence, so that it can be checked"

    def read_map(name: str) -> str:
        return samples[name] if name in samples else (ROOT / "configs" / name).read_text(encoding="utf-8")

    for name, text in samples.items():
        is_map = name.startswith("maps/")
        found, problems = (parse_map if is_map else parse_site)(text, name, read_map)
        assert found is not None, "\n".join(map(str, problems))
        assert not problems, "a sample gives no warning either"


def test_the_kept_file_in_the_docs_can_be_replayed() -> None:
    page = (REFERENCE / "frames-file.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"```text\n(.*?)```", page, re.DOTALL)
    trace = Trace(text.splitlines(keepends=True), "frames-file.md")
    replay = Replay(trace.head.lines["field"], lambda *_: pytest.fail("each request has its ask"))
    passed = [one for row in trace.rows() for one in replay.feed(row.what)]
    (outcome,) = [one for one in passed if isinstance(one, Outcome)]
    assert outcome.data == bytes.fromhex("41c80000")
    assert replay.otherwise == []


def test_queries_in_the_docs_run_on_a_record(tmp_path: Path) -> None:
    folder = RecordFolder(tmp_path / "record")
    folder.create()
    open_writer(folder, tallywell.__version__, "boot").close()
    queries = blocks(REFERENCE / "record.md", "sql")
    assert queries
    with sqlite3.connect(f"{folder.db.as_uri()}?mode=ro", uri=True) as record:
        for _, query in queries:
            record.execute(query).fetchall()
    record.close()


# --- nothing that a person can write, or meets in a file, is missing from its page


def keys(*forms: type[Form]) -> set[str]:
    return {field.alias or name for form in forms for name, field in form.model_fields.items()}


def words_of(page: str) -> set[str]:
    """Every word that stands as code within a line of a page of the reference."""
    text = re.sub(r"^```.*?^```$", "", (REFERENCE / page).read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    return {word for code in re.findall(r"`([^`\n]+)`", text) for word in re.split(r"[\s,:{}\[\]]+", code)}


EXPECTED: list[tuple[str, set[str]]] = [
    ("register-map.md", keys(MapForm, LimitsForm, QuantityForm, ValidForm, BitForm, LowPartForm, WakeForm, SpanForm)),
    ("register-map.md", {str(kind) for kind in TypeWritten} | {str(way) for way in Numbering}),
    ("register-map.md", {unit for units in KINDS.values() for unit in units}),
    ("site-file.md", keys(SiteForm, LineForm, WellForm, PointForm, DisplayForm, PermitForm, ShareForm)),
    ("faults.md", {str(fault) for fault in Fault}),
    ("record.md", {*COLUMNS, *(column for columns in COLUMNS.values() for column in columns)}),
    ("record.md", set(ENTRY_KINDS)),
    ("report.md", set(CSV_COLUMNS)),
]


@pytest.mark.parametrize(("page", "expected"), EXPECTED)
def test_a_reference_page_names_everything(page: str, expected: set[str]) -> None:
    assert not expected - words_of(page), f"docs/reference/{page} does not name these"


# --- the first page, the changes and what else stands at the top


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readme_opens_with_one_paragraph() -> None:
    heading, paragraph, after, *_ = readme().split("\n\n")
    assert heading == "# Tallywell"
    assert re.match(r"[A-Z]", paragraph), "the first thing said is a sentence"
    assert len(paragraph.split()) < 150
    assert after.endswith(":"), "what follows leads to the first command"


def test_the_readme_has_two_commands_to_begin_with() -> None:
    before = readme().split("\n## ")[0]
    commands = re.findall(r"```sh\n(.*?)```", before, re.DOTALL)
    assert [command.count("\n") for command in commands] == [1, 1], "each is one line"
    assert commands[0].strip().endswith(".venv/bin/tallywell demo")
    assert commands[1].strip().endswith(".venv/bin/pytest")


def test_ci_finds_exactly_one_command_in_the_readme() -> None:
    extraction = re.search(r"^command=\$\((.*)\)$", (ROOT / ".ci" / "run").read_text(encoding="utf-8"), re.MULTILINE)
    assert extraction is not None
    found = subprocess.run(["bash", "-c", extraction[1]], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert found.splitlines() == [
        "python3 -m venv .venv && .venv/bin/pip install --quiet -e '.[dev]' && .venv/bin/pytest"
    ]


def test_the_newest_changes_are_of_this_version() -> None:
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## (\S+) - (unreleased|\d{4}-\d{2}-\d{2})$", changes, re.MULTILINE)
    assert newest is not None
    assert newest[1] == tallywell.__version__
    assert "**Numbers**" in changes


def test_the_top_level_holds_what_it_should() -> None:
    if not (ROOT / ".git").exists():
        pytest.skip("no checkout: what is tracked is not known")
    listing = ["git", "-c", "safe.directory=*", "ls-files"]
    tracked = subprocess.run(listing, cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines()
    top = {path.split("/", maxsplit=1)[0] for path in tracked}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_the_unit_runs_a_command_that_is_there_and_waits_for_no_network() -> None:
    unit = dict(
        line.split("=", maxsplit=1)
        for line in (ROOT / "deploy" / "tallywell.service").read_text(encoding="utf-8").splitlines()
        if re.match(r"[A-Z]\w+=", line)
    )
    _, name, _ = unit["ExecStart"].split()
    assert name in COMMANDS
    assert "time-set.target" in unit["After"]
    assert not {"time-sync.target", "network-online.target"} & set(unit["After"].split())
    assert (unit["Restart"], unit["User"], unit["Group"]) == ("always", "tallywell", "tallywell")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    from tests.reference_tables import made

    for path, content in ((COMMANDS_PAGE, command_reference()), *made()):
        path.write_text(content, encoding="utf-8")
        print(f"wrote {path.relative_to(ROOT)}")
