"""Who may know whom, and which files are edge. These two tables are the architecture page."""

import ast
from pathlib import Path

import pytest

SOURCE = Path(__file__).parent.parent / "src" / "tallywell"

MAY_KNOW: dict[str, set[str]] = {
    "readings": set(),
    "written": {"readings"},
    "registers": {"readings", "written"},
    "line": {"readings"},
    "schedule": {"readings"},
    "ledger": {"readings"},
    "store": {"readings"},
    "reports": {"readings", "ledger"},
    "stated": {"readings", "reports"},
    "simulator": {"readings", "registers", "line"},
    "service": {
        "readings",
        "written",
        "registers",
        "line",
        "schedule",
        "ledger",
        "store",
        "reports",
        "stated",
        "simulator",
    },
    "commandline": {
        "readings",
        "written",
        "registers",
        "line",
        "schedule",
        "ledger",
        "store",
        "reports",
        "stated",
        "simulator",
        "service",
    },
}

# Only these may touch serial ports, sockets, disk, threads or the clock. A name that ends in / is a whole room.
EDGE: set[str] = {
    "line/port.py",
    "line/bus.py",
    "line/ear.py",
    "line/links.py",
    "line/port_failure.py",
    "line/socket_port.py",
    "schedule/jumping_clock.py",
    "schedule/system_clock.py",
    "store/database.py",
    "store/append.py",
    "store/query.py",
    "store/inbox.py",
    "simulator/own_thread.py",
    "simulator/tcp_wire.py",
    "simulator/wire.py",
    "service/files.py",
    "service/frames.py",
    "service/listeners.py",
    "service/daemon.py",
    "service/hearing.py",
    "service/lines.py",
    "service/entering.py",
    "service/once.py",
    "service/demo.py",
    "commandline/",
}

EDGE_MODULES = {
    "os",
    "io",
    "pathlib",
    "shutil",
    "tempfile",
    "glob",
    "fcntl",
    "termios",
    "tty",
    "pty",
    "select",
    "selectors",
    "serial",
    "socket",
    "sqlite3",
    "subprocess",
    "signal",
    "threading",
    "queue",
    "multiprocessing",
    "asyncio",
    "time",
    "ctypes",
    "random",
    "secrets",
    "getpass",
    "sys",
    "logging",
}
# Chance is an edge too, except where a seed is an argument.
SEEDED = {"simulator/profile.py", "simulator/trouble.py"}

FILES = sorted(path.relative_to(SOURCE).as_posix() for path in SOURCE.rglob("*.py"))


def imports(file: str) -> list[tuple[str, str]]:
    """(module, name) of every import in the file, wherever it stands."""
    found: list[tuple[str, str]] = []
    for node in ast.walk(ast.parse((SOURCE / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, "") for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: imports are absolute, so that a room's neighbours can be read off"
            found += [(node.module or "", alias.name) for alias in node.names]
    return found


def room_of(module: str, name: str) -> str | None:
    if module == "tallywell":
        return name if name in MAY_KNOW else None
    return module.split(".")[1] if module.startswith("tallywell.") else None


@pytest.mark.parametrize("file", [f for f in FILES if "/" in f])
def test_a_room_knows_only_whom_it_may(file: str) -> None:
    room = file.split("/", maxsplit=1)[0]
    known = {found for module, name in imports(file) if (found := room_of(module, name))} - {room}
    assert known <= MAY_KNOW[room], f"{file} knows {sorted(known - MAY_KNOW[room])}"


@pytest.mark.parametrize("file", FILES)
def test_only_edge_files_touch_the_world(file: str) -> None:
    if file == "__main__.py" or any(file == edge or (edge.endswith("/") and file.startswith(edge)) for edge in EDGE):
        return
    touched = {module.split(".", maxsplit=1)[0] for module, _ in imports(file)} & EDGE_MODULES
    if file in SEEDED:
        touched -= {"random"}
    assert not touched, f"{file} touches {sorted(touched)}"


@pytest.mark.parametrize("file", FILES)
def test_pure_files_do_not_ask_for_now(file: str) -> None:
    if any(file == edge or (edge.endswith("/") and file.startswith(edge)) for edge in EDGE):
        return
    tree = ast.parse((SOURCE / file).read_text(encoding="utf-8"))
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    called = {func.attr for func in calls if isinstance(func, ast.Attribute)}
    assert not called & {"now", "utcnow", "today"}, f"{file} asks the clock"
    named = {func.id for func in calls if isinstance(func, ast.Name)}
    assert not named & {"open", "print", "input"}, f"{file} reads or writes"


def test_every_room_is_in_the_table_and_every_edge_file_exists() -> None:
    rooms = {f.split("/", maxsplit=1)[0] for f in FILES if "/" in f}
    assert rooms == set(MAY_KNOW)
    missing = {edge for edge in EDGE if not (SOURCE / edge).exists()}
    assert not missing, f"the edge table names files that are not there: {sorted(missing)}"


def test_the_daemon_does_not_carry_what_only_tests_and_papers_need() -> None:
    import subprocess
    import sys

    loaded = subprocess.run(
        [sys.executable, "-c", "import tallywell.service.daemon, sys; print('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    heavy = {"pandas", "numpy", "pint", "pymodbus", "hypothesis", "asyncio", "tallywell.reports.text"}
    assert not heavy & set(loaded)
