"""Runs a bag whose results go into a file in order: parallel in the making, one after the other in the writing."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from tilepipe.run.engine import Engine

Made = TypeVar("Made")


class _Turnstile:
    """Hands out numbers in order and lets results pass in order; at most `ahead` of them wait for an earlier one."""

    def __init__(self, ahead: int) -> None:
        self._ahead = ahead
        self._turn = threading.Condition()
        self._taken, self._next = 0, 0
        self._waiting: dict[int, Callable[[], None]] = {}
        self._broken = False

    def take(self) -> int:
        with self._turn:
            number = self._taken
            self._taken += 1
            return number

    def hand_in(self, number: int, write: Callable[[], None]) -> None:
        """After another one failed nothing is written; that one's error is the one to be told."""
        with self._turn:
            while not self._broken and number - self._next > self._ahead:
                self._turn.wait()
            if self._broken:
                return
            self._waiting[number] = write
            while self._next in self._waiting:
                self._waiting.pop(self._next)()
                self._next += 1
                self._turn.notify_all()

    def give_up(self) -> None:
        """Wakes everybody who waits for a result that will not come."""
        with self._turn:
            self._broken = True
            self._turn.notify_all()


def run_in_order(
    engine: Engine, name: str, count: int, make: Callable[[int], Made], put: Callable[[int, Made], None]
) -> None:
    """Runs `make(number)` for 0 … count − 1 on the engine's workers and `put(number, made)` strictly in that order.

    Numbers are taken in order whatever order the scheduler starts tasks in, so the earliest one is always being made:
    nobody waits for a task that has not begun. In memory: as many results as workers, and as many again waiting.
    """
    turnstile = _Turnstile(engine.workers)

    def work(_: int) -> None:
        number = turnstile.take()
        try:
            made = make(number)
            turnstile.hand_in(number, lambda: put(number, made))
        except BaseException:
            turnstile.give_up()
            raise

    engine.run_bag(name, range(count), work)
