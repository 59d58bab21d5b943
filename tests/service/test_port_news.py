"""What the record and the log say of a port that went and came back."""

from pathlib import Path

import pytest

from tallywell.line.away import Back, Lost, PortAway, Reason
from tallywell.line.links import Links
from tallywell.service.lines import better_names
from tallywell.service.port_news import port_news
from tallywell.service.site import Line, NetworkLine

MS = 1_000_000
FIELD, POLE = Line("field", "/dev/ttyUSB0", 19_200), NetworkLine("pole", "192.0.2.10")
GONE = PortAway("port /dev/ttyUSB0 was lost: the device is gone", Reason.GONE, "is the adapter plugged in?")
HELD = PortAway("port /dev/ttyUSB0: held by another program, process 42 (cat)", Reason.HELD, "end that one")
SILENT = PortAway("192.0.2.10, TCP port 502: nothing answers there", Reason.UNREACHABLE, "check its power")


def test_a_port_that_went() -> None:
    news = port_news(FIELD, Lost(5_000 * MS, GONE, Reason.GONE, "/dev/ttyUSB0"))
    assert news.at_ns == 5_000 * MS
    assert news.said == ("line field: port /dev/ttyUSB0 was lost: the device is gone; is the adapter plugged in?")
    assert news.event == (
        "port_lost",
        {
            "line": "field",
            "port": "/dev/ttyUSB0",
            "reason": "gone",
            "device": "/dev/ttyUSB0",
            "why": "port /dev/ttyUSB0 was lost: the device is gone",
        },
    )


def test_another_reason_is_for_the_log_alone() -> None:
    """The record's reason is that for which it went: an adapter that was pulled is not held by anybody."""
    news = port_news(FIELD, Lost(5_000 * MS, HELD, Reason.GONE, "/dev/ttyUSB0", again=True))
    assert news.said.startswith("line field: port /dev/ttyUSB0: held by another program, process 42")
    assert news.event is None


@pytest.mark.parametrize(
    ("before", "now", "said"),
    [
        ("/dev/ttyUSB0", "/dev/ttyUSB0", "line field: port /dev/ttyUSB0 is back after 2 min"),
        (
            "/dev/ttyUSB0", "/dev/ttyUSB1",
            "line field: port /dev/ttyUSB0 is back after 2 min, as /dev/ttyUSB1 (before: /dev/ttyUSB0)",
        ),
        ("", "/dev/ttyUSB0", "line field: port /dev/ttyUSB0 could be opened after 2 min"),
    ],
)  # fmt: skip
def test_a_port_that_is_back(before: str, now: str, said: str) -> None:
    news = port_news(FIELD, Back(125_000 * MS, now, Lost(5_000 * MS, HELD, Reason.GONE, before, again=True)))
    assert news.said == said
    assert news.event == (
        "port_back",
        {
            "line": "field",
            "port": "/dev/ttyUSB0",
            "reason": "gone",
            "away_ms": 120_000,
            "device": now,
            "before": before,
        },
    )


def test_a_host() -> None:
    lost = Lost(5_000 * MS, SILENT, Reason.UNREACHABLE)
    event = port_news(POLE, lost).event
    assert event is not None
    assert event[1]["host"] == "192.0.2.10"
    assert "port" not in event[1]
    back = port_news(POLE, Back(45_000 * MS, "192.0.2.10, TCP port 502", lost))
    assert back.said == "line pole: 192.0.2.10, TCP port 502 is connected to again after 40 s"


def test_better_names_for_the_log(tmp_path: Path) -> None:
    assert list(better_names((FIELD, POLE), Links(tmp_path))) == []

    class Known(Links):
        def better_name(self, written: str) -> str | None:
            return f"/dev/serial/by-id/of-{Path(written).name}"

    (said,) = better_names((FIELD, POLE), Known())
    assert said == (
        "line field: /dev/ttyUSB0 can name another adapter after the next start; write /dev/serial/by-id/of-ttyUSB0, "
        "which leads to it now"
    )
