"""A site with two days of readings on record, and one call of a command about it."""

from pathlib import Path

import pytest

from tallywell.commandline import main
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record

POINT = "north-discharge"
FIRST, LAST = "2026-06-30 00:00", "2026-07-02 00:00"


def made_site(folder: Path) -> Path:
    """Every quarter of an hour 7 counts of 100 gal, from 5,000, on 30 June and 1 July 2026."""
    (folder / "quail.yaml").write_text(SITE)
    (folder / "inline-a.yaml").write_text(MAP)
    made = made_record(folder, FIRST)
    for step, now in enumerate(range(at(FIRST), at(LAST), QUARTER_MS)):
        made.read(now, forward_total=5_000 + 7 * step, flow_rate=46.7)
    made.flush()
    MadeRecord.open_ones.pop().close()
    return folder / "quail.yaml"


def called(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str]:
    """Exit code, and output with complaints; nothing is wider than 100 columns."""
    try:
        code = main([*map(str, words)])
    except SystemExit as end:
        code = int(str(end.code or 0))
    out, complaints = capsys.readouterr()
    said = out + complaints
    assert "Traceback" not in said
    folders = [f"{word.parent}/" for word in words if isinstance(word, Path)]
    for line in said.splitlines():  # where pytest puts its folders is nobody's width
        assert len(line) <= 100 + max((len(one) for one in folders if one in line), default=0), line
    return code, " ".join(said.split())
