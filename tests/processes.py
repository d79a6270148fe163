"""Real processes of ours for tests: started as a person would, awaited with a deadline, gone afterwards."""

import os
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from lugwatch.clock import SCALED_CLOCK_VARIABLE, ScaledClock

T = TypeVar("T")


def until(what: Callable[[], T], seconds: float = 30.0, every_seconds: float = 0.05) -> T:
    """The first true answer of `what`; AssertionError after `seconds`. For the state of other processes.

    It is looks that are counted: a machine that stands still for a while gives the others no time either.
    """
    for _ in range(round(seconds / every_seconds)):
        answer = what()
        if answer:
            return answer
        time.sleep(every_seconds)
    raise AssertionError(f"not within {seconds} s: {what}\n{_what_threads_do()}")


def _what_threads_do() -> str:
    frames = sys._current_frames()
    return "\n".join(
        f"{thread.name}:\n" + "".join(traceback.format_stack(frames[thread.ident])[-4:])
        for thread in threading.enumerate()
        if thread.ident in frames and thread is not threading.current_thread()
    )


class Command:
    """`with Command("watch", "--config", path) as watch:` one `lugwatch` process."""

    def __init__(self, *arguments: str | Path, clock: ScaledClock | None = None) -> None:
        self._arguments = [str(a) for a in arguments]
        self._environment = dict(os.environ)
        if clock is not None:
            self._environment[SCALED_CLOCK_VARIABLE] = clock.to_text()
        self.process: subprocess.Popen[str] | None = None

    def __enter__(self) -> "Command":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "lugwatch", *self._arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=self._environment,
        )

    @property
    def running(self) -> "subprocess.Popen[str]":
        assert self.process is not None, "it was not started"
        return self.process

    def stop(self, seconds: float = 10.0) -> int:
        """Ask it to stop and give its exit status."""
        self.running.send_signal(signal.SIGTERM)
        return self.running.wait(seconds)

    def kill(self) -> None:
        """SIGKILL: what a power cut is to a process."""
        if self.process is not None:
            if self.process.poll() is None:
                self.process.kill()
            self.process.communicate(timeout=10.0)
