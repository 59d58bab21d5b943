"""A site file and its maps on a real disk."""

import os
from pathlib import Path

import pytest

from tallywell.registers.register_map import parse_map
from tallywell.service.files import load_map, load_site
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


VARIANT = "map: spool-d\nrevision: 1\nbased_on: spool-c.yaml\nwithout: [net_total]\n"


def with_variant(folder: Path) -> Path:
    """The sample site with one point on a variant."""
    site = copy_of_sample(folder)
    (folder / "maps" / "spool-d.yaml").write_text(VARIANT)
    site.write_text(site.read_text().replace("map: maps/inline-a.yaml", "map: maps/spool-d.yaml"))
    return site


def test_a_variant_is_kept_as_one_text_that_needs_no_file(tmp_path: Path) -> None:
    path = with_variant(tmp_path)
    loaded = load_site(path)
    assert [problem for problem in loaded.problems if not problem.warning] == []
    assert loaded.site is not None
    kept = loaded.maps["maps/spool-d.yaml"]
    assert kept.startswith("# Made of spool-d.yaml (sha256 ")
    again, _ = parse_site(loaded.text, "stored", loaded.maps.__getitem__)
    assert again == loaded.site
    for name, text in loaded.maps.items():
        found, _ = parse_map(text, name)
        assert all(point.map == found for point in loaded.site.points.values() if point.map_name == name)


def test_a_base_that_no_point_names_is_not_kept_by_itself(tmp_path: Path) -> None:
    path = with_variant(tmp_path)
    path.write_text(path.read_text().replace("map: maps/spool-c.yaml", "map: maps/insert-b.yaml"))
    assert "maps/spool-c.yaml" not in load_site(path).maps


def test_a_fault_of_a_base_is_named_once_by_its_path_and_a_missing_one_gets_a_suggestion(tmp_path: Path) -> None:
    path = with_variant(tmp_path)
    base = tmp_path / "maps" / "spool-c.yaml"
    base.write_text(base.read_text().replace("digits: 12", "digits: 21"))
    (problem,) = load_site(path).problems
    assert str(problem).startswith(f"{base}:19:89:")
    base.write_text(base.read_text().replace("digits: 21", "digits: 12"))
    variant = tmp_path / "maps" / "spool-d.yaml"
    variant.write_text(VARIANT.replace("spool-c.yaml", "spool-cc.yaml"))
    (problem,) = load_site(path).problems
    assert str(problem) == (
        f"{variant}:3:11: based_on cannot be read: no such file or directory "
        '(got "spool-cc.yaml"); did you mean "spool-c.yaml"?'
    )


def test_one_map_by_itself_with_its_base(tmp_path: Path) -> None:
    with_variant(tmp_path)
    loaded = load_map(tmp_path / "maps" / "spool-d.yaml")
    assert loaded.map is not None
    assert loaded.map.name == "spool-d"
    assert "net_total" not in loaded.map.quantities
    assert loaded.text == VARIANT
    assert [Path(name).name for name, _ in loaded.bases] == ["spool-c.yaml"]
    assert parse_map(loaded.kept, "kept")[0] == loaded.map


def test_a_map_that_cannot_be_read_is_one_problem(tmp_path: Path) -> None:
    with_variant(tmp_path)
    (problem,) = load_map(tmp_path / "maps" / "spool-e.yaml").problems
    assert problem.what == "the register map cannot be read: no such file or directory"
    (problem,) = load_map(tmp_path / "maps").problems
    assert problem.what == "this is a folder, not a register map"
    (tmp_path / "latin.yaml").write_bytes(b"map: \xff")
    (problem,) = load_map(tmp_path / "latin.yaml").problems
    assert (problem.what, problem.do) == ("byte 5 is no UTF-8", "save it as UTF-8")


def test_each_kind_of_file_in_the_place_of_the_other_is_said_so(tmp_path: Path) -> None:
    site = copy_of_sample(tmp_path)
    (problem,) = load_map(site).problems
    assert problem.what == "this is a site file, where a register map is wanted"
    (tmp_path / "variant.yaml").write_text(VARIANT)
    (problem,) = load_site(tmp_path / "variant.yaml").problems
    assert problem.what == "this is a register map, where a site file is wanted"
    (problem,) = load_site(tmp_path / "maps" / "inline-a.yaml").problems
    assert problem.what == "this is a register map, where a site file is wanted"
    assert "tallywell map show" in problem.do
