"""A site file and its maps on a real disk."""

import os
from pathlib import Path

import pytest

from tallywell.service.files import load_site
from tallywell.service.site_file import parse_site

CONFIGS = Path(__file__).parents[2] / "configs"


def copy_of_sample(folder: Path) -> Path:
    (folder / "maps").mkdir()
    for map_file in (CONFIGS / "maps").glob("*.yaml"):
        (folder / "maps" / map_file.name).write_bytes(map_file.read_bytes())
    site = folder / "quail-flat.yaml"
    site.write_bytes((CONFIGS / "quail-flat.yaml").read_bytes())
    return site


def test_the_sample_site_is_in_order(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    loaded = load_site(path)
    assert loaded.problems == ()
    assert loaded.site is not None
    assert sorted(loaded.maps) == ["maps/inline-a.yaml", "maps/insert-b.yaml", "maps/spool-c.yaml"]
    assert loaded.record == tmp_path / "quail-flat.record"
    assert parse_site(loaded.text, "stored", loaded.maps.__getitem__) == (loaded.site, ())


def test_the_record_lies_where_the_site_file_says(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    path.write_text(path.read_text().replace("time_zone:", "record: ../books\ntime_zone:"))
    assert load_site(path).record == tmp_path / "../books"


def test_a_map_that_is_not_there_gets_a_suggestion(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    path.write_text(path.read_text().replace("inline-a", "inlin-a"))
    (problem,) = load_site(path).problems
    assert problem.what == 'point "north-discharge": map cannot be read: no such file or directory'
    assert problem.do == 'did you mean "maps/inline-a.yaml"?'


def test_a_fault_in_a_map_names_the_path_of_the_map(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    broken = tmp_path / "maps" / "spool-c.yaml"
    broken.write_text(broken.read_text().replace("digits: 12", "digits: 21"))
    (problem,) = load_site(path).problems
    assert problem.file == str(broken)
    assert str(problem).startswith(f"{broken}:19:89:")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("quail-flt.yaml", 'the site file cannot be read: no such file or directory; did you mean "quail-flat.yaml"?'),
        ("", "this is a folder, not a site file; name the site file in it, such as quail-flat.yaml"),
        (
            "quail-flat.yaml/inside",
            "the site file cannot be read: not a directory; look at the path, and at who may read the file",
        ),
        (
            "nowhere/else.yaml",
            "the site file cannot be read: no such file or directory; look at the path, and at who may read the file",
        ),
        ("a\0b", "the site file cannot be read: embedded null byte; look at the path, and at who may read the file"),
        ("x" * 300, "the site file cannot be read: file name too long; look at the path, and at who may read the file"),
    ],
)
def test_a_path_that_is_no_site_file_is_one_problem(tmp_path: Path, name: str, says: str) -> None:
    copy_of_sample(tmp_path)
    loaded = load_site(tmp_path / name)
    assert loaded.site is None
    (problem,) = loaded.problems
    assert str(problem) == f"{tmp_path / name}:1:1: {says}"


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    path.write_bytes(b"site: Caf\xe9\n")
    (problem,) = load_site(path).problems
    assert str(problem) == f"{path}:1:1: byte 9 is no UTF-8; save it as UTF-8"


def test_a_map_of_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    (tmp_path / "maps" / "spool-c.yaml").write_bytes(b"\xff\xfe")
    (problem,) = load_site(path).problems
    assert "map is no UTF-8 text" in problem.what


def test_a_file_without_end_is_not_read_to_its_end() -> None:
    (problem,) = load_site(Path("/dev/zero")).problems
    assert problem.what == "the file is longer than 262144 characters"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = copy_of_sample(tmp_path)
    path.chmod(0)
    (problem,) = load_site(path).problems
    assert "permission denied" in problem.what
