"""What a command answers. In this process: one of its own takes half a second, and these tests call hundreds.

That a command works as a process of its own is held by tests/whole and by those here that talk to it at a terminal.
"""

import io
import os
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from unittest.mock import patch

from tallywell.commandline import main


def said(*words: str | Path) -> tuple[int, str]:
    """Its exit code and all that it printed, errors behind the rest; nobody sits at its terminal."""
    out, err = io.StringIO(), io.StringIO()
    with (
        Path(os.devnull).open(encoding="utf-8") as nobody,
        patch("sys.stdin", nobody),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            code = main([str(word) for word in words])
        except SystemExit as ended:
            code = int(ended.code or 0)
    return code, out.getvalue() + err.getvalue()
