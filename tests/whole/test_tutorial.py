"""The tutorial, typed as it stands: its files, its commands in its order, and what it shows of their output."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

TUTORIAL = Path(__file__).parents[2] / "docs" / "tutorial.md"
STAYS = ("tallywell simulate", "tallywell run")  # these go on in a terminal of their own
READY = {"tallywell simulate": "Ctrl-C", "tallywell run": "stored"}
EVER = 100_000  # lines of a log at most, so that no loop is endless


def blocks() -> list[tuple[str, str]]:
    """(language and name, content) of each fenced block; shown output has no language."""
    return re.findall(r"^```(.*)\n((?:.*\n)*?)```$", TUTORIAL.read_text(encoding="utf-8"), re.MULTILINE)


def masked(text: str) -> str:
    """Numbers, words and names as #, blanks as one: what differs from one run to the next is not compared."""
    text = text.replace(" (the clock is not synchronised)", "")
    text = re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}|\b[0-9A-F]{4} [0-9A-F]{4}\b|\d[\d,.:-]*", "#", text)
    return re.sub(r" +", " ", text).strip()


@dataclass(slots=True)
class Terminal:
    """Where the reader types."""

    folder: Path
    stack: ExitStack
    outputs: list[tuple[str, str]] = field(default_factory=list)

    @property
    def environment(self) -> dict[str, str]:
        return {**os.environ, "PATH": f"{self.folder / 'bin'}:{os.environ['PATH']}"}

    def type(self, line: str) -> None:
        stays = next((words for words in STAYS if line.startswith(words)), None)
        said = self._left_running(line, READY[stays]) if stays else self._to_its_end(line)
        self.outputs.append((line, said))

    def _to_its_end(self, lines: str) -> str:
        done = subprocess.run(
            ["bash", "-c", lines],
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        # `status` ends with 1 while a meter is silent, which is what the tutorial shows with it.
        assert done.returncode == 0 or "tallywell status" in lines, f"{lines}\n{done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr
        return done.stdout

    def _left_running(self, line: str, ready: str) -> str:
        running = self.stack.enter_context(left_running(line, self.folder, self.environment))
        assert running.stdout is not None
        said = ""
        for _, told in zip(range(EVER), running.stdout, strict=False):
            said += told
            if ready in told:
                return said
        raise AssertionError(f"{line} ended:\n{said}")

    def face(self) -> str:
        """What the reader notes when told to look at what the face should show."""
        said = self._to_its_end("tallywell read pump-house.simulated.yaml north")
        found = re.search(r"the face should show (\d{8})", said)
        assert found is not None, said
        return found[1]


@contextmanager
def left_running(line: str, folder: Path, environment: dict[str, str]) -> Iterator[subprocess.Popen[str]]:
    running = subprocess.Popen(line.split(), cwd=folder, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        yield running
    finally:
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=30)


def test_the_tutorial_does_what_it_says(tmp_path: Path) -> None:
    program = tmp_path / "bin" / "tallywell"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m tallywell "$@"\n', encoding="utf-8")
    program.chmod(0o755)
    with ExitStack() as stack:
        terminal = Terminal(tmp_path, stack)
        for what, body in blocks():
            if what.startswith("yaml "):
                path = tmp_path / what.removeprefix("yaml ")
                path.parent.mkdir(exist_ok=True)
                path.write_text(body, encoding="utf-8")
            elif what == "sh":
                terminal.type(re.sub(r"(?<=--shows )\d+", terminal.face(), body) if "visit" in body else body)
            else:
                check_output(body, terminal.outputs[-1])
    check_report(next(said for line, said in terminal.outputs if "tallywell report" in line))
    assert (tmp_path / "today.csv").read_text(encoding="utf-8").startswith("point,section,item")


def check_output(shown: str, typed: tuple[str, str]) -> None:
    line, said = typed
    if "tallywell check" in line:
        assert shown == said
    elif "status" in line or "run" in line:  # how many polls went by is not the same twice
        assert masked(shown).splitlines()[0].split()[0] == masked(said).splitlines()[0].split()[0]
    else:
        assert masked(shown) == masked(said)


def check_report(said: str) -> None:
    for words in (
        "PROVISIONAL",
        "serial A-1042",
        "first reading in the period",
        "last reading in the period",
        "How the volume follows",
        "before the first good reading on record",
        "Hand readings",
        "P-2041 (right)",
    ):
        assert words in said
    balance = re.search(r"meter A-1042, .*: ([\d,]+) - ([\d,]+) = ([\d,]+) counts", said)
    assert balance is not None, said
    end, begin, counts = (int(number.replace(",", "")) for number in balance.groups())
    assert end - begin == counts
