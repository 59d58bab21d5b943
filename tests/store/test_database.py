"""The record's folder: its modes and group, and a second look at it that changes nothing it need not."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import pytest

from tallywell.readings.problems import EdgeFailure
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder

if TYPE_CHECKING:
    from pathlib import Path


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("umask", [0o000, 0o022, 0o077, 0o777])
def test_modes_do_not_depend_on_the_umask(tmp_path: Path, umask: int) -> None:
    folder = RecordFolder(tmp_path / "quail.record")
    before = os.umask(umask)
    try:
        folder.create()
        with open_writer(folder, "0.test", "b"):
            assert [mode(place) for place in (folder.path, folder.inbox, folder.bad, folder.backup)] == [0o2770] * 4
            files = [folder.db, folder.lock, folder.path / "record.db-wal", folder.path / "record.db-shm"]
            assert [mode(file) for file in files] == [0o660] * 4
    finally:
        os.umask(before)


def test_a_folder_that_is_there_only_gains_what_it_lacks(tmp_path: Path) -> None:
    folder = RecordFolder(tmp_path / "quail.record")
    folder.path.mkdir(mode=0o700)
    folder.path.chmod(0o705)
    group = folder.path.stat().st_gid
    folder.create()
    folder.create()
    assert mode(folder.path) == 0o2775
    assert folder.path.stat().st_gid == group


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(EdgeFailure, match=r"cannot be made .*choose another `record:`"):
        RecordFolder(tmp_path / "file" / "quail.record").create()


def test_a_folder_of_others_is_not_said_to_be_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = RecordFolder(tmp_path / "quail.record")
    folder.create()

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tallywell.store.database._make_folder", refused)  # root may do anything, so it is pretended
    with pytest.raises(EdgeFailure, match="may not write there; join the group"):
        folder.create()


def test_names_with_signs_that_a_uri_gives_a_meaning(tmp_path: Path) -> None:
    folder = RecordFolder(tmp_path / "50% & wells?#1.record")
    folder.create()
    open_writer(folder, "0.test", "b").close()
    assert folder.db.stat().st_size > 0
