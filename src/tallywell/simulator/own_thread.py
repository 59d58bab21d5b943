"""Edge: what a simulated line lives in, be it on a pseudo-terminal or behind a TCP port."""

import os
import threading
from abc import ABC, abstractmethod
from typing import Self

NO_MORE = -1


class OwnThread(ABC):
    """Serves on a thread of its own from `start` to `stop`. `_woken` is readable when `_is_over` is to be asked."""

    def __init__(self, name: str) -> None:
        self._woken, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._serve, name=f"simulated {name}", daemon=True)

    def start(self) -> Self:
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the thread and let go of the line. Calling it again does nothing."""
        if self._wake == NO_MORE:
            return
        os.write(self._wake, b"x")
        if self._thread.ident is not None:
            self._thread.join()
        self._let_go()
        os.close(self._woken)
        os.close(self._wake)
        self._wake = NO_MORE

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _nudge(self) -> None:
        """Have the thread look about."""
        os.write(self._wake, b".")

    def _is_over(self) -> bool:
        return b"x" in os.read(self._woken, 64)

    @abstractmethod
    def _serve(self) -> None:
        """What the thread does, until `_is_over`."""

    @abstractmethod
    def _let_go(self) -> None:
        """Once, when the thread has ended."""
