"""What a command states or asks while others are at the record."""

import threading
import time
from pathlib import Path

from tallywell.service.entering import Fate, Statement, ask, enter
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder
from tallywell.store.inbox import waiting

VISIT = Statement("visit", "north", None, "someone", {"shows": "00000001", "note": ""})


def test_an_entry_made_while_another_command_writes_is_taken_when_that_one_has_ended(tmp_path: Path) -> None:
    folder = RecordFolder(tmp_path / "quail.record")
    folder.create()
    holds, at_work = threading.Event(), threading.Event()

    def other_command() -> None:
        """It polls a meter, say, and has no look into the inbox."""
        with open_writer(folder, "0.test", "boot-1"):
            holds.set()
            at_work.wait(10)

    other = threading.Thread(target=other_command)
    other.start()
    assert holds.wait(10)
    threading.Timer(0.5, at_work.set).start()
    try:
        _, outlook = enter(folder.path, VISIT, ("north",))
    finally:
        at_work.set()
        other.join(10)
    assert outlook.fate is Fate.TAKEN
    assert waiting(folder) == ()


def test_an_ask_that_nobody_answered_in_time_does_not_lie_there_for_days(tmp_path: Path) -> None:
    folder = RecordFolder(tmp_path / "quail.record")
    folder.create()
    began = time.monotonic()
    with open_writer(folder, "0.test", "boot-1"):
        outlook = ask(folder.path, "north", "someone", 0.3)
    assert outlook.fate is Fate.QUEUED
    assert waiting(folder) == ()
    print(f"{time.monotonic() - began:.2f} s")
